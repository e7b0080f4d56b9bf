"""The sampler's draw of how each operator grades soil.

An operator who grades a level high looks thrifty: the effect of a whole level, uneven by level, zone and class, stands
in what is written and not in the work. One move proposes another grade of one operator, with the levels that its lines
then have (Metropolis; where a written level may stand for two, each by its prior chance, which cancels). All
coefficients of both quantities and the job noise are integrated out, since soil steps and the operator's effect move
along. With X, Q, r the columns, weights and residuals (without coefficients) of the lines of a quantity, W_j = sum q
and A_j = sum q r of both in job j, M_j = sum q x, and job noise u_j ~ N(0, L^-1), K_j = (W_j + L)^-1,

    H_ts = [t = s] X'QX - sum_j K_ts M_tj M_sj',   g_t = X'Qr - sum_j M_tj (K_j A_j)_t,
    log p = -1/2 sum q r^2 + 1/2 sum_j A_j'K_j A_j + 1/2 (g + P m)'(H + P)^-1 (g + P m) - 1/2 log|H + P|,

P and m the prior precision and mean, up to what does not depend on the levels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.grades import GRADE_LOG_PRIOR, GRADES, log_chance_of_grades, meant
from models.consumption.sampler_time import Sums, times

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.priors import Priors
    from models.consumption.sampler_soil import LatentSoil
    from models.consumption.sampler_target import Target

#: Lines without which nothing is asked of an operator's grades.
_LEAST_LINES = 12
#: Grades are proposed where what was written makes them no less likely than this, as log odds.
_LEAST_ODDS = -12.0
#: A proposal costs as much as some sweeps: one is made so often, and not again in a chain that would take it less
#: often than this (log chance).
_EVERY_SWEEPS = 10
_HOPELESS = -30.0


class Grading:
    """The grade of each operator as it stands, `grade` (n_operators,); 0 where there is nothing to ask."""

    def __init__(self, table: JobTable, columns: Columns, operator: NDArray[np.int64], soil: LatentSoil) -> None:
        self._table, self._soil = table, soil
        n_operators = len(columns.blocks["operator"])
        self.grade = np.zeros(n_operators, dtype=np.int64)
        self._lines = [np.flatnonzero((operator == o) & (table.soil >= 0)) for o in range(n_operators)]
        self._proposals: list[tuple[int, int]] = []
        self._turn = 0
        for o, lines in enumerate(self._lines):
            if n_operators > 1 and len(lines) >= _LEAST_LINES:
                written = self._written(o)
                self._proposals += [(o, g) for g, log_p in written.items() if g and log_p - written[0] > _LEAST_ODDS]

    def _written(self, operator: int) -> dict[int, float]:
        """Return the log chance of each grade of an operator, to a constant, by what was written alone."""
        log_p = GRADE_LOG_PRIOR + log_chance_of_grades(self._table, self._lines[operator], self._soil.model)
        return dict(zip(GRADES.tolist(), log_p.tolist(), strict=True))

    def draw(
        self,
        targets: list[Target],
        priors: Priors,
        at_levels: Callable[[NDArray[np.int64], NDArray[np.int64]], list[Lines]],
        floor: tuple[int, list[NDArray[np.float64]]],
        rng: np.random.Generator,
    ) -> None:
        """Draw the grade of one operator, and all coefficients where it changes; the job noise is left as it was.

        Parameters
        ----------
        at_levels : callable (lines, levels)
            The lines of each target where some lines had these levels.
        floor : (first soil step, least steps of each target)
        """
        self._turn += 1
        if not self._proposals or self._turn % _EVERY_SWEEPS:
            return
        place = self._turn // _EVERY_SWEEPS % len(self._proposals)
        operator, grade = self._proposals[place]
        old = int(self.grade[operator])
        new = 0 if old == grade else grade
        written, lines = self._written(operator), self._lines[operator]
        there, back = (self._options(targets, priors, at_levels, lines, g) for g in (new, old))
        proposed = there.low.copy()
        proposed[there.open] += rng.random(len(there.open)) < np.exp(there.log_q[:, 1])
        log_odds = written[new] - written[old]
        log_odds += there.log_weight(proposed) - back.log_weight(self._soil.level[lines])
        now, then = [Lines(target.x, target.offset) for target in targets], at_levels(lines, proposed)
        before, after = (Marginal(targets, each, priors, self._table.n_jobs) for each in (now, then))
        log_chance = log_odds + after.log_p - before.log_p
        if log_chance < _HOPELESS:
            del self._proposals[place]
        if np.log(rng.random()) >= log_chance:
            return
        self._soil.regrade(lines, there.meant, proposed)
        self.grade[operator] = new
        b = after.draw(rng)
        step, least = floor
        for t, (target, each) in enumerate(zip(targets, then, strict=True)):
            target.x, target.offset, target.b = each.x, each.offset, b[t]
            target.b[step : step + 3] = np.maximum(target.b[step : step + 3], least[t])
            target.refit()

    def _options(
        self,
        targets: list[Target],
        priors: Priors,
        at_levels: Callable[[NDArray[np.int64], NDArray[np.int64]], list[Lines]],
        lines: NDArray[np.int64],
        grade: int,
    ) -> _Options:
        """Return what an operator's lines mean under a grade."""
        from scipy.special import log_softmax

        allowed = meant(self._table.soil[lines], grade)
        low, is_open = allowed.argmax(axis=1), allowed.sum(axis=1) > 1
        at = np.flatnonzero(is_open)
        if not len(at):
            return _Options(allowed, low, at, np.zeros((0, 2)), np.zeros((0, 2)))
        pick = np.arange(len(at))[:, None], low[at][:, None] + np.arange(2)
        log_prior = log_softmax(np.log(self._soil.model.chances(self._table, lines[at]))[pick], axis=1)
        both = [at_levels(lines, low + more * is_open) for more in (0, 1)]
        left_out = np.zeros(self._table.n_lines, dtype=bool)
        left_out[lines[at]] = True
        others = Marginal(targets, both[0], priors, self._table.n_jobs, left_out)
        log_q = log_prior.copy()
        for k, each in enumerate(both):
            log_q[:, k] += others.log_density(targets, each, lines[at])
        return _Options(allowed, low, at, log_prior, log_softmax(log_q, axis=1))


@dataclass(frozen=True)
class _Options:
    """What an operator's lines mean under one grade: the level `low`, or for those at `open` that or the next one.

    `meant` (n, 4) says it line by line.
    `log_prior` and `log_q`, (n_open, 2), are the log chances of both by the shop's soil, and with the line's figures,
    given all other lines: what is proposed.
    """

    meant: NDArray[np.bool_]
    low: NDArray[np.int64]
    open: NDArray[np.int64]
    log_prior: NDArray[np.float64]
    log_q: NDArray[np.float64]

    def log_weight(self, level: NDArray[np.int64]) -> float:
        """Return the log of prior over proposal chance of the lines' levels."""
        high = (level - self.low)[self.open]
        return float((self.log_prior - self.log_q)[np.arange(len(high)), high].sum())


@dataclass(frozen=True)
class Lines:
    """Columns (n, n_columns) and offsets (n,) of a target's lines."""

    x: NDArray[np.float64]
    offset: NDArray[np.float64]


class Marginal:
    """The coefficients of both quantities given latent lines, scales and noise; `log_p` integrates them out."""

    def __init__(
        self,
        targets: list[Target],
        lines: list[Lines],
        priors: Priors,
        n_jobs: int,
        left_out: NDArray[np.bool_] | None = None,
    ) -> None:
        n = lines[0].x.shape[1]
        weight, info, summed = np.zeros((2, n_jobs)), np.zeros((2, n_jobs)), np.zeros((2, n_jobs, n))
        precision, mean = priors.joint(np.arange(n))
        h, g, self.log_p = precision.copy(), precision @ mean, 0.0
        for t, (target, each) in enumerate(zip(targets, lines, strict=True)):
            if not target.n:
                continue
            q, own = target.l / target.s2[target.zone], slice(t * n, (t + 1) * n)
            if left_out is not None:
                q[left_out[target.lines]] = 0.0
            rest = target.y - each.offset - target.drift[target.job]
            rows = np.sqrt(q)[:, None] * each.x
            h[own, own] += rows.T @ rows
            g[own] += each.x.T @ (q * rest)
            self.log_p -= 0.5 * float(q @ rest**2)
            weight[t, target.jobs] = np.add.reduceat(q, target.first)
            info[t, target.jobs] = np.add.reduceat(q * rest, target.first)
            summed[t, target.jobs] = np.add.reduceat(q[:, None] * each.x, target.first, axis=0)
        noise = Sums(weight, info).noise_cov(priors.noise_precision())
        common = times(noise, info)
        self.log_p += 0.5 * float((common * info).sum())
        for t in range(2):
            g[t * n : (t + 1) * n] -= common[t] @ summed[t]
            for s in range(2):
                h[t * n : (t + 1) * n, s * n : (s + 1) * n] -= (noise[t, s][:, None] * summed[t]).T @ summed[s]
        self._lower = np.linalg.cholesky(h)
        self._half = np.linalg.solve(self._lower, g)
        self.log_p += 0.5 * float(self._half @ self._half) - float(np.log(self._lower.diagonal()).sum())
        self._noise, self._info, self._summed = noise, info, summed

    def draw(self, rng: np.random.Generator) -> NDArray[np.float64]:
        """Draw the coefficients, (2, n_columns)."""
        drawn = np.linalg.solve(self._lower.T, self._half + rng.standard_normal(len(self._half)))
        return np.asarray(drawn.reshape(2, -1))

    def log_density(self, targets: list[Target], lines: list[Lines], at: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the log density of the figures of lines that were left out, each by itself, (n,), to a constant."""
        b = np.linalg.solve(self._lower.T, self._half).reshape(2, -1)
        left = self._info - np.einsum("tjk,tk->tj", self._summed, b)
        u = times(self._noise, left)
        out = np.zeros(len(at))
        for t, (target, each) in enumerate(zip(targets, lines, strict=True)):
            place = target.position[at]
            seen = np.flatnonzero(place >= 0)
            i = place[seen]
            job = target.jobs[target.job[i]]
            rest = target.y[i] - each.offset[i] - target.drift[target.job[i]] - each.x[i] @ b[t] - u[t, job]
            out[seen] -= 0.5 * rest**2 / (target.s2[target.zone[i]] / target.l[i] + self._noise[t, t, job])
        return out
