"""Log files opened for import: read far enough to know which log each is and which column is which."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING, Final

from pipeline.book.log_rows import NO_LOGS
from pipeline.intake.calendar import CalendarWindow
from pipeline.intake.column_map import ColumnMap, draft_map, parse_column_map
from pipeline.intake.finding import LEAST_SCORE
from pipeline.intake.headers import guesser, has_own_heads, match_headers, require
from pipeline.intake.kind_by_cells import looks_like_jobs
from pipeline.intake.logs import SHAPES
from pipeline.intake.reading import open_logs
from pipeline.intake.rejects import refuse_without_options
from shared.counting import cut
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from pipeline.book.settings import Settings
    from pipeline.intake.columns import Log
    from pipeline.intake.header_match import HeaderMatch
    from pipeline.intake.raw import RawLog
    from pipeline.intake.words import Words

#: Days before and after today from which events of a calendar are taken.
BACK_DAYS: Final = 731
AHEAD_DAYS: Final = 366
#: Most characters of a head that an error shows.
_HEAD_SHOWN: Final = 24
#: A log that the user names is believed where its heads score so much of what those of the likeliest log do.
_FITS_AS_WELL: Final = 0.7


@dataclass(frozen=True)
class OpenedLog:
    """One log that can be read: everything known before its rows.

    Attributes
    ----------
    log : RawLog
    match : HeaderMatch
    name : str
        The file's name, with the sheet where a workbook holds several logs.
    sha256 : str
        Of the file's bytes.
    """

    log: RawLog
    match: HeaderMatch
    name: str
    sha256: str


def open_for_import(
    settings: Settings,
    file: Path,
    words: Words,
    column_map: ColumnMap | None,
    kind: Log | None,
    sheet: str | None,
    encoding: str | None,
    today: date,
    write_map: Path | None = None,
) -> list[OpenedLog]:
    """Return the logs of one file with their headers understood.

    Where a header lacks a needed column, a column map to complete is drafted in `write_map` first, if one is asked.

    Raises
    ------
    RimebookError
        Where it cannot be read, or a header lacks a needed column or could be two logs.
    """
    guess = guesser(words, column_map, kind)
    logs = open_logs(file, guess=guess, encoding=encoding, sheet=sheet, calendar=_window(settings, words, today))
    sha256 = _sha256(file)
    opened = []
    for log in logs:
        _refuse_exported(file, log.header)
        if kind and log.kind and log.kind != kind:  # a calendar, which holds bookings whatever it is called
            raise RimebookError(
                "other-kind", where=str(file), found=f"--kind {kind} for {log.kind}", expected=f"--kind {log.kind}",
                do="Leave --kind out; import files of another kind in another command.",
            )  # fmt: skip
        told = kind or (column_map.kind if column_map else None)
        if not told and guess(log.header)[1] < LEAST_SCORE and looks_like_jobs(log):
            log.kind = "jobs"
        name = file.name if len(logs) == 1 else f"{file.name}, sheet {log.sheet}"
        where = name if not log.sheet or len(logs) > 1 else f"{name}, sheet {log.sheet}"
        refuse_without_options(log, where, has_map=column_map is not None, has_kind=bool(told))
        if log.kind not in SHAPES:
            raise RimebookError(
                "unknown-kind", where=f"{where}, line {log.header_line}",
                found=f"heads that fit no log, or more than one: {', '.join(map(_shown, log.header[:10]))}",
                expected="the heads of one of: jobs, deliveries, weighings, bookings",
                do="Name it: --kind jobs (or deliveries, weighings, bookings).",
            )  # fmt: skip
        if kind and column_map is None:
            _refuse_other(kind, log.header, words, guess(log.header)[1], f"{where}, line {log.header_line}")
        matching = partial(
            match_headers, log.header, log.kind, words=words, units=settings.shop.units,  # type: ignore[arg-type]  # checked on loading
            currency=settings.shop.currency, column_map=column_map, where=f"{where}, line {log.header_line}",
        )  # fmt: skip
        try:
            match = matching()
        except RimebookError as error:
            if write_map is None or error.problem.code != "doubled-columns":
                raise
            write_map_draft(write_map, draft_map(log.header, matching(first_of_doubled=True)))
            problem = error.problem
            raise RimebookError(
                problem.code, where=problem.where, found=problem.found, expected=problem.expected,
                do=f"Say which it is in the map drafted in {write_map} and import with --columns {write_map}.",
            ) from error  # fmt: skip
        if write_map is not None and match.missing:
            write_map_draft(write_map, draft_map(log.header, match))
        require(match, f"{where}, line {log.header_line}", drafted="" if write_map is None else str(write_map))
        opened.append(OpenedLog(log, _lacking_pellets(match if told else _doubted(match)), name, sha256))
    return opened


def _refuse_exported(file: Path, header: Sequence[str]) -> None:
    """Refuse what `export` writes beside the logs; a whole folder of its files is easily named at once.

    Raises
    ------
    RimebookError
    """
    for table, heads in NO_LOGS.items():
        if tuple(header) == heads:
            raise RimebookError(
                "no-log", where=str(file), found=f"the {table} of an export, which is not imported",
                expected="a log: jobs, deliveries, weighings or bookings",
                do="Name the logs of the export alone; nothing was imported. To move a whole book with its history and "
                "quotes use `rimebook backup` and `rimebook restore`.",
            )  # fmt: skip


def _refuse_other(kind: Log, header: Sequence[str], words: Words, own: float, where: str) -> None:
    """Refuse a header that is another log's by its canonical heads and fits the named log far less.

    Parameters
    ----------
    own : float
        How well it fits the named one, see `headers.guesser`.

    Raises
    ------
    RimebookError
    """
    other, score = guesser(words)(header)
    if other in (kind, "") or own >= _FITS_AS_WELL * score or not has_own_heads(other, header):  # type: ignore[arg-type]  # a log, where it is not blank
        return
    raise RimebookError(
        "other-kind", where=where, found=f"--kind {kind} for the heads of {other}",
        expected=f"--kind {other}, or the heads of {kind}",
        do="Leave --kind out; where it is meant, say in a column map (--columns MAP.toml) what each head is.",
    )  # fmt: skip


def _doubted(match: HeaderMatch) -> HeaderMatch:
    """Return the match with a note where deliveries could well be weighings: a mistake would count ice twice."""
    if match.log != "deliveries" or not set(match.columns) <= {"date", "container", "weight_lb"}:
        return match
    note = "read as deliveries (ice that came); if these are weighings (what is left), undo it and add --kind weighings"
    return replace(match, notes=(*match.notes, note))


def _lacking_pellets(match: HeaderMatch) -> HeaderMatch:
    """Return the match with a note where jobs have no pellets: that is more often a head not understood than meant."""
    if match.log != "jobs" or match.wide or {"pellets_lb", "job_pellets_lb"} & set(match.columns):
        return match
    note = "no head names the pellets, so nothing is learned of ice from this file; if one means them, rename it to"
    return replace(match, notes=(*match.notes, f"{note} pellets_lb or pellets_kg, undo this batch and import again"))


def _shown(head: str) -> str:
    """Return a head short enough for one line; a file that is no table may hold anything at all."""
    plain = "".join(c if c.isprintable() else " " for c in head)
    plain = " ".join(plain.split())
    return cut(plain, _HEAD_SHOWN)


def _window(settings: Settings, words: Words, today: date) -> CalendarWindow:
    """Return which events of a calendar are taken: series without an end are cut where plans end."""
    span = timedelta(days=BACK_DAYS), timedelta(days=AHEAD_DAYS)
    return CalendarWindow(today - span[0], today + span[1], settings.shop.time_zone, words)


def read_column_map(file: Path | None) -> ColumnMap | None:
    """Return the column map of a file, None where no file is named.

    Raises
    ------
    RimebookError
        Where it cannot be read or is no column map.
    """
    if file is None:
        return None
    try:
        return parse_column_map(file.read_text(encoding="utf-8-sig"), file.name)
    except (OSError, UnicodeDecodeError) as error:
        raise RimebookError(
            "column-map-read", where=str(file), found=getattr(error, "strerror", None) or "no UTF-8 text",
            expected="a column map, a TOML text", do="Draft one: rimebook import FILE --dry-run --write-map MAP.toml",
        ) from error  # fmt: skip


def write_map_draft(place: Path, text: str) -> None:
    """Write a drafted column map to a new file.

    Raises
    ------
    RimebookError
        Where a file of that name exists or cannot be written.
    """
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
