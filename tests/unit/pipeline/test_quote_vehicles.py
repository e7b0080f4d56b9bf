"""Visits to several vehicles: which line is whose, how often setting up counts, and what a deposit covers."""

from __future__ import annotations

from dataclasses import replace

from quote_books import DAY, asking, van

from pipeline.answers.customer_sheet import customer_sheets
from pipeline.answers.estimating import estimate_jobs
from pipeline.answers.quoting import Wanted, quote_jobs
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.present.estimate_text import render_estimate
from pipeline.present.figures import Style
from pipeline.present.quote_text import render_quote
from pipeline.present.sheet import sheet_page

TWO = JobAsked(
    "A",
    DAY,
    (
        LineAsked("van", "undercarriage", "heavy", vehicle="P1"),
        LineAsked("sedan", "undercarriage", "heavy", vehicle="P2"),
    ),
)


def test_each_line_says_whose_it_is(new_book) -> None:
    """Two vehicles with one zone each: text, JSON, quote and the customer's sheet tell them apart."""
    who = asking(new_book())
    answer = estimate_jobs(who, [TWO])
    assert [(line.vehicle_class, line.vehicle) for line in answer.result.estimates[0].lines] == [
        ("van", "P1"), ("sedan", "P2"),
    ]  # fmt: skip
    text = render_estimate(answer, Style())
    assert "van P1: " in text
    assert "sedan P2:" in text
    quoted = quote_jobs(who, [TWO])
    assert "van P1: undercarriage (heavy), sedan P2: undercarriage (heavy)" in render_quote(quoted, Style())

    sheets = customer_sheets(who, quoted.result.quotes, [TWO])
    page = sheet_page(sheets, who.book.settings, Style(), cautions=(), logo=None)
    assert "<td>van P1</td>" in page
    assert "<td>sedan P2</td>" in page


def test_a_single_vehicle_is_not_named(new_book) -> None:
    """One vehicle needs no name before its zones."""
    who = asking(new_book())
    text = render_estimate(estimate_jobs(who, [replace(TWO, lines=TWO.lines[:1])]), Style())
    assert "undercarriage" in text
    assert "P1" not in text


def test_a_quote_says_how_often_setting_up_counts(new_book) -> None:
    """Vehicles by `--count` are set up each by itself, those of one visit in a file once: both are told."""
    who = asking(new_book())
    job = van(who.book)
    (counted,) = (w for w in quote_jobs(who, [job], wanted=Wanted(count=2)).warnings if w.startswith("Set-up"))
    assert "count 2 times, once a vehicle" in counted
    (once,) = (w for w in quote_jobs(who, [TWO]).warnings if w.startswith("Set-up"))
    assert "count once a visit, on however many vehicles it is: A." in once
    assert not [w for w in quote_jobs(who, [job]).warnings if w.startswith("Set-up")]
    costs = who.book.settings.costs
    parts = {part.name: part.mean_usd for part in quote_jobs(who, [TWO]).result.quotes[0].parts}
    assert parts["consumables"] == costs.consumables_usd_per_job


def test_a_deposit_held_down_by_the_price_says_what_it_leaves(new_book) -> None:
    """A price of $20 for a van whose ice costs far more: the deposit is that price and does not cover the ice."""
    who = asking(new_book())
    (low,) = quote_jobs(who, [van(who.book)], price_usd=20.0).result.quotes
    assert low.deposit_usd == 20.0 < low.ice_at_risk_usd
    text = " ".join(render_quote(quote_jobs(who, [van(who.book)], price_usd=20.0), Style()).split())
    left = Style().money(low.ice_at_risk_usd - 20.0)
    assert f"A deposit of $20 is the whole price; {left} of the ice that may be laid in for it would not be" in text
    usual = " ".join(render_quote(quote_jobs(who, [van(who.book)]), Style()).split())
    assert "covers the ice laid in for it" in usual
