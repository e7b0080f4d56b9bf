"""Ice that is bought and never logged as used: what vanishes a day, and what goes along with the work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared.units import DAYS_PER_MONTH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# Priors (from memory, without a source): share of logged use that goes unlogged .03 +- .08, and a month's scatter
# around the law (which holds the change of stock) a quarter of the daily loss, worth four months.
_SHARE_MEAN, _SHARE_SD, _SCATTER, _SCATTER_MONTHS = 0.03, 0.08, 0.25, 4.0
_SWEEPS = 40


@dataclass(frozen=True)
class IceMonth:
    """A past month's balance: its days, their mean warmth (1 at 20 °C), pellets logged and delivered, lb."""

    n_days: int
    warmth: float
    used_lb: float
    delivered_lb: float


@dataclass(frozen=True)
class LostIce:
    """Draws of the law lost = days (base x warmth) + share x used + scatter; every array (n_draws,).

    Attributes
    ----------
    base_lb_day : what vanishes a day, at 20 °C
    share : what goes unlogged, as a share of what is logged
    month_sd_lb_day : sd of a month's mean day around the law
    n_months : int
        Balances behind it.
    """

    base_lb_day: NDArray[np.float64]
    share: NDArray[np.float64]
    month_sd_lb_day: NDArray[np.float64]
    n_months: int

    def expected(self, used_lb: float, n_days: int, warmth: float) -> float:
        """Return the expected lost ice of a month, lb."""
        return float(np.mean(n_days * self.base_lb_day * warmth + self.share * used_lb))

    def draws(
        self, used_lb: NDArray[np.float64], n_days: NDArray[np.int64], warmth: NDArray[np.float64],
        rng: np.random.Generator,
    ) -> NDArray[np.float64]:  # fmt: skip
        """Return draws of the lost ice of coming months, >= 0, shape of `used_lb` (n_months, n_draws)."""
        days = n_days[:, None]
        scatter = self.month_sd_lb_day * np.sqrt(days * DAYS_PER_MONTH) * rng.standard_normal(used_lb.shape)
        wanted = days * warmth[:, None] * self.base_lb_day + self.share * used_lb + scatter
        return np.asarray(np.maximum(wanted, 0.0), dtype=np.float64)


def learn_lost(months: Sequence[IceMonth], prior_lb_day: NDArray[np.float64], *, seed: int, n_draws: int) -> LostIce:
    """Learn what is lost from past balances, delivered - used; without any the prior answers.

    A linear regression a day, lost = base x warmth + share x used + e, with normal priors on both coefficients, cut off
    at 0, and a scaled inverse chi-squared one on the variance, drawn by Gibbs sweeps of independent chains.

    Parameters
    ----------
    months : sequence of IceMonth
    prior_lb_day : float64 array
        Prior draws of the base, for example from the loss law of the containers; > 0.
    seed : int
    n_draws : int
    """
    rng = np.random.default_rng([seed % 2**63, 0x105E])
    mean = np.array([prior_lb_day.mean(), _SHARE_MEAN])
    precision = 1.0 / np.array([prior_lb_day.std() + 0.05 * prior_lb_day.mean() + 1e-6, _SHARE_SD]) ** 2
    weight = np.array([m.n_days / DAYS_PER_MONTH for m in months])
    x = np.array([[m.warmth, m.used_lb / m.n_days] for m in months]).reshape(-1, 2)
    y = np.array([(m.delivered_lb - m.used_lb) / m.n_days for m in months])
    variance = np.full(n_draws, max((_SCATTER * mean[0]) ** 2, 1e-6))
    beta = np.repeat(mean[None], n_draws, axis=0)
    for _ in range(_SWEEPS):
        for k in (0, 1):
            other = beta[:, [1 - k]] * x[:, 1 - k]
            h = (weight @ x[:, k] ** 2) / variance + precision[k]
            pull = ((y - other) * weight) @ x[:, k] / variance + mean[k] * precision[k]
            beta[:, k] = _above_zero(pull / h, 1.0 / np.sqrt(h), rng)
        ss = (weight * (y - beta @ x.T) ** 2).sum(axis=1)
        prior_ss = _SCATTER_MONTHS * (_SCATTER * mean[0]) ** 2
        variance = np.maximum((prior_ss + ss) / rng.chisquare(_SCATTER_MONTHS + len(y), n_draws), 1e-9)
    return LostIce(beta[:, 0].copy(), beta[:, 1].copy(), np.sqrt(variance), len(y))


def _above_zero(mean: NDArray[np.float64], sd: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return one draw from each normal cut off at 0, by inversion of its upper tail."""
    from scipy.special import ndtr, ndtri

    above = ndtr(mean / sd) * rng.random(len(mean))
    return np.asarray(np.maximum(mean - sd * ndtri(np.maximum(above, 1e-300)), 0.0), dtype=np.float64)
