"""How a job that was just recorded compares with what was expected of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.answer import Answer, Asking, QuantitySummary, summarise
from pipeline.answers.estimating import predicted
from pipeline.answers.logging_a_job import JobEntry, LoggedJob, log_job
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.book.tables import job_table
from shared.vocabulary import QUANTITIES, SOILS, UNKNOWN

if TYPE_CHECKING:
    from models.consumption.jobs import JobTable
    from pipeline.answers.logged_change import LogChange
    from shared.vocabulary import Basis


@dataclass(frozen=True)
class Against:
    """One quantity of the job: what it took, what was expected, and the share of expected outcomes below it."""

    quantity: str
    actual: float
    expected: QuantitySummary
    share_below: float


@dataclass(frozen=True)
class LogResult:
    """What was recorded, and how it compares.

    `batch` and `change` are None where the book held exactly this already; `against` is empty where the job has no
    total of its own.
    """

    job_id: str
    lines: int
    batch: int | None
    change: LogChange | None
    basis: Basis | None
    against: tuple[Against, ...]


def log_and_compare(asking: Asking, entry: JobEntry) -> Answer[LogResult]:
    """Record a finished job and compare it with what the stored fit, which has not seen it, expected.

    Raises
    ------
    RimebookError
        As `log_job`; then nothing is recorded.
    """
    logged = log_job(asking.book, entry, today=asking.today)
    return _compared(asking, entry, logged)


def _compared(asking: Asking, entry: JobEntry, logged: Answer[LoggedJob]) -> Answer[LogResult]:
    done = logged.result
    table = job_table(asking.book)
    place = {job.casefold(): row for row, job in enumerate(table.job_id)}
    row = place.get(entry.job_id.strip().casefold())
    if row is None:
        return Answer(LogResult(done.job_id, done.lines, done.batch, done.change, None, ()), logged.warnings)
    one = table.take_jobs(np.array([row], dtype=np.int64))
    found = predicted(asking, [_asked(one, entry)])
    against = []
    for t, quantity in enumerate(QUANTITIES):
        actual = float(one.job_total(quantity)[0])
        if not np.isnan(actual):
            draws = found.consumption.jobs(quantity).draws[0]
            told = summarise(draws, level=asking.level, n_scores=int(found.consumption.n_calibration[t, 0]))
            against.append(Against(quantity, actual, told, float(np.mean(draws < actual))))
    return Answer(
        LogResult(done.job_id, done.lines, done.batch, done.change, found.consumption.basis[0], tuple(against)),
        logged.warnings,
    )


def _asked(one: JobTable, entry: JobEntry) -> JobAsked:
    lines = tuple(
        LineAsked(vehicle, zone, SOILS[soil] if soil >= 0 else UNKNOWN, bool(coating), machine, operator)
        for vehicle, zone, soil, coating, machine, operator in zip(
            one.vehicle_class.words(), one.zone.words(), one.soil.tolist(), one.coating_removed.tolist(),
            one.machine.words(), one.operator.words(), strict=True,
        )
    )  # fmt: skip
    return JobAsked(entry.job_id, entry.day, lines)
