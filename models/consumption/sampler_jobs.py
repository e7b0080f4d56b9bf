"""What shifts a job as a whole: changes of level, switched blocks and the fixed amount per visit, in one move.

All that is constant within a job (level, class, operator, machine, season) is drawn together with them, both
quantities at once, the job noise integrated out; the algebra is that of `sampler_time`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption.priors import SWITCHED
from models.consumption.sampler_target import draw_from_log
from models.consumption.sampler_time import AHEAD_DAYS, CHANCE, STEP_SD, Changes, Sums, Told
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.priors import Priors
    from models.consumption.sampler_target import Target

#: A fixed amount per visit (hopper, purge), lb and min: chance that there is one, median, sd of its log; from memory,
#: without a source.
VISIT_CHANCE = 0.4
VISIT_AMOUNT = {"pellets_lb": 6.0, "minutes": 10.0}
VISIT_LOG_SD = 0.7
_VISIT_SCORES = np.linspace(-2.4, 1.8, 13)
#: Columns that are drawn here where they are constant within every job.
JOB_BLOCKS = ("level", "class", "operator", "machine", "together", "season", "ambient")
#: Days of record that the chance of a change counts for.
_CHANGE_DAYS = 365.0


class JobLevels:
    """The move, and the state of what only it draws: `changes`, and `visit`, the fixed amounts (2,) in lb and min."""

    def __init__(
        self, table: JobTable, columns: Columns, matrix: NDArray[np.float64], machine: NDArray[np.int64]
    ) -> None:
        first = np.searchsorted(table.line_job, np.arange(table.n_jobs))
        by_job = matrix[first]
        constant = (matrix == by_job[table.line_job]).all(axis=0)
        wanted = np.concatenate([np.arange(columns.n)[columns.span(block)] for block in JOB_BLOCKS])
        self.at = wanted[constant[wanted]]
        self._place = np.full(columns.n + 1, -1)
        self._place[self.at] = np.arange(len(self.at))
        one = np.where(machine == machine[first][table.line_job], machine, -1)
        alike = np.minimum.reduceat(one, first) if table.n_jobs else one
        base = np.ascontiguousarray(by_job[:, self.at])
        self.changes = Changes(table.day, alike, len(columns.blocks["machine"]), base)
        self.visit = np.zeros(2)
        self._days = _CHANGE_DAYS + (int(table.day.max() - table.day.min()) if table.n_jobs else 0)
        self._columns = columns
        scores = -0.5 * _VISIT_SCORES**2
        scores += np.log(VISIT_CHANCE) - np.log(np.exp(scores).sum())
        self._visit_prior = np.append(scores, np.log(1 - VISIT_CHANCE))

    def add(self, jobs: NDArray[np.int64], columns: NDArray[np.int64], amount: NDArray[np.float64]) -> None:
        """Add amounts to the given columns of jobs, where they are among those drawn here.

        A job's lines may name it again with the same column and amount: it counts once.
        """
        place = self._place[columns]
        here = place >= 0
        at = jobs[here], place[here]
        self.changes.base[at] = self.changes.base[at] + amount[here]

    def draw(self, targets: list[Target], priors: Priors, rng: np.random.Generator) -> None:
        """Draw everything that shifts whole jobs, and bring the targets up to date."""
        drift, amount = self.changes.drift(), self._planned(targets)
        weight, info = np.zeros(drift.shape), np.zeros(drift.shape)
        for t, target in enumerate(targets):
            if target.n:
                weight[t, target.jobs], info[t, target.jobs] = target.job_sums()
            info[t] += weight[t] * (self.changes.base @ target.b[self.at] + drift[t])
        told = self.changes.told(Sums(weight, info), priors.noise_precision())
        marginal = self._draw_visit(told, amount, priors, rng)
        self._draw_switches(told, marginal, priors, rng)
        b, u = self.changes.draw(told, *priors.joint(self.at), rng)
        drift = self.changes.drift()
        for t, target in enumerate(targets):
            target.b[self.at] = b[t]
            target.drift, target.u = drift[t, target.jobs], u[t, target.jobs]
            target.refit()

    def _planned(self, targets: list[Target]) -> NDArray[np.float64]:
        """Return each job's total before noise and before the fixed amount, (2, n_jobs), inf without a record."""
        amount = np.full(self.changes.extra.shape, np.inf)
        for t, target in enumerate(targets):
            if target.n:
                mean = target.fit - self.changes.extra[t, target.jobs][target.job]
                amount[t, target.jobs] = np.add.reduceat(np.exp(mean), target.first)
        return amount

    def _draw_visit(self, told: Told, amount: NDArray[np.float64], priors: Priors, rng: np.random.Generator) -> float:
        """Draw the fixed amount per visit of each quantity, given the jobs' totals as they stand without it.

        Return the log marginal likelihood of the jobs at the amounts drawn.

        An amount F adds log(1 + F / T) to a job of total T. T follows from the coefficients but is held while they are
        drawn, so a sweep only approximates the joint draw.
        """
        prior = priors.joint(self.at)
        for t, q in enumerate(QUANTITIES):
            choices = np.append(VISIT_AMOUNT[q] * np.exp(VISIT_LOG_SD * _VISIT_SCORES), 0.0)
            added = np.log1p(choices[:, None] / amount[t])
            drift = np.repeat(self.changes.drift()[None], len(choices), axis=0)
            drift[:, t] += added - self.changes.extra[t]
            marginal = self.changes.log_marginal(told, *prior, drift)
            chosen = int(draw_from_log(marginal + self._visit_prior, np.arange(float(len(choices))), rng))
            self.visit[t], self.changes.extra[t] = choices[chosen], added[chosen]
        return float(marginal[chosen])

    def _draw_switches(self, told: Told, now: float, priors: Priors, rng: np.random.Generator) -> None:
        """Draw which of the `SWITCHED` blocks this shop has, their coefficients integrated out.

        `now` is the log marginal likelihood of the jobs with the blocks as they stand. A working order is none of whole
        jobs (`sampler_order`), and beside it zones do not cost less for being together in another way.
        """
        drift = self.changes.drift()[None]
        for k, (block, (chance, _)) in enumerate(SWITCHED.items()):
            if block == "after" or (block == "together" and priors.in_order):
                continue
            on = bool(priors.on[k])
            priors.switch(k, on=not on)
            other = float(self.changes.log_marginal(told, *priors.joint(self.at), drift)[0])
            odds = other - now + np.log(chance / (1 - chance)) * (-1.0 if on else 1.0)
            if rng.logistic() < odds:
                now = other
            else:
                priors.switch(k, on=on)

    def with_changes(self, b: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return coefficients (2, n) of a job to come: the changes are added to the level or the machine."""
        out = b.copy()
        for scope, delta in self.changes.now().items():
            out[:, self._columns.start("machine") + scope - 1 if scope else self._columns.start("level")] += delta
        return out

    def draw_ahead(self, rng: np.random.Generator) -> float:
        """Draw the sd of a change of level between the last job and a job to come: mostly 0."""
        n_on = int((self.changes.scope >= 0).sum())
        return STEP_SD if rng.random() < (n_on + CHANCE) * AHEAD_DAYS / self._days else 0.0
