"""Files of jobs that are asked about: what contradicts itself in them is refused, what stands for all of them told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.book.store import Book

Maker = Callable[..., Book]
Run = Callable[..., tuple[int, str, str]]
HEAD = "job_id,date,vehicle_class,zone,customer"


@pytest.fixture
def file(tmp_path: Path) -> Callable[..., str]:
    """Return a writer of files of jobs."""

    def write(*lines: str) -> str:
        (tmp_path / "j.csv").write_text("\n".join([HEAD, *lines]) + "\n")
        return str(tmp_path / "j.csv")

    return write


@pytest.mark.parametrize("command", [("estimate",), ("quote",), ("order", "--fit")])
def test_a_visit_of_two_days_is_refused_with_its_lines(
    command: tuple[str, ...], file: Callable[..., str], new_book: Maker, run: Run
) -> None:
    """What the import refuses is not priced as one visit either."""
    book = str(new_book().folder)
    jobs = file("A,2026-12-01,van,interior,", "B,2026-12-01,van,interior,", "a,,van,cargo_area,",
                "A,2026-12-05,van,undercarriage,")  # fmt: skip
    code, _, err = run(*command, "--jobs", jobs, "--book", book, "--today", "2026-11-28")
    assert code == 1
    assert "lines 2 and 5, date: job A has 2026-12-01 and 2026-12-05" in err
    assert "one visit has one day: give the second day a job_id of its own" in err
    assert "line 3" not in err


def test_a_visit_of_two_customers_is_refused(file: Callable[..., str], new_book: Maker, run: Run) -> None:
    """As the import does; the same customer in other letters, or named on one row alone, is one customer."""
    book = str(new_book().folder)
    call = ("quote", "--book", book, "--today", "2026-11-28", "--jobs")
    jobs = file("A,,van,interior,K-1", "A,,van,undercarriage,K-2")
    code, _, err = run(*call, jobs)
    assert code == 1
    assert "lines 2 and 3, customer: job A has K-1 and K-2" in err
    jobs = file("A,2026-12-01,van,interior,K-1", "A,2026-12-01,van,undercarriage,k-1", "A,,van,engine_bay,")
    assert run(*call, jobs)[0] == 0
