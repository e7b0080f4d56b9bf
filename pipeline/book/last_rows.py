"""What was logged last: the defaults of the next job's entry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from pipeline.book.store import Book


@dataclass(frozen=True)
class LastLine:
    """The last visit's words; '' where it was left blank."""

    job_id: str
    day: date
    vehicle_class: str
    machine: str
    operator: str
    container: str


def last_line(book: Book, before: date | None = None) -> LastLine | None:
    """Return the last line of the last visit dated before a day (of all where None), None where there is none."""
    with book.reading() as connection:
        row = connection.execute(
            """select job_id, day, vehicle_class, machine, operator, container from job_lines
            where ?::date is null or day < ? order by day desc, batch desc, job_id desc, vehicle, zone limit 1""",
            [before, before],
        ).fetchone()
    return LastLine(*row) if row else None


def has_visit(book: Book, job_id: str) -> bool:
    """Tell whether the book has a visit of this id, compared as codes are."""
    with book.reading() as connection:
        row = connection.execute("select 1 from job_lines where lower(job_id) = lower(?) limit 1", [job_id]).fetchone()
    return row is not None
