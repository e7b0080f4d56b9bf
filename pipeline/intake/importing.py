"""Import: files in, checked rows in the book, and an account in which every row appears once."""

from __future__ import annotations

import hashlib
import shutil
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.book import applying, staging
from pipeline.book.log_tables import LOG_TABLES
from pipeline.book.visit_rules import check_bookings, check_visits
from pipeline.intake.book_words import words_of
from pipeline.intake.column_map import ColumnMap, draft_map, parse_column_map
from pipeline.intake.framing import FIRST_ROWS, Framer
from pipeline.intake.headers import guesser, match_headers, require
from pipeline.intake.logs import SHAPES
from pipeline.intake.normalise import Habits, Normaliser
from pipeline.intake.reading import open_logs
from pipeline.intake.rejects import rejects_text, write_rejects
from pipeline.intake.telling import warnings_of
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date
    from pathlib import Path

    import duckdb

    from pipeline.book.log_tables import LogTable
    from pipeline.book.staging import Counts, Prefer
    from pipeline.book.store import Book
    from pipeline.intake.columns import Log
    from pipeline.intake.headers import HeaderMatch, Matched
    from pipeline.intake.raw import RawLog
    from pipeline.intake.words import Words

#: Room on the disk that an import wants, as a multiple of the files' size.
_ROOM: int = 3
#: Memory the database may take for staging before it goes to disk.
_STAGING_MEMORY = "600MB"


@dataclass(frozen=True)
class ReasonTold:
    """Why rows were rejected: how many, with one example."""

    code: str
    column: str
    rows: int
    example: str
    hint: str


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


@dataclass(frozen=True)
class _Opened:
    """One log that can be read: everything known before its rows."""

    log: RawLog
    match: HeaderMatch
    name: str
    sha256: str


@dataclass(frozen=True)
class _Staged:
    """One log staged and judged."""

    counts: Counts
    reasons: tuple[ReasonTold, ...]
    rejects: str
    notes: tuple[str, ...]
    n_rows: int


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
    column_map = _column_map(columns)
    opened = [log for file in files for log in _open(book, file, words, column_map, kind, sheet, encoding, today)]
    if write_map is not None:
        _write_map(write_map, draft_map(opened[0].log.header, opened[0].match))
    _check_room(book, files)
    results: list[FileResult] = []
    warnings: list[str] = []
    with ExitStack() as stack:
        connection = stack.enter_context(book.reading() if dry_run else book.writing())
        connection.execute(f"set memory_limit = '{_STAGING_MEMORY}'")
        batch: int | None = None
        for part, each in enumerate(opened, start=1):
            if progress is not None:
                progress((part - 1) / len(opened), each.name)
            staged = _stage(connection, book, each, words, prefer, today)
            place = None
            if staged.rejects and not dry_run:
                place = write_rejects(staged.rejects, each.log.file, book.folder / "rejects")
            if not dry_run and staged.counts.accepted:
                batch = applying.new_batch(connection) if batch is None else batch
                _apply(connection, each, staged, batch, part)
            results.append(_result(each, staged, place))
            warnings.extend(f"{each.name}: {note}" if len(opened) > 1 else note for note in staged.notes)
    answer = ImportResult(tuple(results), batch)
    return ImportAnswer(answer, tuple(warnings), strict and any(r.rejected for r in results))


def _open(
    book: Book,
    file: Path,
    words: Words,
    column_map: ColumnMap | None,
    kind: Log | None,
    sheet: str | None,
    encoding: str | None,
    today: date,
) -> list[_Opened]:
    """Return the logs of one file with their headers understood.

    Raises
    ------
    RimebookError
        Where it cannot be read, or a header lacks a needed column or could be two logs.
    """
    guess = guesser(words, column_map, kind)
    logs = open_logs(file, guess=guess, encoding=encoding, sheet=sheet, calendar=None)
    sha256 = _sha256(file)
    opened = []
    for log in logs:
        name = file.name if len(logs) == 1 else f"{file.name}, sheet {log.sheet}"
        where = name if not log.sheet or len(logs) > 1 else f"{name}, sheet {log.sheet}"
        if log.kind not in SHAPES:
            raise RimebookError(
                "unknown-kind", where=f"{where}, line {log.header_line}",
                found=f"heads that could be more than one log: {', '.join(log.header[:10])}",
                expected="the heads of one of: jobs, deliveries, weighings, bookings",
                do="Name it: --kind jobs (or deliveries, weighings, bookings).",
            )  # fmt: skip
        match = match_headers(
            log.header, log.kind, words=words, units=book.settings.shop.units,  # type: ignore[arg-type]  # checked above
            currency=book.settings.shop.currency, column_map=column_map,
        )  # fmt: skip
        require(match, f"{where}, line {log.header_line}")
        opened.append(_Opened(log, match, name, sha256))
    return opened


def _stage(
    connection: duckdb.DuckDBPyConnection, book: Book, each: _Opened, words: Words, prefer: Prefer, today: date
) -> _Staged:
    """Stage and judge one log; nothing is written to the book's own tables."""
    table, shape = LOG_TABLES[each.match.log], SHAPES[each.match.log]
    framer, notes = _stage_rows(connection, book, each, words, table, today)
    staging.settle_spellings(connection, table)
    staging.compare(connection, table)
    if prefer == "stored":
        staging.keep_stored(connection, table)
    if table.name == "job_lines":
        check_visits(connection)
    elif table.name == "bookings":
        check_bookings(connection)
    if table.whole:
        staging.reject_wholes(connection, table)
    counts = staging.counts(connection)
    heads = {name: m.head for name, m in _columns(each.match).items()}
    reasons = tuple(
        ReasonTold(r.code, heads.get(r.col, r.col), r.rows, r.example, r.hint) for r in staging.reasons(connection)
    )
    rejections = staging.rejections(connection) if counts.rejected else []
    rejects = rejects_text(each.log, rejections) if rejections else ""
    notes += warnings_of(connection, shape, table, book.settings, framer, today, each.log)
    return _Staged(counts, reasons, rejects, tuple(notes), framer.n_rows)


def _stage_rows(
    connection: duckdb.DuckDBPyConnection, book: Book, each: _Opened, words: Words, table: LogTable, today: date
) -> tuple[Framer, list[str]]:
    """Stage the typed rows of one log, reading it a second time where it proves habits that change its meaning."""
    shape, matched = SHAPES[each.match.log], _columns(each.match)
    habits = Habits()
    for n_pass in (1, 2):
        normaliser = Normaliser(shape, matched, words, book.settings, habits)
        framer = Framer(shape, each.match, words, normaliser, today)
        staging.stage(connection, table)
        for chunk in each.log.chunks():
            framed = framer.frame(chunk)
            _stop_where_hopeless(framer, each, settled=n_pass == 2)
            staging.add_rows(connection, table, framed.rows)
            if len(framed.problems):
                staging.add_problems(connection, framed.problems)
        if n_pass == 1 and not normaliser.needs_another_pass():
            break
        habits, _ = normaliser.habits()
    _stop_where_hopeless(framer, each, settled=True)
    return framer, [*each.match.notes, *each.log.notes, *normaliser.habits()[1]]


def _stop_where_hopeless(framer: Framer, each: _Opened, *, settled: bool) -> None:
    """Stop where one column spoils most of the first rows: a wrong column map is kinder to hear of at once."""
    if framer.n_rows < FIRST_ROWS:
        return
    heads = {name: m.head for name, m in _columns(each.match).items()}
    by_column: dict[str, int] = {}
    for (column, code), n in framer.bad_by_column.items():
        if settled or code != "ambiguous-date":
            by_column[column] = by_column.get(column, 0) + n
    column, n = max(by_column.items(), key=lambda item: item[1], default=("", 0))
    if 2 * n <= FIRST_ROWS or not column:
        return
    code = max((c for c in framer.bad_by_column if c[0] == column), key=lambda c: framer.bad_by_column[c])[1]
    raise RimebookError(
        "most-rows-rejected", where=f"{each.name}, column {heads.get(column, column)!r}",
        found=f"{n} of the first {FIRST_ROWS} rows that cannot be read there ({code})",
        expected=f"{column}: {SHAPES[each.match.log].doc[column].lower()}",
        do="Say which column is which with --columns MAP.toml (import --dry-run --write-map MAP.toml drafts one). "
        "Nothing was imported.",
    )  # fmt: skip


def _columns(match: HeaderMatch) -> dict[str, Matched]:
    """Return the columns as the normaliser sees them: those of the unpivoted rows for a wide sheet."""
    return match.wide.match.columns if match.wide and match.wide.match else match.columns


def _apply(connection: duckdb.DuckDBPyConnection, each: _Opened, staged: _Staged, batch: int, part: int) -> None:
    table = LOG_TABLES[each.match.log]
    overlaps = staging.overlaps(connection)
    written = applying.apply(connection, table, each.match.log, batch)
    read = applying.FileRead(each.match.log, each.name, each.sha256, staged.n_rows, _n_set_aside(each.log))
    applying.record(connection, batch, part, read, staged.counts, written, overlaps)


def _result(each: _Opened, staged: _Staged, place: Path | None) -> FileResult:
    return FileResult(
        each.name, each.match.log, staged.n_rows, staged.counts.accepted, staged.counts.duplicate,
        staged.counts.rejected, _n_set_aside(each.log), each.match.unmatched, staged.reasons,
        str(place) if place is not None else None,
    )  # fmt: skip


def _n_set_aside(log: RawLog) -> int:
    return sum(log.set_aside.values())


def _column_map(file: Path | None) -> ColumnMap | None:
    if file is None:
        return None
    try:
        return parse_column_map(file.read_text(encoding="utf-8-sig"), file.name)
    except (OSError, UnicodeDecodeError) as error:
        raise RimebookError(
            "column-map-read", where=str(file), found=getattr(error, "strerror", None) or "no UTF-8 text",
            expected="a column map, a TOML text", do="Draft one: rimebook import FILE --dry-run --write-map MAP.toml",
        ) from error  # fmt: skip


def _write_map(place: Path, text: str) -> None:
    if place.exists():
        raise RimebookError(
            "map-exists", where=str(place), found="a file that stands there already", expected="a new file",
            do="Choose another name for --write-map; nothing was overwritten.",
        )  # fmt: skip
    try:
        place.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RimebookError(
            "map-not-writable", where=str(place), found=error.strerror or str(error), expected="a place to write",
            do="Choose another place for --write-map.",
        ) from error  # fmt: skip


def _sha256(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _check_room(book: Book, files: Sequence[Path]) -> None:
    wanted = _ROOM * sum(f.stat().st_size for f in files)
    free = shutil.disk_usage(book.folder).free
    if free < wanted:
        raise RimebookError(
            "disk-full", where=str(book.folder), found=f"{free / 1e6:.0f} MB free",
            expected=f"at least {wanted / 1e6:.0f} MB, three times the size of the files",
            do="Free some space; nothing was imported.",
        )  # fmt: skip
