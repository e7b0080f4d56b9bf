"""Visits to several vehicles: which line is whose, how often setting up counts, and what a deposit covers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from quote_books import DAY, ROW, asking, van

from pipeline.answers.customer_sheet import customer_sheets
from pipeline.answers.estimating import estimate_jobs
from pipeline.answers.quote_ground import ground_of, job_draws
from pipeline.answers.quoting import Wanted, quote_jobs
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.answers.safety_warning import bay_chances
from pipeline.answers.saved_quotes import save_quotes, settle
from pipeline.cli.common import read_price
from pipeline.present.estimate_text import render_estimate
from pipeline.present.figures import Style
from pipeline.present.quote_text import render_quote
from pipeline.present.sheet import sheet_page
from shared.errors import UsageError

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
    assert "minimum charge count 2 times" in counted
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


BAY = """
[bays.main]
length_ft = 30
width_ft = 20
height_ft = 12
air_changes_per_hour = 2
"""


def test_the_air_of_a_bay_meets_one_vehicle_after_another(new_book) -> None:
    """More vehicles alike never lower the chance of passing a peak: no ice is spread over the time of others."""
    book = new_book(toml=BAY)
    job = van(book)
    chances = []
    for count in (1, 2, 4):
        draws = job_draws(asking(book), [job], ground_of(asking(book)), count)
        assert draws.in_turn.request.n_lines == count * len(job.lines)
        both = draws.in_turn.pellets.draws.sum(axis=0), draws.found.consumption.pellets.draws.sum(axis=0)
        assert np.allclose(*both)
        chances.append(float(bay_chances(book.settings, draws.in_turn)["co2_peak_ppm"][0]))
    assert 0 < chances[0] < chances[1] < chances[2]


def test_visits_to_several_vehicles_are_counted_as_visits(new_book) -> None:
    """`--count 2` of a visit to two vehicles is two visits, in the answer and on the sheet."""
    who = asking(new_book())
    quoted = quote_jobs(who, [TWO], wanted=Wanted(count=2))
    assert "for 2 such visits (" in " ".join(render_quote(quoted, Style()).split())
    sheets = customer_sheets(who, quoted.result.quotes, [TWO])
    assert "for 2 such visits, together" in sheet_page(sheets, who.book.settings, Style(), cautions=(), logo=None)


def test_a_sheet_says_where_a_price_by_the_dirt_is_above_the_ceiling(new_book) -> None:
    """Severe dirt may cost more than the ceiling, which is from all the dirt may be: then the customer is asked."""
    who = asking(new_book())
    for soil, asked in (("unknown", True), ("heavy", False)):
        job = van(who.book, soil=soil)
        (sheet,) = customer_sheets(who, quote_jobs(who, [job]).result.quotes, [job])
        assert (sheet.range_usd is not None and sheet.range_usd[1] > sheet.ceiling_usd) == asked
        page = sheet_page([sheet], who.book.settings, Style(), cautions=(), logo=None)
        assert ("more than the ceiling only with your word" in page) == asked


def test_the_job_that_won_a_quote_is_not_replaced_without_a_word(new_book) -> None:
    """A quote told as won by another job says which one it was won by before; the same job twice says nothing."""
    book = new_book(rows=[{**ROW, "job_id": "Z1"}, {**ROW, "job_id": "Z2"}])
    save_quotes(asking(book), [van(book)], Wanted())
    assert settle(asking(book), 1, "won", "Z1").warnings == ()
    assert settle(asking(book), 1, "won", "Z1").warnings == ()
    (told,) = settle(asking(book), 1, "won", "Z2").warnings
    assert told == f"Quote 1 was won by job Z1 since {DAY}; now it is won by job Z2."


@pytest.mark.parametrize(("text", "price"), [("1.234,50", 1234.5), ("1,234", 1234.0), ("400", 400.0), ("99.95", 99.95)])
def test_a_price_in_whole_cents_is_read(text: str, price: float) -> None:
    """Amounts of money as people write them."""
    assert read_price(text, "EUR") == pytest.approx(price)


@pytest.mark.parametrize("text", ["1.234", "0.005", "12.3456"])
def test_a_price_with_parts_of_a_cent_is_refused(text: str) -> None:
    """1.234 may mean a thousand times more: no quote is kept at 1.23."""
    with pytest.raises(UsageError, match="whole cents"):
        read_price(text, "EUR")
