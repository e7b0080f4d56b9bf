"""Simple rules that a forecast must beat: the same month last year, and the mean of the last months."""

from __future__ import annotations

from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

SEASON = 12


def seasonal_naive(
    past: NDArray[np.float64], horizon: int, levels: Sequence[float], *, season: int = SEASON
) -> NDArray[np.float64]:
    """Return quantiles of the next values by the value a season before, shape (horizon, len(levels)).

    Its errors are taken as normal, with the root mean square of the past ones (values a season apart) as sd, times
    sqrt(k + 1) in the k-th season ahead (Hyndman & Athanasopoulos 2018, Forecasting: Principles and Practice, 2nd ed.,
    sec. 3.5). Below a season of values the last value stands for it.
    """
    lag = season if len(past) > season else 1
    steps = np.arange(horizon)
    centre = past[len(past) - lag + steps % lag]
    errors = past[lag:] - past[:-lag]
    return _normal(centre, _rms(errors, past) * np.sqrt(1.0 + steps // lag), levels)


def moving_average(
    past: NDArray[np.float64], horizon: int, levels: Sequence[float], *, window: int = 3
) -> NDArray[np.float64]:
    """Return quantiles of the next values by the mean of the last `window`, shape (horizon, len(levels)).

    Errors are taken as normal, with the root mean square of the errors the rule made one step ahead as sd.
    """
    width = min(window, len(past))
    means = np.convolve(past, np.full(width, 1 / width), "valid")
    errors = past[width:] - means[:-1]
    return _normal(np.full(horizon, means[-1]), _rms(errors, past), levels)


def _rms(errors: NDArray[np.float64], past: NDArray[np.float64]) -> float:
    # One or two values have no error yet: half of their mean stands in.
    return float(np.sqrt(np.mean(errors**2))) if len(errors) > 1 else 0.5 * float(np.mean(past))


def _normal(
    centre: NDArray[np.float64], sd: NDArray[np.float64] | float, levels: Sequence[float]
) -> NDArray[np.float64]:
    """Return quantiles of normals, never below 0."""
    z = np.array([NormalDist().inv_cdf(p) for p in levels])
    spread = np.broadcast_to(sd, centre.shape)[:, None] * z
    return np.asarray(np.maximum(centre[:, None] + spread, 0.0), dtype=np.float64)
