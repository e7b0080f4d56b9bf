"""Calendar, months to come, weekly rows, and stretches that were closed or not logged."""

from datetime import date

import numpy as np
import pytest

from models.demand.calendar import Calendar, month_of, months_ahead, months_between, phase_of, weekly_rows
from models.demand.gaps import Gap, find_gaps, without_gap

WEEKDAYS = Calendar.of(range(5), [])
START = date(2025, 1, 6).toordinal()


def job_days(first, last, every=1):
    """Return each `every`-th weekday."""
    days = [d for d in range(first, last + 1) if date.fromordinal(d).weekday() < 5]
    return np.array(days[::every], dtype=np.int64)


def test_months_ahead_in_the_middle_of_a_month():
    """In the middle of a month what is left of it comes first, then the whole months; December turns the year."""
    months = months_ahead(date(2026, 11, 20).toordinal(), 2)
    assert [(m.name, m.part) for m in months] == [("2026-11", True), ("2026-12", False), ("2027-01", False)]
    assert date.fromordinal(months[0].first) == date(2026, 11, 20)
    assert date.fromordinal(months[2].last) == date(2027, 1, 31)


def test_months_ahead_on_the_first():
    """On the first of a month that month is whole."""
    months = months_ahead(date(2026, 7, 1).toordinal(), 3)
    assert [(m.name, m.part) for m in months] == [("2026-07", False), ("2026-08", False), ("2026-09", False)]


def test_months_between_are_whole():
    """Only months that lie wholly inside the days are returned."""
    found = months_between(date(2025, 1, 2).toordinal(), date(2025, 3, 31).toordinal())
    assert [m.name for m in found] == ["2025-02", "2025-03"]


def test_closed_days_have_no_exposure():
    """Closed days and weekends carry no work."""
    closed = date(2025, 1, 8).toordinal()
    calendar = Calendar.of(range(5), [closed])
    exposure = calendar.exposure(np.arange(START, START + 7))
    assert exposure[:2] == pytest.approx([1.0, 1.0])
    assert exposure[2] == 0.0
    assert exposure[5] < 0.05


def test_busy_mondays_are_learned():
    """A shop that works twice as much on Mondays gives Mondays about twice the weight."""
    days = job_days(START, START + 363)
    mondays = days[(days - 1) % 7 == 0]
    calendar = WEEKDAYS.learned(np.sort(np.concatenate([days, mondays])), START, START + 364, ())
    assert calendar.weight[0] / calendar.weight[2] == pytest.approx(2.0, rel=0.15)


def test_weekly_rows_count_every_job_once():
    """Rows hold all jobs and all open days of the record."""
    days = job_days(START, START + 69)
    rows = weekly_rows(days, WEEKDAYS, START, START + 70, ())
    assert rows.count.sum() == len(days)
    assert rows.exposure.sum() == pytest.approx(WEEKDAYS.exposure(np.arange(START, START + 70)).sum())
    assert (np.diff(rows.at) > 0).all()


@pytest.mark.parametrize(("deliver_in_gap", "kind"), [(True, "not logged"), (False, "closed")])
def test_deliveries_tell_a_log_that_was_not_kept(deliver_in_gap, kind):
    """A month without rows is `not logged` where ice came all the while, and `closed` where none came."""
    gap = month_of(2025, 4)
    days = job_days(START, START + 240)
    days = days[(days < gap.first) | (days > gap.last)]
    came = np.arange(START, START + 240, 4)
    if not deliver_in_gap:
        came = came[(came < gap.first) | (came > gap.last)]
    found = find_gaps(days, came, WEEKDAYS, START + 241)
    assert [g.kind for g in found] == [kind]
    assert found[0].first <= gap.first
    assert found[0].last >= gap.last - 2


def test_without_a_delivery_log_it_is_unclear():
    """Where no deliveries are logged nobody can tell, and the gap says so."""
    gap = month_of(2025, 4)
    days = job_days(START, START + 240)
    days = days[(days < gap.first) | (days > gap.last)]
    assert [g.kind for g in find_gaps(days, np.empty(0, dtype=np.int64), WEEKDAYS, START + 241)] == ["unclear"]


def test_slow_shop_has_no_gap():
    """Three weeks without a job are nothing odd where a job comes every other week."""
    days = job_days(START, START + 360, every=10)
    assert find_gaps(days[np.arange(len(days)) != 12], np.empty(0, dtype=np.int64), WEEKDAYS, START + 361) == ()


def test_silence_up_to_today_is_a_gap():
    """A log that stops while ice goes on coming is not a shop without jobs."""
    days = job_days(START, START + 200)
    found = find_gaps(days, np.arange(START, START + 240, 3), WEEKDAYS, START + 240)
    assert [g.kind for g in found] == ["not logged"]
    assert found[0].last == START + 239


def test_announced_closure_is_no_gap():
    """Days closed by the book are no silence."""
    gap = month_of(2025, 4)
    calendar = Calendar.of(range(5), list(range(gap.first, gap.last + 1)))
    days = job_days(START, START + 240)
    days = days[(days < gap.first) | (days > gap.last)]
    assert find_gaps(days, np.empty(0, dtype=np.int64), calendar, START + 241) == ()


@pytest.mark.parametrize("year", [2024, 2025, 2026, 2028])
def test_the_phase_is_the_share_of_the_year_gone_by(year):
    """Within a day and a half of the calendar's own in leap years and others; it begins anew each year."""
    first = date(year, 1, 1).toordinal()
    days = np.arange(first + 2, date(year, 12, 30).toordinal())
    length = date(year + 1, 1, 1).toordinal() - first
    assert phase_of(days.astype(float)) == pytest.approx((days - first) / length, abs=1.5 / 365)


@pytest.mark.parametrize(("first", "last", "free"), [(1, 9, True), (21, 30, True), (1, 10, False), (20, 30, False),
                                                     (12, 15, False), (1, 40, False)])  # fmt: skip
def test_days_are_free_where_they_touch_no_gap(first, last, free):
    """A gap of the days 10 to 20 takes every stretch that has one of them."""
    gaps = [Gap(10, 20, "closed"), Gap(50, 60, "not logged")]
    assert without_gap(gaps, first, last) is free
