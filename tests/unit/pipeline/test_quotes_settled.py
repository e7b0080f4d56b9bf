"""Saved quotes that were won or lost: what is told of them, and what becomes of them with the book."""

from __future__ import annotations

import json
from collections.abc import Callable

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
