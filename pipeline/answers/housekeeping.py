"""Housekeeping of a book's records: its batches, taking one out, writing everything to files, the logs' schemas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.answers.answer import Answer
from pipeline.book.batches import read_batches, undo_batch
from pipeline.intake.exporting import export_tables, packages_that_differ
from pipeline.intake.schema import table_schemas

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.book.settings import Settings
    from pipeline.book.store import Book
    from pipeline.intake.exporting import Format


@dataclass(frozen=True)
class BatchLine:
    """One imported file: rows as counted when it was read; `replaced` lines of the book gave way to others.

    Attributes
    ----------
    made_at : str
        UTC, ISO 8601.
    undone : bool
    """

    batch: int
    made_at: str
    kind: str
    file: str
    rows: int
    accepted: int
    duplicate: int
    rejected: int
    set_aside: int
    replaced: int
    undone: bool


@dataclass(frozen=True)
class BatchList:
    """Every imported file, oldest first."""

    batches: tuple[BatchLine, ...]


@dataclass(frozen=True)
class ReopenedQuote:
    """A quote that is open again, since the job that won it was taken out."""

    number: int
    job_id: str


@dataclass(frozen=True)
class UndoneBatch:
    """What taking a batch out did to the book's lines, and to the quotes that its jobs had won."""

    batch: int
    files: tuple[str, ...]
    lines_removed: int
    lines_restored: int
    quotes_reopened: tuple[ReopenedQuote, ...]


@dataclass(frozen=True)
class ExportedFile:
    """One table written to a file."""

    table: str
    file: str
    rows: int


@dataclass(frozen=True)
class Exported:
    """The files of an export."""

    files: tuple[ExportedFile, ...]


def batches(book: Book) -> Answer[BatchList]:
    """Return the book's batches; a warning names each whose lines are no longer all there."""
    rows = read_batches(book)
    told = {
        (r.batch, r.kind): f"batch {r.batch} wrote {r.n_lines:,} {r.kind} lines and {r.n_found:,} are there: the book "
        "was damaged or changed by something else; restore the last backup, or import the file again"
        for r in rows if r.undone_at is None and r.n_lines != r.n_found
    }  # fmt: skip
    lines = tuple(
        BatchLine(r.batch, r.made_at.isoformat(timespec="seconds") + "Z", r.kind, r.file, r.n_rows, r.n_accepted,
                  r.n_duplicate, r.n_rejected, r.n_set_aside, r.n_replaced, r.undone_at is not None)
        for r in rows
    )  # fmt: skip
    return Answer(BatchList(lines), tuple(told.values()))


def undo(book: Book, batch: int | None = None) -> Answer[UndoneBatch]:
    """Take one batch out of the book, the last one where None; values it had replaced are put back.

    A quote that was won by a job which leaves the book with it is open again.

    Raises
    ------
    RimebookError
        Where there is no such batch or a later one builds on it.
    """
    done = undo_batch(book, batch)
    told = tuple(
        f"{n:,} rows of {file} (batch {later}) had been in this batch already and are out with it; "
        "import that file again to have them back"
        for file, later, n in done.also_in
    )
    reopened = tuple(ReopenedQuote(number, job) for number, job in done.reopened)
    return Answer(UndoneBatch(done.batch, done.files, done.n_removed, done.n_restored, reopened), told)


def export(book: Book, to: Path, *, format: Format = "csv", force: bool = False) -> Answer[Exported]:
    """Write every log, the replaced values (`history`) and the saved quotes to files of one folder.

    A warning names each package whose zones a new book would not read as this one has them.

    Raises
    ------
    RimebookError
        Where files of these names stand there (without `force`) or the folder cannot be written.
    """
    done = export_tables(book, to, format, force=force)
    files = tuple(ExportedFile(name, str(place), n) for name, place, n in done)
    return Answer(Exported(files), packages_that_differ(book))


def log_schemas(settings: Settings) -> Answer[dict[str, dict[str, Any]]]:
    """Return each log as a Frictionless Table Schema, with the classes, zones and packages of a book's settings."""
    return Answer(table_schemas(settings))
