"""What a shop usually does: who works, on which machine, with which settings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import word_codes
from models.consumption.jobs import SETTINGS

if TYPE_CHECKING:
    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable

#: So many quantiles stand for a setting.
_N_USUAL = 41


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
    """Return what was written down of operators, machines and settings: shares of the jobs, quantiles."""
    codes = word_codes(columns, table)
    of_job = 1.0 / np.bincount(table.line_job, minlength=table.n_jobs)[table.line_job]
    shares = {}
    for block in ("operator", "machine"):
        known = np.flatnonzero(codes[block] >= 0)
        count = np.bincount(codes[block][known], weights=of_job[known], minlength=len(columns.blocks[block]))
        shares[block] = tuple((count / max(count.sum(), 1.0)).round(6).tolist())
    settings = {}
    for name in SETTINGS:
        written = table.settings[name][np.isfinite(table.settings[name])]
        if len(written):
            levels = (np.arange(_N_USUAL) + 0.5) / _N_USUAL
            settings[name] = tuple(np.quantile(written, levels, method="nearest").round(4).tolist())
    return Usual(shares, settings)
