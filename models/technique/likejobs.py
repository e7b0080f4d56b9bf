"""What like jobs need: a penalised log-linear fit over lines and totals, with technique fitted jointly.

Model: a line takes exp(offset_i + x_i b + u_j + e_i), u_j ~ N(0, s_J^2) shared by a job's lines, e_i ~ N(0, s_L^2 r_i),
r by zone; jobs with unknown soil have a larger s_J^2 of their own. A recorded sum over several lines is linearised
(Gauss-Newton): d log T / d b is the share-weighted mean of the x_i, and the line noise of log T has variance
s_L^2 sum(share^2 r). Blocks of b have Gaussian priors; their scales and all noise variances are learned by
expectation-maximisation with weak scaled-inverse-chi-square priors (empirical Bayes). Each job's noise is multivariate
t: its weight keeps unit slips from moving the fit (Lange, Little & Taylor 1989, JASA 84:881-896).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.technique.design import PRIOR_WEIGHT, Design, build_design
from models.technique.rows import Rows, Whitener, job_starts, recorded_rows, summed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.consumption.planning import PlanningFigures
    from models.technique.design import Step
    from shared.vocabulary import Quantity

#: Degrees of freedom that are tried for the noise; the last counts as normal.
TAIL_CHOICES = (3.0, 4.0, 5.0, 7.0, 10.0, 15.0, 1000.0)
#: Noise of jobs that agree to the last digit: a scale of 0 would be divided by.
_LEAST_SQUARE = 1e-12
#: Least and most rounds of expectation-maximisation, from scratch and from a fit of the same jobs.
ROUNDS = (15, 40)
ROUNDS_AGAIN = (5, 20)


@dataclass(frozen=True)
class Fit:
    """A fitted like-jobs model; covariances hold the variances as known.

    Attributes
    ----------
    design : Design
    rows : Rows
    x : float64 array (n_rows, n_columns)
        Share-weighted columns.
    y : float64 array (n_rows,)
        Working response: x b of a row that was met exactly.
    spread : float64 array (n_rows,)
        Line noise variance of the row over s_L^2: sum of share^2 times the lines' `line_ratio`.
    line_ratio, job_ratio : float64 arrays (n_zones,), (2,)
        Variance of each group of lines over s_L^2, of each group of jobs over s_J^2.
    job_weight : float64 array (n_jobs,)
        Student-t weight of each job: all its noise is scaled alike.
    coef, cov : float64 arrays (n_columns,), (n_columns, n_columns)
        Posterior mean and covariance; `cov` carries the information lost to heavy tails.
    prior_var : float64 array (n_columns,)
    sigma_line, sigma_job : float
        Scales of the two noises (log).
    tail : float
        Degrees of freedom of the noise.
    """

    design: Design
    rows: Rows
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    spread: NDArray[np.float64]
    line_ratio: NDArray[np.float64]
    job_ratio: NDArray[np.float64]
    job_weight: NDArray[np.float64]
    coef: NDArray[np.float64]
    cov: NDArray[np.float64]
    prior_var: NDArray[np.float64]
    sigma_line: float
    sigma_job: float
    tail: float

    @property
    def row_var(self) -> NDArray[np.float64]:
        """Variance of each row's line noise, weights aside, shape (n_rows,)."""
        return np.asarray(self.sigma_line**2 * self.spread, dtype=np.float64)

    @property
    def job_var(self) -> NDArray[np.float64]:
        """Variance of each job's own noise, weights aside, shape (n_jobs,)."""
        return np.asarray(self.sigma_job**2 * self.job_ratio[self.design.job_group], dtype=np.float64)

    @property
    def degrees(self) -> float:
        """Residual degrees of freedom: jobs less effective coefficients, at least 3."""
        used = float(np.sum(1.0 - np.diag(self.cov) / self.prior_var / self.tail_factor))
        return max(3.0, float(len(np.unique(self.rows.job))) - used)

    @property
    def tail_factor(self) -> float:
        """Variance of a coefficient over that of normal noise of the same scale, (v + n + 2)/(v + n), n rows a job."""
        n = self.rows.n / len(np.unique(self.rows.job))
        return (self.tail + n + 2.0) / (self.tail + n)


def log_line_mean(design: Design, coef: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return each line's log median at coefficients, shape (n_lines,)."""
    return np.asarray(design.offset + design.lines @ coef, dtype=np.float64)


def _shares(
    design: Design, rows: Rows, coef: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return each used line's share of its row, the log of each row's sum, and the row of each used line."""
    log_mean = log_line_mean(design, coef)[rows.order]
    top = np.maximum.reduceat(log_mean, rows.first)
    row_of = np.repeat(np.arange(rows.n), np.diff([*rows.first, len(rows.order)]))
    part = np.exp(log_mean - top[row_of])
    whole = np.add.reduceat(part, rows.first)
    return part / whole[row_of], top + np.log(whole), row_of


def line_shares(fit: Fit) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return each used line's share of its row, the log of each row's expected sum, and the row of each used line."""
    return _shares(fit.design, fit.rows, fit.coef)


def _linearised(fit: Fit, coef: NDArray[np.float64]) -> Fit:
    """Return the fit with its rows linearised at coefficients."""
    design, rows = fit.design, fit.rows
    share, log_sum, _ = _shares(design, rows, coef)
    x = summed(share, rows.order, rows.first, design.lines)
    y = rows.log_value - log_sum + x @ coef
    spread = np.add.reduceat(share * share * fit.line_ratio[design.line_group[rows.order]], rows.first)
    return replace(fit, coef=coef, x=x, y=y, spread=spread)


def _line_ratios(fit: Fit, row_square: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the groups' noise ratios after one expectation-maximisation step.

    Given a row's expected squared line noise e^2 (over s_L^2), that of its line i with w_i = share_i ratio_i is
    ratio_i - w_i^2/V + (w_i/V)^2 e^2, V the row's `spread`. Ratios are pulled to 1 with the weight of eight lines.
    """
    rows, group = fit.rows, fit.design.line_group[fit.rows.order]
    share, _, row_of = _shares(fit.design, rows, fit.coef)
    n, ratio = len(fit.line_ratio), fit.line_ratio[group]
    part = share * ratio
    expected = ratio - part**2 / fit.spread[row_of] + (part / fit.spread[row_of]) ** 2 * row_square[row_of]
    total = np.bincount(group, weights=expected, minlength=n)
    return np.asarray((PRIOR_WEIGHT + total) / (PRIOR_WEIGHT + np.bincount(group, minlength=n)))


def whitener(fit: Fit) -> Whitener:
    """Return the noise model of a fit, its robust weights in it."""
    return Whitener.of(fit.rows, fit.row_var / fit.job_weight[fit.rows.job], fit.job_var / fit.job_weight)


def _tail_of(standardised: NDArray[np.float64]) -> float:
    """Return the largest degrees of freedom whose likelihood is within 1.5 of the best (scale profiled out)."""
    from scipy.special import gammaln

    squared = standardised**2
    found = []
    for v in TAIL_CHOICES:
        scale = max(float(np.median(squared)), _LEAST_SQUARE) / 0.455
        for _ in range(30):
            scale = max(float(np.mean((v + 1.0) / (v + squared / scale) * squared)), _LEAST_SQUARE)
        kernel = gammaln((v + 1.0) / 2.0) - gammaln(v / 2.0) - 0.5 * np.log(v * np.pi * scale)
        found.append(float(np.sum(kernel - (v + 1.0) / 2.0 * np.log1p(squared / (v * scale)))))
    best = max(found)
    return max(v for v, value in zip(TAIL_CHOICES, found, strict=True) if value >= best - 1.5)


def _prior_variances(design: Design) -> NDArray[np.float64]:
    """Return where learning starts: learned blocks at three times their scale, since scales shrink faster than grow."""
    variance = np.empty(design.lines.shape[1])
    for block in design.blocks:
        variance[block.columns] = (3.0 * block.scale if block.learned else block.scale) ** 2
    return variance


def _relearned(fit: Fit, cov: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return prior variances after one expectation-maximisation step."""
    variance = fit.prior_var.copy()
    diagonal = np.diag(cov)
    for block in fit.design.blocks:
        if block.learned:
            energy = float(np.sum(fit.coef[block.columns] ** 2 + diagonal[block.columns]))
            weight = PRIOR_WEIGHT + len(block.labels)
            variance[block.columns] = (PRIOR_WEIGHT * block.scale**2 + energy) / weight
    return variance


def _noise_step(fit: Fit, noise: Whitener, cov: NDArray[np.float64], *, tails: bool) -> Fit:
    """Return the fit with noise scales, weights and tail renewed from expected squared noises."""
    residual = (fit.y - fit.x @ fit.coef)[:, None]
    mean_x = noise.job_sums(fit.x) / noise.total[:, None]
    job_noise = (noise.job_sums(residual) / noise.total[:, None])[:, 0]
    job_square = job_noise**2 + 1.0 / noise.total + np.einsum("ij,jk,ik->i", mean_x, cov, mean_x, optimize=True)
    around = fit.x - mean_x[noise.position]
    row_square = (residual[:, 0] - job_noise[noise.position]) ** 2 + (1.0 / noise.total)[noise.position]
    row_square = row_square + np.einsum("ij,jk,ik->i", around, cov, around, optimize=True)
    jobs, _ = job_starts(fit.rows)
    job_square = fit.job_weight[jobs] * job_square / fit.job_ratio[fit.design.job_group[jobs]]
    row_square = fit.job_weight[fit.rows.job] * row_square
    line_var = (4.0 * 0.04 + float(np.sum(row_square / fit.spread))) / (4.0 + fit.rows.n)
    job_var = (3.0 * 0.02 + float(np.sum(job_square))) / (3.0 + len(jobs))
    tail = fit.tail
    if tails:
        tail = _tail_of(residual[:, 0] / np.sqrt(fit.row_var + fit.job_var[fit.rows.job]))
    return replace(
        fit,
        sigma_line=float(np.sqrt(line_var)),
        sigma_job=float(np.sqrt(job_var)),
        tail=tail,
        line_ratio=_line_ratios(fit, row_square / fit.sigma_line**2),
        job_ratio=np.array([1.0, _unknown_ratio(fit, jobs, job_square / job_var)]),
        job_weight=_job_weights(fit, residual, cov, tail),
    )


def _job_weights(fit: Fit, residual: NDArray[np.float64], cov: NDArray[np.float64], tail: float) -> NDArray[np.float64]:
    """Return each job's weight (v + n)/(v + d^2), d^2 the expected squared distance of its n rows, 1 without rows."""
    plain = Whitener.of(fit.rows, fit.row_var, fit.job_var)
    distance = (residual * plain.apply(residual))[:, 0] + np.sum((fit.x @ cov) * plain.apply(fit.x), axis=1)
    jobs, starts = job_starts(fit.rows)
    n_rows = np.diff([*starts, fit.rows.n])
    weight = np.ones(len(fit.job_weight))
    weight[jobs] = (tail + n_rows) / (tail + np.add.reduceat(distance, starts))
    return weight


def _unknown_ratio(fit: Fit, jobs: NDArray[np.int64], square: NDArray[np.float64]) -> float:
    """Return how much larger the variance of jobs with unknown soil is; pulled to 4 (sd twice) by eight jobs."""
    unknown = fit.design.job_group[jobs] == 1
    energy = float(np.sum(square[unknown])) * float(fit.job_ratio[1])
    return (PRIOR_WEIGHT * 4.0 + energy) / (PRIOR_WEIGHT + float(unknown.sum()))


def _solved(fit: Fit) -> tuple[NDArray[np.float64], NDArray[np.float64], Whitener]:
    """Return coefficients, their covariance and the noise model at the fit's variances."""
    noise = whitener(fit)
    pulled = noise.apply(fit.x)
    precision = fit.x.T @ pulled
    precision[np.diag_indices_from(precision)] += 1.0 / fit.prior_var
    cov = np.linalg.inv(precision)
    return cov @ (pulled.T @ fit.y), 0.5 * (cov + cov.T), noise


def _start(table: JobTable, design: Design, rows: Rows) -> Fit:
    n_columns = design.lines.shape[1]
    nothing, ones = np.zeros(rows.n), np.ones(rows.n)
    n_zones = max(1, int(design.line_group.max(initial=0)) + 1)
    start = Fit(
        design=design, rows=rows, x=np.zeros((rows.n, n_columns)), y=nothing, spread=ones, line_ratio=np.ones(n_zones),
        job_ratio=np.ones(2), job_weight=np.ones(table.n_jobs), coef=np.zeros(n_columns),
        cov=np.eye(n_columns), prior_var=_prior_variances(design), sigma_line=0.3, sigma_job=0.2, tail=7.0,
    )  # fmt: skip
    return _linearised(start, start.coef)


def _started_like(start: Fit, like: Fit) -> Fit:
    """Return a start with variances, weights and coefficients of a fit of the same jobs with other columns."""
    prior_var, coef = start.prior_var.copy(), start.coef.copy()
    for block in start.design.blocks:
        old = like.design.block(block.name)
        if old is not None and old.labels == block.labels:
            prior_var[block.columns], coef[block.columns] = like.prior_var[old.columns], like.coef[old.columns]
    warm = replace(
        start, prior_var=prior_var, line_ratio=like.line_ratio, job_ratio=like.job_ratio, job_weight=like.job_weight,
        sigma_line=like.sigma_line, sigma_job=like.sigma_job, tail=like.tail,
    )  # fmt: skip
    return _linearised(warm, coef)


def fit_design(table: JobTable, design: Design, quantity: Quantity = "pellets_lb", *, like: Fit | None = None) -> Fit:
    """Fit a design to what was recorded of a quantity.

    Parameters
    ----------
    like : Fit, optional
        A fit of the same jobs and quantity with other columns, from which to start: fewer rounds are needed.

    Raises
    ------
    ValueError
        When nothing was recorded of the quantity.
    """
    rows = recorded_rows(table, quantity)
    if rows.n == 0:
        raise ValueError(f"nothing was recorded of {quantity}")
    fit = _start(table, design, rows)
    least, most = ROUNDS if like is None else ROUNDS_AGAIN
    if like is not None:
        fit = _started_like(fit, like)
    for turn in range(most):
        coef, cov, noise = _solved(fit)
        moved = float(np.max(np.abs(coef - fit.coef)))
        before = fit.sigma_line**2 + fit.sigma_job**2
        fit = _linearised(fit, coef)
        fit = replace(fit, prior_var=_relearned(fit, cov))
        fit = _noise_step(fit, noise, cov, tails=turn in (4, 9, 14))
        settled = abs(fit.sigma_line**2 + fit.sigma_job**2 - before) < 5e-3 * before
        if turn >= least and settled and moved < 5e-3:
            break
    coef, cov, _ = _solved(fit)
    fit = replace(fit, coef=coef)
    return replace(fit, cov=cov * fit.tail_factor)


def fit_like_jobs(
    table: JobTable,
    figures: PlanningFigures,
    quantity: Quantity = "pellets_lb",
    *,
    steps: tuple[Step, ...] = (),
    settings: bool = True,
    like: Fit | None = None,
) -> Fit:
    """Fit what like jobs need together with technique; see the module's text and `fit_design` for `like`.

    Raises
    ------
    ValueError
        When nothing was recorded of the quantity.
    """
    return fit_design(table, build_design(table, figures, steps=steps, settings=settings), quantity, like=like)


def technique_middle(fit: Fit) -> NDArray[np.float64]:
    """Return the coefficients with each technique column's effect put to the shop's usual mix, shape (n_columns,).

    The expectation of like jobs is `offset + need columns b + usual`, where `usual` is the row mean of the technique
    part; it is added to the level, so the returned vector is 0 on technique columns.
    """
    mask = fit.design.technique
    coef = np.where(mask, 0.0, fit.coef)
    level = fit.design.block("level")
    if level is not None:
        coef[level.start] += float(np.mean(fit.x[:, mask] @ fit.coef[mask]))
    return coef


def log_expected(fit: Fit) -> NDArray[np.float64]:
    """Return the log of what like jobs need for each row, technique left out, shape (n_rows,)."""
    return _shares(fit.design, fit.rows, technique_middle(fit))[1]
