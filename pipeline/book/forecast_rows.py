"""Rows that only the forecast asks for: jobs dated where none can be yet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from pipeline.book.store import Book


@dataclass(frozen=True)
class DatedLater:
    """Jobs dated on or after a day: how many, and the first and last of their days."""

    n_jobs: int
    first: date
    last: date


def jobs_from(book: Book, day: date) -> DatedLater | None:
    """Return the jobs dated on or after a day, None where there is none."""
    with book.reading() as connection:
        row = connection.execute(
            "select count(distinct job_id), min(day), max(day) from job_lines where day >= ?", [day]
        ).fetchone()
    return DatedLater(int(row[0]), row[1], row[2]) if row and row[0] else None
