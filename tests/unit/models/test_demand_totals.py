"""Resampled totals, bookings as a floor, lost ice, reasons that add up, simple rules, and no hindsight."""

import sys
from pathlib import Path

import numpy as np
import pytest

from models.demand.arrivals import CountRows, harmonics
from models.demand.calendar import Calendar, months_ahead
from models.demand.compound import recency, resampled_totals
from models.demand.forecast import (
    BookedAhead,
    BookedTaken,
    Consumed,
    Known,
    counts_ahead,
    learn_rate,
    month_draws,
)  # fmt: skip
from models.demand.lost_ice import IceMonth, learn_lost
from models.demand.reasons import log_mean, parts_of_change
from models.demand.record import ForecastRecord, PastForecast, actual_months, rolling_forecasts, rule_scores
from models.demand.rules import moving_average, seasonal_naive

sys.path.insert(0, str(Path(__file__).parents[2] / "statistical"))

from forecast_shops import simulated


@pytest.fixture(scope="module")
def shop():
    return simulated("steady", 3, n_months=7)


def draws_of(shop, scale=1.0):
    """Return months of a shop whose jobs take `scale` times what they take, with the jobs' draws."""
    rate = learn_rate(shop.known, seed=1, n_draws=400)
    months = months_ahead(shop.known.today, 2)
    rng = np.random.default_rng(0)
    amounts = rng.lognormal(4.0, 0.4, (200, 400))
    consumed = Consumed(scale * amounts, amounts, np.ones(200))
    counts = counts_ahead(rate, months, shop.known.today, seed=1)
    return month_draws(counts, [consumed] * len(months), months, seed=1)


def test_doubling_what_jobs_take_doubles_the_forecast(shop):
    """Twice the pellets a job gives exactly twice the month, and not one job more or less."""
    once, twice = draws_of(shop), draws_of(shop, 2.0)
    assert np.array_equal(once.jobs, twice.jobs)
    assert twice.pellets_lb == pytest.approx(2 * once.pellets_lb)
    assert np.array_equal(once.minutes, twice.minutes)


def test_jobs_change_scales_the_counts(shop):
    """A tenth more jobs is a tenth more on average, and -1 leaves none."""
    rate, months = learn_rate(shop.known, seed=1, n_draws=2000), months_ahead(shop.known.today, 3)
    plain = counts_ahead(rate, months, shop.known.today, seed=1)[1]
    more = counts_ahead(rate, months, shop.known.today, change=0.1, seed=1)[1]
    assert more.mean() / plain.mean() == pytest.approx(1.1, abs=0.02)
    assert counts_ahead(rate, months, shop.known.today, change=-1.0, seed=1)[1].sum() == 0


def test_bookings_are_a_floor(shop):
    """No scenario has fewer jobs than the bookings that come in it, and each takes what it is."""
    rate, months = learn_rate(shop.known, seed=1, n_draws=500), months_ahead(shop.known.today, 1)
    days = np.full(60, months[0].first + 3)
    comes = np.random.default_rng(1).random((60, 500)) < 0.9
    ahead = BookedAhead(days, comes)
    fresh, every = counts_ahead(rate, months, shop.known.today, booked=ahead, seed=1)
    assert (every[0] >= comes.sum(axis=0)).all()
    consumed = Consumed(np.zeros((5, 500)), np.zeros((5, 500)), np.ones(5))
    taken = BookedTaken(ahead, np.full((60, 500), 10.0), np.full((60, 500), 20.0))
    totals = month_draws((fresh, every), [consumed], months, booked=taken, seed=1)
    assert totals.pellets_lb[0] == pytest.approx(10.0 * comes.sum(axis=0))
    assert totals.minutes[0] == pytest.approx(20.0 * comes.sum(axis=0))


def test_booked_jobs_are_not_counted_twice():
    """Where every job is booked ahead, those booked for next week are next week's jobs, not on top of it."""
    days = np.sort(np.random.default_rng(2).choice(np.arange(738_000, 738_300), 300))
    known = Known(days, np.full(300, 60), 738_000, np.empty(0, dtype=np.int64), 738_300, Calendar.of(range(7), []), 7.0)
    rate = learn_rate(known, seed=1, n_draws=500)
    months = months_ahead(738_300, 1)
    booked = BookedAhead(np.arange(738_300, 738_310), np.ones((10, 500), dtype=bool))
    fresh, _ = counts_ahead(rate, months, 738_300, booked=booked, seed=1)
    bare, _ = counts_ahead(rate, months, 738_300, seed=1)
    assert fresh[0].mean() < 0.25 * bare[0].mean()


def test_a_list_that_was_just_begun_is_no_work_on_top():
    """Where no past job says how far ahead it was booked, a full list is the usual jobs and the planned walk-ins."""
    days = np.arange(738_000, 738_300)
    calendar, never = Calendar.of(range(7), []), np.full(300, -1)
    known = Known(days, never, None, np.empty(0, dtype=np.int64), 738_300, calendar, 7.0, 0.3)
    rate, months = learn_rate(known, seed=1, n_draws=500), months_ahead(738_300, 1)
    booked = BookedAhead(
        np.arange(months[0].first, months[0].last + 1), np.ones((len(months[0].days()), 500), dtype=bool)
    )
    usual = counts_ahead(rate, months, 738_300, seed=1)[1][0].mean()
    assert rate.lead_unknown == 1.0
    assert usual * 1.2 < counts_ahead(rate, months, 738_300, booked=booked, seed=1)[1][0].mean() < usual * 1.45
    nobody = BookedAhead(np.empty(0, dtype=np.int64), np.empty((0, 500), dtype=bool))
    assert counts_ahead(rate, months, 738_300, booked=nobody, seed=1)[1][0].mean() == pytest.approx(usual)


def test_jobs_of_one_day_teach_no_rate():
    """Forty jobs under one date leave the planning figure as it is: the mean rate over draws and the year."""
    known = Known(np.full(40, 738_300), np.full(40, -1), None, np.empty(0, dtype=np.int64), 738_330,
                  Calendar.of(range(5), []), 5.0)  # fmt: skip
    rate = learn_rate(known, seed=1, n_draws=4000)
    season = harmonics(np.linspace(0.0, 1.0, 73, endpoint=False)) @ rate.fit.season
    assert np.exp(rate.fit.level + season).mean() == pytest.approx(1.0, rel=0.1)
    assert rate.rows.n == 0


def test_recent_jobs_weigh_more():
    """A job of a half-life ago counts half."""
    weight = recency(np.array([760, 1000]), 1000, half_life_days=240)
    assert weight == pytest.approx([0.5, 1.0])


def test_no_example_but_jobs_to_come_is_refused():
    """Jobs to come without anything to be like are an error, none to come are not."""
    with pytest.raises(ValueError, match="like"):
        resampled_totals(np.ones(3), (np.empty((0, 3)),), np.empty((3, 0)), np.random.default_rng(1))
    (none,) = resampled_totals(np.zeros(3), (np.empty((0, 3)),), np.empty((3, 0)), np.random.default_rng(1))
    assert none.sum() == 0


def test_lost_ice_is_learned_from_balances():
    """Twelve months that lose 30 lb a day and a twentieth of their use are found again."""
    rng = np.random.default_rng(4)
    used = rng.uniform(500, 4000, 24)
    months = [IceMonth(30, 1.0, u, 1.05 * u + 900 + rng.normal(0, 40)) for u in used]
    lost = learn_lost(months, np.full(100, 45.0) * rng.lognormal(0, 0.3, 100), seed=1, n_draws=2000)
    assert lost.base_lb_day.mean() == pytest.approx(30.0, rel=0.08)
    assert lost.share.mean() == pytest.approx(0.05, abs=0.02)
    assert lost.expected(1000.0, 30, 1.0) == pytest.approx(950.0, rel=0.06)


def test_lost_ice_without_a_record_is_the_prior():
    """Without a balance the containers' own loss answers, never below nothing."""
    prior = np.random.default_rng(5).lognormal(np.log(35.0), 0.4, 4000)
    lost = learn_lost([], prior, seed=1, n_draws=4000)
    assert lost.base_lb_day.mean() == pytest.approx(prior.mean(), rel=0.1)
    drawn = lost.draws(np.zeros((1, 4000)), np.array([30]), np.ones(1), np.random.default_rng(1))
    assert drawn.min() >= 0


def test_reasons_add_up_in_any_order():
    """The parts of a change add up to it, and each is that of its factor alone where only one moved."""
    factors = {"jobs": (30.0, 24.0), "mix": (60.0, 66.0), "soil": (1.0, 1.1)}
    parts = parts_of_change(factors)
    assert sum(parts.values()) == pytest.approx(24 * 66 * 1.1 - 30 * 60)
    assert parts == pytest.approx(parts_of_change(dict(reversed(factors.items()))))
    alone = parts_of_change({"jobs": (30.0, 24.0), "mix": (60.0, 60.0)})
    assert alone == pytest.approx({"jobs": -360.0, "mix": 0.0})
    assert log_mean(5.0, 5.0) == 5.0


def test_reasons_need_positive_factors():
    """A factor of nothing cannot be taken apart."""
    with pytest.raises(ValueError, match="> 0"):
        parts_of_change({"jobs": (0.0, 3.0)})


def test_simple_rules_by_hand():
    """The seasonal naive repeats last year; the moving average is the mean of the last three."""
    past = np.array([*range(10, 22), *range(12, 24)], dtype=float)
    assert seasonal_naive(past, 2, (0.5,))[:, 0] == pytest.approx([12.0, 13.0])
    assert moving_average(past, 2, (0.5,))[:, 0] == pytest.approx([22.0, 22.0])
    spread = seasonal_naive(past, 1, (0.1, 0.9))[0]
    assert spread[1] - spread[0] == pytest.approx(2 * 1.2815515655 * 2.0)


def test_record_is_blind_to_what_comes_later(shop):
    """Absurd jobs after a month's origin leave what was forecast for earlier origins as it was."""
    cut = int(shop.known.today) - 60
    early = rolling_forecasts(shop.table.take_jobs(shop.table.day < cut), shop.known.before(cut), shop.planning, seed=1)
    days = np.sort(np.append(shop.known.job_days, np.full(500, cut + 5)))
    known = Known(days, np.full(len(days), -1), None, shop.known.deliveries, shop.known.today, shop.known.calendar, 6.0)
    late = rolling_forecasts(shop.table, known, shop.planning, seed=1)
    by_key = {(f.origin, f.month.name): f for f in late.forecasts}
    assert early.forecasts
    for f in early.forecasts:
        assert np.array_equal(f.quantiles, by_key[f.origin, f.month.name].quantiles)


def test_scores_compare_the_same_months(shop):
    """The forecast and the simple rules are scored over the same months, and an empty record has none."""
    record = rolling_forecasts(shop.table, shop.known, shop.planning, seed=1)
    actual = actual_months(shop.table, int(shop.table.day.min()), shop.known.today, ())
    assert next(s.name for s in rule_scores(record, actual)) == "this forecast"
    assert all(s.pellets_lb > 0 for s in rule_scores(record, actual))
    assert rule_scores(ForecastRecord(()), actual) == ()
    assert ForecastRecord(()).held(0.8) is None


def test_intervals_that_held_are_counted_by_how_far_ahead_they_were(shop):
    """The counts of each distance add up to those of all, and a month is told anew at each of them."""
    record = rolling_forecasts(shop.table, shop.known, shop.planning, seed=1)
    each = [record.counted(0.8, ahead=k) for k in range(3)]
    assert record.counted(0.8) == tuple(map(sum, zip(*each, strict=True)))
    assert each[0][1] == len({f.month.name for f in record.forecasts if f.ahead == 0 and np.isfinite(f.pit[1])})
    assert record.held(0.8) == record.counted(0.8)[0] / record.counted(0.8)[1]


def test_rows_are_kept_whole():
    """Taking rows keeps all four columns together."""
    rows = CountRows(*(np.arange(4.0) + k for k in range(4)))
    assert rows.take(np.array([1, 3])).phase.tolist() == [4.0, 6.0]


def test_central_intervals_are_counted_by_their_level():
    """Of PITs 0.05, 0.11, 0.5, 0.89 and 0.95 an 80 % interval held three, a 95 % one all; NaN is no test."""
    (month,) = months_ahead(738_000, 0)
    three, none = np.zeros(3), np.zeros((3, 7))
    past = tuple(PastForecast(738_000, month, k % 2, three, none, three, np.array([0.5, pit, 0.5]))
                 for k, pit in enumerate((0.05, 0.11, 0.5, 0.89, 0.95, np.nan)))  # fmt: skip
    record = ForecastRecord(past)
    assert record.counted(0.8) == (3, 5)
    assert record.counted(0.95) == (5, 5)
    assert record.counted(0.8, ahead=1) == (2, 2)
    assert record.held(0.8) == pytest.approx(0.6)
