"""Import: files in, checked rows in the book, and an account in which every row appears once."""

from __future__ import annotations

import shlex
import shutil
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.book import applying, staging
from pipeline.book.log_tables import LOG_TABLES
from pipeline.intake.book_words import words_of
from pipeline.intake.column_map import draft_map
from pipeline.intake.judging import Judged, ReasonTold, judge
from pipeline.intake.opening import open_for_import, read_column_map, write_map_draft
from pipeline.intake.rejects import write_rejects
from shared.counting import room
from shared.errors import RimebookError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date
    from pathlib import Path

    import duckdb

    from pipeline.book.staging import Prefer
    from pipeline.book.store import Book
    from pipeline.intake.column_map import ColumnMap
    from pipeline.intake.columns import Log
    from pipeline.intake.opening import OpenedLog
    from pipeline.intake.raw import RawLog

#: Room on the disk that an import wants, as a multiple of the files' size.
_ROOM: int = 3
#: Memory the database may take for staging before it goes to disk.
_STAGING_MEMORY = "400MB"


@dataclass(frozen=True)
class FileResult:
    """The account of one log of one file; accepted + duplicate + rejected = rows.

    Attributes
    ----------
    file : str
        Its name, with the sheet where a workbook holds several logs.
    kind : str
    rows, accepted, duplicate, rejected, set_aside : int
        `set_aside` counts title, blank and totals rows, which are no data and not among `rows`.
    unmatched_headers : tuple of str
        Heads whose cells were not imported.
    reasons : tuple of ReasonTold
    rejects_file : str or None
    """

    file: str
    kind: str
    rows: int
    accepted: int
    duplicate: int
    rejected: int
    set_aside: int
    unmatched_headers: tuple[str, ...]
    reasons: tuple[ReasonTold, ...]
    rejects_file: str | None


@dataclass(frozen=True)
class ImportResult:
    """What an import did; `batch` is None where the book was not changed."""

    files: tuple[FileResult, ...]
    batch: int | None


@dataclass(frozen=True)
class ImportAnswer:
    """The result, what to tell beside it, and whether `--strict` calls it a failure (exit code 1)."""

    result: ImportResult
    warnings: tuple[str, ...]
    failed: bool


def import_files(
    book: Book,
    files: Sequence[Path],
    *,
    today: date,
    kind: Log | None = None,
    columns: Path | None = None,
    write_map: Path | None = None,
    sheet: str | None = None,
    encoding: str | None = None,
    prefer: Prefer = "newest",
    dry_run: bool = False,
    strict: bool = False,
    progress: Callable[[float, str], None] | None = None,
) -> ImportAnswer:
    """Import log files into a book: all of them in one transaction, as one batch.

    Parameters
    ----------
    book : Book
    files : sequence of Path
    today : date
        Rows dated after it are told; jobs more than two years after it are rejected.
    kind : Log, optional
        What every file is; guessed from the headers where not given.
    columns, write_map : Path, optional
        A column map to follow; where to draft one (from the first file).
    sheet, encoding : str, optional
    prefer : {"newest", "stored"}
        Which of two lines with one key and other content stays: the file's, or the book's.
    dry_run : bool
        Read and check everything and write nothing to the book, nor a rejects file.
    strict : bool
        Call it a failure where any row was rejected; good rows are in the book all the same.
    progress : callable, optional
        Told the share of the files done (0..1) and a word for it.

    Raises
    ------
    RimebookError
        Where a file cannot be read or understood, the book is in use or the disk full; then nothing was imported.
    """
    words = words_of(book.settings)
    column_map = read_column_map(columns)
    if kind and column_map and column_map.kind and column_map.kind != kind:
        raise UsageError(
            "kind-against-map", where="--kind", found=f"`{kind}` beside a column map of {column_map.kind}",
            expected="one kind", do="Leave --kind out, or correct `kind` in the column map.",
        )  # fmt: skip
    opened = [
        log for file in files
        for log in open_for_import(book.settings, file, words, column_map, kind, sheet, encoding, today,
                                   write_map)
    ]  # fmt: skip
    if write_map is not None:
        write_map_draft(write_map, draft_map(opened[0].log.header, opened[0].match))
    _check_room(book, files)
    said = [("--columns", str(columns) if columns else ""), ("--kind", kind or "")]
    options = " ".join(f"{option} {shlex.quote(value)}" for option, value in said if value)
    answer = import_opened(
        book,
        opened,
        today=today,
        prefer=prefer,
        dry_run=dry_run,
        progress=progress,
        column_map=column_map,
        options=options,
    )
    return replace(answer, failed=strict and any(r.rejected for r in answer.result.files))


def import_opened(
    book: Book,
    opened: Sequence[OpenedLog],
    *,
    today: date,
    prefer: Prefer = "newest",
    dry_run: bool = False,
    progress: Callable[[float, str], None] | None = None,
    column_map: ColumnMap | None = None,
    options: str = "",
) -> ImportAnswer:
    """Import logs whose headers are understood; see `import_files`, and `judge` for map and options."""
    words = words_of(book.settings)
    results: list[FileResult] = []
    warnings: list[str] = []
    with book.reading() if dry_run else book.writing() as connection:
        connection.execute(f"set memory_limit = '{_STAGING_MEMORY}'")
        batch: int | None = None
        for part, each in enumerate(opened, start=1):
            if progress is not None:
                progress((part - 1) / len(opened), each.name)
            staged = judge(connection, book.settings, each, words, prefer, today, column_map, options)
            place = None
            if staged.rejects and not dry_run:
                place = write_rejects(staged.rejects, each.log.file, book.folder / "rejects")
            if not dry_run and staged.counts.accepted:
                batch = applying.new_batch(connection) if batch is None else batch
                _apply(connection, each, staged, batch, part)
            results.append(_result(each, staged, place))
            warnings.extend(f"{each.name}: {note}" if len(opened) > 1 else note for note in staged.notes)
    kinds = [each.match.log for each in opened]
    if dry_run and len(set(kinds)) < len(kinds):
        warnings.append(
            "a dry run checks each file against the book alone, without the others: where these files share jobs or "
            "other rows, the import itself may count them otherwise"
        )
    answer = ImportResult(tuple(results), batch)
    return ImportAnswer(answer, tuple(warnings), failed=False)


def _apply(connection: duckdb.DuckDBPyConnection, each: OpenedLog, staged: Judged, batch: int, part: int) -> None:
    table = LOG_TABLES[each.match.log]
    overlaps = staging.overlaps(connection)
    written = applying.apply(connection, table, each.match.log, batch)
    read = applying.FileRead(each.match.log, each.name, each.sha256, staged.n_rows, _n_set_aside(each.log))
    applying.record(connection, batch, part, read, staged.counts, written, overlaps)


def _result(each: OpenedLog, staged: Judged, place: Path | None) -> FileResult:
    return FileResult(
        each.name, each.match.log, staged.n_rows, staged.counts.accepted, staged.counts.duplicate,
        staged.counts.rejected, _n_set_aside(each.log), each.match.unmatched, staged.reasons,
        str(place) if place is not None else None,
    )  # fmt: skip


def _n_set_aside(log: RawLog) -> int:
    return sum(log.set_aside.values())


def _check_room(book: Book, files: Sequence[Path]) -> None:
    wanted = _ROOM * sum(f.stat().st_size for f in files)
    free = shutil.disk_usage(book.folder).free
    if free < wanted:
        raise RimebookError(
            "disk-full", where=str(book.folder), found=f"{room(free)} free",
            expected=f"at least {room(wanted, needed=True)}, three times the size of the files",
            do="Free some space; nothing was imported.",
        )  # fmt: skip
