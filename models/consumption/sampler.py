"""Gibbs sampler of the structured learner: pellets and minutes in one chain, variances drawn and not plugged in.

Each sweep draws, for one quantity given the other and then the other way round, the latent lines, the coefficients with
the job noise integrated out, the job noise and the line noise (`sampler_target`); then the scales of the blocks and the
correlations between the quantities, and the soil levels that nobody wrote down. Gelfand & Smith (1990), JASA
85:398-409; half-t and scaled inverse chi-square scales: Gelman (2006), Bayesian Analysis 1:515-534; sparse steps in
time: Carvalho, Polson & Scott (2010), Biometrika 97:465-480, drawn as in Makalic & Schmidt (2016), IEEE Signal
Processing Letters 23:179-182.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import rows_of, word_codes
from models.consumption.planning import log_median
from models.consumption.sampler_target import STEPS, Target, draw_from_log
from models.consumption.sampler_time import Cuts
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.latent_soil import SoilModel
    from models.consumption.planning import Planning

#: Blocks whose scale is learned, with the prior guess of their sd on the log scale.
POOLED = {
    "class": 0.25,
    "zone": 0.40,
    "class_zone": 0.12,
    "operator": 0.12,
    "machine": 0.10,
    "machine_zone": 0.08,
    "class_soil": 0.06,
    "zone_soil": 0.06,
    "season": 0.05,
    "setting": 0.06,
}
#: Blocks with a fixed prior: mean and sd.
FIXED = {
    "level": (0.0, 0.4),
    "soil": (0.0, 0.2),
    "coating": (0.0, 0.4),
    "age": (0.05, 0.07),
    "together": (0.0, 0.12),
    "visit": (0.0, 0.7),
    "ambient": (0.0, 0.05),
}
POOL_WEIGHT = dict.fromkeys(POOLED, 8.0)
JOB_SD = 0.16
JOB_SD_WEIGHT = 3.0
TIME_SCALE = 0.005
SCALE_FACTORS = np.exp(np.linspace(-2.5, 2.2, 48))
RHO_GRID = np.linspace(-0.6, 0.97, 41)
RHO_LOG_PRIOR = 2.0 * np.log1p(RHO_GRID) + 0.5 * np.log1p(-RHO_GRID)


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
    job_sd, tail, time_scale : (n_states, 2)
        Sd of the job noise, degrees of freedom of the line noise, scale of a time step.
    rho : (n_states, 3)
        Correlation of pellets and minutes in effects, job noise, line noise.
    """

    b: NDArray[np.float64]
    tau: NDArray[np.float64]
    line_sd: NDArray[np.float64]
    other_sd: NDArray[np.float64]
    job_sd: NDArray[np.float64]
    tail: NDArray[np.float64]
    time_scale: NDArray[np.float64]
    rho: NDArray[np.float64]

    @property
    def n(self) -> int:
        """Number of states."""
        return len(self.b)


class Chain:
    """The sampler's working state over both quantities; `run` returns kept states."""

    def __init__(
        self, table: JobTable, planning: Planning, columns: Columns, soil: SoilModel, rng: np.random.Generator
    ) -> None:
        self.columns, self.rng, self.soil_model, self.day = columns, rng, soil, table.day
        self.rows = rows_of(columns, table, planning)
        self.soil = np.where(table.soil < 0, 1, table.soil)
        bare = replace(table, soil=np.zeros(table.n_lines, dtype=np.int64))
        matrix = self.rows.dense(columns.n, self.soil)
        zone = word_codes(columns, table)["zone"]
        self.soil_log = [np.log(np.array(planning.of(q).soil)) for q in QUANTITIES]
        self.base = [
            log_median(bare, planning.of(q)) - log[0] for q, log in zip(QUANTITIES, self.soil_log, strict=True)
        ]
        n_zones = len(columns.blocks["zone"])
        self.targets = [
            Target(table.observed(q), STEPS[q], matrix, base + log[self.soil], table.line_job, zone, n_zones)
            for q, base, log in zip(QUANTITIES, self.base, self.soil_log, strict=True)
        ]
        self.floor = [-np.diff(log) for log in self.soil_log]
        self._init_latent_soil(table)
        self._init_scales(table.n_jobs)

    def _init_latent_soil(self, table: JobTable) -> None:
        unknown = table.soil < 0
        used = np.zeros(table.n_lines, dtype=bool)
        for target in self.targets:
            used[target.lines] = True
        self.unknown = np.flatnonzero(unknown & used)
        touched = np.zeros(table.n_jobs, dtype=bool)
        touched[table.line_job[self.unknown]] = True
        self.soil_lines = np.flatnonzero(touched[table.line_job])
        _, self.soil_job = np.unique(table.line_job[self.soil_lines], return_inverse=True)
        self.soil_unknown = np.flatnonzero(unknown[self.soil_lines] & used[self.soil_lines])
        self.soil_mean = self.soil_model.mean(table)[self.soil_lines]
        self.soil_common = np.zeros(int(self.soil_job.max()) + 1 if len(self.soil_job) else 0)

    def _init_scales(self, n_jobs: int) -> None:
        columns = self.columns
        n = columns.n
        self.prior_mean, self.prior_var = np.zeros(n), np.ones((2, n))
        for block, (mean, sd) in FIXED.items():
            self.prior_mean[columns.span(block)] = mean
            self.prior_var[:, columns.span(block)] = sd**2
        self.pool_spans = [columns.span(block) for block in POOLED]
        self.pool_size = np.array([span.stop - span.start for span in self.pool_spans])
        self.guess = np.array(list(POOLED.values()))
        self.pool_weight = np.array([POOL_WEIGHT[block] for block in POOLED])
        self.tau = np.tile(self.guess, (2, 1))
        self.job_sd = np.full(2, JOB_SD)
        self.rho = np.array([0.3, 0.3, 0.3])
        self.time = columns.span("time")
        self.n_steps = len(columns.cuts)
        self.time_var, self.time_aux = np.full(2, TIME_SCALE**2), np.ones(2)
        self.step_var, self.step_aux = np.ones((2, self.n_steps)), np.ones((2, self.n_steps))
        pooled = np.zeros(n, dtype=bool)
        for span in self.pool_spans:
            pooled[span] = True
        self.tied = np.flatnonzero(pooled)
        self.cuts = [Cuts(columns.cuts, self.day[target.jobs]) for target in self.targets]
        self.in_job = np.zeros((2, n_jobs), dtype=bool)
        self.job_effect = np.zeros((2, n_jobs))
        for t, target in enumerate(self.targets):
            self.in_job[t, target.jobs] = True
        self._put_scales()

    def _put_scales(self) -> None:
        for t in range(2):
            for k, span in enumerate(self.pool_spans):
                self.prior_var[t, span] = self.tau[t, k] ** 2
            self.prior_var[t, self.time] = np.maximum(self.time_var[t] * self.step_var[t], 1e-12)

    def sweep(self) -> None:
        """Draw everything once."""
        for t, target in enumerate(self.targets):
            target.draw_latent_lines(self.rng)
            self._draw_effects(t)
            target.draw_line_noise(self.rng)
        self._draw_scales()
        if len(self.soil_unknown):
            self._draw_soil()

    def _draw_effects(self, t: int) -> None:
        """Draw coefficients and job noise of one quantity, given those of the other."""
        target, other = self.targets[t], 1 - t
        rho_b, rho_j = float(self.rho[0]), float(self.rho[1])
        mean, var = self.prior_mean.copy(), self.prior_var[t].copy()
        tied = self.tied
        ratio = np.sqrt(self.prior_var[t, tied] / self.prior_var[other, tied])
        mean[tied] += rho_b * ratio * self.targets[other].b[tied]
        var[tied] *= 1 - rho_b**2
        paired = self.in_job[other, target.jobs]
        job_mean = np.where(
            paired, rho_j * self.job_sd[t] / self.job_sd[other] * self.job_effect[other, target.jobs], 0.0
        )
        job_var = self.job_sd[t] ** 2 * np.where(paired, 1 - rho_j**2, 1.0)
        step = self.rows.soil_step
        if self.n_steps and target.n:
            target.draw_cuts(self.cuts[t], self.time, job_mean, job_var, self.rng)
        target.draw_coefficients(mean, var, job_mean, job_var, self.floor[t], step, self.rng)
        self.job_effect[t, target.jobs] = target.u

    def _draw_scales(self) -> None:
        rho_b = float(self.rho[0])
        b = np.array([target.b for target in self.targets])
        for t in range(2):
            own = np.array([float((b[t, s] ** 2).sum()) for s in self.pool_spans])
            cross = np.array([float((b[0, s] * b[1, s]).sum()) for s in self.pool_spans]) / self.tau[1 - t]
            grid = self.guess[:, None] * SCALE_FACTORS
            density = -(self.pool_size + self.pool_weight)[:, None] * np.log(grid)
            density -= self.pool_weight[:, None] * self.guess[:, None] ** 2 / (2 * grid**2)
            density -= (own[:, None] / grid**2 - 2 * rho_b * cross[:, None] / grid) / (2 * (1 - rho_b**2))
            self.tau[t] = draw_from_log(density, grid, self.rng)
            self._draw_job_sd(t)
            self._draw_time_scales(t)
        self._put_scales()
        scaled = b[:, self.tied] / np.sqrt(self.prior_var[:, self.tied])
        self.rho[0] = self._draw_rho(scaled[0], scaled[1])
        both = self.in_job.all(axis=0)
        self.rho[1] = self._draw_rho(*(self.job_effect[:, both] / self.job_sd[:, None]))
        self.rho[2] = self._draw_rho(*self._paired_noise())

    def _draw_job_sd(self, t: int) -> None:
        rho = float(self.rho[1])
        both = self.in_job.all(axis=0)
        u, v = self.job_effect[t], self.job_effect[1 - t] / self.job_sd[1 - t]
        paired, alone = float((u[both] ** 2).sum()), float((u[self.in_job[t] & ~both] ** 2).sum())
        grid = JOB_SD * SCALE_FACTORS
        density = -(self.in_job[t].sum() + JOB_SD_WEIGHT) * np.log(grid)
        density -= (JOB_SD_WEIGHT * JOB_SD**2 + alone) / (2 * grid**2)
        density -= (paired / grid**2 - 2 * rho * float((u[both] * v[both]).sum()) / grid) / (2 * (1 - rho**2))
        self.job_sd[t] = draw_from_log(density, grid, self.rng)

    def _draw_time_scales(self, t: int) -> None:
        if not self.n_steps:
            return
        step2 = self.targets[t].b[self.time] ** 2
        gamma = self.rng.standard_gamma
        rate = 1 / self.step_aux[t] + step2 / (2 * self.time_var[t])
        self.step_var[t] = np.clip(rate / gamma(1.0, self.n_steps), 1e-8, 1e8)
        self.step_aux[t] = (1 + 1 / self.step_var[t]) / gamma(1.0, self.n_steps)
        rate_tau = 3 / self.time_aux[t] + float((step2 / self.step_var[t]).sum()) / 2
        self.time_var[t] = max(rate_tau / gamma((3 + self.n_steps) / 2), 1e-12)
        self.time_aux[t] = (3 / self.time_var[t] + 1 / TIME_SCALE**2) / gamma(2.0)

    def _draw_rho(self, one: NDArray[np.float64], two: NDArray[np.float64]) -> float:
        """Draw a correlation on its grid from two columns of standardised values."""
        keep = 1 - RHO_GRID**2
        squares, product = float((one**2).sum() + (two**2).sum()), float((one * two).sum())
        density = RHO_LOG_PRIOR - len(one) / 2 * np.log(keep) - (squares - 2 * RHO_GRID * product) / (2 * keep)
        return float(draw_from_log(density, RHO_GRID, self.rng))

    def _paired_noise(self) -> list[NDArray[np.float64]]:
        """Return the standardised noise of lines for which both quantities were written down by line."""
        first, second = self.targets
        single = [np.zeros(len(first.position), dtype=bool) for _ in range(2)]
        for mask, target in zip(single, self.targets, strict=True):
            mask[target.lines[target.single]] = True
        lines = np.flatnonzero(single[0] & single[1])
        noise = []
        for target in (first, second):
            at = target.position[lines]
            noise.append(target.residual()[at] * np.sqrt(target.l[at] / target.s2[target.zone[at]]))
        return noise

    def _draw_soil(self) -> None:
        """Draw unwritten soil levels from the probit of the job's common dirt times the likelihood of both figures."""
        from scipy.special import ndtr, ndtri

        rng, share = self.rng, self.soil_model.job_share
        own_sd = np.sqrt(1 - share)
        edges = np.array([-np.inf, *self.soil_model.cuts, np.inf])
        at, lines = self.soil_unknown, self.soil_lines[self.soil_unknown]
        centre = self.soil_mean + self.soil_common[self.soil_job]
        below = ndtr((edges - centre[at, None]) / own_sd)
        log_p = np.log(np.maximum(np.diff(below, axis=1), 1e-300))
        for t, target in enumerate(self.targets):
            log_p += self._soil_likelihood(t, target, lines)
        new = draw_from_log(log_p, np.arange(4.0), rng).astype(np.int64)
        self._put_levels(lines, new)
        level = self.soil[self.soil_lines]
        low, high = ndtr((edges[level] - centre) / own_sd), ndtr((edges[level + 1] - centre) / own_sd)
        p = np.clip(low + (high - low) * rng.random(len(level)), 1e-12, 1 - 1e-12)
        dirt = own_sd * ndtri(p) + self.soil_common[self.soil_job]
        size = np.bincount(self.soil_job)
        precision = size / (1 - share) + 1 / share
        self.soil_common = np.bincount(self.soil_job, weights=dirt) / (1 - share) / precision
        self.soil_common += rng.standard_normal(len(size)) / np.sqrt(precision)

    def _soil_effects(self, t: int, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return what each soil level adds to the lines' mean, shape (n, 4)."""
        b = np.append(self.targets[t].b, 0.0)
        step = self.rows.soil_step
        common = self.soil_log[t] + np.concatenate([[0.0], np.cumsum(b[step : step + 3])])
        return np.asarray(common + b[self.rows.class_soil[lines]] + b[self.rows.zone_soil[lines]])

    def _soil_likelihood(self, t: int, target: Target, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        at = target.position[lines]
        seen = np.flatnonzero(at >= 0)
        out = np.zeros((len(lines), 4))
        at = at[seen]
        effect = self._soil_effects(t, lines[seen])
        now = effect[np.arange(len(seen)), self.soil[lines[seen]]]
        rest = target.residual()[at] + now
        weight = target.l[at] / target.s2[target.zone[at]]
        out[seen] = -0.5 * weight[:, None] * (rest[:, None] - effect) ** 2
        return out

    def _put_levels(self, lines: NDArray[np.int64], new: NDArray[np.int64]) -> None:
        moved = np.flatnonzero(self.soil[lines] != new)
        lines, new, old = lines[moved], new[moved], self.soil[lines[moved]]
        self.soil[lines] = new
        for t, target in enumerate(self.targets):
            at = target.position[lines]
            seen = at >= 0
            self.rows.put_soil(target.x, at[seen], lines[seen], old[seen], -1.0)
            self.rows.put_soil(target.x, at[seen], lines[seen], new[seen], 1.0)
            target.offset[at[seen]] += self.soil_log[t][new[seen]] - self.soil_log[t][old[seen]]
            target.refit()

    def snapshot(self) -> States:
        """Return the present state as one row."""
        targets = self.targets
        return States(
            b=np.array([[t.b for t in targets]]),
            tau=self.tau[None].copy(),
            line_sd=np.sqrt(np.array([[t.s2 for t in targets]])),
            other_sd=np.sqrt(np.array([[t.s02 for t in targets]])),
            job_sd=self.job_sd[None].copy(),
            tail=np.array([[t.nu for t in targets]]),
            time_scale=np.sqrt(self.time_var)[None],
            rho=self.rho[None].copy(),
        )

    def run(self, n_burn: int, n_keep: int, thin: int = 1, tell: Callable[[float], None] | None = None) -> States:
        """Sweep `n_burn` times, then keep every `thin`-th of n_keep * thin sweeps."""
        kept: list[States] = []
        n_all = n_burn + n_keep * thin
        for k in range(n_all):
            self.sweep()
            if k >= n_burn and (k - n_burn) % thin == thin - 1:
                kept.append(self.snapshot())
            if tell is not None:
                tell((k + 1) / n_all)
        return stack(kept)


def stack(parts: list[States]) -> States:
    """Return the states of several parts, one after another."""
    names = States.__dataclass_fields__
    return States(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in names})
