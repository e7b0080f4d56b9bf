"""Pellets looked at beside minutes: what a job's time says about how hard it was is taken out of its pellets.

A job that was dirtier than graded takes more of both. Where a change touches pellets only (feed turned up, a worn
nozzle), the residuals of minutes carry nothing but that common noise, and pellets given minutes scatter less: the
errors of two equations for the same jobs are related, as in Zellner (1962, JASA 57:348-368). Where a change touches
both there is no gain and minutes would hide a part of it, so every change is looked at alone as well, and counts beside
minutes only if minutes did not change with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.technique.design import build_design
from models.technique.likejobs import Fit, fit_design, line_shares
from models.technique.stretches import Ground, step_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.consumption.planning import PlanningFigures
    from models.technique.design import Step

#: Jobs with minutes and pellets below which minutes are left out.
FEWEST_BOTH = 60
#: Statistic of minutes up to which they count as unchanged, and that pellets alone must have at least.
UNCHANGED = 2.0
LEAST_ALONE = 1.28
#: Standard deviation (log) of a change in minutes that comes with one in pellets, in the cases where one does.
MINUTES_SIZE = 0.15


@dataclass(frozen=True)
class Figures:
    """Planning figures of both quantities; `minutes` None where minutes are not to be looked at."""

    pellets: PlanningFigures
    minutes: PlanningFigures | None = None


@dataclass(frozen=True)
class Views:
    """The joint fit of pellets alone, and beside minutes where those are on record.

    Attributes
    ----------
    alone : Ground
    minutes, beside : Ground or None
        The fit of minutes, and that of pellets given its residuals.
    """

    alone: Ground
    minutes: Ground | None = None
    beside: Ground | None = None

    @property
    def all(self) -> tuple[Ground, ...]:
        """The views of pellets."""
        return (self.alone,) if self.beside is None else (self.alone, self.beside)

    def counts_beside(self, table: JobTable, step: Step, *, sign: float) -> bool:
        """Whether a change may be judged beside minutes: seen in pellets alone too, and minutes the same."""
        if self.minutes is None:
            return False
        time = self.minutes.statistic(step_rows(table, self.minutes.fit, step))
        alone = sign * self.alone.statistic(step_rows(table, self.alone.fit, step))
        return abs(time) <= UNCHANGED and alone >= LEAST_ALONE

    def chance_unchanged(self, table: JobTable, step: Step) -> float:
        """Return the posterior chance that a change left minutes as they were, even odds before; 0 without minutes.

        By the ratio of the minutes' densities under N(0, error^2) and N(0, error^2 + MINUTES_SIZE^2).
        """
        if self.minutes is None:
            return 0.0
        found = self.minutes.measured(step_rows(table, self.minutes.fit, step))
        if found is None:
            return 0.0
        raw, variance = found[0], found[1] ** 2
        wide = variance + MINUTES_SIZE**2
        odds = np.sqrt(wide / variance) * np.exp(-0.5 * raw**2 * (1.0 / variance - 1.0 / wide))
        return float(odds / (1.0 + odds))


def expected_from_minutes(pellets: Fit, ground: Ground, n_lines: int) -> NDArray[np.float64]:
    """Return what minutes' residuals say about each line's log pellets, were the noises the same, shape (n_lines, 2).

    With W the residuals of a job's minutes times their inverse covariance: the job's part s_Jp s_Jm sum(W), and the
    lines' part, for a row of pellets the sum over its lines of s_Lp share_p s_Lm share_m W of the line's row (noise
    ratios by zone in it). Their coefficients in the fit are the correlations of the two noises.
    """
    minutes, pulled = ground.fit, ground.weighted_residual
    n_jobs = len(pellets.job_weight)
    of_job = np.bincount(minutes.rows.job, weights=pulled, minlength=n_jobs)
    of_job = of_job * np.sqrt(pellets.job_var * minutes.job_var)
    of_line = np.zeros(n_lines)
    share, _, row = line_shares(minutes)
    group = minutes.design.line_group[minutes.rows.order]
    of_line[minutes.rows.order] = share * minutes.sigma_line * np.sqrt(minutes.line_ratio[group]) * pulled[row]
    share, _, row = line_shares(pellets)
    order = pellets.rows.order
    group = pellets.design.line_group[order]
    own = share * pellets.sigma_line * np.sqrt(pellets.line_ratio[group]) * of_line[order]
    columns = np.zeros((n_lines, 2))
    columns[order, 0] = of_job[pellets.rows.job[row]]
    columns[order, 1] = np.add.reduceat(own, pellets.rows.first)[row]
    return columns


def views(
    table: JobTable, figures: Figures, alone: Fit, steps: tuple[Step, ...], *, like: Views | None = None
) -> Views:
    """Return the views of a fit of pellets alone that holds `steps`; `like` as in `fit_design`.

    The fit of minutes holds the same columns: an operator or a machine may be faster or slower, and so may a change
    that is known of.
    """
    ground = Ground.of(alone)
    both = np.intersect1d(
        table.line_job[table.pellets.group >= 0], table.line_job[table.minutes.group >= 0], assume_unique=False
    )
    if figures.minutes is None or len(both) < FEWEST_BOTH:
        return Views(ground)
    before = (None, None) if like is None else (like.minutes, like.beside)
    design = build_design(table, figures.minutes, steps=steps, settings=False)
    minutes = Ground.of(fit_design(table, design, "minutes", like=alone if before[0] is None else before[0].fit))
    columns = expected_from_minutes(alone, minutes, table.n_lines)
    design = build_design(table, figures.pellets, steps=steps, settings=False, minutes=columns)
    beside = fit_design(table, design, like=alone if before[1] is None else before[1].fit)
    return Views(ground, minutes, Ground.of(beside))


def views_without(table: JobTable, seen: Views, step: Step) -> Views:
    """Return the views without one of the steps that they hold, all variances and weights kept."""
    alone = Ground.of(seen.alone.fit, without=step)
    if seen.minutes is None or seen.beside is None:
        return Views(alone)
    minutes = Ground.of(seen.minutes.fit, without=step)
    columns = expected_from_minutes(seen.alone.fit, minutes, table.n_lines)
    beside = seen.beside.fit
    block = beside.design.block("minutes")
    if block is not None:
        held = [("job", "line").index(label) for label in block.labels]
        x = beside.x.copy()
        x[:, block.columns] = columns[beside.rows.order[beside.rows.first]][:, held]
        # a row's columns of minutes are the same for all its lines, so they need no new linearisation
        beside = replace(beside, x=x)
    return Views(alone, minutes, Ground.of(beside, without=step))
