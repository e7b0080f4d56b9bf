"""Gibbs sampler of the structured learner: pellets and minutes in one chain, variances drawn and not plugged in.

Each sweep draws the latent lines of both quantities; who worked and with what, where nobody wrote it down
(`unwritten`); now and then how an operator grades and in which order zones are worked (`sampler_grades`,
`sampler_order`, both by Metropolis & Hastings: Hastings 1970, Biometrika 57:97-109); whatever shifts whole jobs, for
both quantities at once (`sampler_jobs`, `sampler_time`); then, for one quantity given the other and the other way
round, the coefficients with the job noise integrated out, the job noise and the line noise (`sampler_target`); scales
and correlations (`priors`); and the soil levels that nobody wrote down. The correlation of line noise is drawn from the
residuals; the draws of coefficients leave it out: what lines share beyond it goes into the job noise. Gelfand & Smith
(1990), JASA 85:398-409.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import rows_of, word_codes
from models.consumption.planning import log_median
from models.consumption.priors import Priors
from models.consumption.sampler_grades import Grading
from models.consumption.sampler_jobs import JobLevels
from models.consumption.sampler_marginal import Lines
from models.consumption.sampler_order import WorkOrder
from models.consumption.sampler_soil import FIRST_LEVEL, LatentSoil
from models.consumption.sampler_target import STEPS, Target
from models.consumption.unwritten import Unwritten
from models.consumption.usual import usual_of
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.latent_soil import SoilModel
    from models.consumption.planning import Planning
    from models.consumption.sampler_time import Change


@dataclass(frozen=True)
class States:
    """Draws from the posterior; row s of each array is one state, the second axis is the quantity.

    Attributes
    ----------
    b : (n_states, 2, n_columns)
        Coefficients on the log scale.
    tau : (n_states, 2, n_pooled)
        Scale of each block of `POOLED`, in that order.
    line_sd : (n_states, 2, n_zones)
    other_sd : (n_states, 2)
        Line sd of a zone that is new.
    noise_growth : (n_states, 2)
        Growth of the log of the line sd a soil level; the line sds are those of moderate soil.
    job_sd, tail, time_scale : (n_states, 2)
        Sd of the job noise, degrees of freedom of the line noise, sd of a change of level after the last job.
    visit : (n_states, 2)
        Fixed amount per visit in lb and min.
    rho : (n_states, 3)
        Correlation of pellets and minutes in effects, job noise, line noise.
    grade : (n_states, n_operators)
        Levels that each operator of the columns writes above the true one: -1, 0 or 1.
    on_first : (n_states,)
        1 where the fixed amount is booked on the line that is worked first, 0 where all lines carry their share.
    place : (n_states, n_zones)
        Place of each zone in the shop's working order, where it matters which line was first.
    """

    b: NDArray[np.float64]
    tau: NDArray[np.float64]
    line_sd: NDArray[np.float64]
    other_sd: NDArray[np.float64]
    noise_growth: NDArray[np.float64]
    job_sd: NDArray[np.float64]
    tail: NDArray[np.float64]
    time_scale: NDArray[np.float64]
    visit: NDArray[np.float64]
    rho: NDArray[np.float64]
    grade: NDArray[np.float64]
    on_first: NDArray[np.float64]
    place: NDArray[np.float64]

    @property
    def n(self) -> int:
        """Number of states."""
        return len(self.b)


class Chain:
    """The sampler's working state over both quantities; `run` returns kept states."""

    def __init__(
        self, table: JobTable, planning: Planning, columns: Columns, soil: SoilModel, rng: np.random.Generator
    ) -> None:
        self.table, self.columns, self.rng = table, columns, rng
        self.rows = rows_of(columns, table)
        level = np.where(table.soil < 0, FIRST_LEVEL, table.soil)
        bare = replace(table, soil=np.zeros(table.n_lines, dtype=np.int64))
        matrix = self.rows.dense(columns.n, level)
        codes = word_codes(columns, table)
        zone = codes["zone"]
        self.soil_log = [np.log(np.array(planning.of(q).soil)) for q in QUANTITIES]
        self.base = [
            log_median(bare, planning.of(q)) - log[0] for q, log in zip(QUANTITIES, self.soil_log, strict=True)
        ]
        n_zones = len(columns.blocks["zone"])
        self.targets = [
            Target(table.observed(q), STEPS[q], matrix, base + log[level], table.line_job, zone, n_zones, level)
            for q, base, log in zip(QUANTITIES, self.base, self.soil_log, strict=True)
        ]
        self.floor = [-np.diff(log) for log in self.soil_log]
        used = np.zeros(table.n_lines, dtype=bool)
        for target in self.targets:
            used[target.lines] = True
        self.soil = LatentSoil(table, used, soil)
        self.grading = Grading(table, columns, codes["operator"], self.soil)
        self.priors = Priors(columns)
        self.order = WorkOrder(table, columns, zone)
        self.levels = JobLevels(table, columns, matrix, codes["machine"])
        self.unwritten = Unwritten(table, columns, usual_of(columns, table))
        single = np.zeros((2, table.n_lines), dtype=bool)
        for mask, target in zip(single, self.targets, strict=True):
            mask[target.lines[target.single]] = True
        self.paired = np.flatnonzero(single.all(axis=0))
        self.in_job = np.zeros((2, table.n_jobs), dtype=bool)
        self.job_effect = np.zeros((2, table.n_jobs))
        for t, target in enumerate(self.targets):
            self.in_job[t, target.jobs] = True

    def sweep(self) -> None:
        """Draw everything once."""
        for target in self.targets:
            target.draw_latent_lines(self.rng)
        self.unwritten.draw(self.targets, self.levels, self.priors.noise_precision(), self.rng)
        floor = self.rows.soil_step, self.floor
        self.grading.draw(self.targets, self.priors, self._at_levels, self._put_levels, floor, self.rng)
        self.order.draw(self.targets, self.priors, self.levels.visit, floor, self.rng)
        self.levels.draw(self.targets, self.priors, self.rng)
        self._keep_job_effects()
        for t, target in enumerate(self.targets):
            self._draw_effects(t)
            target.draw_line_noise(self.rng)
        b = np.array([target.b for target in self.targets])
        self.priors.draw(b, self.job_effect, self.in_job, self._paired_noise(), self.rng)
        if self.soil.moves:
            self.soil.draw(self._soil_likelihood, self._put_levels, self.rng)

    def _keep_job_effects(self) -> None:
        for t, target in enumerate(self.targets):
            self.job_effect[t, target.jobs] = target.u

    def _draw_effects(self, t: int) -> None:
        """Draw coefficients and job noise of one quantity, given those of the other."""
        target, other = self.targets[t], 1 - t
        prior = self.priors.given_other(t, self.targets[other].b)
        jobs = target.jobs
        noise = self.priors.noise_given_other(t, self.job_effect[other, jobs], self.in_job[other, jobs])
        target.draw_coefficients(*prior, *noise, self.floor[t], self.rows.soil_step, self.rng)
        self.job_effect[t, jobs] = target.u

    def _paired_noise(self) -> list[NDArray[np.float64]]:
        """Return the standardised noise of lines for which both quantities were written down by line."""
        noise = []
        for target in self.targets:
            at = target.position[self.paired]
            noise.append(target.residual()[at] * np.sqrt(target.weight()[at]))
        return noise

    def _soil_effects(self, t: int, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return what each soil level adds to the lines' mean, shape (n, 4)."""
        b = np.append(self.targets[t].b, 0.0)
        step = self.rows.soil_step
        common = self.soil_log[t] + np.concatenate([[0.0], np.cumsum(b[step : step + 3])])
        return np.asarray(common + b[self.rows.soil_cells[:, lines]].sum(axis=0))

    def _soil_likelihood(self, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the log likelihood of the lines' figures at each soil level, (n, 4)."""
        out = np.zeros((len(lines), 4))
        for t, target in enumerate(self.targets):
            at = target.position[lines]
            seen = np.flatnonzero(at >= 0)
            at = at[seen]
            effect = self._soil_effects(t, lines[seen])
            now = effect[np.arange(len(seen)), self.soil.level[lines[seen]]]
            rest = target.residual()[at] + now
            weight = (target.l[at] / target.s2[target.zone[at]])[:, None] / target.soil_var()
            out[seen] += 0.5 * np.log(weight) - 0.5 * weight * (rest[:, None] - effect) ** 2
        return out

    def _put_levels(self, lines: NDArray[np.int64], new: NDArray[np.int64]) -> None:
        if not len(lines):
            return
        old = self.soil.level[lines]
        for t, target in enumerate(self.targets):
            at = target.position[lines]
            seen = at >= 0
            self._move_soil(target.x, at[seen], lines[seen], new[seen])
            target.offset[at[seen]] += (self.soil_log[t][new] - self.soil_log[t][old])[seen]
            target.soil[at[seen]] = new[seen]
            target.refit()

    def _at_levels(self, lines: NDArray[np.int64], new: NDArray[np.int64]) -> Lines:
        """Return the lines as they were if some had other soil levels."""
        now, old = Lines.of(self.targets, self.table), self.soil.level[lines]
        self._move_soil(now.x, lines, lines, new)
        for t, (target, log) in enumerate(zip(self.targets, self.soil_log, strict=True)):
            now.rest[t, lines] -= log[new] - log[old]
            now.weight[t, lines] *= target.soil_var()[old] / target.soil_var()[new]
        return now

    def _move_soil(
        self, x: NDArray[np.float64], at: NDArray[np.int64], lines: NDArray[np.int64], new: NDArray[np.int64]
    ) -> None:
        """Move lines, whose rows of a matrix are `at`, from their soil levels to new ones."""
        self.rows.put_soil(x, at, lines, self.soil.level[lines], -1.0)
        self.rows.put_soil(x, at, lines, new, 1.0)

    def changes(self) -> tuple[Change, ...]:
        """Return the changes of level as they stand."""
        found, machines = self.levels.changes, ("", *self.columns.blocks["machine"])
        return tuple(found.change(int(k), machines[found.scope[k]]) for k in np.flatnonzero(found.scope >= 0))

    def snapshot(self) -> States:
        """Return the present state as one row."""
        targets, priors = self.targets, self.priors
        return States(
            b=self.levels.with_changes(np.array([t.b for t in targets]))[None],
            tau=priors.tau[None].copy(),
            line_sd=np.sqrt(np.array([[t.s2 for t in targets]])),
            other_sd=np.sqrt(np.array([[t.s02 for t in targets]])),
            noise_growth=np.array([[t.growth for t in targets]]),
            job_sd=priors.job_sd[None].copy(),
            tail=np.array([[t.nu for t in targets]]),
            time_scale=np.full((1, 2), self.levels.draw_ahead(self.rng)),
            visit=self.levels.visit.amount[None].copy(),
            rho=priors.rho[None].copy(),
            grade=self.grading.grade[None].astype(np.float64),
            on_first=np.array([float(self.levels.visit.first is not None)]),
            place=self.order.place[None].astype(np.float64),
        )

    def run(self, n_burn: int, n_keep: int, thin: int = 1, tell: Callable[[float], None] | None = None) -> States:
        """Sweep `n_burn` times, then keep every `thin`-th of n_keep * thin sweeps."""
        kept: list[States] = []
        n_all = n_burn + n_keep * thin
        for k in range(n_all):
            self.sweep()
            if k >= n_burn and (k - n_burn) % thin == thin - 1:
                kept.append(self.snapshot())
                self.soil.keep()
            if tell is not None:
                tell((k + 1) / n_all)
        return stack(kept)


def stack(parts: list[States]) -> States:
    """Return the states of several parts, one after another."""
    names = States.__dataclass_fields__
    return States(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in names})
