"""What tests of backups and restores share: jobs brought into a book, and a refusal's sentence."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from log_files import log_file

from pipeline.book.store import Book
from pipeline.intake.importing import import_files
from shared.errors import RimebookError

TODAY = date(2026, 7, 1)


def import_jobs(book: Book, folder: Path, *lines: str) -> None:
    """Import lines of a job log: job_id, date, vehicle_class, zone, pellets_lb, minutes."""
    head = "job_id,date,vehicle_class,zone,pellets_lb,minutes"
    import_files(book, [log_file(folder, "jobs.csv", head, *lines)], today=TODAY)


def refused(code: str, work: Callable[[], object]) -> str:
    """Return the sentence of the problem by which work is refused."""
    with pytest.raises(RimebookError) as raised:
        work()
    assert raised.value.problem.code == code
    return raised.value.problem.sentence()
