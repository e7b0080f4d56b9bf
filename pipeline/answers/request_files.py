"""Jobs asked about in a file: rows of one job id are one job, in the order of first appearance."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.intake.requesting import RequestRow, read_request
from shared.counting import counted, some_named

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from pipeline.answers.answer import Asking

#: Customers that a note names.
_NAMED: Final = 5


def jobs_from_file(asking: Asking, file: Path, day: date, *, sheet: str | None = None) -> list[JobAsked]:
    """Return the jobs of a request file.

    Parameters
    ----------
    file : Path
        In the jobs layout; pellets, minutes, prices and times beside the nozzle in it are ignored.
    day : date
        Day of the jobs whose date is blank.

    Raises
    ------
    RimebookError
        As `read_request`.
    """
    grouped: dict[str, list[RequestRow]] = {}
    for row in read_request(file, asking.book.settings, sheet=sheet):
        grouped.setdefault(row.job_id.casefold(), []).append(row)
    return [_job(rows, day) for rows in grouped.values()]


def with_customer(jobs: Sequence[JobAsked], customer: str) -> tuple[list[JobAsked], tuple[str, ...]]:
    """Return jobs of a file with a customer where the file names none, and what must be said where it names others."""
    if not customer:
        return list(jobs), ()
    named = [job for job in jobs if job.customer and job.customer.casefold() != customer.casefold()]
    said: tuple[str, ...] = ()
    if named:
        own = dict.fromkeys(job.customer for job in named)
        stands = "the customer that the file names stands" if len(named) == 1 else "the customers that it names stand"
        said = (
            f"{customer} stands for {len(jobs) - len(named)} of {counted(len(jobs), 'job')} in the file; for "
            f"{len(named)} {stands}: {some_named([*own], _NAMED)}.",
        )
    return [replace(job, customer=job.customer or customer) for job in jobs], said


def _job(rows: list[RequestRow], day: date) -> JobAsked:
    lines = tuple(
        LineAsked(
            row.vehicle_class,
            zone,
            row.soil_level,
            row.coating_removed,
            row.machine,
            row.operator,
            row.settings,
            row.vehicle,
        )
        for row in rows
        for zone in row.zones
    )
    dated = next((row.day for row in rows if row.day is not None), day)
    customer = next((row.customer for row in rows if row.customer), "")
    return JobAsked(rows[0].job_id, dated, lines, customer)
