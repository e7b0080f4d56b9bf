"""The forecast's months end where months end, and each booking is counted once, in the month of its day."""

from datetime import date, timedelta

import pytest
from forecast_books import answered, book_jobs, job, weekday_jobs


@pytest.fixture
def half_year(new_book):
    """Return a book of half a year with a job every other weekday."""
    return new_book(rows=weekday_jobs(date(2026, 1, 5), date(2026, 6, 30), every=2))


def test_the_last_day_of_a_month_counts(half_year):
    """On the last day of a month what is left is that day, on the first of the next nothing is: no day comes twice."""
    last, first = answered(half_year, date(2026, 6, 30)), answered(half_year, date(2026, 7, 1))
    part, *whole = last.result.months
    assert (part.from_, part.to, part.part) == (date(2026, 6, 30), date(2026, 6, 30), True)
    assert 0.0 < part.jobs.mean < 2.0
    ends = [(m.from_, m.to) for m in whole]
    assert ends == [(m.from_, m.to) for m in first.result.months]
    assert ends == [
        (date(2026, 7, 1), date(2026, 7, 31)), (date(2026, 8, 1), date(2026, 8, 31)),
        (date(2026, 9, 1), date(2026, 9, 30)),
    ]  # fmt: skip


def test_a_year_and_february_end_where_they_end(new_book):
    """December is followed by January, and February has the days of its year."""
    months = answered(new_book(), date(2027, 12, 31), n_months=3).result.months
    assert [(m.from_, m.to) for m in months] == [
        (date(2027, 12, 31), date(2027, 12, 31)), (date(2028, 1, 1), date(2028, 1, 31)),
        (date(2028, 2, 1), date(2028, 2, 29)), (date(2028, 3, 1), date(2028, 3, 31)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("day", "month"), [(date(2026, 6, 30), 0), (date(2026, 7, 1), 1), (date(2026, 7, 31), 1), (date(2026, 8, 1), 2)]
)
def test_bookings_at_a_months_end_are_that_months(half_year, day, month):
    """Sixty bookings on the last or first day of a month lift that month and no other."""
    today = date(2026, 6, 30)
    book_jobs(half_year, [(today - timedelta(days=30), date(2026, 9, 10), "booked")])
    before = answered(half_year, today, n_months=2, statuses_known=True).result.months
    book_jobs(half_year, [(today - timedelta(days=9), day, "booked")] * 60)
    after = answered(half_year, today, n_months=2, statuses_known=True).result.months
    more = [a.jobs.mean - b.jobs.mean for a, b in zip(after, before, strict=True)]
    assert more[month] > 45
    assert all(abs(extra) < 3 for i, extra in enumerate(more) if i != month)


def test_jobs_of_a_months_ends_are_that_months_in_the_record(new_book):
    """Jobs on the first and last day of May are May's in the record, those of the days beside it are not."""
    rows = weekday_jobs(date(2026, 1, 5), date(2026, 6, 30), every=2)
    counted = sum(r["day"].month == 5 for r in rows)
    ends = (date(2026, 4, 30), date(2026, 5, 1), date(2026, 5, 31), date(2026, 6, 1))
    more = [job(900 + 10 * k + i, day) for k, day in enumerate(ends) for i in range(k + 1)]
    book = new_book(rows=[*rows, *more])
    past = {p.month: p.jobs.actual for p in answered(book).result.backtest.past}
    assert past["2026-05"] == counted + 2 + 3


def test_bookings_without_their_own_day_are_not_counted_twice(half_year):
    """Who never notes when a booking was taken has them among the usual jobs: forty of them add none."""
    before = answered(half_year, n_months=1, statuses_known=True).result.months[0]
    book_jobs(half_year, [(None, date(2026, 7, 6 + i % 20), "booked") for i in range(40)])
    after = answered(half_year, n_months=1, statuses_known=True).result.months[0]
    assert after.jobs.mean == pytest.approx(before.jobs.mean, rel=0.02)
    assert after.pellets_used_lb.mean == pytest.approx(before.pellets_used_lb.mean, rel=0.02)


def test_undated_bookings_beside_dated_ones_add_nothing(half_year):
    """Ten dated bookings count the same, whether undated ones stand beside them or not."""
    book_jobs(half_year, [(date(2026, 6, 20), date(2026, 7, 7 + i), "booked") for i in range(10)])
    before = answered(half_year, n_months=1, statuses_known=True).result.months[0]
    book_jobs(half_year, [(None, date(2026, 7, 6 + i % 20), "booked") for i in range(40)])
    after = answered(half_year, n_months=1, statuses_known=True).result.months[0]
    assert after.jobs.mean == pytest.approx(before.jobs.mean, rel=0.02)
