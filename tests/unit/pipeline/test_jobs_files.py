"""Files of jobs that are asked about: what contradicts itself in them is refused, what stands for all of them told."""

from __future__ import annotations

import json
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


def _quoted(run: Run, *call: str) -> tuple[list[float], list[str], list[str]]:
    code, out, err = run("quote", *call, "--today", "2026-11-28", "--json")
    assert code == 0, err
    answer = json.loads(out)
    quotes = answer["result"]["quotes"]
    return [q["at_price"]["price_usd"] for q in quotes if q["at_price"]], [q["customer"] for q in quotes], [
        w for w in answer["warnings"] if "in the file" in w
    ]  # fmt: skip


def test_a_price_beside_several_jobs_is_said_to_be_of_each(file: Callable[..., str], new_book: Maker, run: Run) -> None:
    """Not of all together; beside one job there is nothing to mistake."""
    book = str(new_book().folder)
    several = file("A,,van,interior,", "B,,van,interior,", "C,,suv,interior,")
    prices, _, said = _quoted(run, "--jobs", several, "--price", "400", "--save", "--book", book)
    assert prices == [400.0] * 3
    assert said == ["$400 stands for each of 3 jobs in the file, $1,200 together; it is no price for all of them."]
    assert _quoted(run, "--jobs", several, "--book", book)[2] == []
    assert _quoted(run, "--jobs", file("A,,van,interior,"), "--price", "400", "--book", book)[2] == []
    assert _quoted(run, "--vehicle", "van", "--zone", "interior", "--price", "400", "--book", book)[2] == []


def test_a_customer_beside_a_file_is_said_to_stand_where_it_names_none(
    file: Callable[..., str], new_book: Maker, run: Run
) -> None:
    """The rows' own customers are kept, and told; the same customer in other letters is none of another's."""
    book = str(new_book().folder)
    jobs = file("A,,van,interior,", "B,,van,interior,K-1", "C,,suv,interior,x-9", "D,,suv,interior,K-2")
    _, customers, said = _quoted(run, "--jobs", jobs, "--customer", "X-9", "--book", book)
    assert customers == ["X-9", "K-1", "x-9", "K-2"]
    assert said == ["X-9 stands for 2 of 4 jobs in the file; for 2 the customers that it names stand: K-1, K-2."]
    one = file("A,,van,interior,", "B,,van,interior,K-1")
    assert _quoted(run, "--jobs", one, "--customer", "X-9", "--book", book)[2] == [
        "X-9 stands for 1 of 2 jobs in the file; for 1 the customer that the file names stands: K-1."
    ]
    for lines, more in ((("A,,van,interior,",), ("--customer", "X-9")), (("B,,van,interior,K-1",), ())):
        assert _quoted(run, "--jobs", file(*lines), *more, "--book", book)[2] == []
