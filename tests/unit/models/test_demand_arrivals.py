"""The count model: level, season, trend, overdispersion, and honest width where little is known."""

import numpy as np
import pytest

from models.demand.arrivals import CountRows, centred, draw_counts, fit_arrivals, log_rate
from shared.units import DAYS_PER_MONTH


def weekly(rate, n_weeks, seed, *, over=0.0):
    """Return weekly counts of a rate per open day as a function of the week."""
    rng = np.random.default_rng(seed)
    at = 7.0 * np.arange(n_weeks) + 3.5
    mean = 5.0 * np.array([rate(t) for t in at])
    around = rng.gamma(1 / over, over, n_weeks) if over else 1.0
    return CountRows(rng.poisson(mean * around).astype(float), np.full(n_weeks, 5.0), at, (at / 365.25) % 1.0)


def ahead(n_weeks, start):
    at = start + 7.0 * np.arange(n_weeks) + 3.5
    return CountRows(np.zeros(n_weeks), np.full(n_weeks, 5.0), at, (at / 365.25) % 1.0)


def month_totals(fit, start, seed=5):
    rng = np.random.default_rng(seed)
    rows = ahead(4, start)
    return draw_counts(log_rate(fit, rows, rng), rows.exposure, fit.over, rng).sum(axis=0)


def test_steady_rate_is_found():
    """A steady shop's rate lies inside the middle of its posterior and the mean is near it."""
    fit = fit_arrivals(weekly(lambda t: 1.2, 104, 1), prior_rate=1.0, seed=1, end=728.0)
    assert abs(np.exp(np.median(fit.level)) / 1.2 - 1) < 0.15


def test_season_is_found_from_two_years():
    """With two years on record the summer's coming rate is told well above the winter's."""
    season = lambda t: 1.2 * np.exp(0.5 * np.cos(2 * np.pi * (t / 365.25 - 0.5)))  # noqa: E731
    fit = fit_arrivals(weekly(season, 104, 2), prior_rate=1.0, seed=1, end=728.0)
    winter = month_totals(fit, 731.0).mean()
    summer = month_totals(fit, 728.0 + 183.0).mean()
    assert summer / winter == pytest.approx(np.exp(1.0), rel=0.4)


def test_overdispersion_widens_the_counts():
    """A shop whose weeks scatter beyond chance gets wider totals than one of the same mean that does not."""
    calm = fit_arrivals(weekly(lambda t: 2.0, 104, 3), prior_rate=2.0, seed=1, end=728.0)
    wild = fit_arrivals(weekly(lambda t: 2.0, 104, 3, over=0.4), prior_rate=2.0, seed=1, end=728.0)
    assert np.median(wild.over) > 5 * np.median(calm.over)
    assert month_totals(wild, 728.0).std() > 1.3 * month_totals(calm, 728.0).std()


def test_short_record_answers_wide():
    """After eight weeks the rate three months ahead is far less certain than after two years of the same rate."""
    long = fit_arrivals(weekly(lambda t: 1.2, 104, 4), prior_rate=1.0, seed=1, end=728.0)
    short = fit_arrivals(weekly(lambda t: 1.2, 8, 4), prior_rate=1.0, seed=1, end=56.0)
    rng = np.random.default_rng(1)
    sd = [log_rate(fit, ahead(13, fit.end), rng)[-1].std() for fit in (long, short)]
    assert sd[1] > 1.4 * sd[0]


def test_no_record_is_the_prior():
    """Without a record the rate is the planning figure with its spread."""
    none = CountRows(*(np.empty(0) for _ in range(4)))
    fit = fit_arrivals(none, prior_rate=1.5, seed=1, n_draws=4000)
    assert np.exp(np.median(fit.level)) == pytest.approx(1.5, rel=0.08)
    assert fit.level.std() == pytest.approx(0.8, rel=0.08)


def test_uncertainty_grows_with_the_horizon():
    """The level walks on, so that six months ahead is less certain than one."""
    fit = fit_arrivals(weekly(lambda t: 1.2, 104, 6), prior_rate=1.0, seed=1, end=728.0)
    rows = ahead(26, 728.0)
    rates = log_rate(fit, rows, np.random.default_rng(1))
    assert rates[-1].std() > rates[0].std()
    assert rows.at[-1] - fit.end > 5 * DAYS_PER_MONTH


def test_same_seed_same_draws():
    """The fit depends on record and seed alone."""
    rows = weekly(lambda t: 1.2, 30, 7)
    one, two = (fit_arrivals(rows, prior_rate=1.0, seed=3, end=210.0) for _ in range(2))
    assert np.array_equal(one.level, two.level)
    assert np.array_equal(one.season, two.season)


def test_large_counts_stay_finite():
    """Counts of tens of thousands, as a month of a nation's, are fitted as well as a shop's."""
    rng = np.random.default_rng(8)
    at = 30.4 * np.arange(60)
    rows = CountRows(rng.poisson(40_000, 60).astype(float), np.full(60, 30.4), at, (at / 365.25) % 1)
    fit = fit_arrivals(rows, prior_rate=1000.0, seed=1)
    assert np.exp(np.median(fit.level)) == pytest.approx(40_000 / 30.4, rel=0.03)


def test_nothing_seen_plans_on_the_planning_figure():
    """Without a record the mean rate over the year is the planning rate, however wide the law about it is."""
    none = CountRows(np.empty(0), np.empty(0), np.empty(0), np.empty(0))
    fit = centred(fit_arrivals(none, prior_rate=1.2, seed=1, end=0.0, n_draws=4000), 1.2)
    phase = np.linspace(0, 1, 73, endpoint=False)
    angle = 2 * np.pi * phase[:, None] * np.arange(1, 7)
    season = np.concatenate([np.cos(angle), np.sin(angle)], axis=1) @ fit.season
    assert np.exp(fit.level + season).mean() == pytest.approx(1.2, rel=0.1)
    assert np.quantile(np.exp(fit.level), 0.9) > 2 * np.quantile(np.exp(fit.level), 0.1)
