"""The shop's history as it is learned from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.book.tables import job_table

if TYPE_CHECKING:
    from datetime import date

    from models.consumption.jobs import JobTable
    from pipeline.book.store import Book


def history(book: Book, before: date) -> JobTable:
    """Return the jobs dated before a day as a job table."""
    return job_table(book, before)
