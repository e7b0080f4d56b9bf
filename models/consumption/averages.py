"""Rules of thumb a shop uses without any model: what its jobs, or the cells of its jobs, took on average.

They are what a learned answer has to beat, on the same footing: both answer with quantiles of a job's total.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from shared.vocabulary import Quantity

#: A cell or a list of past ratios is used from this many entries on.
LEAST = 3


def shop_average(
    history: JobTable, request: JobTable, quantity: Quantity, levels: Sequence[float]
) -> NDArray[np.float64]:
    """Return the quantiles of the shop's past job totals as the answer to every job, (n_jobs, n_levels) in lb or min.

    Raises
    ------
    ValueError
        When no past job has a total of this quantity.
    """
    total = history.job_total(quantity)
    total = total[np.isfinite(total)]
    if not len(total):
        raise ValueError(f"no past job has a total of {quantity}")
    return np.tile(np.quantile(total, list(levels)), (request.n_jobs, 1))


def cell_average(
    history: JobTable, request: JobTable, quantity: Quantity, levels: Sequence[float]
) -> NDArray[np.float64]:
    """Return cell averages summed over a job's lines, times quantiles of actual over average, (n_jobs, n_levels).

    A line's cell is its class, zone and soil; with fewer than three past lines the zone and soil, then the zone, then
    the shop stand in. A total without lines is spread over them in proportion to their zones' averages. The ratios of
    past jobs are taken with the job itself left out of every average.

    Raises
    ------
    ValueError
        When no past job has a record of this quantity.
    """
    line_value = _spread_totals(history, quantity)
    seen = np.isfinite(line_value)
    if not seen.any():
        raise ValueError(f"no past job has a record of {quantity}")
    past = _keys(history, history)
    asked = _keys(history, request)
    own = _line_average(past, line_value, past, history.line_job)
    total = history.job_total(quantity)
    expected = np.bincount(history.line_job, weights=own, minlength=history.n_jobs)
    usable = np.isfinite(total) & (total > 0) & (expected > 0)
    ratio = total[usable] / expected[usable] if usable.sum() >= LEAST else np.ones(1)
    job = np.bincount(request.line_job, weights=_line_average(past, line_value, asked, None), minlength=request.n_jobs)
    return np.asarray(job[:, None] * np.quantile(ratio, list(levels))[None, :], dtype=np.float64)


def _spread_totals(history: JobTable, quantity: Quantity) -> NDArray[np.float64]:
    """Return a value for each line: its record, or its share of a recorded sum; NaN where nothing was recorded."""
    seen = history.observed(quantity)
    value = np.full(history.n_lines, np.nan)
    if not len(seen.value):
        return value
    has = seen.group >= 0
    alone = has & (seen.size()[np.maximum(seen.group, 0)] == 1)
    value[alone] = seen.value[seen.group[alone]]
    level = float(np.mean(value[alone])) if alone.any() else 1.0
    count = np.bincount(history.zone.codes[alone], minlength=len(history.zone.names))
    sums = np.bincount(history.zone.codes[alone], weights=value[alone], minlength=len(history.zone.names))
    size = np.where(count > 0, sums / np.maximum(count, 1), level)[history.zone.codes]
    group_size = np.bincount(seen.group[has], weights=size[has], minlength=len(seen.value))
    value[has] = seen.value[seen.group[has]] * size[has] / group_size[seen.group[has]]
    return value


def _keys(history: JobTable, table: JobTable) -> list[NDArray[np.int64]]:
    """Return each line's cell in four grains from fine to coarse, coded in the history's words; -1 has no cell."""
    vehicle = table.vehicle_class.recoded(history.vehicle_class.names).astype(np.int64)
    zone = table.zone.recoded(history.zone.names).astype(np.int64)
    soil = table.soil
    n_zones, n_soils = max(len(history.zone.names), 1), 4
    fine = np.where((vehicle >= 0) & (zone >= 0) & (soil >= 0), (vehicle * n_zones + zone) * n_soils + soil, -1)
    middle = np.where((zone >= 0) & (soil >= 0), zone * n_soils + soil, -1)
    return [fine, middle, zone, np.zeros(table.n_lines, dtype=np.int64)]


def _line_average(
    past: list[NDArray[np.int64]],
    value: NDArray[np.float64],
    asked: list[NDArray[np.int64]],
    left_out: NDArray[np.int64] | None,
) -> NDArray[np.float64]:
    """Return the average of the finest cell with three lines; `left_out` (job of each line) leaves its job out."""
    answer = np.full(len(asked[0]), np.nan)
    seen = np.isfinite(value)
    for past_key, key in zip(past, asked, strict=True):
        n_cells = int(max(past_key.max(initial=0), key.max(initial=0))) + 1
        used = seen & (past_key >= 0)
        count = np.bincount(past_key[used], minlength=n_cells).astype(np.float64)[np.maximum(key, 0)]
        sums = np.bincount(past_key[used], weights=value[used], minlength=n_cells)[np.maximum(key, 0)]
        if left_out is not None:
            cell_of_job = np.maximum(key, 0) + n_cells * left_out
            inverse = np.unique(cell_of_job, return_inverse=True)[1]
            count -= np.bincount(inverse[used], minlength=inverse.max() + 1)[inverse]
            sums -= np.bincount(inverse[used], weights=value[used], minlength=inverse.max() + 1)[inverse]
        good = np.isnan(answer) & (key >= 0) & (count >= LEAST)
        answer[good] = sums[good] / count[good]
    return np.where(np.isnan(answer), float(np.mean(value[seen])), answer)
