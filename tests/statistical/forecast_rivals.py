"""Forecasts of a monthly series by well-known rules: seasonal naive, moving average, ETS, SARIMAX (statsmodels).

Each takes the past values and returns quantiles of the next months, (horizon, n_levels). ETS and SARIMAX work on
log(1 + value), since a shop's months scatter in proportion, and get a season once two years are on record; ETS takes
the best of its forms by AICc.
"""

from __future__ import annotations

import warnings
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from models.demand.rules import moving_average, seasonal_naive

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    Rival = Callable[[np.ndarray, int, Sequence[float]], np.ndarray]

SEASON = 12


def ets(past: np.ndarray, horizon: int, levels: Sequence[float]) -> np.ndarray:
    """Return quantiles of the best exponential smoothing model by AICc."""
    import pandas as pd
    from statsmodels.tsa.exponential_smoothing.ets import ETSModel

    y = pd.Series(np.log1p(past))
    forms = [{}, {"trend": "add", "damped_trend": True}] if len(y) > 8 else [{}]
    if len(y) >= 2 * SEASON:
        forms += [{**form, "seasonal": "add", "seasonal_periods": SEASON} for form in forms]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fits = [ETSModel(y, error="add", **form).fit(disp=False, maxiter=200) for form in forms]
        best = min(fits, key=lambda fit: fit.aicc if np.isfinite(fit.aicc) else np.inf)
        found = best.get_prediction(start=len(y), end=len(y) + horizon - 1)
        mean, sd = np.asarray(found.predicted_mean), np.sqrt(np.asarray(found.forecast_variance))
    return _normal(mean, sd, levels)


def sarimax(past: np.ndarray, horizon: int, levels: Sequence[float]) -> np.ndarray:
    """Return quantiles of ARIMA(0,1,1)(0,1,1)12, of ARIMA(0,1,1) below two and a half years."""
    from statsmodels.tsa.statespace.sarimax import SARIMAX

    y = np.log1p(past)
    seasonal = (0, 1, 1, SEASON) if len(y) >= 30 else (0, 0, 0, 0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = SARIMAX(y, order=(0, 1, 1), seasonal_order=seasonal).fit(disp=False, maxiter=100)
        found = fit.get_forecast(horizon)
    return _normal(np.asarray(found.predicted_mean), np.asarray(found.se_mean), levels)


def _normal(mean: np.ndarray, sd: np.ndarray, levels: Sequence[float]) -> np.ndarray:
    z = np.array([NormalDist().inv_cdf(p) for p in levels])
    # A flat record has next to no scatter; a model that has run away is held to a factor of e^4.
    top = np.minimum(mean[:, None] + np.nan_to_num(sd, nan=1.0)[:, None] * z, np.nan_to_num(mean)[:, None] + 4.0)
    return np.maximum(np.expm1(top), 0.0)


QUICK: dict[str, Rival] = {"seasonal naive": seasonal_naive, "moving average": moving_average}
RIVALS: dict[str, Rival] = {**QUICK, "ETS": ets, "SARIMAX": sarimax}
