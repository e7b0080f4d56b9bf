"""Times in one unit, money with its sign, bars that fit: small promises of every text."""

from __future__ import annotations

import math
import re

import pytest

from pipeline.answers.amounts import money, weight
from pipeline.answers.answer import Answer
from pipeline.answers.calibrating import CalibrationResult, RuleScore
from pipeline.answers.costing import CostingResult
from pipeline.answers.quotes_held import FollowedQuote, QuotesHeld
from pipeline.answers.review_words import setting_value
from pipeline.answers.verdict import Held
from pipeline.present.calibration_text import render_calibration
from pipeline.present.costing_text import render_costing
from pipeline.present.figures import Style, minutes, minutes_range
from pipeline.present.terminal import paragraph
from shared.units import LB_KG


@pytest.mark.parametrize(
    ("middle", "low", "high", "told", "between"),
    [
        (45, 30, 80, "45 min", "30 to 80 min"),
        (112, 82, 154, "112 min", "82 to 154 min"),
        (164, 119, 224, "2:44 h", "1:59 to 3:44 h"),
        (119.7, 90, 160, "2:00 h", "1:30 to 2:40 h"),
        (130, 45, 330, "2:10 h", "0:45 to 5:30 h"),
    ],
)
def test_a_range_is_in_the_unit_of_its_time(middle: float, low: float, high: float, told: str, between: str) -> None:
    """Minutes beside minutes, hours beside hours."""
    assert minutes(middle) == told
    assert minutes_range(low, high, middle) == between


@pytest.mark.parametrize("columns", ["30", "40", "80"])
def test_bars_fit_the_terminal(columns: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bars of `calibration` are as long as the terminal allows, and the longest is the largest count."""
    monkeypatch.setenv("COLUMNS", columns)
    result = CalibrationResult(
        (Held(0.8, 0.8, 9, None, None, 0, 0),), (), (), None, {"pellets_lb": (1200, 60, 0)}, {}, ()
    )
    lines = [line for line in render_calibration(Answer(result), Style()).splitlines() if "#" in line]
    assert len(lines) == 2
    assert max(map(len, lines)) <= int(columns)
    assert lines[0].count("#") > 5 * lines[1].count("#")


def test_amounts_in_sentences_are_in_the_shops_money_and_units() -> None:
    """Signs where a currency has a common one, else its code; kilograms for a metric shop."""
    assert [money(v, c) for v, c in ((1250, "USD"), (-3, "EUR"), (400, "CHF"))] == ["$1,250", "-€3", "400 CHF"]
    assert [weight(100, u) for u in ("us", "metric")] == ["100 lb", "45 kg"]
    assert weight(167.5 / LB_KG, "metric") == weight(math.exp(math.log(167.5 / LB_KG)) - 1e-13, "metric") == "168 kg"
    assert Style("metric", "CHF").weight(100) == weight(100, "metric")
    assert Style("us", "GBP").money(12.5, cents=True) == money(12.5, "GBP", cents=True) == "£12.50"


def test_a_figure_keeps_its_unit_on_the_line() -> None:
    """A paragraph never breaks between a figure and its unit, and the text is the same but for the breaks."""
    text = "The chance of running short is 38 %, about 120 lb in 45 min, 54 kg or 3:10 h of work in all."
    for columns in range(20, 60):
        told = paragraph(text, columns=columns)
        assert not re.search(r"\d\n(?:%|lb|kg|min|h)", told)
        assert told.replace("\n", " ") == text
        assert max(map(len, told.splitlines())) <= columns


def test_scores_of_weights_are_in_the_shops_units() -> None:
    """The score of a range of weights is a weight: a metric shop reads it in kilograms, under a head that says so."""
    scores = (RuleScore("learned", 200.0, 50.0),)
    result = CalibrationResult((Held(0.8, 0.8, 9, None, None, 0, 0),), (), scores, None, {}, {}, ())
    told = render_calibration(Answer(result), Style("metric"))
    assert "pellets, kg" in told
    assert re.search(r"learned\s+91\s+50", told)
    assert re.search(r"learned\s+200\s+50", render_calibration(Answer(result), Style()))


@pytest.mark.parametrize(("cost_usd", "said"), [(310.0, True), (None, False)])
def test_a_quote_that_waits_for_its_cost_says_nothing_of_intervals(cost_usd: float | None, said: bool) -> None:
    """How often cost left the told interval is said only where a quote has a cost; quoted and charged are told."""
    held = QuotesHeld(1, 1, 0, 0, 0, 0, 0, None, 0, None, None)
    quote = FollowedQuote(1, "K-1", "won", ("A",), 440.0, 142.0, 435.0, 480.0, cost_usd)
    told = render_costing(
        Answer(CostingResult(1, 480.0, 310.0, 0.35, 0, (), (), held, (quote,), None, None, 2.5, "planning")), Style()
    )
    assert "1 saved quote: 1 won, 0 lost, 0 open." in told
    assert ("told interval" in told) is said
    head, _, row = told[told.index("Quote ") :].splitlines()[:3]
    assert re.search(r"Quoted +Charged", head)
    assert re.search(r"\$440 +\$480 ", row)


@pytest.mark.parametrize(
    ("name", "value", "us", "metric"),
    [
        ("feed_lb_min", 1.4, "1.4 lb/min", "0.64 kg/min"),
        ("pressure_psi", 90.0, "90.0 psi", "6.2 bar"),
        ("standoff_in", 6.0, "6.0 in", "15.2 cm"),
        ("ice_age_days", 3.0, "3.0 days", "3.0 days"),
        ("ice_on_share", 0.7, "70 %", "70 %"),
    ],
)
def test_a_setting_to_try_is_in_the_books_units(name: str, value: float, us: str, metric: str) -> None:
    """What a review advises can be set as it is read."""
    assert [setting_value(name, value, units) for units in ("us", "metric")] == [us, metric]
