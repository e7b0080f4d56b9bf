"""Books that released versions made open and give the answers they gave."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.book.backup import restore
from pipeline.book.store import open_book
from shared.version import VERSION

BOOKS = sorted((Path(__file__).parent / "fixtures").glob("book-*"))
ASKED = {
    "estimate": ["--vehicle", "van", "--zone", "undercarriage:heavy", "--today", "2026-04-01"],
    "batches": [],
    "check": [],
}


@pytest.mark.parametrize("released", BOOKS, ids=lambda p: p.name)
def test_a_released_book_opens_and_answers(
    released: Path, tmp_path: Path, ask: Callable[..., dict[str, Any]], run: Callable[..., tuple[int, str, str]]
) -> None:
    """Its rows are there by count, importing known lines again changes nothing, and the estimate is what it was.

    The fit of this version is used as it stands; one that is stored in an older form is made anew, and says so.
    """
    restore(tmp_path / "book", released / "book.rimebook")
    told = json.loads((released / "answers.json").read_text())
    for command, arguments in ASKED.items():
        answer = ask(command, tmp_path / "book", *arguments)
        found = answer["result"]
        if command != "estimate":
            assert found == told[command]
            continue
        own = released.name == f"book-{VERSION}"
        assert own != any("another version" in said for said in answer["warnings"])
        now, then = (e["estimates"][0] for e in (found, told[command]))
        assert (now["basis"], now["similar_jobs"]) == (then["basis"], then["similar_jobs"])
        for quantity in ("pellets_lb", "minutes"):
            assert now[quantity]["mean"] == pytest.approx(then[quantity]["mean"], rel=0.02 if own else 0.1)
            for level, value in then[quantity]["quantiles"].items():
                assert now[quantity]["quantiles"][level] == pytest.approx(value, rel=0.05 if own else 0.25)
    ask("export", tmp_path / "book", "--to", str(tmp_path / "out"))
    again = ask("import", tmp_path / "book", str(tmp_path / "out" / "jobs.csv"), "--today", "2026-04-01")["result"]
    assert (again["files"][0]["duplicate"], again["batch"]) == (60, None)
    with open_book(tmp_path / "book").reading() as connection:
        assert connection.execute("select count(*), max(state) from quotes").fetchall() == [(1, "open")]


def test_there_is_a_book_of_each_version() -> None:
    """The first release has its book, and none is larger than a megabyte."""
    assert BOOKS
    assert [sum(f.stat().st_size for f in b.iterdir()) < 1_000_000 for b in BOOKS] == [True] * len(BOOKS)
