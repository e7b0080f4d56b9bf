"""The pages as they come out of a printer: dark screens print black on white, tables whole, controls gone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
STYLE = "(given) => getComputedStyle(document.querySelector(given[0]), given[2] || null)[given[1]]"


def test_the_report_prints_black_on_white_and_whole(demo_report: Path, opened: Callable[..., Any]) -> None:
    """From a dark screen too: white paper, no box that scrolls, no row cut in two, jobs on a wide page, 40 of them."""
    page = opened(demo_report, scheme="dark").page
    page.emulate_media(media="print", color_scheme="dark")
    look = {name: page.evaluate(STYLE, given) for name, given in {
        "ink": ["body", "color"], "paper": ["section", "backgroundColor"], "box": [".jobs", "overflowY"],
        "row": ["tr", "breakInside"], "jobs": ["#jobs", "page"], "skip": [".skip", "display"],
        "answer": [".lead", "breakInside"], "price": [".explorer > div", "breakInside"],
        "short": ["#order .short", "breakInside"], "last": [".scroll tbody tr:last-child", "breakBefore"],
    }.items()}  # fmt: skip
    assert look == {
        "ink": "rgb(0, 0, 0)", "paper": "rgb(255, 255, 255)", "box": "visible", "row": "avoid", "jobs": "wide",
        "skip": "none", "answer": "avoid", "price": "avoid", "short": "avoid", "last": "avoid",
    }  # fmt: skip
    assert page.locator("#jobs tbody tr:visible").count() == 40


def test_the_heads_of_the_jobs_print_as_words(demo_report: Path, opened: Callable[..., Any]) -> None:
    """Chromium leaves buttons out where it repeats a head on the next sheet; dates and tickets stay on one line."""
    page = opened(demo_report).page
    page.emulate_media(media="print")
    look = [page.evaluate(STYLE, given) for given in (
        [".jobs th button", "display"], [".jobs th .paper", "display"], [".jobs td", "whiteSpace"],
    )]  # fmt: skip
    assert look == ["none", "block", "nowrap"]
    heads = page.locator(".jobs thead th").all_inner_texts()
    assert heads[:3] == ["Date", "Job", "Vehicle"]


def test_a_sheet_prints_its_price_in_one_piece(sheet_file: Path, opened: Callable[..., Any]) -> None:
    """The price, each row and what is signed are never cut by the end of a page, and the sheet takes its width."""
    page = opened(sheet_file).page
    page.emulate_media(media="print")
    whole = (".money", "tr", ".end", "table.short")
    assert {page.evaluate(STYLE, [name, "breakInside"]) for name in whole} == {"avoid"}
    assert page.evaluate(STYLE, ["tbody tr:last-child", "breakBefore"]) == "avoid"
    assert page.evaluate(STYLE, [".then", "breakAfter"]) == "avoid"
    assert page.evaluate(STYLE, ["article", "maxWidth"]) == "none"
