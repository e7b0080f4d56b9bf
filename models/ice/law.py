"""The law by which stored ice is lost: heat leak through the container's walls, warmth of the air, level.

In a box with enough ice the loss is constant in lb a day, since the heat that leaks in, U A (T_air - T_ice), does not
depend on what is left; little ice loses less. Both are one law, dm/dt = -a f (m / m0)^p, with p = 0 for heat leak and
p = 1 for a fixed share of what is left (Ghare & Schrader 1963 treat the latter; from memory). f is the warmth of the
air: the heat flow goes with the difference to -78.5 °C, the sublimation point at 1 atm (Giauque & Egan 1937,
J. Chem. Phys. 5:45).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from shared.vocabulary import Basis

#: Sublimation point of carbon dioxide at 1 atm, °C.
SUBLIMATION_C = -78.5
#: Air temperature at which the warmth factor is 1, °C.
REFERENCE_C = 20.0
#: Loss of one container, lb a day: editable planning value, and sd of its logarithm.
PLANNING_LB_DAY = 35.0
PLANNING_SPREAD = 0.4
#: Warmest day of the year in the northern temperate zone, days after 1 January (about 20 July).
WARMEST_DAY = 200.0
#: Hours of a day at which things happen where no timestamp says otherwise, as shares of 24 h.
OPENING, USE_TIME, CLOSING = 7 / 24, 12 / 24, 17 / 24
# Known air temperatures on fewer days than this do not settle a yearly curve.
_CURVE_DAYS = 30


def remaining_lb(
    stock_lb: ArrayLike, rate_lb_day: ArrayLike, days: ArrayLike, exponent: ArrayLike, full_lb: ArrayLike
) -> NDArray[np.float64]:
    """Return what is left of `stock_lb` after `days`, never below 0; arguments broadcast.

    Solves dm/dt = -a (m / m0)^p exactly: m(t) = m0 ((m/m0)^(1-p) - (1-p) a t / m0)+^(1/(1-p)) for p < 1, which is
    (m - a t)+ at p = 0, and m exp(-a t / m0) at p = 1.

    Parameters
    ----------
    stock_lb : array, >= 0
    rate_lb_day : array
        a: loss of a container that holds `full_lb`, lb a day.
    days : array
        Days, already multiplied by the warmth factor where the air is not at `REFERENCE_C`.
    exponent : array in 0..1
        p: 0 heat leak, 1 a fixed share a / m0 of what is left per day.
    full_lb : array
        m0, lb.
    """
    stock = np.asarray(stock_lb, dtype=np.float64)
    lost_if_full = np.asarray(rate_lb_day, dtype=np.float64) * np.asarray(days, dtype=np.float64)
    p = np.asarray(exponent, dtype=np.float64)
    if not p.any():
        return np.maximum(stock - lost_if_full, 0.0)
    full = np.asarray(full_lb, dtype=np.float64)
    # Below 1e-6 the power form loses its digits; the exponential limit is exact to the same order.
    r = np.maximum(1.0 - p, 1e-6)
    level = stock / full
    with np.errstate(divide="ignore"):
        power = np.exp(r * np.log(level)) - r * (lost_if_full / full)
        left = full * np.exp(np.log(np.maximum(power, 0.0)) / r)
    if (p > 1.0 - 1e-6).any():
        left = np.where(p > 1.0 - 1e-6, stock * np.exp(-lost_if_full / full), left)
    return np.asarray(left, dtype=np.float64)


def warmth(air_c: ArrayLike) -> NDArray[np.float64]:
    """Return the loss at an air temperature over the loss at `REFERENCE_C`: (T + 78.5) / (20 + 78.5)."""
    return np.asarray((np.asarray(air_c, dtype=np.float64) - SUBLIMATION_C) / (REFERENCE_C - SUBLIMATION_C))


@dataclass(frozen=True)
class Climate:
    """Warmth of the air by day: what was written down, a yearly curve through it, or an unknown season.

    Attributes
    ----------
    day : int64 array (n_known,)
        Proleptic ordinals (`datetime.date.toordinal`) of days with a known air temperature, increasing.
    air_c : float64 array (n_known,)
        °C on these days.
    """

    day: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    air_c: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def factors(self, days: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return arrays (season, air), both (n_days,): the warmth of a day is 1 + s * season + c * air.

        On a day with a temperature, or where at least 30 days have one (a yearly sine is then fitted, shrunk towards
        their mean), air is `warmth` - 1 and season is 0; c is the share of it that reaches the container (a heated
        shop feels less). Else air is 0 and season is cos(2 pi (day - 200) / 365.2425). Both s and c are learned with
        the loss.
        """
        phase = np.asarray(2 * np.pi * (days - WARMEST_DAY) / DAYS_PER_YEAR, dtype=np.float64)
        season, air = np.cos(phase), np.zeros(len(days))
        if len(self.day) >= _CURVE_DAYS:
            season, air = np.zeros(len(days)), warmth(self._curve(phase)) - 1
        if len(self.day):
            place = np.clip(np.searchsorted(self.day, days), 0, len(self.day) - 1)
            same = self.day[place] == days
            air = np.where(same, warmth(self.air_c[place]) - 1, air)
            season = np.where(same, 0.0, season)
        return season, air

    def _curve(self, phase: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return °C by a sine through the known days; a ridge of five days keeps half a year from inventing it."""
        angle = 2 * np.pi * (self.day - WARMEST_DAY) / DAYS_PER_YEAR
        design = np.column_stack([np.ones(len(angle)), np.cos(angle), np.sin(angle)])
        penalty = np.diag([0.0, 5.0, 5.0])
        beta = np.linalg.solve(design.T @ design + penalty, design.T @ self.air_c)
        return np.asarray(beta[0] + beta[1] * np.cos(phase) + beta[2] * np.sin(phase))


@dataclass(frozen=True)
class LossLaw:
    """Draws of how a shop's containers lose ice; column j of every array is one scenario.

    Attributes
    ----------
    containers : tuple of str (n_containers,)
    rate_lb_day : float64 array (n_containers, n_draws)
        a of each container, lb a day at `full_lb` and 20 °C.
    other_lb_day : float64 array (n_draws,)
        a of a container without any record.
    exponent : float64 array (n_draws,)
        p in 0..1.
    season : float64 array (n_draws,)
        Amplitude s of the yearly swing on days without a known temperature.
    air_share : float64 array (n_draws,)
        Share c of the air's warmth that reaches the container.
    unlogged_share : float64 array (n_draws,)
        Pellets used but not logged, as a share of those logged.
    scatter : float64 array (n_draws,)
        Sd of a day's loss around the law, as a share of it (lid openings, sun).
    weigh_sd_lb : float64 array (n_draws,)
        Error of one weighing.
    full_lb : float
        m0 of the law.
    basis : {"planning", "mixed", "learned"}
    n_intervals : int
        Stretches between weighings behind the draws.
    """

    containers: tuple[str, ...]
    rate_lb_day: NDArray[np.float64]
    other_lb_day: NDArray[np.float64]
    exponent: NDArray[np.float64]
    season: NDArray[np.float64]
    air_share: NDArray[np.float64]
    unlogged_share: NDArray[np.float64]
    scatter: NDArray[np.float64]
    weigh_sd_lb: NDArray[np.float64]
    full_lb: float
    basis: Basis
    n_intervals: int

    @property
    def n_draws(self) -> int:
        """Number of scenarios."""
        return len(self.exponent)

    def rate_of(self, container: str) -> NDArray[np.float64]:
        """Return the draws of a container's rate, lb a day; those of a new container where it has no record."""
        if container in self.containers:
            return np.asarray(self.rate_lb_day[self.containers.index(container)])
        return self.other_lb_day

    def warmth_of(self, climate: Climate, days: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the warmth factor of each day in each scenario, shape (n_days, n_draws), at least 0.2."""
        season, air = climate.factors(days)
        return np.maximum(1 + season[:, None] * self.season + air[:, None] * self.air_share, 0.2)
