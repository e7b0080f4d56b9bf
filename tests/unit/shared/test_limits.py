"""Limits come from one data file; a book may lower them and never raise them."""

import pytest

from shared.errors import RimebookError
from shared.limits import limit_of, limits_for, published_limits


def test_standard_limits_hold_by_default():
    """Without settings the limits are 5,000, 30,000 and 40,000 ppm, each with source, date and jurisdiction."""
    found = {limit.key: limit.value for limit in limits_for({})}
    assert found == {"co2_8h_ppm": 5000.0, "co2_15min_ppm": 30000.0, "co2_peak_ppm": 40000.0}
    assert all(limit.source and limit.date and limit.jurisdiction and limit.seen for limit in published_limits())


def test_vacated_short_term_limit_is_told_as_a_recommendation():
    """OSHA's 15-minute limit of 1989 is not in force: what stands there is NIOSH's recommendation."""
    short = limit_of(limits_for({}), "short_term")
    assert not short.in_force
    assert "NIOSH" in short.source


def test_a_book_may_lower_a_limit():
    """A lower value holds and its source says whose it is and what the standard has."""
    eight = limit_of(limits_for({"co2_8h_ppm": 4000}), "shift_average")
    assert eight.value == 4000
    assert "this book's" in eight.source
    assert "1910.1000" in eight.source


@pytest.mark.parametrize(
    ("own", "standard"),
    [({"co2_8h_ppm": 5001}, "1910.1000"), ({"co2_15min_ppm": 35000.0}, "NIOSH"), ({"co2_peak_ppm": 50000}, "IDLH"),
     ({"jurisdiction": "germany", "co2_15min_ppm": 12000}, "TRGS 900")],
)  # fmt: skip
def test_a_raised_limit_is_refused_naming_the_standard(own, standard):
    """A limit above the standard's is refused, and the standard is named."""
    with pytest.raises(RimebookError) as caught:
        limits_for(own)
    assert caught.value.problem.code == "limit-above-standard"
    assert standard in caught.value.problem.expected


def test_jurisdiction_takes_its_lower_limits_only():
    """Germany's 15-minute limit is 10,000 ppm, the United Kingdom's 15,000; what they do not lower stays."""
    german, british = limits_for({"jurisdiction": "Germany"}), limits_for({"jurisdiction": "united kingdom"})
    assert limit_of(german, "short_term").value == 10000
    assert limit_of(british, "short_term").value == 15000
    assert limit_of(german, "peak").value == 40000


@pytest.mark.parametrize(
    ("own", "code"),
    [({"co2_8hr_ppm": 4000}, "unknown-limit"), ({"jurisdiction": "atlantis"}, "unknown-jurisdiction"),
     ({"co2_8h_ppm": 0}, "limit-not-a-number"), ({"co2_8h_ppm": "low"}, "limit-not-a-number"),
     ({"co2_8h_ppm": float("nan")}, "limit-not-a-number")],
)  # fmt: skip
def test_words_that_mean_nothing_are_refused(own, code):
    """An unknown key, an unknown place and a value that is no limit are refused with what may stand there."""
    with pytest.raises(RimebookError) as caught:
        limits_for(own)
    assert caught.value.problem.code == code
