"""Whose change it was and when: steps in time of machines, operators and the whole shop compared in the joint fit.

An alarm of one stream may come from another: an operator who mostly runs a machine with a worn nozzle alarms too. So
after an alarm the best stretch of each stream is looked for by its generalised likelihood ratio (the CUSUM
change-point estimate), given everything else in the joint fit and with the shop's own change left free.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.technique.design import Step
from models.technique.likejobs import whitener
from models.technique.runlength import level_shift_chance, stretch_chance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.technique.likejobs import Fit, Whitener

#: Jobs that a stretch must hold, and that must lie outside it.
LEAST_INSIDE = 6
LEAST_OUTSIDE = 8
#: What twice the log likelihood must gain for a stretch to end before today.
CLOSING_GAIN = 9.0
#: Prior sd of the shop's change at each cut while streams are compared: nearly free.
FREE_SHOP = 0.2
#: Statistic that a stream's own change must reach beside a free change of the shop.
LEAST_BESIDE_SHOP = 2.5
#: ... and beside the best rival's change, to be told apart from it.
LEAST_BESIDE_RIVAL = 1.64


@dataclass(frozen=True)
class Candidate:
    """The best stretch of one stream.

    Attributes
    ----------
    step : Step
    z : float
        Signed square root of twice the log-likelihood gain.
    chance : float
        Chance that some stretch of the stream stands out as much while nothing changes.
    column : float64 array (n_rows,)
        Its column in the joint fit.
    """

    step: Step
    z: float
    chance: float
    column: NDArray[np.float64]


@dataclass(frozen=True)
class Ground:
    """The joint fit prepared for scores of further columns: c'Py and c'Pc with P = V^-1 of everything else."""

    fit: Fit
    noise: Whitener
    pulled: NDArray[np.float64]
    cov: NDArray[np.float64]
    weighted_residual: NDArray[np.float64]

    @classmethod
    def of(cls, fit: Fit, *, free_shop: bool) -> Ground:
        """Prepare a fit; `free_shop` lets the shop's level step at each cut at will."""
        noise = whitener(fit)
        pulled = noise.apply(fit.x)
        prior = fit.prior_var.copy()
        time = fit.design.block("time")
        if free_shop and time is not None:
            prior[time.columns] = np.maximum(prior[time.columns], FREE_SHOP**2)
        precision = fit.x.T @ pulled
        precision[np.diag_indices_from(precision)] += 1.0 / prior
        cov = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        coef = cov @ (pulled.T @ fit.y)
        residual = fit.y - fit.x @ coef
        return cls(fit, noise, pulled, cov, noise.apply(residual[:, None])[:, 0])

    def statistic(self, column: NDArray[np.float64], beside: NDArray[np.float64] | None = None) -> float:
        """Return the signed statistic of a column, given another one where `beside` is set."""
        columns = column[:, None] if beside is None else np.column_stack([column, beside])
        cross = self.pulled.T @ columns
        information = columns.T @ self.noise.apply(columns) - cross.T @ self.cov @ cross
        score = columns.T @ self.weighted_residual
        if beside is not None:
            kept = information[0, 0] - information[0, 1] ** 2 / information[1, 1]
            value = score[0] - information[0, 1] / information[1, 1] * score[1]
        else:
            kept, value = information[0, 0], score[0]
        if kept <= 1e-9 * columns.T[0] @ self.noise.apply(column[:, None])[:, 0]:
            return 0.0
        return float(value / np.sqrt(kept * self.fit.tail_factor))


def stream_column(fit: Fit, kind: str, name: str) -> NDArray[np.float64]:
    """Return a stream's share of each row, shape (n_rows,); 1 everywhere for the shop."""
    if kind == "shop":
        return np.ones(fit.rows.n)
    block = fit.design.block(kind)
    if block is None or name not in block.labels:
        return np.zeros(fit.rows.n)
    return fit.x[:, block.column(name)]


def best_stretch(
    table: JobTable, ground: Ground, kind: str, name: str, alarm_day: int, *, up: bool
) -> Candidate | None:
    """Return the stretch of a stream that explains most and starts by the day of the alarm, None where none can.

    All pairs of days are tried: with s the stream's column, the statistic of a stretch is the sum of its jobs' scores
    over the root of the sum of the block of c'Pc, both by prefix sums.
    """
    fit = ground.fit
    share = stream_column(fit, kind, name)
    rows = np.flatnonzero(share > 0)
    days, index = np.unique(table.day[fit.rows.job[rows]], return_inverse=True)
    n = len(days)
    jobs_on = np.bincount(np.unique(np.column_stack([index, fit.rows.job[rows]]), axis=0)[:, 0], minlength=n)
    if jobs_on.sum() < LEAST_INSIDE + LEAST_OUTSIDE:
        return None
    weighted = ground.noise.apply(share[:, None])[rows, 0]
    score = np.bincount(index, weights=share[rows] * ground.weighted_residual[rows], minlength=n)
    pulled = np.zeros((n, fit.x.shape[1]))
    np.add.at(pulled, index, fit.x[rows] * weighted[:, None])
    block = -pulled @ ground.cov @ pulled.T
    block[np.diag_indices(n)] += np.bincount(index, weights=share[rows] * weighted, minlength=n)
    total = np.zeros((n + 1, n + 1))
    total[1:, 1:] = block.cumsum(axis=0).cumsum(axis=1)
    own = np.diag(total)
    information = own[None, :] + own[:, None] - total - total.T
    sums, counts = np.append(0.0, score.cumsum()), np.append(0, jobs_on.cumsum())
    inside = counts[None, :] - counts[:, None]
    allowed = (inside >= LEAST_INSIDE) & (counts[-1] - inside >= LEAST_OUTSIDE) & (counts[:, None] >= LEAST_OUTSIDE)
    allowed[:-1] &= (days <= alarm_day)[:, None]
    allowed[-1] = False
    allowed &= information > 1e-6 * np.maximum(own[-1], 1e-12)
    if not allowed.any():
        return None
    sign = 1.0 if up else -1.0
    z = np.full((n + 1, n + 1), -np.inf)
    z[allowed] = sign * (sums[None, :] - sums[:, None])[allowed] / np.sqrt(information[allowed] * fit.tail_factor)
    first, last = (int(i) for i in np.unravel_index(int(np.argmax(z)), z.shape))
    open_first = int(np.argmax(z[:, n]))
    if z[first, last] ** 2 - max(0.0, float(z[open_first, n])) ** 2 < CLOSING_GAIN:
        first, last = open_first, n
    if not z[first, last] > 0:
        return None
    until = int(days[last]) if last < n else None
    step = Step(kind, name, int(days[first]), until)
    on = table.day[fit.rows.job]
    column = share * ((on >= step.since) & (on < (until if until is not None else np.iinfo(np.int64).max)))
    # two kinds of change are tried: one that lasts and one that ended
    chance_of = level_shift_chance if until is None else stretch_chance
    chance = min(1.0, 2.0 * chance_of(float(z[first, last]), int(counts[-1]), LEAST_INSIDE))
    return Candidate(step, sign * float(z[first, last]), chance, column)


@dataclass(frozen=True)
class Attribution:
    """What explains an alarm.

    Attributes
    ----------
    step : Step
        Of kind "shop" where the whole shop changed.
    z, chance : float
        As in `Candidate`.
    rival : Step or None
        Another change that explains it as well, so that the two cannot be told apart.
    """

    step: Step
    z: float
    chance: float
    rival: Step | None = None


def attribute(
    table: JobTable, fit: Fit, streams: list[tuple[str, str]], alarm_day: int, *, up: bool
) -> Attribution | None:
    """Return whose change explains an alarm best; None where no stretch of any stream does.

    Parameters
    ----------
    streams : list of (kind, name)
        Machines and operators that may have changed.
    alarm_day : int
    up : bool
        Direction of the alarm.
    """
    ground, beside_shop = Ground.of(fit, free_shop=False), Ground.of(fit, free_shop=True)
    found = [best_stretch(table, ground, kind, name, alarm_day, up=up) for kind, name in streams]
    sign = 1.0 if up else -1.0
    own = [(sign * beside_shop.statistic(c.column), c) for c in found if c is not None]
    ranked = [c for z, c in sorted(own, key=lambda pair: -pair[0]) if z >= LEAST_BESIDE_SHOP]
    shop = best_stretch(table, ground, "shop", "", alarm_day, up=up)
    if not ranked:
        if shop is None:
            return None
        nearest = max(own, key=lambda pair: pair[0], default=None)
        rival = nearest[1].step if nearest is not None and nearest[0] > 1.0 else None
        return Attribution(shop.step, shop.z, shop.chance, rival)
    best = ranked[0]
    for other in (c for _, c in own if c is not best):
        if sign * ground.statistic(best.column, other.column) < LEAST_BESIDE_RIVAL:
            return Attribution(best.step, best.z, best.chance, other.step)
    return Attribution(best.step, best.z, best.chance)
