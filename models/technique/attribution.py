"""Whose change it was and when: steps in time of machines, operators and the whole shop compared in the joint fit.

An alarm of one stream may come from another: an operator who mostly runs a machine with a worn nozzle alarms too. So
after an alarm the best stretch of each stream is looked for by its generalised likelihood ratio (the CUSUM
change-point estimate), given everything else in the joint fit, and compared with a change of the whole shop and
of each other stream on the same days.
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
    from models.technique.likejobs import Fit
    from models.technique.rows import Whitener

#: Jobs that a stretch must hold, and that must lie outside it.
LEAST_INSIDE = 6
LEAST_OUTSIDE = 12
#: Part of the error that goes to changes that last; the rest goes to stretches that ended before today.
LASTING_PART = 0.7
#: Statistic that a change must keep beside the shop's or a rival's on the same days, to be told apart from it.
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
    def of(cls, fit: Fit) -> Ground:
        """Prepare a fit."""
        noise = whitener(fit)
        pulled = noise.apply(fit.x)
        precision = fit.x.T @ pulled
        precision[np.diag_indices_from(precision)] += 1.0 / fit.prior_var
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


def step_rows(table: JobTable, fit: Fit, step: Step) -> NDArray[np.float64]:
    """Return a step's column in the joint fit, shape (n_rows,)."""
    day = table.day[fit.rows.job]
    until = step.until if step.until is not None else np.iinfo(np.int64).max
    return stream_column(fit, step.kind, step.name) * ((day >= step.since) & (day < until))


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
    # two kinds of change are tried, one that ended and one that lasts; each has its part of the error
    n_jobs = int(counts[-1])
    ended = [int(i) for i in np.unravel_index(int(np.argmax(z[:, :n])), (n + 1, n))]
    lasting = [int(np.argmax(z[:, n])), n]
    by_chance = [
        (stretch_chance(float(z[ended[0], ended[1]]), n_jobs, LEAST_INSIDE) / (1.0 - LASTING_PART), ended),
        (level_shift_chance(float(z[lasting[0], n]), n_jobs, LEAST_INSIDE) / LASTING_PART, lasting),
    ]
    chance, (first, last) = min(by_chance, key=lambda pair: (pair[0], pair[1][1] < n))
    if not z[first, last] > 0:
        return None
    until = int(days[last]) if last < n else None
    step = Step(kind, name, int(days[first]), until)
    column = step_rows(table, fit, step)
    chance = min(1.0, chance)
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
    ground = Ground.of(fit)
    sign = 1.0 if up else -1.0
    found = [best_stretch(table, ground, kind, name, alarm_day, up=up) for kind, name in streams]
    own = sorted((c for c in found if c is not None), key=lambda c: -sign * c.z)
    for best in own:
        if not beyond_shop(table, ground, best.step, sign=sign):
            continue
        rivals = (c.step for c in own if c is not best)
        rival = next((r for r in rivals if _explains(table, ground, best.column, r, sign)), None)
        return Attribution(best.step, best.z, best.chance, rival)
    shop = best_stretch(table, ground, "shop", "", alarm_day, up=up)
    if shop is None:
        return None
    return Attribution(shop.step, shop.z, shop.chance, own[0].step if own else None)


def beyond_shop(table: JobTable, ground: Ground, step: Step, *, sign: float = 1.0) -> bool:
    """Whether a stream's change explains more than the whole shop's on the same days, and more beside it."""
    column = step_rows(table, ground.fit, step)
    shop = step_rows(table, ground.fit, Step("shop", "", step.since, step.until))
    alone, of_shop = sign * ground.statistic(column), sign * ground.statistic(shop)
    return alone > of_shop and sign * ground.statistic(column, shop) >= LEAST_BESIDE_RIVAL


def _explains(table: JobTable, ground: Ground, column: NDArray[np.float64], rival: Step, sign: float) -> bool:
    """Whether nothing much of a change is left beside a rival's."""
    return sign * ground.statistic(column, step_rows(table, ground.fit, rival)) < LEAST_BESIDE_RIVAL
