"""Quantities as people write them become figures in the book's units, or faults that say what to write."""

import math

import numpy as np
import pytest

from pipeline.intake.faults import Fault
from pipeline.intake.numbers import comma_evidence, proves_decimal_comma
from pipeline.intake.quantities import ColumnParser, parse_column, parse_quantity

UNITS = {
    "mass": "lb",
    "duration": "min",
    "pressure": "psi",
    "length": "in",
    "temperature": "f",
    "money_per_mass": "/lb",
    "rate": "lb/min",
    "share": "share",
    "days": "d",
}


def value(text: str, kind: str, unit: str | None = None, comma: bool | None = None) -> float:
    found, _ = parse_quantity(text, kind, UNITS.get(kind, "") if unit is None else unit, comma)
    assert not isinstance(found, Fault), found
    return found


def code(text: str, kind: str, unit: str | None = None) -> str:
    found, _ = parse_quantity(text, kind, UNITS.get(kind, "") if unit is None else unit)
    assert isinstance(found, Fault), found
    assert found.hint
    return found.code


@pytest.mark.parametrize(
    ("text", "lb"),
    [
        ("45", 45),
        ("45 lbs", 45),
        ("45lb.", 45),
        ("45#", 45),
        ("#45", 45),
        ("45 Pounds", 45),
        (" 45\u00a0lb ", 45),
        ("20 kg", 20 / 0.45359237),
        ("500 g", 0.5 / 0.45359237),
        ("8 oz", 0.5),
        ("1,234", 1234),
        ("12,5 kg", 12.5 / 0.45359237),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("1 234", 1234),
        ("1\u202f234,5 lb", 1234.5),
        ("½", 0.5),
        ("1½ lb", 1.5),
        ("1 1/2 lb", 1.5),
        ("1-1/2", 1.5),
        ("1 and 3/4 lb", 1.75),
        ("15/16", 15 / 16),
        ("12/16 lb", 0.75),
        ("10/2", 5),
        ("13/8", 13 / 8),
        ("11/2", 5.5),
        ("1 15/16", 31 / 16),
        ("12½", 12.5),
        ("0,500", 0.5),
        (".5", 0.5),
        ("1e-05", 1e-5),
        ("-5", -5),
        ("−5 lb", -5),
        ("0", 0),
    ],
)
def test_masses(text: str, lb: float) -> None:
    """Each way to write a mass gives its pounds."""
    assert value(text, "mass") == pytest.approx(lb, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("90", 90),
        ("90 min", 90),
        ("1h 15m", 75),
        ("1h15", 75),
        ("1 hr and 15 min", 75),
        ("2 1/2 hr", 150),
        ("1-1/2 hrs", 90),
        ("1:30", 90),
        ("1:30 h", 90),
        ("26:05", 1565),
        ("1:30:30", 90.5),
        ("1.5 h", 90),
        ("1,5 h", 90),
        ("0h 40m", 40),
        ("45 mins.", 45),
        ("30 sec", 0.5),
    ],
)
def test_durations(text: str, minutes: float) -> None:
    """Each way to write a time on the job gives its minutes."""
    assert value(text, "duration") == pytest.approx(minutes)


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("6 bar", "pressure", 600 / 6.894757293168361),
        ("90 PSI", "pressure", 90),
        ("600 kPa", "pressure", 600 / 6.894757293168361),
        ('8"', "length", 8),
        ("20 cm", "length", 20 / 2.54),
        ("200mm", "length", 200 / 25.4),
        ("20 C", "temperature", 68),
        ("-40 °C", "temperature", -40),
        ("72°F", "temperature", 72),
        ("72°", "temperature", 72),
        ("$1,234.50", "money", 1234.5),
        ("1234.50 USD", "money", 1234.5),
        ("(5.00)", "money", -5),
        ("50-", "money", -50),
        ("$1,250.00-", "money", -1250),
        ("50,-", "money", 50),
        ("50.--", "money", 50),
        ("1.200,-", "money", 1200),
        ("1,200.–", "money", 1200),
        ("-$5", "money", -5),
        ("$1.30/lb", "money_per_mass", 1.3),
        ("2.87 $/kg", "money_per_mass", 2.87 * 0.45359237),
        ("1.1 kg/min", "rate", 1.1 / 0.45359237),
        ("150 lb/h", "rate", 2.5),
        ("60 %", "share", 0.6),
        ("0.6", "share", 0.6),
        ("36 h", "days", 1.5),
        ("3 days", "days", 3),
        ("2nd", "whole", 2),
        ("2.0", "whole", 2),
        ("pass 2", "whole", 2),
    ],
)
def test_other_kinds(text: str, kind: str, expected: float) -> None:
    """Pressures, lengths, temperatures, money, rates, shares, ages and counts are read in their units."""
    assert value(text, kind) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("45-50", "mass", "range"),
        ("45 to 50 lb", "mass", "range"),
        ("45–50", "mass", "range"),
        ("30-45 min", "duration", "range"),
        ("> 60", "mass", "bound"),
        ("60+", "mass", "bound"),
        ("over 60", "mass", "bound"),
        ("2 bags", "mass", "unknown-unit"),
        ("45 min", "mass", "unknown-unit"),
        ("45 lb", "duration", "unknown-unit"),
        ("1,23,456", "mass", "not-a-number"),
        ("1.2.3", "mass", "not-a-number"),
        ("forty", "mass", "not-a-number"),
        ("45 lb 8", "mass", "not-a-number"),
        ("1:75", "duration", "bad-minutes"),
        ("1:30 PM", "duration", "time-of-day"),
        ("1:30 min", "duration", "two-readings"),
        ("#DIV/0!", "mass", "error-cell"),
        ("#N/A", "duration", "error-cell"),
        ("€12", "money", "other-currency"),
        ("12 pesetas", "money", "unknown-unit"),
        ("60", "share", "share-or-percent"),
        ("1.5", "whole", "not-whole"),
        ("1e999", "mass", "not-a-number"),
        ("=1+1", "mass", "not-a-number"),
        ("5'", "duration", "unknown-unit"),
        ("12,50,-", "money", "not-a-number"),
        ("1.200.-", "money", "not-a-number"),
        ("50--", "money", "not-a-number"),
    ],
)
def test_refused(text: str, kind: str, expected: str) -> None:
    """What is no single figure of its kind is refused with a code and a hint."""
    assert code(text, kind) == expected


def test_range_hint_names_the_middle() -> None:
    """The hint for a range gives its middle, so that the user can decide to write it."""
    found, _ = parse_quantity("45-50", "mass", "lb")
    assert isinstance(found, Fault)
    assert "47.5" in found.hint


def test_cell_unit_wins_over_head_and_book() -> None:
    """A unit in the cell is used whatever unit the head or the book names; bare numbers take the head's."""
    assert value("44 lb", "mass", "kg") == 44
    assert value("20", "mass", "kg") == pytest.approx(20 / 0.45359237)
    assert value("45 min", "duration", "h") == 45
    assert value("1.5", "duration", "h") == 90
    assert value("1:30", "duration", "min") == 90
    assert value("60", "share", "%") == pytest.approx(0.6)


def test_head_of_clock_times_refuses_bare_numbers() -> None:
    """Under a head that says hh:mm and no more, 90 could be minutes or hours and is refused; 1:30 is read."""
    assert value("1:30", "duration", "h:mm") == 90
    assert code("90", "duration", "h:mm") == "two-readings"
    assert value("90 min", "duration", "h:mm") == 90


@pytest.mark.parametrize("text", ["", "  ", "-", "n/a", "N/A", "?", "—", "tbd", "\u00a0"])
def test_blanks(text: str) -> None:
    """Signs for 'nothing noted' are blank, not faults and not zero."""
    assert math.isnan(value(text, "mass"))


def test_approximate_is_read_and_marked() -> None:
    """'~60' is read as 60 and its position reported."""
    parsed = parse_column(["~60", "60", "about 70 lb", "ca. 80"], "mass", "lb")
    assert parsed.values.tolist() == [60, 60, 70, 80]
    assert parsed.approximate == (0, 2, 3)
    assert not parsed.faults


def test_comma_before_three_digits_is_a_thousands_sign_unless_the_column_proves_otherwise() -> None:
    """'1,234' is 1234, and 1.234 where another cell can only have a decimal comma and none a decimal point."""
    assert parse_column(["1,234"], "mass", "lb", False).values[0] == 1234
    cells = ["1,234", "12,5", "1.250", "7"]
    assert proves_decimal_comma(cells)
    assert parse_column(cells, "mass", "lb", True).values.tolist() == [1.234, 12.5, 1250, 7]
    assert not proves_decimal_comma([*cells, "12.5"])
    assert not proves_decimal_comma(["1,234", "1.234"])
    assert comma_evidence(["12,5 kg", "$1,234.50"]) == {"comma", "point"}
    assert comma_evidence(["1.200,-"]) == {"comma"}
    assert comma_evidence(["1.5e-05", "1.125e0", "1.200", "7"]) == frozenset()


def test_column_parser_keeps_positions_over_chunks() -> None:
    """Values, faults and marks stand at the cell's own position in every chunk, repeated cells included."""
    parser = ColumnParser("mass", "lb")
    first = parser.parse(["1", "x y", "1"])
    second = parser.parse(["x y", "2", "x y", "~1"])
    np.testing.assert_array_equal(first.values, [1, np.nan, 1])
    assert set(first.faults) == {1}
    assert set(second.faults) == {0, 2}
    assert second.approximate == (3,)
    assert second.values[1] == 2


def test_other_currency_of_the_same_sign_fits() -> None:
    """'$' fits every dollar; a code must be the book's own."""
    assert parse_quantity("$5", "money", "", None, "CAD")[0] == 5
    assert isinstance(parse_quantity("USD 5", "money", "", None, "CAD")[0], Fault)
    assert parse_quantity("12,50 €", "money", "", None, "EUR")[0] == 12.5


def test_a_share_under_a_percent_head_is_asked_about() -> None:
    """0.55 under a head with % may be 55 % as a spreadsheet stores it: it is not read as half a percent."""
    told, _ = parse_quantity("0.55", "share", "%")
    assert isinstance(told, Fault)
    assert told.code == "share-or-percent"
    assert "55 %" in told.hint
    assert parse_quantity("55", "share", "%")[0] == pytest.approx(0.55)
    assert parse_quantity("0.5 %", "share", "%")[0] == pytest.approx(0.005)
