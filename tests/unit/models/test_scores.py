"""Scores against slow, obvious versions of themselves."""

import numpy as np
import pytest

from models.scores import binomial_band, coverage, crps_of_draws, interval_score, pinball, pit


def slow_pinball(y: float, q: float, tau: float) -> float:
    return tau * (y - q) if y >= q else (1 - tau) * (q - y)


def slow_interval_score(y: float, low: float, high: float, level: float) -> float:
    alpha = 1 - level
    score = high - low
    if y < low:
        score += 2 / alpha * (low - y)
    if y > high:
        score += 2 / alpha * (y - high)
    return score


def slow_crps(draws: list[float], y: float) -> float:
    m = len(draws)
    return sum(abs(x - y) for x in draws) / m - sum(abs(a - b) for a in draws for b in draws) / (2 * m * m)


def test_pinball_equals_the_two_branches() -> None:
    """The pinball loss is tau times a shortfall and 1 - tau times an excess."""
    rng = np.random.default_rng(1)
    y, q, tau = rng.normal(size=50), rng.normal(size=50), rng.uniform(0.01, 0.99, 50)
    expected = [slow_pinball(*row) for row in zip(y, q, tau, strict=True)]
    np.testing.assert_allclose(pinball(y, q, tau), expected, rtol=1e-12)


def test_interval_score_equals_the_definition() -> None:
    """Width plus 2 / a for each unit outside."""
    rng = np.random.default_rng(2)
    y, low = rng.normal(size=60), rng.normal(size=60) - 1
    high = low + rng.exponential(size=60)
    expected = [slow_interval_score(*row, 0.8) for row in zip(y, low, high, strict=True)]
    np.testing.assert_allclose(interval_score(y, low, high, 0.8), expected, rtol=1e-12)


def test_interval_score_is_a_sum_of_two_pinball_losses() -> None:
    """The score is 2 / a times the pinball losses at a / 2 and 1 - a / 2 for every level."""
    rng = np.random.default_rng(3)
    y, low = rng.normal(size=40), rng.normal(size=40) - 1
    high = low + 1.5
    for level in (0.5, 0.8, 0.95):
        alpha = 1 - level
        two = 2 / alpha * (pinball(y, low, alpha / 2) + pinball(y, high, 1 - alpha / 2))
        np.testing.assert_allclose(interval_score(y, low, high, level), two, rtol=1e-12)


def test_crps_equals_the_double_sum() -> None:
    """Sorting gives the same as the sum over all pairs, ties and negatives included."""
    rng = np.random.default_rng(4)
    draws = np.round(rng.normal(size=(20, 37)), 1)
    y = np.round(rng.normal(size=20), 1)
    expected = [slow_crps(list(row), value) for row, value in zip(draws, y, strict=True)]
    np.testing.assert_allclose(crps_of_draws(draws, y), expected, rtol=1e-12, atol=1e-14)


def test_crps_is_twice_the_mean_pinball_loss_over_all_levels() -> None:
    """CRPS = 2 int pinball d tau, with the empirical quantile function of the draws."""
    draws, y = np.array([1.0, 2.0, 4.0, 7.0]), 3.0
    tau = (np.arange(40_000) + 0.5) / 40_000
    quantile = draws[np.ceil(tau * 4).astype(int) - 1]
    assert crps_of_draws(draws[None], np.array([y]))[0] == pytest.approx(2 * pinball(y, quantile, tau).mean(), abs=1e-6)


def test_crps_of_one_draw_is_the_absolute_error() -> None:
    """A single draw is a point forecast."""
    assert crps_of_draws([[5.0]], [2.0]).tolist() == [3.0]


def test_coverage_counts_closed_intervals() -> None:
    """Values on an end are inside; no values give NaN, not zero."""
    assert coverage([1, 2, 3, 4], [1, 1, 1, 5], [1, 3, 2, 6]) == 0.5
    assert np.isnan(coverage([], [], []))


def test_pit_of_calibrated_draws_is_uniform_and_splits_ties() -> None:
    """The PIT is the rank share, with half of what equals the value."""
    assert pit([[1.0, 2.0, 2.0, 3.0]], [2.0]).tolist() == [0.5]
    assert pit([[1.0, 2.0], [1.0, 2.0]], [0.0, 9.0]).tolist() == [0.0, 1.0]
    rng = np.random.default_rng(5)
    values = pit(rng.normal(size=(4000, 200)), rng.normal(size=4000))
    assert abs(values.mean() - 0.5) < 0.02
    assert abs(values.var() - 1 / 12) < 0.005


def test_binomial_band_holds_its_share_of_honest_logs() -> None:
    """An honest 80 % interval leaves the 95 % band in at most 5 % of logs; the band shrinks with the log."""
    low, high = binomial_band(100, 0.8)
    assert (low, high) == (0.72, 0.88)
    inside = np.random.default_rng(6).binomial(100, 0.8, 20_000) / 100
    assert np.mean((inside >= low) & (inside <= high)) >= 0.95
    wide, narrow = binomial_band(30, 0.8), binomial_band(3000, 0.8)
    assert wide[1] - wide[0] > 5 * (narrow[1] - narrow[0])


@pytest.mark.parametrize("level", [0.0, 1.0, -0.2, 80.0])
def test_a_level_outside_the_unit_interval_is_refused(level: float) -> None:
    """80 is not a level, 0.8 is."""
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        interval_score([1.0], [0.0], [2.0], level)
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        pinball([1.0], [0.0], level)


def test_impossible_arguments_are_refused() -> None:
    """Crossed ends, draws without a column and an empty band raise instead of giving a number."""
    with pytest.raises(ValueError, match="low end lies above"):
        interval_score([1.0], [2.0], [1.0], 0.8)
    with pytest.raises(ValueError, match="expected"):
        crps_of_draws(np.empty((2, 0)), [1.0, 2.0])
    with pytest.raises(ValueError, match="at least one"):
        binomial_band(0, 0.8)
