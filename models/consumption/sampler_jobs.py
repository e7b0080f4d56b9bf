"""What shifts a job as a whole: changes of level, switched blocks and the fixed amount per visit, in one move.

All that is constant within a job (level, class, operator, machine, season) is drawn together with them, both
quantities at once, the job noise integrated out; the algebra is that of `sampler_time`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption.priors import SWITCHED
from models.consumption.sampler_time import AHEAD_DAYS, CHANCE, STEP_SD, Changes, Sums, Told, times
from models.consumption.sampler_visit import VisitAmount

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.priors import Priors
    from models.consumption.sampler_target import Target

#: Columns that are drawn here where they are constant within every job.
JOB_BLOCKS = ("level", "class", "operator", "machine", "together", "season", "ambient")
#: Days of record that the chance of a change counts for.
_CHANGE_DAYS = 365.0


class JobLevels:
    """The move, and the state of what only it draws: `changes` and `visit`, the fixed amount."""

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
        self.visit = VisitAmount()
        self._days = _CHANGE_DAYS + (int(table.day.max() - table.day.min()) if table.n_jobs else 0)
        self._columns = columns

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
        changes, drift = self.changes, self.changes.drift()
        weight, info = np.zeros(drift.shape), np.zeros(drift.shape)
        rest: list[NDArray[np.float64]] = []
        for t, target in enumerate(targets):
            level = changes.base @ target.b[self.at] + drift[t]
            rest.append(target.y - target.fit + level[target.jobs][target.job])
            if target.n:
                weight[t, target.jobs], info[t, target.jobs] = target.job_sums()
            info[t] += weight[t] * level
        told = changes.told(Sums(weight, info), priors.noise_precision())
        prior = priors.joint(self.at)

        def log_marginal(sums: NDArray[np.float64]) -> NDArray[np.float64]:
            return changes.log_marginal(told, *prior, np.array([s - weight * times(told.noise_cov, s) for s in sums]))

        self.visit.draw(targets, info, told.noise_cov, log_marginal, rest, rng)
        told = changes.told(Sums(weight, info), priors.noise_precision())
        self._draw_switches(told, priors, rng)
        b, u = changes.draw(told, *priors.joint(self.at), rng)
        drift = changes.drift()
        for t, target in enumerate(targets):
            target.b[self.at] = b[t]
            target.drift, target.u = drift[t, target.jobs], u[t, target.jobs]
            target.refit()

    def _draw_switches(self, told: Told, priors: Priors, rng: np.random.Generator) -> None:
        """Draw which of the `SWITCHED` blocks this shop has, their coefficients integrated out.

        A working order is drawn by itself (`sampler_order`), and beside it zones do not cost less for being together in
        another way.
        """
        info = told.info[None]
        now = float(self.changes.log_marginal(told, *priors.joint(self.at), info)[0])
        for k, (block, (chance, _)) in enumerate(SWITCHED.items()):
            if block == "after" or (block == "together" and (priors.in_order or self.visit.first is not None)):
                continue
            on = bool(priors.on[k])
            priors.switch(k, on=not on)
            other = float(self.changes.log_marginal(told, *priors.joint(self.at), info)[0])
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
