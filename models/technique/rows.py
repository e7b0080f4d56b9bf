"""Recorded sums as regression rows, and the noise that the rows of one job share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from shared.vocabulary import Quantity


@dataclass(frozen=True)
class Rows:
    """Recorded sums as regression rows, in job order.

    Attributes
    ----------
    order : int64 array (n_used,)
        Lines in the order of their row.
    first : int64 array (n_rows,)
        Where each row's lines start in `order`.
    job : int64 array (n_rows,)
        Job of each row, non-decreasing.
    log_value : float64 array (n_rows,)
    """

    order: NDArray[np.int64]
    first: NDArray[np.int64]
    job: NDArray[np.int64]
    log_value: NDArray[np.float64]

    @property
    def n(self) -> int:
        """Number of rows."""
        return len(self.job)


def recorded_rows(table: JobTable, quantity: Quantity) -> Rows:
    """Return what was recorded of a quantity as rows, by job, each with its lines."""
    seen = table.observed(quantity)
    used = np.flatnonzero(seen.group >= 0)
    group = seen.group[used]
    n = len(seen.value)
    job_of_group = np.zeros(n, dtype=np.int64)
    job_of_group[group] = table.line_job[used]
    rank = np.empty(n, dtype=np.int64)
    by_job = np.argsort(job_of_group, kind="stable")
    rank[by_job] = np.arange(n)
    order = np.argsort(rank[group], kind="stable")
    first = np.searchsorted(rank[group][order], np.arange(n))
    return Rows(used[order], first.astype(np.int64), job_of_group[by_job], np.log(seen.value[by_job]))


def job_starts(rows: Rows) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the jobs that have rows and where each starts."""
    jobs, starts = np.unique(rows.job, return_index=True)
    return jobs.astype(np.int64), starts.astype(np.int64)


def summed(
    weight: NDArray[np.float64], order: NDArray[np.int64], first: NDArray[np.int64], columns: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return sums over runs of weight times columns[order], each run from `first` to the next, shape (n_runs, k)."""
    from scipy.sparse import csr_array

    ends = np.append(first, len(order))
    return np.asarray(csr_array((weight, order, ends), shape=(len(first), len(columns))) @ columns, dtype=np.float64)


@dataclass(frozen=True)
class Whitener:
    """Applies the inverse noise covariance, block by block of jobs: Q - Q 1 1' Q / (1/s_J^2 + sum q).

    Attributes
    ----------
    q : float64 array (n_rows,)
        Precision of each row's line noise.
    starts : int64 array (n_used_jobs,)
    position : int64 array (n_rows,)
        Which used job a row belongs to.
    total : float64 array (n_used_jobs,)
        1/s_J^2 + sum q.
    """

    q: NDArray[np.float64]
    starts: NDArray[np.int64]
    position: NDArray[np.int64]
    total: NDArray[np.float64]

    @classmethod
    def of(cls, rows: Rows, row_var: NDArray[np.float64], job_var: NDArray[np.float64]) -> Whitener:
        """Build it from the variance of each row's line noise (n_rows,) and of each job's own (n_jobs,)."""
        jobs, starts = job_starts(rows)
        position = np.repeat(np.arange(len(jobs)), np.diff([*starts, rows.n]))
        return cls(1.0 / row_var, starts, position, 1.0 / job_var[jobs] + np.add.reduceat(1.0 / row_var, starts))

    def job_sums(self, columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return sum over each job's rows of q times the columns, shape (n_used_jobs, n_columns)."""
        return summed(self.q, np.arange(len(self.q)), self.starts, columns)

    def apply(self, columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the inverse covariance times columns of shape (n_rows, n_columns)."""
        lowered = self.job_sums(columns) / self.total[:, None]
        return np.asarray(self.q[:, None] * (columns - lowered[self.position]), dtype=np.float64)
