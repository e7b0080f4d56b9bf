"""What a shop usually does: who works, on which machine, with which settings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import word_codes
from models.consumption.jobs import SETTINGS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable

#: So many quantiles stand for a setting.
_N_USUAL = 41
#: After so many days a job counts half for what a shop does now, and the whole record counts for so many jobs.
_HALF_LIFE_DAYS, _RECORD_JOBS = 45.0, 5.0


@dataclass(frozen=True)
class Usual:
    """What a shop usually does, for what a request leaves blank.

    Attributes
    ----------
    shares : dict "operator" | "machine" -> tuple of shares, in the order of the columns' words
    settings : dict setting -> tuple of values (evenly spaced quantiles of the written ones)
    """

    shares: dict[str, tuple[float, ...]]
    settings: dict[str, tuple[float, ...]]


def usual_of(columns: Columns, table: JobTable) -> Usual:
    """Return what was written down of operators, machines and settings over the whole record: shares, quantiles."""
    return _weighed(columns, table, np.ones(table.n_jobs))


def usual_now(columns: Columns, table: JobTable) -> Usual:
    """Return the same as of the newest job: who has left, or what was replaced, comes no more.

    Each job weighs half after `_HALF_LIFE_DAYS` days, and all of them together `_RECORD_JOBS` more, evenly: without
    these a handful of jobs would be the whole mix.
    """
    if not table.n_jobs:
        return usual_of(columns, table)
    recent = 0.5 ** ((table.day.max() - table.day) / _HALF_LIFE_DAYS)
    return _weighed(columns, table, recent + _RECORD_JOBS / table.n_jobs)


def _weighed(columns: Columns, table: JobTable, job_weight: NDArray[np.float64]) -> Usual:
    codes = word_codes(columns, table)
    of_job = (job_weight / np.bincount(table.line_job, minlength=table.n_jobs))[table.line_job]
    shares = {}
    for block in ("operator", "machine"):
        known = np.flatnonzero(codes[block] >= 0)
        count = np.bincount(codes[block][known], weights=of_job[known], minlength=len(columns.blocks[block]))
        shares[block] = tuple((count / (count.sum() or 1.0)).round(6).tolist())
    settings = {}
    for name in SETTINGS:
        written = np.isfinite(table.settings[name])
        if written.any():
            values, weight = table.settings[name][written], job_weight[table.line_job][written]
            settings[name] = tuple(_quantiles(values, weight).round(4).tolist())
    return Usual(shares, settings)


def _quantiles(values: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return evenly spaced quantiles of weighed values: the first whose weight so far reaches the level."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    levels = (np.arange(_N_USUAL) + 0.5) / _N_USUAL
    at = np.searchsorted(reached, levels * reached[-1])
    return np.asarray(values[order][np.minimum(at, len(values) - 1)], dtype=np.float64)
