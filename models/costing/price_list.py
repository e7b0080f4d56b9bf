"""A price list from finished visits: what each cell (class x zone) took, found from totals of whole visits.

What a visit took beyond its call-out, which is known or one more line, is the sum of its lines: y_v = sum_l exp(class +
zone + cell + soil + coating) (1 + noise), the noise relative. The logarithms have normal priors: planning figures for
the main effects and factors, and N(0, tau^2) for what a cell differs from the product of its class and zone. They are
found by Fisher scoring of the gamma quasi-likelihood, which is right in the mean whatever the noise; tau maximises the
Laplace marginal likelihood on a grid. Reference: McCullagh and Nelder (1989), Generalized Linear Models, 2nd ed.,
sections 2.5 and 9.2; Tierney and Kadane (1986), JASA 81, 82-86 (both from memory). Needs numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Soil categories of a list: the four levels and one for lines where nobody wrote it down.
N_SOIL = 5
_MODERATE = 1
#: Prior sds of the logarithms: level of class and zone, soil factors, coating factor (memory, no source).
_CLASS_SD = 0.4
_ZONE_SD = 0.8
_SOIL_SD = 0.3
_COATING_SD = 0.5
_TAU = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.45)
_ROUNDS = 12
_MOST_STEP = 0.7
#: Of its amount a visit leaves at least this share to its lines.
_LEAST_NET = 0.05
_RELATIVE_SD = 0.35
_RELATIVE_WEIGHT = 4.0


@dataclass(frozen=True)
class Visits:
    """Finished visits and their lines.

    Attributes
    ----------
    visit : int64 array (n_lines,)
        Row of each line's visit; every visit has a line.
    vehicle_class, zone : int64 arrays (n_lines,)
        Codes of what makes up its cell.
    soil : int64 array (n_lines,)
        0..3, 4 unknown.
    coating : bool array (n_lines,)
    n_visits, n_classes, n_zones : int
    """

    visit: NDArray[np.int64]
    vehicle_class: NDArray[np.int64]
    zone: NDArray[np.int64]
    soil: NDArray[np.int64]
    coating: NDArray[np.bool_]
    n_visits: int
    n_classes: int
    n_zones: int

    def cell(self) -> NDArray[np.int64]:
        """Return each line's cell: class times number of zones plus zone."""
        return self.vehicle_class * self.n_zones + self.zone


@dataclass(frozen=True)
class Amounts:
    """What a call-out, each cell at moderate soil, each soil level and a coating add or multiply.

    Attributes
    ----------
    call_out : float
    cell : float64 array (n_classes, n_zones)
    soil : float64 array (5,)
        1 at moderate.
    coating : float
    """

    call_out: float
    cell: Array
    soil: Array
    coating: float

    def of_visits(self, visits: Visits) -> Array:
        """Return the amount of each visit, shape (n_visits,)."""
        lines = self.cell.ravel()[visits.cell()] * self.soil[visits.soil]
        lines = lines * np.where(visits.coating, self.coating, 1.0)
        return np.asarray(self.call_out + np.bincount(visits.visit, lines, minlength=visits.n_visits), dtype=np.float64)


@dataclass(frozen=True)
class FittedAmounts:
    """Amounts with their uncertainty.

    Attributes
    ----------
    amounts : Amounts
        Its sum over the visits is that of the amounts it was found from.
    cell_sd : float64 array (n_classes, n_zones)
        Sd of the logarithm of each cell.
    total_sd : float
        Relative sd of the sum over visits alike.
    lines : int64 array (n_classes, n_zones)
        Lines behind each cell.
    tau : float
        What cells differ by from the product of class and zone.
    """

    amounts: Amounts
    cell_sd: Array
    total_sd: float
    lines: NDArray[np.int64]
    tau: float

    def interval(self, level: float) -> tuple[Array, Array]:
        """Return the central interval of each cell, two arrays (n_classes, n_zones)."""
        reach = np.exp(NormalDist().inv_cdf(0.5 + level / 2) * self.cell_sd)
        return self.amounts.cell / reach, self.amounts.cell * reach

    def total_interval(self, level: float) -> tuple[float, float]:
        """Return the central interval of the sum over visits alike, relative to it."""
        half = NormalDist().inv_cdf(0.5 + level / 2) * self.total_sd
        return 1.0 - half, 1.0 + half


def fit_amounts(visits: Visits, amount: Array, start: Amounts) -> FittedAmounts:
    """Return the amounts of a list from visits' amounts > 0, shape (n_visits,).

    Parameters
    ----------
    start : Amounts
        Planning figures, all > 0, the centre of the priors; only the ratios of its cells matter. Its call-out is kept.
    """
    net = np.maximum(amount - start.call_out, _LEAST_NET * amount)
    scaled = replace(start, call_out=0.0)
    scaled = replace(scaled, cell=start.cell * float(net.sum() / scaled.of_visits(visits).sum()))
    search = _Search(visits, net, scaled)
    theta = np.zeros(search.size)
    variance = _RELATIVE_SD**2
    found = []
    for tau in _TAU:
        theta, variance, evidence = search.run(theta, variance, tau)
        found.append((evidence, tau, theta))
    # One noise for all, so that the values of tau are compared by what they explain alone.
    evidence, tau, theta = max((search.run(t, variance, tau, fixed=True)[2], tau, t) for _, tau, t in found)
    return search.told(theta, variance, tau, start.call_out)


def fit_call_out_too(visits: Visits, amount: Array, start: Amounts) -> Amounts:
    """Return the amounts of a list whose call-out is found as well, from visits' amounts > 0, shape (n_visits,).

    The call-out is taken as one more line of every visit, at moderate soil in a class and zone of its own: its prior is
    that of any other cell, which is wide. What tells it from the rest are visits with more and with fewer lines.

    Parameters
    ----------
    start : Amounts
        Planning figures, all > 0, the centre of the priors; only the ratios of its cells and call-out matter.
    """
    n, c, z = visits.n_visits, visits.n_classes, visits.n_zones
    lined = Visits(
        np.append(visits.visit, np.arange(n)), np.append(visits.vehicle_class, np.full(n, c)),
        np.append(visits.zone, np.full(n, z)), np.append(visits.soil, np.full(n, _MODERATE)),
        np.append(visits.coating, np.zeros(n, dtype=np.bool_)), n, c + 1, z + 1,
    )  # fmt: skip
    cell = np.ones((c + 1, z + 1))
    cell[:c, :z] = start.cell
    cell[c, z] = start.call_out
    found = fit_amounts(lined, amount, replace(start, call_out=0.0, cell=cell)).amounts
    return replace(found, call_out=float(found.cell[c, z]), cell=found.cell[:c, :z])


class _Search:
    """Fisher scoring of the logarithms, as departures from the start: classes, zones, cells, soils, coating."""

    def __init__(self, visits: Visits, net: Array, start: Amounts) -> None:
        self.visits, self.net, self.start = visits, net, start
        c, z = visits.n_classes, visits.n_zones
        self.at = np.cumsum([0, c, z, c * z, N_SOIL, 1])
        self.size = int(self.at[-1])
        self.columns = [visits.vehicle_class, c + visits.zone, c + z + visits.cell(), self.at[3] + visits.soil]
        known = np.log(start.cell.ravel()[visits.cell()]) + np.log(start.soil[visits.soil])
        self.base = known + visits.coating * np.log(start.coating)

    def prior(self, tau: float) -> Array:
        """Return the prior precision of each departure; moderate soil is held at 1."""
        c, z, cells, soil, _ = np.diff(self.at)
        sds = np.repeat([_CLASS_SD, _ZONE_SD, tau, _SOIL_SD, _COATING_SD], [c, z, cells, soil, 1])
        precision = np.asarray(sds**-2.0, dtype=np.float64)
        precision[self.at[3] + _MODERATE] = 1e8
        return precision

    def mean_and_slope(self, theta: Array) -> tuple[Array, Array]:
        """Return each visit's mean, and d log mean / d theta, (n_visits, size)."""
        visits, n = self.visits, self.visits.n_visits
        eta = self.base + sum(theta[column] for column in self.columns) + visits.coating * theta[-1]
        lines = np.exp(eta)
        mean = np.asarray(np.bincount(visits.visit, lines, minlength=n), dtype=np.float64)
        part = lines / mean[visits.visit]
        flat = np.zeros(n * self.size)
        for column in self.columns:
            flat += np.bincount(visits.visit * self.size + column, part, minlength=n * self.size)
        slope = flat.reshape(n, self.size)
        slope[:, -1] = np.bincount(visits.visit, part * visits.coating, minlength=n)
        return mean, slope

    def run(self, theta: Array, variance: float, tau: float, *, fixed: bool = False) -> tuple[Array, float, float]:
        """Return the mode, the noise's relative variance and the Laplace log marginal likelihood at one tau."""
        precision = self.prior(tau)
        for _ in range(1 if fixed else _ROUNDS):
            mean, slope = self.mean_and_slope(theta)
            relative = self.net / mean - 1.0
            if fixed:
                break
            information = slope.T @ slope / variance + np.diag(precision)
            step = np.linalg.solve(information, slope.T @ relative / variance - precision * theta)
            theta = theta + np.clip(step, -_MOST_STEP, _MOST_STEP)
            weight = _RELATIVE_WEIGHT * _RELATIVE_SD**2
            squares = float(np.minimum(relative, 3.0) @ np.minimum(relative, 3.0))
            freedom = max(len(relative) - self._parameters(slope, precision, variance), 1.0)
            variance = (squares + weight) / (freedom + _RELATIVE_WEIGHT)
            if float(np.abs(step).max()) < 1e-4:
                break
        mean, slope = self.mean_and_slope(theta)
        deviance = 2.0 * float(np.sum(self.net / mean - 1.0 - np.log(self.net / mean)))
        information = slope.T @ slope / variance + np.diag(precision)
        evidence = -deviance / (2 * variance) - 0.5 * float(theta @ (precision * theta))
        evidence += 0.5 * float(np.log(precision).sum() - np.linalg.slogdet(information)[1])
        return theta, variance, evidence

    def _parameters(self, slope: Array, precision: Array, variance: float) -> float:
        """Return the effective number of parameters: the trace of the information's share of the whole."""
        information = slope.T @ slope / variance
        return float(np.trace(np.linalg.solve(information + np.diag(precision), information)))

    def told(self, theta: Array, variance: float, tau: float, call_out: float) -> FittedAmounts:
        """Return the amounts at a mode, scaled to keep the visits' sum, with the uncertainty around it."""
        visits, shape = self.visits, self.start.cell.shape
        mean, slope = self.mean_and_slope(theta)
        covariance = np.linalg.inv(slope.T @ slope / variance + np.diag(self.prior(tau)))
        c, z = np.divmod(np.arange(self.start.cell.size), visits.n_zones)
        rows = np.zeros((self.start.cell.size, self.size))
        every = np.arange(self.start.cell.size)
        for column in (c, self.at[1] + z, self.at[2] + every):
            rows[every, column] = 1.0
        sd = np.sqrt(np.einsum("ij,jk,ik->i", rows, covariance, rows)).reshape(shape)
        level = float(self.net.sum() / mean.sum())
        soil = self.start.soil * np.exp(theta[self.at[3] : self.at[4]])
        amounts = Amounts(call_out, level * self.start.cell * np.exp(rows @ theta).reshape(shape), soil,
                          float(self.start.coating * np.exp(theta[-1])))  # fmt: skip
        lines = np.bincount(visits.cell(), minlength=self.start.cell.size).reshape(shape)
        errors = self.net - level * mean
        total = self.net.sum() + call_out * visits.n_visits
        return FittedAmounts(amounts, sd, float(np.sqrt(errors @ errors) / total), lines, tau)
