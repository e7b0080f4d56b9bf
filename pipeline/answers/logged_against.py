"""How a job that was just recorded compares with what was expected of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.backtest import Record
from pipeline.answers.answer import Answer, Asking, QuantitySummary, summarise
from pipeline.answers.estimating import predicted_by
from pipeline.answers.fitting import CurrentFit, current_fit
from pipeline.answers.history import history
from pipeline.answers.logging_a_job import JobEntry, log_job
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.book import fits
from pipeline.book.last_rows import has_visit
from pipeline.book.tables import job_table
from shared.errors import RimebookError
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
    total of its own. `basis` and `similar_jobs` are what the expectation stands on.
    """

    job_id: str
    lines: int
    batch: int | None
    change: LogChange | None
    basis: Basis | None
    similar_jobs: int
    against: tuple[Against, ...]


def log_and_compare(asking: Asking, entry: JobEntry) -> Answer[LogResult]:
    """Record a finished job and compare it with what was expected as the book stood before.

    Raises
    ------
    RimebookError
        As `log_job`; then nothing is recorded. Where the stored fit cannot be read the job is.
    """
    # Before the job is written: a fit that is made for this answer alone would learn from it.
    try:
        fit = current_fit(asking)
    except RimebookError:
        log_job(asking.book, entry, today=asking.today)  # it is kept, whatever is wrong with the fit
        raise
    job_id = entry.job_id.strip()
    learned = has_visit(asking.book, job_id) and job_id.casefold() in _learned_jobs(asking, fit)
    logged = log_job(asking.book, entry, today=asking.today)
    done = logged.result
    table = job_table(asking.book)
    place = {job.casefold(): row for row, job in enumerate(table.job_id)}
    row = place.get(job_id.casefold())
    if row is None:
        return Answer(LogResult(done.job_id, done.lines, done.batch, done.change, None, 0, ()), logged.warnings)
    one = table.take_jobs(np.array([row], dtype=np.int64))
    found = predicted_by(fit, asking, [_asked(one)])
    against = []
    for t, quantity in enumerate(QUANTITIES):
        actual = float(one.job_total(quantity)[0])
        if not np.isnan(actual):
            draws = found.consumption.jobs(quantity).draws[0]
            told = summarise(draws, level=asking.level, n_scores=int(found.consumption.n_calibration[t, 0]))
            against.append(Against(quantity, actual, told, float(np.mean(draws < actual))))
    basis, similar = found.consumption.basis[0], int(found.consumption.similar_jobs[0])
    warnings = list(logged.warnings)
    if against:
        warnings += fit.warnings
        if learned:
            warnings.append("What was expected of this job was learned from it too, as it stood before.")
    return Answer(
        LogResult(done.job_id, done.lines, done.batch, done.change, basis, similar, tuple(against)), tuple(warnings)
    )


def _learned_jobs(asking: Asking, fit: CurrentFit) -> set[str]:
    """Return the jobs that a fit has learned from: those of the stored record, or all before today if made anew."""
    if fit.version is None:
        ids = history(asking.book, asking.today).job_id if fit.fitted.n_jobs else ()
    else:
        stored = fits.stored_record(asking.book)
        ids = Record.from_json(stored[2]).job_id if stored and stored[2] else ()
    return {job.casefold() for job in ids}


def _asked(one: JobTable) -> JobAsked:
    lines = tuple(
        LineAsked(vehicle, zone, SOILS[soil] if soil >= 0 else UNKNOWN, bool(coating), machine, operator)
        for vehicle, zone, soil, coating, machine, operator in zip(
            one.vehicle_class.words(), one.zone.words(), one.soil.tolist(), one.coating_removed.tolist(),
            one.machine.words(), one.operator.words(), strict=True,
        )
    )  # fmt: skip
    return JobAsked(one.job_id[0], date.fromordinal(int(one.day[0])), lines, one.customer.words()[0])
