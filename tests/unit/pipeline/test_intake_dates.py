"""Dates are read where they can be only one day, and refused with both readings where they could be two."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.intake.dates import OrderEvidence, order_evidence, parse_date, parse_dates, settle_order
from pipeline.intake.faults import Fault


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-14",
        "2026/3/14",
        "2026.03.14",
        "20260314",
        "2026-W11-6",
        "3/14/2026",
        "14.3.2026",
        "14/03/26",
        "March 14, 2026",
        "Mar 14 2026",
        "14 March 2026",
        "14-Mar-26",
        "14th of March 2026",
        "2026 Mar 14",
        "Sat, Mar 14 2026",
        "Saturday 14 March 2026",
        "2026-03-14 00:00:00",
        " 2026-03-14\u00a0",
    ],
)
def test_one_day(text: str) -> None:
    """Every spelling of 14 March 2026 that can be no other day gives it."""
    assert parse_date(text) == date(2026, 3, 14)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("03/04/2026", "date-could-be-two"),
        ("3.4.26", "date-could-be-two"),
        ("26-03-14", "date-could-be-two"),
        ("31/02/2026", "no-such-date"),
        ("2026-02-30", "no-such-date"),
        ("13/13/2026", "no-such-date"),
        ("Mar 14", "no-year"),
        ("14 Foo 2026", "not-a-date"),
        ("soon", "not-a-date"),
        ("46085", "spreadsheet-serial"),
        ("46085.25", "spreadsheet-serial"),
        ("1926-03-14", "absurd-year"),
        ("Sun, Mar 14 2026", "wrong-weekday"),
        ("2026-03-14 25:00", "bad-time"),
        ("#REF!", "error-cell"),
    ],
)
def test_refused(text: str, code: str) -> None:
    """What is no day, or could be two, is refused with its code."""
    found = parse_date(text)
    assert isinstance(found, Fault)
    assert found.code == code


def test_hint_shows_both_readings_and_the_serials_day() -> None:
    """The hint of an ambiguous date names both days, that of a day number the day it would be."""
    both = parse_date("03/04/2026")
    serial = parse_date("46085")
    assert isinstance(both, Fault)
    assert isinstance(serial, Fault)
    assert "2026-03-04" in both.hint
    assert "2026-04-03" in both.hint
    assert "2026-03-04" in serial.hint


def test_order_decides() -> None:
    """With the order known, a date that could be two is read by it; one that fits only the other is still read."""
    assert parse_date("03/04/2026", "day-first") == date(2026, 4, 3)
    assert parse_date("03/04/2026", "month-first") == date(2026, 3, 4)
    assert parse_date("03/14/2026", "day-first") == date(2026, 3, 14)
    assert parse_date("03/03/2026") == date(2026, 3, 3)


def test_column_proves_itself() -> None:
    """A day above 12, never contradicted, settles the order and is said; a contradiction settles nothing."""
    proven = settle_order(order_evidence(["03/04/2026", "14/03/2026"]))
    assert proven.order == "day-first"
    assert "14/03/2026" in proven.note
    torn = settle_order(order_evidence(["03/04/2026", "14/03/2026", "03/14/2026"]))
    assert torn.order == ""
    assert "rejected" in torn.note
    silent = settle_order(order_evidence(["03/04/2026"]))
    assert silent.order == ""
    assert "date_order" in silent.note
    assert settle_order(order_evidence(["2026-03-04", "14/03/2026"])).note == ""


def test_setting_against_the_column() -> None:
    """Where the column proves another order than the settings, dates that could be two are refused, and it is said."""
    evidence = order_evidence(["03/04/2026", "14/03/2026"])
    assert settle_order(evidence, "day-first").order == "day-first"
    torn = settle_order(evidence, "month-first")
    assert torn.order == ""
    assert "book.toml says month-first" in torn.note


def test_evidence_adds_over_chunks() -> None:
    """The evidence of two chunks together is that of the whole column."""
    parts = order_evidence(["03/04/2026"]) + order_evidence(["14/03/2026"])
    assert parts == OrderEvidence(day_first="14/03/2026", n_either=1)


def test_stamps() -> None:
    """A time of day gives a wall-clock stamp; an offset is brought to the shop's zone and may change the day."""
    parsed = parse_dates(
        ["2026-03-02T01:00:00Z", "2026-03-02 07:00", "3/14/26 2:30 PM", "2026-03-02", ""], time_zone="America/Denver"
    )
    assert parsed.days.astype(str).tolist() == ["2026-03-01", "2026-03-02", "2026-03-14", "2026-03-02", "NaT"]
    assert parsed.stamps.astype(str).tolist() == [
        "2026-03-01T18:00:00",
        "2026-03-02T07:00:00",
        "2026-03-14T14:30:00",
        "NaT",
        "NaT",
    ]
    assert parse_date("2026-03-02T01:00:00+02:00", "", ZoneInfo("UTC")) == datetime(2026, 3, 1, 23, 0)


@pytest.mark.parametrize(
    "text", ["2026-03-14 12:00 AM", "2026-03-14T04:00Z", "2026-03-14T00:00:00-04:00", "2026-03-14 00:00"]
)
def test_midnight_is_no_time_of_day(text: str) -> None:
    """However a local midnight is written it is the day alone, as the export of a day would be read."""
    assert parse_date(text, "", ZoneInfo("America/New_York")) == date(2026, 3, 14)
    parsed = parse_dates([text], time_zone="America/New_York")
    assert np.isnat(parsed.stamps).all()


def test_faults_stand_at_their_cells() -> None:
    """Repeated faulty cells are reported at each position, and are NaT."""
    parsed = parse_dates(["soon", "2026-03-02", "soon"])
    assert set(parsed.faults) == {0, 2}
    assert np.isnat(parsed.days[[0, 2]]).all()


def test_a_year_long_ago_is_told_with_the_years_that_are_believed() -> None:
    """It has four digits: what is wrong with it is how long ago it is."""
    found = parse_date("1926-10-07")
    assert isinstance(found, Fault)
    assert "years 1990 to" in found.hint
