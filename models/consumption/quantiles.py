"""Quantile learners on a job table: linear and gradient-boosted quantiles of a job's total.

They know nothing of how a job is built from lines, so they are the peers a structured answer is judged by; boosted
quantiles of a structured learner's log residuals find what its form cannot say.

Koenker, R. and Bassett, G. (1978), "Regression Quantiles", Econometrica 46:33-50. Crossing quantiles are put in order:
Chernozhukov, V., Fernandez-Val, I. and Galichon, A. (2010), "Quantile and Probability Curves Without Crossing",
Econometrica 78:1093-1125.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared.units import DAYS_PER_YEAR
from shared.vocabulary import SOILS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.consumption.jobs import Factor, JobTable
    from shared.vocabulary import Quantity

#: A job's log total is at most this (it bounds what an extrapolating line can answer): exp(12) lb or min.
LOG_CEILING = 12.0


@dataclass(frozen=True)
class JobFeatures:
    """The columns by which a job table is turned into numbers, fixed on the history.

    Attributes
    ----------
    vehicle_class, zone, machine, operator : tuple of str
        Words with a column of their own; others count as none of these.
    first_day : int
        Ordinal from which years are counted.
    """

    vehicle_class: tuple[str, ...]
    zone: tuple[str, ...]
    machine: tuple[str, ...]
    operator: tuple[str, ...]
    first_day: int

    @classmethod
    def of(cls, history: JobTable) -> JobFeatures:
        """Take the words and the first day of a history."""
        first = int(history.day.min()) if history.n_jobs else 0
        return cls(_used(history.vehicle_class), _used(history.zone), _used(history.machine), _used(history.operator),
                   first)  # fmt: skip

    def matrix(self, table: JobTable) -> NDArray[np.float64]:
        """Return one row a job: lines, lines by zone, class, machine and operator, soil by zone, date, coating, age.

        Unknown soil counts as the middle of the scale beside a column that counts it. Shape (n_jobs, n_columns).
        """
        job, n = table.line_job, table.n_jobs
        lines = np.bincount(job, minlength=n).astype(np.float64)
        level = np.where(table.soil < 0, (len(SOILS) - 1) / 2, table.soil)
        zone = _indicator(table.zone, self.zone)
        age = np.nan_to_num(table.settings["ice_age_days"], nan=0.0)
        worst = np.zeros(n)
        np.maximum.at(worst, job, level)
        parts = [
            lines[:, None],
            np.log(np.maximum(lines, 1.0))[:, None],
            _per_job(job, n, zone),
            _per_job(job, n, zone * level[:, None]),
            _per_job(job, n, _indicator(table.vehicle_class, self.vehicle_class)) / np.maximum(lines, 1.0)[:, None],
            _per_job(job, n, _indicator(table.machine, self.machine)) / np.maximum(lines, 1.0)[:, None],
            _per_job(job, n, _indicator(table.operator, self.operator)) / np.maximum(lines, 1.0)[:, None],
            worst[:, None],
            _per_job(job, n, (table.soil < 0)[:, None].astype(np.float64)),
            _per_job(job, n, table.coating_removed[:, None].astype(np.float64)),
            _per_job(job, n, age[:, None]) / np.maximum(lines, 1.0)[:, None],
            ((table.day - self.first_day) / DAYS_PER_YEAR)[:, None],
        ]
        return np.concatenate(parts, axis=1)


def linear_coefficients(design: NDArray[np.float64], y: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """Return the coefficients of the linear `level` quantile of y given the design (with its own constant column).

    The minimiser of the summed check loss (Koenker & Bassett 1978), found as a linear programme by scikit-learn's
    QuantileRegressor without penalty.

    Parameters
    ----------
    design : float array (n, p)
    y : float array (n,)
    level : float in (0, 1)
    """
    return _regress(design, y, level, 0.0)


def linear_quantiles(
    history: JobTable, request: JobTable, quantity: Quantity, levels: Sequence[float], *, penalty: float = 0.01
) -> NDArray[np.float64]:
    """Return quantiles of each job's total from linear quantile regressions of its logarithm, (n_jobs, n_levels).

    `penalty` weighs the absolute size of the standardised coefficients against the mean check loss, without which
    thirty jobs cannot carry some thirty columns.

    Raises
    ------
    ValueError
        When no past job has a total of this quantity.
    """
    design, y, asked = _standardised(history, request, quantity)
    rows = []
    for level in levels:
        beta = _regress(design, y, level, penalty)
        rows.append(asked @ beta)
    return _ordered_exp(np.array(rows).T)


def boosted_quantiles(
    history: JobTable, request: JobTable, quantity: Quantity, levels: Sequence[float], *, seed: int
) -> NDArray[np.float64]:
    """Return quantiles of each job's total from gradient-boosted trees on its logarithm, (n_jobs, n_levels).

    Raises
    ------
    ValueError
        When no past job has a total of this quantity.
    """
    features = JobFeatures.of(history)
    y = _log_total(history, quantity)
    known = np.isfinite(y)
    log_quantiles = _boost(
        features.matrix(history)[known], y[known], features.matrix(request), levels, seed=seed, n_rounds=150
    )
    return _ordered_exp(log_quantiles)


def boosted_residual_quantiles(
    history: JobTable,
    request: JobTable,
    quantity: Quantity,
    levels: Sequence[float],
    *,
    history_log_median: NDArray[np.float64],
    request_log_median: NDArray[np.float64],
    seed: int,
) -> NDArray[np.float64]:
    """Return quantiles of each job's total as another learner's median times boosted quantiles of actual over median.

    Parameters
    ----------
    history_log_median, request_log_median : float arrays (n_jobs,)
        Log medians of each job's total by the other learner; those of the history must come from fits that have not
        seen the job, or the residuals are too small.

    Raises
    ------
    ValueError
        When no past job has a total of this quantity.
    """
    features = JobFeatures.of(history)
    residual = _log_total(history, quantity) - history_log_median
    known = np.isfinite(residual)
    past = np.column_stack([features.matrix(history), history_log_median])[known]
    asked = np.column_stack([features.matrix(request), request_log_median])
    log_ratio = _boost(past, residual[known], asked, levels, seed=seed, n_rounds=60)
    return _ordered_exp(request_log_median[:, None] + log_ratio)


def _log_total(history: JobTable, quantity: Quantity) -> NDArray[np.float64]:
    """Return the log of each job's recorded total, NaN where there is none; raise where there is none at all."""
    total = history.job_total(quantity)
    if not np.isfinite(total).any():
        raise ValueError(f"no past job has a total of {quantity}")
    return np.asarray(np.log(np.where(total > 0, total, np.nan)), dtype=np.float64)


def _standardised(
    history: JobTable, request: JobTable, quantity: Quantity
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    features = JobFeatures.of(history)
    y = _log_total(history, quantity)
    known = np.isfinite(y)
    past, asked = features.matrix(history)[known], features.matrix(request)
    centre, scale = past.mean(axis=0), past.std(axis=0)
    varies = scale > 0
    ends = [
        np.column_stack([np.ones(len(x)), ((x - centre) / np.where(varies, scale, 1.0))[:, varies]])
        for x in (past, asked)
    ]
    return ends[0], y[known], ends[1]


def _regress(design: NDArray[np.float64], y: NDArray[np.float64], level: float, penalty: float) -> NDArray[np.float64]:
    """Return penalised regression-quantile coefficients; a constant first column goes unpenalised."""
    from sklearn.linear_model import QuantileRegressor

    constant = bool(np.all(design[:, 0] == 1.0)) and penalty > 0
    model = QuantileRegressor(quantile=level, alpha=penalty, fit_intercept=constant, solver="highs")
    model.fit(design[:, 1:] if constant else design, y)
    slopes = np.asarray(model.coef_, dtype=np.float64)
    return np.concatenate([[float(model.intercept_)], slopes]) if constant else slopes


def _boost(
    past: NDArray[np.float64],
    y: NDArray[np.float64],
    asked: NDArray[np.float64],
    levels: Sequence[float],
    *,
    seed: int,
    n_rounds: int,
) -> NDArray[np.float64]:
    """Return boosted quantiles of y at the asked rows, (n, n_levels); a leaf holds a tenth of the rows, 8 to 20."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    leaf = int(np.clip(len(y) // 10, 8, 20))
    columns = []
    for level in levels:
        model = HistGradientBoostingRegressor(
            loss="quantile", quantile=level, max_iter=n_rounds, learning_rate=0.06, max_leaf_nodes=8,
            min_samples_leaf=leaf, l2_regularization=1.0, early_stopping=False, random_state=seed,
        )  # fmt: skip
        columns.append(model.fit(past, y).predict(asked))
    return np.array(columns).T


def _ordered_exp(log_quantiles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return exponentials of each row in increasing order, bounded by `LOG_CEILING`."""
    return np.asarray(np.exp(np.minimum(np.sort(log_quantiles, axis=1), LOG_CEILING)), dtype=np.float64)


def _used(factor: Factor) -> tuple[str, ...]:
    """Return the words of a factor that occur in it."""
    return tuple(factor.names[c] for c in np.unique(factor.codes[factor.codes >= 0]).tolist())


def _indicator(factor: Factor, words: tuple[str, ...]) -> NDArray[np.float64]:
    return np.asarray(factor.recoded(words)[:, None] == np.arange(len(words))[None, :], dtype=np.float64)


def _per_job(job: NDArray[np.int64], n_jobs: int, columns: NDArray[np.float64]) -> NDArray[np.float64]:
    sums = np.zeros((n_jobs, columns.shape[1]))
    np.add.at(sums, job, columns)
    return sums
