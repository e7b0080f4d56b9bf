"""Set-up and clean-up minutes: a regression on what is worked, shrunk to the planning figure. Needs numpy only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Prior sd of the level and of one column, as shares of the planning figure (at least `_LEAST_SCALE_MIN`).
_LEVEL_SD = 0.7
_EFFECT_SD = 0.4
_LEAST_SCALE_MIN = 5.0
#: Prior of the relative spread of a visit, and how many visits that counts for (memory, no source).
_SPREAD = 0.35
_SPREAD_WEIGHT = 4.0
_ROUNDS = 4


@dataclass(frozen=True)
class BesideLaw:
    """What minutes beside the nozzle follow: mean = design @ coefficients, times log-normal noise of mean 1.

    Attributes
    ----------
    mean : float64 array (n_columns,)
        Posterior mean of the coefficients, min.
    root : float64 array (n_columns, n_columns)
        A root of their posterior covariance: root @ root.T.
    spread : float
        Sd of the logarithm of a visit's minutes around their mean.
    planning_min : float
    n : int
        Visits learned from; with none the planning figure answers, without spread.
    """

    mean: NDArray[np.float64]
    root: NDArray[np.float64]
    spread: float
    planning_min: float
    n: int

    def expected(self, design: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return expected minutes, shape (n,), of visits described by a design (n, n_columns)."""
        if not self.n:
            return np.full(len(design), self.planning_min)
        return _positive(design @ self.mean, self.planning_min)

    def draw(
        self, row: NDArray[np.float64], n_draws: int, rng: np.random.Generator, n_visits: int = 1
    ) -> NDArray[np.float64]:
        """Return draws of the minutes of alike visits together, shape (n_draws,); they share the coefficients.

        Parameters
        ----------
        row : float64 array (n_columns,)
            One visit's row of the design.
        n_draws : int
        rng : numpy Generator
        n_visits : int
            Each has its own noise.
        """
        if not self.n:
            return np.full(n_draws, n_visits * self.planning_min)
        coefficients = self.mean[:, None] + self.root @ rng.standard_normal((len(self.mean), n_draws))
        mean = _positive(row @ coefficients, self.planning_min)
        noise = self.spread * rng.standard_normal((n_visits, n_draws)) - self.spread**2 / 2
        return np.asarray(mean * np.exp(noise).sum(axis=0), dtype=np.float64)


def fit_beside(design: NDArray[np.float64], minutes: NDArray[np.float64], planning_min: float) -> BesideLaw:
    """Return the law of minutes beside the nozzle by Bayesian ridge regression with relative noise.

    minutes_i = x_i b (1 + spread e_i), b ~ N((planning, 0, ...), diagonal); the weights 1 / (spread x_i b)^2 and the
    spread are found in a few rounds. Reference: Gelman et al., Bayesian Data Analysis, 3rd ed., section 14.8 (from
    memory).

    Parameters
    ----------
    design : float64 array (n, n_columns)
        The first column is 1; the others are 0 where a feature is absent.
    minutes : float64 array (n,)
        Logged minutes, >= 0.
    planning_min : float
        Planning figure, which the level is shrunk to.
    """
    n, k = design.shape
    prior = np.zeros(k)
    prior[0] = planning_min
    if not n:
        return BesideLaw(prior, np.zeros((k, k)), 0.0, planning_min, 0)
    scale = max(planning_min, _LEAST_SCALE_MIN)
    precision = np.full(k, (_EFFECT_SD * scale) ** -2)
    precision[0] = (_LEVEL_SD * scale) ** -2
    spread = _SPREAD
    fitted = np.full(n, max(float(minutes.mean()), 1.0))
    mean: NDArray[np.float64] = prior
    covariance: NDArray[np.float64] = np.diag(1 / precision)
    for _ in range(_ROUNDS):
        weight = (spread * fitted) ** -2
        normal = (design * weight[:, None]).T @ design + np.diag(precision)
        covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        mean = np.asarray(covariance @ (design.T @ (weight * minutes) + precision * prior), dtype=np.float64)
        fitted = _positive(design @ mean, planning_min)
        relative = np.clip(minutes / fitted - 1, -1, 3)
        spread = float(np.sqrt((relative @ relative + _SPREAD_WEIGHT * _SPREAD**2) / (n + _SPREAD_WEIGHT)))
    return BesideLaw(mean, np.asarray(np.linalg.cholesky(covariance), dtype=np.float64), spread, planning_min, n)


def _positive(minutes: NDArray[np.float64], planning_min: float) -> NDArray[np.float64]:
    """Keep a sum of effects from falling below a tenth of the planning figure (at least 1 min)."""
    return np.asarray(np.maximum(minutes, max(0.1 * planning_min, 1.0)), dtype=np.float64)
