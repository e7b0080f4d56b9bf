"""The most unusual jobs with what may explain them, and the account of one job."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.technique.likejobs import fit_like_jobs, log_expected

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.consumption.planning import Planning
    from models.technique.likejobs import Fit
    from models.technique.review import Review
    from shared.vocabulary import Quantity

#: Pounds in a kilogram, and how near (log) a ratio must be to it or to ten to look like a slip.
LB_PER_KG = 2.2046226
NEAR = 0.22
#: Standardised distance from which a job is called unusual at all.
UNUSUAL = 2.0
#: First jobs of an operator that count as learning the trade.
FIRST_JOBS = 5
OLD_ICE_DAYS = 4.0


@dataclass(frozen=True)
class JobScore:
    """Each job's actual against expected, shape (n_jobs,) each; NaN where nothing was recorded.

    Attributes
    ----------
    actual, expected : float64 arrays
        Recorded sum and what like jobs need for the same lines (lb or min), technique left out.
    spread : float64 array
        Standard deviation of the log ratio: what jobs vary, and the expectation's own error.
    own_error : float64 array
        Standard error (log) of the expectation alone.
    """

    actual: NDArray[np.float64]
    expected: NDArray[np.float64]
    spread: NDArray[np.float64]
    own_error: NDArray[np.float64]

    @property
    def log_ratio(self) -> NDArray[np.float64]:
        """Log of actual over expected."""
        return np.asarray(np.log(self.actual / self.expected), dtype=np.float64)

    @property
    def score(self) -> NDArray[np.float64]:
        """Standardised log ratio."""
        return np.asarray(self.log_ratio / self.spread, dtype=np.float64)


@dataclass(frozen=True)
class UnusualJob:
    """A job that stands out.

    Attributes
    ----------
    job : int
        Row of the reviewed table.
    ratio, score : float
    reasons : tuple of str
        Of "unit-slip", "decimal-slip", "coating", "graded-low", "graded-high", "old-ice", "new-operator", "drift",
        "operator", "machine", "setting:NAME"; empty where nothing that was written down explains it.
    """

    job: int
    ratio: float
    score: float
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Part:
    """What one part of the technique adds to a job: log ratio against the shop's usual mix.

    Several machines or operators of a job are one part; `name` then holds all of them, with commas.
    """

    kind: str
    name: str
    log_ratio: float
    error: float


def score_jobs(table: JobTable, fit: Fit) -> JobScore:
    """Return actual against expected of each job from a fit, its robust weights set aside.

    The log ratio of a job's sums is, to first order, the mean of its rows' log ratios with weights w_r, the rows' parts
    of the expectation. So with s_J^2 the job's own variance, v_r that of a row's line noise, x_r the columns with
    technique at the usual mix and C the coefficients' covariance its variance is
    s_J^2 + sum w_r^2 v_r + m'Cm, m = sum w_r x_r; the last is the expectation's own.
    """
    rows = fit.rows
    want = np.exp(log_expected(fit))
    jobs, starts = np.unique(rows.job, return_index=True)
    actual, expected, spread, own_error = np.full((4, table.n_jobs), np.nan)
    actual[jobs] = np.add.reduceat(np.exp(rows.log_value), starts)
    expected[jobs] = np.add.reduceat(want, starts)
    weight = want / expected[rows.job]
    usual = np.where(fit.design.technique, fit.x.mean(axis=0), fit.x)
    x = np.add.reduceat(weight[:, None] * usual, starts, axis=0)
    own = np.einsum("ij,jk,ik->i", x, fit.cov, x, optimize=True)
    own_error[jobs] = np.sqrt(np.maximum(own, 0.0))
    spread[jobs] = np.sqrt(fit.job_var[jobs] + np.add.reduceat(weight**2 * fit.row_var, starts) + own)
    return JobScore(actual, expected, spread, own_error)


def score_quantity(table: JobTable, planning: Planning, quantity: Quantity) -> JobScore:
    """Return actual against expected of a quantity from its own fit; all NaN where nothing was recorded."""
    if len(table.observed(quantity).value) == 0:
        nothing = np.full(table.n_jobs, np.nan)
        return JobScore(nothing, nothing, nothing, nothing)
    return score_jobs(table, fit_like_jobs(table, planning.of(quantity), quantity))


def _lines_of(table: JobTable, job: int) -> NDArray[np.int64]:
    return np.flatnonzero(table.line_job == job)


def _slips(log_ratio: float, minutes_log_ratio: float) -> list[str]:
    """Return what slip of the pen a ratio looks like; where minutes are off alike the job was larger, not the unit."""
    if np.isfinite(minutes_log_ratio) and abs(minutes_log_ratio - log_ratio) < 0.5 * abs(log_ratio):
        return []
    if abs(abs(log_ratio) - np.log(LB_PER_KG)) < NEAR:
        return ["unit-slip"]
    if abs(abs(log_ratio) - np.log(10.0)) < NEAR:
        return ["decimal-slip"]
    return []


def _reasons(review: Review, job: int, log_ratio: float, minutes_log_ratio: float) -> tuple[str, ...]:
    table = review.table
    lines = _lines_of(table, job)
    found = _slips(log_ratio, minutes_log_ratio)
    alike = np.isfinite(minutes_log_ratio) and abs(minutes_log_ratio) > 0.25 and minutes_log_ratio * log_ratio > 0
    if alike:
        coated = log_ratio > 0.5 and not table.coating_removed[lines].any()
        under = any(
            table.zone.names[c] in ("undercarriage", "wheel_wells", "suspension") for c in table.zone.codes[lines]
        )
        found.append("coating" if coated and under else "graded-low" if log_ratio > 0 else "graded-high")
    age = table.settings["ice_age_days"][lines]
    known = review.table.settings["ice_age_days"]
    if log_ratio > 0 and np.isfinite(age).any():
        old = max(OLD_ICE_DAYS, float(np.nanquantile(known, 0.9)))
        if float(np.nanmax(age)) >= old:
            found.append("old-ice")
    found += _who(review, job, lines, log_ratio)
    return tuple(found)


def _who(review: Review, job: int, lines: NDArray[np.int64], log_ratio: float) -> list[str]:
    """Return reasons that lie with operator, machine and settings."""
    table, day, found = review.table, int(review.table.day[job]), []
    for code in sorted({c for c in table.operator.codes[lines].tolist() if c >= 0}):
        theirs = np.unique(table.line_job[table.operator.codes == code])
        order = theirs[np.argsort(table.day[theirs], kind="stable")]
        came_later = int(table.day[order[0]]) - int(table.day.min()) > 30
        if came_later and job in order[:FIRST_JOBS].tolist():
            found.append("new-operator")
    names = {
        "machine": {table.machine.names[c] for c in table.machine.codes[lines].tolist() if c >= 0},
        "operator": {table.operator.names[c] for c in table.operator.codes[lines].tolist() if c >= 0},
    }
    if log_ratio > 0:
        if any(s.since <= day < s.end and s.name in names.get(s.kind, set()) for s in review.waste_steps()):
            found.append("drift")
        for effect in review.wasteful():
            if effect.kind in names and effect.name in names[effect.kind]:
                found.append(effect.kind)
            if effect.kind == "setting" and effect.best is not None and _far(review, effect.name, effect.best, lines):
                found.append(f"setting:{effect.name}")
    return found


def _far(review: Review, name: str, best: float, lines: NDArray[np.int64]) -> bool:
    """Whether a job ran a setting further from the best value than nine in ten do."""
    values = review.table.settings[name]
    own = values[lines]
    if not np.isfinite(own).any():
        return False
    away = np.abs(values[np.isfinite(values)] - best)
    return float(np.nanmax(np.abs(own - best))) >= float(np.quantile(away, 0.9))


def unusual_jobs(review: Review, scores: JobScore, minutes: JobScore, n: int = 10) -> list[UnusualJob]:
    """Return the `n` jobs that stand out most, the farthest first, with reasons; fewer where fewer stand out.

    Parameters
    ----------
    scores, minutes : JobScore
        Of pellets and of minutes, over the reviewed table.
    """
    away = np.where(np.isnan(scores.score), 0.0, np.abs(scores.score))
    order = np.argsort(-away, kind="stable")[:n]
    found = []
    for job in order[away[order] >= UNUSUAL].tolist():
        log_ratio = float(scores.log_ratio[job])
        reasons = _reasons(review, job, log_ratio, float(minutes.log_ratio[job]))
        found.append(UnusualJob(job, float(np.exp(log_ratio)), float(scores.score[job]), reasons))
    return found


def explain(review: Review, scores: JobScore, minutes: JobScore, job: int) -> tuple[UnusualJob, list[Part]]:
    """Return one job's account: how far off it is, why, and what each part of its technique adds.

    A part is its share-weighted column times its coefficient, less the mean of that over all rows.

    Raises
    ------
    ValueError
        When the job has no recorded pellets.
    """
    fit = review.fit
    rows = np.flatnonzero(fit.rows.job == job)
    if len(rows) == 0:
        raise ValueError(f"job {job} has no recorded pellets")
    log_ratio = float(scores.log_ratio[job])
    reasons = _reasons(review, job, log_ratio, float(minutes.log_ratio[job]))
    account = UnusualJob(job, float(np.exp(log_ratio)), float(scores.score[job]), reasons)
    parts = []
    for block in fit.design.blocks:
        if block.name not in ("machine", "operator", "setting", "step"):
            continue
        away = fit.x[rows][:, block.columns].mean(axis=0) - fit.x[:, block.columns].mean(axis=0)
        used = np.abs(fit.x[rows][:, block.columns]).sum(axis=0) > 0
        of = [label.split("|")[0] for label in block.labels]
        names = sorted({name for name, on in zip(of, used, strict=True) if on and name})
        if block.name in ("setting", "step"):
            alone = [(name, np.where([o == name for o in of], away, 0.0)) for name in names]
        else:
            # A job's machines (operators) share its lines: what the block adds is that of all of them together.
            alone = [(", ".join(names), away)] if names else []
        for name, gradient in alone:
            value = float(gradient @ fit.coef[block.columns])
            error = float(np.sqrt(max(float(gradient @ fit.cov[block.columns, block.columns] @ gradient), 0.0)))
            if block.name == "step":
                step_kind, step_name = name.split(":")[:2]
                parts.append(Part(f"{step_kind} drift", step_name, value, error))
            else:
                parts.append(Part(block.name, name, value, error))
    return account, parts
