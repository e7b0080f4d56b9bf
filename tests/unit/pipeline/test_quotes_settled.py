"""Saved quotes that were won or lost: what is told of them, and what becomes of them with the book."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

from pipeline.book.store import Book
from pipeline.present.answer_schemas import answer_schema

Run = Callable[..., tuple[int, str, str]]
QUOTE = ("quote", "--vehicle", "van", "--zone", "interior:heavy", "--customer", "K-1", "--save")


@pytest.mark.parametrize("settle", [("--won", "1", "--job-id", "N1"), ("--lost", "1")])
def test_a_quote_that_is_only_settled_has_no_price_of_ice(
    settle: tuple[str, ...], new_book: Callable[..., Book], run: Run
) -> None:
    """Neither text nor JSON tells a price that the answer does not use."""
    book = new_book(rows=[{"job_id": "N1", "zone": "interior", "day": "2026-03-02", "vehicle_class": "van",
                           "customer": "K-1", "pellets_lb": 20.0, "minutes": 60.0}])  # fmt: skip
    at = ("--today", "2026-03-02", "--book", str(book.folder))
    assert run(*QUOTE, *at)[0] == 0
    told = json.loads(run("quote", *settle, *at, "--json")[1])
    jsonschema.Draft202012Validator(answer_schema("quote")).validate(told)
    assert told["result"]["settled"]["state"] == settle[0].removeprefix("--")
    assert (told["result"]["ice_usd_per_lb"], told["result"]["ice_basis"]) == (None, None)
    code, text, _ = run("quote", *settle, *at)
    assert code == 0
    assert "Ice counts" not in text


def test_quotes_follow_the_book_through_imports_and_undo(
    new_book: Callable[..., Book], tmp_path: Path, run: Run
) -> None:
    """What costing tells of each quote is what the jobs in the book say, after every import, correction and undo."""
    book = new_book()
    at = ("--today", "2026-06-20", "--book", str(book.folder))
    fleet = ("quote", "--vehicle", "suv", "--zone", "undercarriage", "--customer", "K-3", "--count", "2", "--save")
    for call in (QUOTE, fleet):
        assert run(*call, "--today", "2026-06-01", *at[2:])[0] == 0
    head = "job_id,date,vehicle_class,zone,pellets_lb,minutes,customer,price_usd\n"
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    first.write_text(f"{head}J1,2026-06-05,van,interior,20,60,K-1,200\nJ3,2026-06-07,suv,undercarriage,60,90,K-3,300\n")
    second.write_text(
        f"{head}J1,2026-06-05,van,interior,25,70,K-1,220\nJ4,2026-06-08,suv,undercarriage,66,95,K-3,310\n"
    )

    def told() -> list[tuple[str, list[str], float | None]]:
        followed = json.loads(run("costing", "--json", *at)[1])["result"]["followed"]
        return [(f["state"], f["jobs"], f["charged_usd"]) for f in followed]

    def done(*call: str) -> str:
        where = at[2:] if call[0] == "undo" else at
        code, out, err = run(*call, *where)
        assert code == 0, err
        return out

    none = [("open", [], None), ("open", [], None)]
    assert told() == none
    done("import", str(first))
    assert told() == [("won", ["J1"], 200.0), ("open", ["J3"], None)]
    for number, job in (("1", "J1"), ("2", "J3")):
        done("quote", "--won", number, "--job-id", job)
    half = [("won", ["J1"], 200.0), ("won", ["J3"], None)]
    assert told() == half
    done("import", str(second))
    assert told() == [("won", ["J1"], 220.0), ("won", ["J3", "J4"], 610.0)]
    assert run("undo", "1", *at[2:])[0] == 1
    assert "open again" not in done("undo", "2")
    assert told() == half
    gone = done("undo", "1")
    assert "Quote 1 is open again: job J1, which had won it, is gone." in gone
    assert "Quote 2 is open again: job J3, which had won it, is gone." in gone
    assert told() == none
    assert done("quote", "--found", "1").startswith("Quote 1 as found: agreed were")
    done("import", str(first))
    assert told() == [("won", ["J1"], 200.0), ("open", ["J3"], None)]
