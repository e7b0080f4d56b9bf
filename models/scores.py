"""Scores of predictive answers: plain functions over arrays, lower is better, all proper.

Gneiting, T. and Raftery, A. E. (2007), "Strictly Proper Scoring Rules, Prediction, and Estimation", JASA 102:359-378.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def pinball(y: ArrayLike, quantile: ArrayLike, level: ArrayLike) -> NDArray[np.float64]:
    """Return the quantile (check, pinball) loss max(level (y - q), (level - 1) (y - q)), in the unit of `y`.

    Parameters
    ----------
    y, quantile : arrays that broadcast together
    level : float or array in (0, 1)

    Raises
    ------
    ValueError
        When a level is not strictly between 0 and 1.
    """
    tau = _inside_unit(level)
    short = np.asarray(y, dtype=np.float64) - np.asarray(quantile, dtype=np.float64)
    return np.asarray(np.maximum(tau * short, (tau - 1.0) * short), dtype=np.float64)


def interval_score(y: ArrayLike, low: ArrayLike, high: ArrayLike, level: float) -> NDArray[np.float64]:
    """Return the score of central intervals of coverage `level`, in the unit of `y`.

    (high - low) + (2 / a) (low - y)+ + (2 / a) (y - high)+ with a = 1 - level; equal to 2 / a times the sum of the
    pinball losses of both ends (Gneiting & Raftery 2007, eq. 43).

    Raises
    ------
    ValueError
        When `level` is not strictly between 0 and 1 or an interval's low end lies above its high end.
    """
    alpha = 1.0 - float(_inside_unit(level))
    value = np.asarray(y, dtype=np.float64)
    lower, upper = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    if np.any(lower > upper):
        raise ValueError("an interval's low end lies above its high end")
    outside = np.maximum(lower - value, 0.0) + np.maximum(value - upper, 0.0)
    return np.asarray((upper - lower) + 2.0 / alpha * outside, dtype=np.float64)


def crps_of_draws(draws: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Return the CRPS of the empirical law of each row of draws, E|X - y| - 1/2 E|X - X'|, in the unit of `y`.

    Both expectations run over the draws as they are (the 'nrg' estimator). Sorting makes it O(m log m) a row:
    E|X - X'| = 2 / m^2 sum_k (2k - m - 1) x_(k).

    Parameters
    ----------
    draws : float array (n, m)
    y : float array (n,)

    Returns
    -------
    float64 array (n,)

    Raises
    ------
    ValueError
        When the shapes do not fit or there is no draw.
    """
    rows, value = np.asarray(draws, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if rows.ndim != 2 or value.shape != rows.shape[:1] or rows.shape[1] == 0:
        raise ValueError(f"draws (n, m >= 1) and y (n,) expected, got {rows.shape} and {value.shape}")
    m = rows.shape[1]
    weight = (2.0 * np.arange(1, m + 1) - m - 1.0) / m**2
    half_spread = np.sort(rows, axis=1) @ weight
    return np.asarray(np.abs(rows - value[:, None]).mean(axis=1) - half_spread, dtype=np.float64)


def coverage(y: ArrayLike, low: ArrayLike, high: ArrayLike) -> float:
    """Return the share of values inside their closed intervals, NaN where there is no value."""
    value = np.asarray(y, dtype=np.float64)
    if value.size == 0:
        return float("nan")
    return float(np.mean((value >= np.asarray(low)) & (value <= np.asarray(high))))


def pit(draws: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Return the probability integral transform of each value under the draws of its row, in 0..1.

    (draws below y + half the draws equal to y) / m: uniform on average when the draws are calibrated, deterministic
    where ties occur.

    Parameters
    ----------
    draws : float array (n, m)
    y : float array (n,)
    """
    rows, value = np.asarray(draws, dtype=np.float64), np.asarray(y, dtype=np.float64)[:, None]
    return np.asarray((rows < value).mean(axis=1) + 0.5 * (rows == value).mean(axis=1), dtype=np.float64)


def binomial_band(n_values: int, level: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the shares of values inside `level` intervals that chance alone allows when the intervals are honest.

    The central `confidence` range of Binomial(n_values, level) / n_values.

    Raises
    ------
    ValueError
        When `n_values` is below 1 or a level is not strictly between 0 and 1.
    """
    from scipy.stats import binom

    if n_values < 1:
        raise ValueError("a band needs at least one value")
    tail = (1.0 - float(_inside_unit(confidence))) / 2.0
    held = float(_inside_unit(level))
    low, high = (float(binom.ppf(p, n_values, held)) / n_values for p in (tail, 1.0 - tail))
    return low, high


def _inside_unit(level: ArrayLike) -> NDArray[np.float64]:
    tau = np.asarray(level, dtype=np.float64)
    if not np.all((tau > 0.0) & (tau < 1.0)):
        raise ValueError(f"a level lies strictly between 0 and 1, got {level!r}")
    return tau
