"""The ice bill of months that closures shorten, and of a shop whose log stopped or that was closed for a while."""

from datetime import date, timedelta

import pytest
from forecast_books import answered, job, weekday_jobs

from pipeline.answers.answer import Asking
from pipeline.answers.landed import weekly_volume

TODAY = date(2026, 7, 1)
FEE = 40.0


def days_between(first, last):
    return [first + timedelta(days=k) for k in range((last - first).days + 1)]


def closing(*days):
    return f"[shop]\nclosed = [{', '.join(repr(day.isoformat()) for day in days)}]\n"


def shop(new_book, name, toml="", *, stop=TODAY, shut=()):
    """Return a book with a job every working day and ice on Mondays and Thursdays up to a day, but for shut days."""
    open_ = [r for r in weekday_jobs(date(2025, 9, 1), stop - timedelta(days=1)) if r["day"] not in shut]
    book = new_book(toml, open_, name)
    with book.writing() as connection:
        for day in days_between(date(2025, 9, 1), stop - timedelta(days=1)):
            if day.weekday() in (0, 3) and day not in shut:
                connection.execute(
                    "insert into deliveries (day, container, weight_lb, price_usd_per_lb, fee_usd, supplier, batch,"
                    " row_hash) values (?, 'tote', ?, 1.0, ?, 'ice', 0, ?)",
                    [day, 220.0 if day.weekday() == 0 else 190.0, FEE, day.toordinal()],
                )
    return book


def fees(month):
    """Return the fees in a month's bill, ice being a dollar a pound."""
    return month.spend_usd.mean - month.pellets_bought_lb.mean


def test_a_month_with_one_open_day_pays_one_delivery(new_book):
    """Closed until the last Monday of August: a delivery and a few days' loss, and other months as they were."""
    months = answered(shop(new_book, "open")).result.months
    shut = answered(shop(new_book, "shut", closing(*days_between(date(2026, 8, 3), date(2026, 8, 28))))).result.months
    july, august, september = (m.lost_lb.mean for m in months)
    assert shut[1].jobs.mean < 2
    assert shut[1].lost_lb.mean < 0.2 * august
    assert 0.4 * FEE < fees(shut[1]) <= 1.01 * FEE
    assert fees(months[1]) > 8 * FEE
    assert (shut[0].lost_lb.mean, shut[2].lost_lb.mean) == pytest.approx((july, september), rel=0.1)
    assert fees(shut[2]) == pytest.approx(fees(months[2]), rel=1e-6)


def test_a_closure_takes_no_ice_from_the_last_deliverys_end_on(new_book):
    """Two weeks closed: the last delivery's four days of a stretch of sixteen count, the other twelve do not."""
    plain = answered(shop(new_book, "open"), n_months=1).result.months[0]
    shut = shop(new_book, "shut", closing(*days_between(date(2026, 7, 13), date(2026, 7, 24))))
    month = answered(shut, n_months=1).result.months[0]
    assert fees(month) / fees(plain) == pytest.approx(19 / 31, rel=1e-3)
    assert month.lost_lb.mean / plain.lost_lb.mean == pytest.approx(19 / 31, abs=0.1)


def test_single_holidays_and_weekends_change_no_fees(new_book):
    """A holiday beside a weekend is no closure, and closures of other months leave a month as it is to the last bit."""
    plain = answered(shop(new_book, "open"), n_months=2).result.months
    holiday = answered(shop(new_book, "holiday", closing(date(2026, 7, 3))), n_months=2).result.months[0]
    assert fees(holiday) == pytest.approx(fees(plain[0]), rel=1e-9)
    later = answered(shop(new_book, "later", closing(*days_between(date(2026, 12, 7), date(2026, 12, 31)))), n_months=2)
    assert later.result.months == plain


def test_a_log_that_stopped_pays_as_many_deliveries_as_before(new_book):
    """A quarter without jobs or ice says as little of coming deliveries as of coming jobs."""
    stopped = shop(new_book, "stopped", stop=date(2026, 4, 1))
    then, now = (answered(stopped, day, n_months=1).result.months[0] for day in (date(2026, 4, 1), TODAY))
    assert fees(now) / 31 == pytest.approx(fees(then) / 30, rel=0.05)


def test_a_past_closure_does_not_lower_coming_fees_or_losses(new_book):
    """Four weeks of shop holidays in spring leave July's bill about as it is without them."""
    holidays = days_between(date(2026, 4, 6), date(2026, 5, 1))
    plain = answered(shop(new_book, "open"), n_months=1).result.months[0]
    rested = answered(shop(new_book, "rested", closing(*holidays), shut=holidays), n_months=1).result.months[0]
    assert fees(rested) == pytest.approx(fees(plain), rel=0.03)
    assert rested.lost_lb.mean == pytest.approx(plain.lost_lb.mean, rel=0.05)


def test_closed_weeks_make_no_slow_shop(new_book):
    """An ordinary week of a log with three closed weeks is that of the weeks that were worked."""
    holidays = days_between(date(2026, 4, 6), date(2026, 4, 24))
    rows = [job(i, d) for i, d in enumerate(days_between(date(2026, 3, 2), date(2026, 6, 30))) if d.weekday() < 5]
    worked = [row for row in rows if row["day"] not in holidays]
    whole = weekly_volume(Asking(new_book(rows=rows, name="whole"), TODAY))
    rested = weekly_volume(Asking(new_book(closing(*holidays), worked, "rested"), TODAY))
    assert rested.jobs == pytest.approx(whole.jobs, rel=0.02)
