"""Times in one unit, money with its sign, bars that fit: small promises of every text."""

from __future__ import annotations

import re

import pytest

from pipeline.answers.amounts import money, weight
from pipeline.answers.answer import Answer
from pipeline.answers.calibrating import CalibrationResult, Held
from pipeline.present.calibration_text import render_calibration
from pipeline.present.figures import Style, minutes, minutes_range
from pipeline.present.terminal import paragraph


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
    result = CalibrationResult((Held(0.8, 0.8, 9, None, None),), (), (), None, {"pellets_lb": (1200, 60, 0)}, {}, ())
    lines = [line for line in render_calibration(Answer(result), Style()).splitlines() if "#" in line]
    assert len(lines) == 2
    assert max(map(len, lines)) <= int(columns)
    assert lines[0].count("#") > 5 * lines[1].count("#")


def test_amounts_in_sentences_are_in_the_shops_money_and_units() -> None:
    """Signs where a currency has a common one, else its code; kilograms for a metric shop."""
    assert [money(v, c) for v, c in ((1250, "USD"), (-3, "EUR"), (400, "CHF"))] == ["$1,250", "-€3", "400 CHF"]
    assert [weight(100, u) for u in ("us", "metric")] == ["100 lb", "45 kg"]
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
