"""One log staged and judged against its contract, its own other rows and the book; nothing is written yet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.book import rejected, staging
from pipeline.book.log_tables import LOG_TABLES
from pipeline.book.package_zones import keep_stored_zones
from pipeline.book.visit_rules import check_bookings, check_visits
from pipeline.intake.alone import heads_alone
from pipeline.intake.columns import column_of
from pipeline.intake.framing import FIRST_ROWS, Framer
from pipeline.intake.logs import SHAPES
from pipeline.intake.normalise import Habits, Normaliser
from pipeline.intake.rejects import REJECT_COLUMNS, rejects_text
from pipeline.intake.telling import warnings_of
from pipeline.intake.units import FACTORS, book_measure
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import duckdb

    from pipeline.book.log_tables import LogTable
    from pipeline.book.settings import Settings
    from pipeline.book.staging import Counts, Prefer
    from pipeline.intake.column_map import ColumnMap
    from pipeline.intake.header_match import HeaderMatch, Matched
    from pipeline.intake.opening import OpenedLog
    from pipeline.intake.words import Words


#: Lines named in a note.
_LINES_TOLD: Final = 5


@dataclass(frozen=True)
class ReasonTold:
    """Why rows were rejected: how many, with one example."""

    code: str
    column: str
    rows: int
    example: str
    hint: str


@dataclass(frozen=True)
class Judged:
    """What became of the rows of one log: counts, reasons, the text of its rejects file ('' for none) and notes."""

    counts: Counts
    reasons: tuple[ReasonTold, ...]
    rejects: str
    notes: tuple[str, ...]
    n_rows: int


def judge(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    each: OpenedLog,
    words: Words,
    prefer: Prefer,
    today: date,
    column_map: ColumnMap | None = None,
    options: str = "",
) -> Judged:
    """Stage and judge one log; nothing is written to the book's own tables.

    `column_map` is the one its heads were read by, and `options` are those of `import` that say what they mean, the map
    and the kind; '' where there are none.

    Raises
    ------
    RimebookError
        Where one column spoils most of the first rows, or the file changed while it was read.
    """
    table, shape = LOG_TABLES[each.match.log], SHAPES[each.match.log]
    framer, notes = _stage_rows(connection, settings, each, words, table, today)
    staging.settle_spellings(connection, table)
    if table.name == "job_lines":
        keep_stored_zones(connection)
    staging.compare(connection, table, _other_units(each.match))
    if prefer == "stored" and table.key:
        staging.keep_stored(connection, table)
    if table.name == "job_lines":
        units = settings.shop.units
        check_visits(connection, book_measure("mass", units))  # type: ignore[arg-type]  # checked on loading
    elif table.name == "bookings":
        check_bookings(connection)
    if table.whole:
        staging.reject_wholes(connection, table)
    counts = staging.counts(connection)
    heads = _heads(each.match)
    reasons = tuple(
        ReasonTold(r.code, heads.get(r.col, r.col), r.rows, r.example, r.hint) for r in rejected.reasons(connection)
    )
    rejects = ""
    if counts.rejected:
        rejects, told = _rejects(connection, settings, each, words, framer, column_map, options)
        notes += told
    if not table.key and "reject_file" in each.log.header:
        notes += _taken_for_known(staging.known_lines(connection))
    notes += warnings_of(connection, shape, table, settings, framer, today)
    return Judged(counts, reasons, rejects, tuple(notes), framer.n_rows)


def _rejects(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    each: OpenedLog,
    words: Words,
    framer: Framer,
    column_map: ColumnMap | None,
    options: str,
) -> tuple[str, list[str]]:
    """Return the text of a log's rejects file, '' where no row is to be corrected, and what to tell of it."""
    log, match = each.log, each.match
    alone = heads_alone(log.header, match, words, settings, column_map=column_map, added=REJECT_COLUMNS)
    shown = alone or log.header
    written = _heads(match) | dict(zip(log.header, shown, strict=True))
    written |= {name: shown[m.index] for name, m in match.columns.items()}
    rejections = rejected.rejections(connection, written)
    if not rejections:
        return "", []
    needed = "" if alone else options
    names = _of_file(match)
    text = rejects_text(
        log, match, shown, rejections,
        lambda i, cell: framer.normaliser.without_habits(names[i], cell) if i in names else cell, needed,
    )  # fmt: skip
    return text, [f"the rejects file is read right only with {needed}; give it again"] if needed else []


def _taken_for_known(lines: Sequence[int]) -> list[str]:
    """Return the note on rows of a rejects file without keys that are equal to rows of the book.

    The n-th of equal rows in a file is the n-th in the book, and the others of the file do not come with its rejects.
    """
    if not lines:
        return []
    shown = ", ".join(map(str, lines[:_LINES_TOLD])) + (", ..." if len(lines) > _LINES_TOLD else "")
    are = "row is equal to one" if len(lines) == 1 else "rows are equal to some"
    return [
        f"{len(lines):,} {are} that the book has (line {shown}) and not counted again. Where the log has two such "
        "rows, correct it in the log that reject_file names and import that: equal rows of one file are counted each"
    ]


def _stage_rows(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    each: OpenedLog,
    words: Words,
    table: LogTable,
    today: date,
) -> tuple[Framer, list[str]]:
    """Stage the typed rows of one log, reading it a second time where it proves habits that change its meaning."""
    shape, matched = SHAPES[each.match.log], _columns(each.match)
    habits = Habits()
    for n_pass in (1, 2):
        normaliser = Normaliser(shape, matched, words, settings, habits)
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
    return framer, [*each.match.notes, *each.log.notes, *framer.carrier.notes(), *normaliser.habits()[1]]


def _stop_where_hopeless(framer: Framer, each: OpenedLog, *, settled: bool) -> None:
    """Stop where one column spoils most of the first rows: a wrong column map is kinder to hear of at once."""
    if framer.n_rows < FIRST_ROWS:
        return
    heads = {name: m.head for name, m in _columns(each.match).items()}
    by_column: dict[str, int] = {}
    for (column, code), n in framer.bad_by_column.items():
        # A figure that could be two says nothing against its column; each is told with what to write.
        if code != "figure-could-be-two" and (settled or code != "date-could-be-two"):
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


def _other_units(match: HeaderMatch) -> dict[str, tuple[float, str]]:
    """Return the factor and unit of columns whose bare figures are in another unit than the column's own."""
    other = {}
    for name, matched in _columns(match).items():
        column = column_of(match.log, name)
        factors = FACTORS.get(column.reads, {}) if column.reads != "temperature" else {}  # which is no plain factor
        if matched.unit in factors and matched.unit not in (column.unit, "h:mm"):
            other[name] = factors[matched.unit], matched.unit
    return other


def _of_file(match: HeaderMatch) -> dict[int, str]:
    """Return the column of the log under which each column of the file is read, by its position in the file."""
    zones = match.wide.zones.values() if match.wide else ()
    return {m.index: name for name, m in match.columns.items()} | {
        i: name for columns in zones for name, (i, _) in columns.items()
    }


def _heads(match: HeaderMatch) -> dict[str, str]:
    """Return the head in the file of each column; '' for what a wide sheet has of each zone and not of a line."""
    of_file = {m.head for m in match.columns.values()}
    return {name: m.head if m.head in of_file else "" for name, m in _columns(match).items()}


def _columns(match: HeaderMatch) -> dict[str, Matched]:
    """Return the columns as the normaliser sees them: those of the unpivoted rows for a wide sheet."""
    return match.wide.match.columns if match.wide and match.wide.match else match.columns
