"""Finished jobs beside what was expected of them from only the jobs before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.backtest import Record
from pipeline.answers.review_mask import masks
from pipeline.book import fits
from pipeline.book.report_rows import visit_rows

if TYPE_CHECKING:
    from datetime import date

    from models.consumption.jobs import JobTable
    from pipeline.answers.answer import Asking


@dataclass(frozen=True)
class JobRow:
    """One finished job; None where it was not written down or nothing was expected.

    `expected_*` is the middle and `low_*`, `high_*` the 80 % interval of what was expected before it was done;
    `learned` is false where that was before anything was learned, from planning figures alone.
    """

    job_id: str
    day: date
    vehicle_classes: tuple[str, ...]
    zones: tuple[str, ...]
    soils: tuple[str, ...]
    operators: tuple[str, ...]
    pellets_lb: float | None
    expected_lb: float | None
    low_lb: float | None
    high_lb: float | None
    minutes: float | None
    expected_min: float | None
    low_min: float | None
    high_min: float | None
    price_usd: float | None
    notes: str
    learned: bool = True

    @property
    def held(self) -> bool | None:
        """Whether the pellets fell in their interval, None where that cannot be told."""
        if self.pellets_lb is None or self.low_lb is None or self.high_lb is None:
            return None
        return self.low_lb <= self.pellets_lb <= self.high_lb


def job_rows(asking: Asking, table: JobTable, *, names: bool) -> tuple[JobRow, ...]:
    """Return the finished jobs by day.

    Parameters
    ----------
    table : JobTable
        The history as of the same morning.
    names : bool
        Whether operators keep their codes; else each has the letter it has in a masked technique review.
    """
    expected = {(e.job_id, e.quantity): e for e in fits.expectations(asking.book, asking.today)}
    planned = _planned(asking)
    codes = {} if names else masks(table)
    totals = {job: (_number(p), _number(m)) for job, p, m in
              zip(table.job_id, table.job_total("pellets_lb"), table.job_total("minutes"), strict=True)}  # fmt: skip
    rows = []
    for visit in visit_rows(asking.book, asking.today):
        pellets, minutes = totals.get(visit.job_id, (None, None))
        lb = _told(expected.get((visit.job_id, "pellets_lb")))
        time = _told(expected.get((visit.job_id, "minutes")))
        rows.append(JobRow(
            visit.job_id, visit.day, visit.vehicle_classes, visit.zones, visit.soils,
            tuple(codes.get(o, o) for o in visit.operators), pellets, lb[0], lb[1], lb[2], minutes, time[0], time[1],
            time[2], visit.price_usd, visit.notes, visit.job_id not in planned,
        ))  # fmt: skip
    return tuple(rows)


def _planned(asking: Asking) -> set[str]:
    """Return the jobs of the record that nothing was learned before."""
    stored = fits.stored_record(asking.book)
    if stored is None or not stored[2]:
        return set()
    record = Record.from_json(stored[2])
    return {job for job, n in zip(record.job_id, record.n_before.tolist(), strict=True) if not n}


def _told(expected: fits.Expected | None) -> tuple[float | None, float | None, float | None]:
    return (None, None, None) if expected is None else (expected.q50, expected.q10, expected.q90)


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
