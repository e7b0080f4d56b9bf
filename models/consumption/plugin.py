"""Large histories: scales, noise and changes of level from a sampler on part of the jobs, coefficients from all.

Empirical Bayes (Robbins 1956; Morris 1983, JASA 78:47-55) with Gauss-Newton steps: given the scales, one pass over the
rows builds the normal equations of a penalised, robustly weighted fit, in chunks of jobs, so memory stays small and the
cost grows linearly with the lines. A total over lines i with means exp(m_i) is taken at first order,

    log sum exp(m_i + e_i) ~ log sum exp(m_i) + 1/2 sum w_i (1 - w_i) s2_i + sum w_i e_i,  w_i = exp(m_i) / sum exp(m),

so its row is the share-weighted mean of its lines' rows. Student-t weights are those of the EM of Lange, Little &
Taylor (1989), JASA 84:881-896. Coefficients are then drawn from their normal approximation (Laplace). The sds of the
noise stay those of the sampler, which draws what is rounded, blank or heavy-tailed; measured from residuals of this fit
they come out wrong there, and a thousand jobs tell them well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import cell_column, rows_of, word_codes
from models.consumption.grades import meant
from models.consumption.noise_by_soil import sd_factor
from models.consumption.order import worked_later
from models.consumption.planning import log_median
from models.consumption.priors import POOLED, set_moments
from models.consumption.sampler_target import STEPS, rounding_steps
from models.consumption.sampler_time import STEP_SD, WEAR_SD, Change
from models.consumption.usual import usual_of
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable, Observed
    from models.consumption.latent_soil import SoilModel
    from models.consumption.planning import Planning
    from models.consumption.sampler import States
    from shared.vocabulary import Quantity

_CHUNK_LINES = 20_000
_N_STEPS = 8
#: Prior sd and pseudo-observations of a step in time; each step's variance follows its own size (ARD, MacKay 1994).
_TIME_SD = 0.02
_MOST_TIME_STEPS = 6
_JOBS_PER_TIME_STEP = 12
_SMALL = 1e-6
_BY_CHANCE = np.ones(4)


@dataclass(frozen=True)
class Sampled:
    """What the sampler found on part of the jobs.

    Attributes
    ----------
    states : States
    zones : tuple of str
        The zones of their columns.
    changes : tuple of Change
        Changes of level.
    unwritten : (4,)
        How likely each soil level stays unwritten, up to a factor.
    grades : dict operator -> int
        Levels that an operator writes above the true one, where that is not 0.
    order : tuple of str
        Zones in the order in which the shop works them, where it matters which was first; else none.
    first_carries : bool
        Whether the fixed amount is booked on the line that is worked first; else those after it take less.
    """

    states: States
    zones: tuple[str, ...]
    changes: tuple[Change, ...]
    unwritten: NDArray[np.float64]
    grades: dict[str, int]
    order: tuple[str, ...]
    first_carries: bool = False

    def place(self, zones: tuple[str, ...]) -> NDArray[np.float64]:
        """Return the place of n zones in the order, and of one not among them, (n + 1,); new ones come last."""
        at = {zone: k for k, zone in enumerate(self.order)}
        return np.array([float(at.get(zone, len(at))) for zone in (*zones, "")])


@dataclass(frozen=True)
class Scales:
    """Medians of the sampler's scales for one quantity."""

    tau: NDArray[np.float64]
    line_var: NDArray[np.float64]
    job_var: float
    tail: float
    visit: float
    noise_growth: float = 0.0


@dataclass(frozen=True)
class _Chunk:
    """Lines of some consecutive jobs that carry a record of one quantity, ordered by group."""

    x: NDArray[np.float64]
    offset: NDArray[np.float64]
    line_var: NDArray[np.float64]
    group_first: NDArray[np.int64]
    group: NDArray[np.int64]
    job_first: NDArray[np.int64]
    job: NDArray[np.int64]
    log_value: NDArray[np.float64]
    half_step: NDArray[np.float64]
    later: NDArray[np.bool_]


def fit_all(
    table: JobTable,
    planning: Planning,
    columns: Columns,
    soil: SoilModel,
    sampled: Sampled,
    rng: np.random.Generator,
    tell: Callable[[float], None] | None = None,
) -> States:
    """Return states of the whole table, given scales and changes of level sampled on part of it.

    Parameters
    ----------
    table : JobTable
        Usable jobs in order.
    sampled : Sampled
        Each returned state takes one of its states for its scales and noise, and the median of all for the fixed
        amount per visit.
    """
    part, zones = sampled.states, sampled.zones
    n_zones = len(columns.blocks["zone"])
    line_sd = np.repeat(part.other_sd[:, :, None], n_zones, axis=2)
    for k, zone in enumerate(columns.blocks["zone"]):
        if zone in zones:
            line_sd[:, :, k] = part.line_sd[:, :, zones.index(zone)]
    b = np.empty((part.n, 2, columns.n))
    for t, quantity in enumerate(QUANTITIES):
        medians = Scales(
            np.median(part.tau[:, t], axis=0),
            np.median(line_sd[:, t], axis=0) ** 2,
            float(np.median(part.job_sd[:, t])) ** 2,
            float(np.median(part.tail[:, t])),
            float(np.median(part.visit[:, t])),
            float(np.median(part.noise_growth[:, t])),
        )
        fit = Newton(table, planning, columns, soil, quantity, medians, sampled)
        for step in range(_N_STEPS):
            fit.step()
            if tell is not None:
                tell((t * _N_STEPS + step + 1) / (2 * _N_STEPS))
        b[:, t] = fit.draws(part.n, rng)
    # The coefficients were fitted beside the median amount: a state's own would be counted in the level once more.
    visit = np.tile(np.median(part.visit, axis=0), (part.n, 1))
    grade = np.array([float(sampled.grades.get(operator, 0)) for operator in columns.blocks["operator"]])
    place = np.tile(sampled.place(columns.blocks["zone"])[:-1], (part.n, 1))
    return replace(
        part, b=b, line_sd=line_sd, visit=visit, grade=np.tile(grade, (part.n, 1)), place=place,
        on_first=np.full(part.n, float(sampled.first_carries)),
    )  # fmt: skip


class Newton:
    """Gauss-Newton on one quantity; `step` improves b once."""

    def __init__(
        self,
        table: JobTable,
        planning: Planning,
        columns: Columns,
        soil: SoilModel,
        quantity: Quantity,
        scales: Scales,
        sampled: Sampled | None = None,
    ) -> None:
        self.table, self.columns, self.scales, self.soil = table, columns, scales, soil
        changes = sampled.changes if sampled else ()
        self.unwritten = sampled.unwritten if sampled else _BY_CHANCE
        grades = sampled.grades if sampled else {}
        self.grade = np.array([*(grades.get(o, 0) for o in columns.blocks["operator"]), 0])
        self.place = sampled.place(columns.blocks["zone"]) if sampled and sampled.order else None
        self.first_carries = bool(sampled and sampled.first_carries)
        self.planning, self.figures = planning, planning.of(quantity)
        self.observed: Observed = table.observed(quantity)
        size = self.observed.size()
        steps = STEPS[quantity]
        value = self.observed.value
        usable = value > 0
        by_line, by_total = rounding_steps(value[(size == 1) & usable], value[(size > 1) & usable], steps)
        self.rounding = np.where(size == 1, by_line, by_total)
        self.usual = usual_of(columns, table)
        cuts = [Change(int(day), "", wears=False) for day in time_cuts(table)]
        self.n_drift, self.steps = len(cuts), [*cuts, *changes]
        self.step_of = [columns.blocks["machine"].index(c.machine) if c.machine else -1 for c in self.steps]
        self.n = columns.n + len(self.steps)
        self.time = slice(columns.n, columns.n + self.n_drift)
        sds = [WEAR_SD if c.wears else STEP_SD for c in changes]
        steps_var = np.array([_TIME_SD] * self.n_drift + sds) ** 2
        cheaper = self.place is not None and not self.first_carries
        mean, var = set_moments(columns, without="together" if cheaper else "after")
        self.prior_mean, self.prior_var = np.append(mean, np.zeros_like(steps_var)), np.append(var, steps_var)
        for k, block in enumerate(POOLED):
            self.prior_var[columns.span(block)] = scales.tau[k] ** 2
        self.b = self.prior_mean.copy()
        self.lower: NDArray[np.float64] = np.eye(self.n)
        first = np.searchsorted(table.line_job, np.arange(table.n_jobs + 1))
        starts = np.searchsorted(first, np.arange(0, table.n_lines, _CHUNK_LINES))
        self.edges = sorted({*starts.tolist(), table.n_jobs})

    def step(self) -> None:
        """Build the normal equations at the present b and solve them."""
        h = np.diag(1.0 / self.prior_var)
        g = self.prior_mean / self.prior_var
        for start, stop in pairwise(self.edges):
            chunk = self._chunk(np.arange(start, stop))
            if len(chunk.log_value):
                dh, dg = self._normal_equations(chunk)
                h += dh
                g += dg
        self.lower = np.asarray(np.linalg.cholesky(h), dtype=np.float64)
        self.b = np.linalg.solve(self.lower.T, np.linalg.solve(self.lower, g))
        soil = self.columns.span("soil")
        self.b[soil] = np.maximum(self.b[soil], -np.diff(np.log(np.array(self.figures.soil))))
        if self.n_drift:
            covariance = np.linalg.inv(h)[self.time, self.time].diagonal()
            self.prior_var[self.time] = (self.b[self.time] ** 2 + covariance + _TIME_SD**2) / 2

    def draws(self, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """Return draws of b after all steps in time from its normal approximation, (n, n_columns).

        Soil steps are kept increasing; the steps in time are added to the level or the machine, where a job to come
        finds them.
        """
        noise = np.linalg.solve(self.lower.T, rng.standard_normal((self.n, n))).T
        drawn = self.b + noise
        soil = self.columns.span("soil")
        drawn[:, soil] = np.maximum(drawn[:, soil], -np.diff(np.log(np.array(self.figures.soil))))
        level, machine = self.columns.start("level"), self.columns.start("machine")
        last = int(self.table.day.max())
        for k, (change, of) in enumerate(zip(self.steps, self.step_of, strict=True), start=self.columns.n):
            drawn[:, level if of < 0 else machine + of] += change.ahead(last) * drawn[:, k]
        return np.asarray(drawn[:, : self.columns.n])

    def _chunk(self, jobs: NDArray[np.int64]) -> _Chunk:
        table, at = self.table, slice(*np.searchsorted(self.table.line_job, [jobs[0], jobs[-1] + 1]))
        part = table.take_jobs(jobs)
        group = self.observed.group[at]
        value = np.append(self.observed.value, -1.0)[group]
        lines = np.flatnonzero(value > 0)
        lines = lines[np.argsort(group[lines], kind="stable")]
        rows, codes = rows_of(self.columns, part), word_codes(self.columns, part)
        soil, chances = self._soil(part, codes["operator"])
        x = rows.dense(self.columns.n, soil)
        log_soil = np.log(np.array(self.figures.soil))
        offset = log_median(replace(part, soil=np.zeros_like(part.soil)), self.figures) - log_soil[0]
        offset[soil >= 0] += log_soil[soil[soil >= 0]]
        self._add_usual(x, part, codes)
        later = np.zeros(len(x), dtype=bool)
        if self.place is not None:
            later = worked_later(part.line_job, self.place[codes["zone"]])
            x[:, self.columns.start("after")] = later & (not self.first_carries)
        unknown = np.flatnonzero(soil < 0)
        by_soil = sd_factor(2 * self.scales.noise_growth)
        line_var = self.scales.line_var[codes["zone"]] * by_soil[soil]
        line_var[unknown] = self.scales.line_var[codes["zone"][unknown]] * (chances @ by_soil)
        for level, chance in enumerate(chances.T if len(unknown) else ()):
            one = np.zeros((len(unknown), self.columns.n))
            rows.put_soil(one, np.arange(len(unknown)), unknown, np.full(len(unknown), level), 1.0)
            x[unknown] += chance[:, None] * one
            offset[unknown] += chance * log_soil[level]
        day = part.day[part.line_job]
        began = int(self.table.day.min())
        shapes = [
            change.shape(day, began) * ((codes["machine"] == of) | (of < 0))
            for change, of in zip(self.steps, self.step_of, strict=True)
        ]
        x = np.concatenate([x, *(s[:, None] for s in shapes)], axis=1)
        _, group_first, of_group = np.unique(group[lines], return_index=True, return_inverse=True)
        group_job = part.line_job[lines][group_first]
        _, job_first, job = np.unique(group_job, return_index=True, return_inverse=True)
        ids = group[lines][group_first]
        return _Chunk(
            x=x[lines],
            offset=offset[lines],
            line_var=line_var[lines],
            group_first=group_first,
            group=of_group,
            job_first=job_first,
            job=job,
            log_value=np.log(self.observed.value[ids]),
            half_step=self.rounding[ids] / 2,
            later=later[lines],
        )

    def _add_usual(self, x: NDArray[np.float64], part: JobTable, codes: dict[str, NDArray[np.int64]]) -> None:
        """Add to lines with a blank operator or machine the shop's usual mix, in proportion to its shares."""
        for block, factor in (("operator", part.operator), ("machine", part.machine)):
            blank = np.flatnonzero(factor.codes < 0)
            share = np.array(self.usual.shares[block])
            x[blank, self.columns.span(block)] = share
            if block == "machine" and len(blank):
                cell = cell_column(self.columns, "machine_zone", np.arange(len(share)), codes["zone"][blank, None])
                line, machine = np.nonzero(cell >= 0)
                x[blank[line], cell[line, machine]] = share[machine]

    def _soil(self, part: JobTable, operator: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return the level of each line, -1 where it is not known, and the chances of the levels of those, (n, 4)."""
        blank = part.soil < 0
        allowed = meant(np.maximum(part.soil, 0), self.grade[operator])
        soil = np.where(blank | (allowed.sum(axis=1) > 1), -1, allowed.argmax(axis=1))
        unknown = np.flatnonzero(soil < 0)
        share = np.where(blank[unknown, None], self.unwritten, allowed[unknown])
        chance = self.soil.chances(part, unknown) * share
        return soil, chance / chance.sum(axis=1, keepdims=True)

    def _normal_equations(self, c: _Chunk) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        scales = self.scales
        mean = c.offset + c.x @ self.b
        by_job = np.append(c.group_first[c.job_first], len(mean))
        taken = np.exp(mean)
        if self.first_carries:
            mean += np.where(c.later, 0.0, np.log1p(scales.visit / taken))
        else:
            mean += np.repeat(np.log1p(scales.visit / np.add.reduceat(taken, by_job[:-1])), np.diff(by_job))
        top = np.maximum.reduceat(mean, c.group_first)
        part = np.exp(mean - top[c.group])
        total = np.add.reduceat(part, c.group_first)
        share = part / total[c.group]
        x = np.add.reduceat(share[:, None] * c.x, c.group_first, axis=0)
        var = np.add.reduceat(share**2 * c.line_var, c.group_first)
        bend = 0.5 * np.add.reduceat(share * (1 - share) * c.line_var, c.group_first)
        value = _middle(c.log_value, c.half_step, top + np.log(total), np.sqrt(var))
        rest = value - (top + np.log(total) + bend)
        weight = np.ones(len(rest))
        for _ in range(2):
            q = weight / var
            d = np.add.reduceat(q, c.job_first) + 1 / scales.job_var
            u = np.add.reduceat(q * rest, c.job_first) / d
            weight = (scales.tail + 1) / (scales.tail + (rest - u[c.job]) ** 2 / var)
        q = weight / var
        per_job = np.add.reduceat(q, c.job_first)
        d = per_job + 1 / scales.job_var
        alpha = ((1 - np.sqrt(1 - per_job / d)) / per_job)[c.job]
        root = np.sqrt(q)
        target = rest + x @ self.b
        white = root[:, None] * (x - alpha[:, None] * np.add.reduceat(q[:, None] * x, c.job_first, axis=0)[c.job])
        white_y = root * (target - alpha * np.add.reduceat(q * target, c.job_first)[c.job])
        return white.T @ white, white.T @ white_y


def time_cuts(table: JobTable) -> NDArray[np.int64]:
    """Return the days (ordinals) from which each step in time is on: quantiles of the lines' days."""
    n_steps = min(_MOST_TIME_STEPS, table.n_jobs // _JOBS_PER_TIME_STEP)
    days = np.sort(table.day[table.line_job])
    at = (np.arange(1, n_steps + 1) * len(days)) // (n_steps + 1)
    return np.array(sorted(set(days[at].tolist()) - set(days[:1].tolist())), dtype=np.int64)


def _middle(
    log_value: NDArray[np.float64], half_step: NDArray[np.float64], mean: NDArray[np.float64], sd: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the expected logarithm of a figure read off in steps: the mean of a normal cut to its interval."""
    from scipy.special import ndtr

    stepped = np.flatnonzero(half_step > 0)
    out = log_value.copy()
    if not len(stepped):
        return out
    value, half = np.exp(log_value[stepped]), half_step[stepped]
    least = value <= 2.02 * half
    low = np.where(least, _SMALL, value - half)
    high = np.where(least, 3.0 * half, value + half)
    m, s = mean[stepped], sd[stepped]
    a, b = (np.log(low) - m) / s, (np.log(high) - m) / s
    mass = ndtr(b) - ndtr(a)
    density = (np.exp(-(a**2) / 2) - np.exp(-(b**2) / 2)) / np.sqrt(2 * np.pi)
    inside = np.clip(m + s * density / np.maximum(mass, 1e-9), np.log(low), np.log(high))
    out[stepped] = np.where(mass > 1e-6, inside, log_value[stepped])
    return out
