"""Backup, restore and the check of a book."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from models.consumption.backtest import Record
from pipeline.answers.answer import Answer
from pipeline.answers.fitting import expected_columns
from pipeline.book import backup, fits
from pipeline.book.soundness import read_soundness
from pipeline.book.toml_file import FILE_NAME

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.book.store import Book


@dataclass(frozen=True)
class BackedUp:
    """A finished backup, read again and found equal."""

    file: str
    rows: int
    size_bytes: int


@dataclass(frozen=True)
class Restored:
    """A finished restore; `kept` is the folder with the book as it was, None where there was none."""

    file: str
    rows: int
    kept: str | None


@dataclass(frozen=True)
class TableRows:
    """A table and its rows."""

    table: str
    rows: int


@dataclass(frozen=True)
class Checked:
    """The verdict on a book; `mended` names derived tables that were made anew."""

    sound: bool
    tables: tuple[TableRows, ...]
    mended: tuple[str, ...]


def back_up(book: Book, file: Path, *, force: bool = False) -> Answer[BackedUp]:
    """Write the book into one verified file; see `pipeline.book.backup.back_up`."""
    made = backup.back_up(book, file, force=force)
    return Answer(BackedUp(str(made.file), made.rows, made.size_bytes))


def restore(folder: Path, file: Path, *, force: bool = False) -> Answer[Restored]:
    """Put a backup in the place of a book, which is kept; see `pipeline.book.backup.restore`."""
    made = backup.restore(folder, file, force=force)
    said: tuple[str, ...] = ()
    if made.settings_replaced and made.kept is not None:
        said = (
            "book.toml was replaced by the backup's, whose settings now hold (prices, wages, limits). The one that was "
            f"there is {made.kept / FILE_NAME}.",
        )
    return Answer(Restored(str(file), made.rows, str(made.kept) if made.kept is not None else None), said)


def check(book: Book) -> Answer[Checked]:
    """Read the whole book, count its batches, and make derived tables anew where they do not stand.

    Raises
    ------
    RimebookError
        Where a block of the file is damaged.
    """
    found = read_soundness(book)
    stored = fits.stored_record(book)
    record = Record.from_json(stored[2]) if stored and stored[2] else Record.empty()
    version, expected = stored[0] if stored else 0, expected_columns(record)
    mended: list[str] = []
    if not fits.expectations_stand(book, version, expected):
        fits.rewrite_expectations(book, version, expected)
        mended.append("what was expected of past jobs, from the newest fit's record")
    tables = tuple(TableRows(name, n) for name, n in found.rows.items())
    return Answer(Checked(not found.faults, tables, tuple(mended)), found.faults + found.not_checked)
