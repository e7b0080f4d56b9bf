"""XLSX and ODS workbooks: which sheet is a log, and its cells as text."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import islice
from typing import TYPE_CHECKING, Any, Final

from pipeline.intake.faults import Fault
from pipeline.intake.finding import LEAST_SCORE, HeaderFound, find_header, first_lines_note, heads_of
from pipeline.intake.gate import Passed, damaged, pass_gate
from pipeline.intake.raw import RawChunk, RawLog
from pipeline.intake.sheet_scan import SheetScan, cell_name
from pipeline.intake.texts import code_key
from pipeline.intake.unchanged import Unchanged
from shared.errors import RimebookError, nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

_HEAD_ROWS: Final = 60
_NAMED: Final = 5
#: Dates up to this year are times of more than a day under a time format, counted from the last day of 1899.
_LAST_YEAR_OF_TIMES: Final = 1900
_TIMES_FROM: Final = datetime(1899, 12, 31)


@dataclass
class _Sheet:
    """One sheet of the reader with what the scan found.

    `offset` is the number of empty columns at its left, which the reader leaves out; positions in `merged` and `scan`
    count them.
    """

    name: str
    sheet: Any
    scan: SheetScan
    offset: int
    merged: list[tuple[tuple[int, int], tuple[int, int]]]

    def rows(self) -> Iterator[list[str]]:
        """Yield the rows from the sheet's first one as text, merged cells filled down inside their range."""
        fills = self.fills()
        carried: dict[int, str] = {}
        for r, row in enumerate(self.sheet.iter_rows()):
            cells = [cell_text(value) for value in row]
            for c, top in fills.get(r, {}).items():
                if c >= len(cells):
                    continue
                if top == r:
                    carried[c] = cells[c]
                elif not cells[c]:
                    cells[c] = carried.get(c, "")
            yield cells

    def fills(self) -> dict[int, dict[int, int]]:
        """Return, by row and column read, the cells of ranges merged downwards, with the first row of each range."""
        marks: dict[int, dict[int, int]] = {}
        for (top, left), (bottom, _) in self.merged:
            for r in range(top, min(bottom, self.scan.n_rows) + 1):
                marks.setdefault(r, {})[left - self.offset] = top
        return marks


def open_workbook(path: Path, guess: Callable[[Sequence[str]], tuple[str, float]], sheet: str | None) -> list[RawLog]:
    """Return the logs of a workbook's visible sheets, or of the one named.

    Raises
    ------
    RimebookError
        From the gate (see `gate.pass_gate`); ``no-such-sheet``, ``no-log-sheet``, ``two-sheets``, ``doubled-columns``.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    unchanged = Unchanged(path)
    passed = pass_gate(path)
    passed.check_extents(path)
    try:
        with CalamineWorkbook.from_path(path) as book:
            names, hidden = _sheet_names(book, passed)
            chosen = [_named(path, sheet, [*names, *hidden])] if sheet is not None else names
            sheets = [_load(path, book, passed, name) for name in chosen]
    except CalamineError:
        raise damaged(path, "a sheet of it is missing or garbled") from None
    found = [(s, _header_of(s, guess)) for s in sheets]
    picked = _pick(path, [(s, h) for s, h in found if h is not None], only=sheet is not None)
    notes = _sheet_notes(picked, names, hidden) if sheet is None else []
    return [_log(path, s, h, unchanged, notes) for s, h in picked]


def _sheet_names(book: Any, passed: Passed) -> tuple[list[str], list[str]]:
    """Return the names of the visible and of the hidden worksheets."""
    from python_calamine import SheetTypeEnum, SheetVisibleEnum

    visible: list[str] = []
    hidden: list[str] = []
    for meta in book.sheets_metadata:
        if meta.typ != SheetTypeEnum.WorkSheet:
            continue
        scan = passed.scans.get(meta.name)
        shown = meta.visible == SheetVisibleEnum.Visible and not (scan and scan.hidden)
        (visible if shown else hidden).append(meta.name)
    return visible, hidden


def _named(path: Path, sheet: str, names: Sequence[str]) -> str:
    for name in names:
        if code_key(name) == code_key(sheet):
            return name
    near = nearest(sheet, tuple(names))
    raise RimebookError(
        "no-such-sheet",
        where=str(path),
        found=f"no sheet {sheet!r}",
        expected=", ".join(repr(name) for name in names),
        do=f"Did you mean {near!r}?" if near else "Name one of these with --sheet.",
    )


def _load(path: Path, book: Any, passed: Passed, name: str) -> _Sheet:
    passed.check_extent(path, name)
    scan = passed.scans.get(name, SheetScan())
    sheet = book.get_sheet_by_name(name)
    merged = list(sheet.merged_cell_ranges or []) or scan.merged
    return _Sheet(name, sheet, scan, (sheet.start or (0, 0))[1], [m for m in merged if m[1][0] > m[0][0]])


def _header_of(sheet: _Sheet, guess: Callable[[Sequence[str]], tuple[str, float]]) -> HeaderFound | None:
    rows = [(r + 1, cells) for r, cells in enumerate(islice(sheet.rows(), _HEAD_ROWS))]
    if not any(cell.strip() for _, cells in rows for cell in cells):
        return None
    return find_header(rows, guess)


def _pick(path: Path, found: list[tuple[_Sheet, HeaderFound]], *, only: bool) -> list[tuple[_Sheet, HeaderFound]]:
    """Return the sheets that are logs, one of each kind."""
    logs = [pair for pair in found if pair[1].score >= LEAST_SCORE]
    if not logs and len(found) == 1:
        logs = found
    if not logs:
        on_sheet = " on that sheet" if only else ""
        names = ", ".join(repr(s.name) for s, _ in found)
        do = "Name the sheet with --sheet, and map its heads with --columns." if found else "Check that it was saved."
        raise RimebookError(
            "empty-file" if not found else "no-log-sheet",
            where=str(path),
            found=f"no heads of a log on {names}" if found else f"no cell with content{on_sheet}",
            expected="a sheet with the heads of jobs, deliveries, weighings or bookings",
            do=do,
        )
    for _, header in logs:
        alike = [s.name for s, h in logs if h.kind == header.kind]
        if len(alike) > 1:
            raise RimebookError(
                "two-sheets",
                where=str(path),
                found=f"the sheets {', '.join(map(repr, alike))}, each like a {header.kind or 'known'} log",
                expected="one sheet of each kind of log",
                do=f"Import each that is one in a run of its own: --sheet {alike[0]!r}, then --sheet {alike[1]!r}"
                f"{' and so on' if len(alike) > 2 else ''}.",
            )
    return logs


def _sheet_notes(picked: list[tuple[_Sheet, HeaderFound]], names: Sequence[str], hidden: Sequence[str]) -> list[str]:
    read = {s.name for s, _ in picked}
    notes = []
    left = [repr(name) for name in names if name not in read]
    if left:
        notes.append(f"sheets that are no log are left out: {', '.join(left[:_NAMED])}")
    if hidden:
        notes.append(f"hidden sheets are left out: {', '.join(repr(h) for h in hidden[:_NAMED])}")
    return notes


def _log(path: Path, sheet: _Sheet, found: HeaderFound, unchanged: Unchanged, notes: list[str]) -> RawLog:
    header, blank_notes = heads_of(found.cells, f"{path}, sheet {sheet.name!r}")
    notes = [*notes, *blank_notes, *first_lines_note(found), *_merge_notes(sheet, found.index)]
    log = RawLog(
        path,
        sheet.name,
        found.kind,
        header,
        found.line,
        lambda n: _blocks(sheet, found.index + 1, len(header), n, unchanged),
        notes,
        cells_shift=False,
    )
    log.set_aside["title"], log.set_aside["blank"] = found.n_title, found.n_blank
    log.remember_opening()
    return log


def _merge_notes(sheet: _Sheet, header_row: int) -> list[str]:
    ranges = [f"{cell_name(*first)}:{cell_name(*last)}" for first, last in sheet.merged if first[0] > header_row]
    if not ranges:
        return []
    more = f" and {len(ranges) - _NAMED} more" if len(ranges) > _NAMED else ""
    return [f"merged cells are filled down inside their range: {', '.join(ranges[:_NAMED])}{more}"]


def _blocks(sheet: _Sheet, start: int, width: int, n_rows: int, unchanged: Unchanged) -> Iterator[RawChunk]:
    rows = islice(sheet.rows(), start, None)
    faulty = _faulty_rows(sheet.scan, sheet.offset, width)
    refused = _refused_cells(sheet.scan, sheet.offset)
    fills = sheet.fills()
    at = start
    while cells := list(islice(rows, n_rows)):
        span = range(at, at + len(cells))
        faults = {r - at: faulty[r] for r in span if r in faulty} if faulty else {}
        filled = {r - at: fills[r] for r in span if r in fills} if fills else {}
        without = {r - at: refused[r] for r in span if r in refused} if refused else {}
        yield RawChunk([r + 1 for r in span], cells, faults, filled=filled, refused=without)
        at += len(cells)
    unchanged.check()


def _faulty_rows(scan: SheetScan, offset: int, width: int) -> dict[int, Fault]:
    """Return the first fault of each row with an error or an uncalculated formula under a head.

    `Fault.column` is the column's position as digits; the head takes its place when the row is laid under the header.
    """
    faults: dict[int, Fault] = {}
    for (row, column), text in sorted(scan.errors.items(), reverse=True):
        if 0 <= column - offset < width:
            hint = f"cell {cell_name(row, column)} shows {text}; correct its formula or type the value"
            faults[row] = Fault("error-cell", hint, str(column - offset), text)
    for row, column in sorted(scan.formulas, reverse=True):
        if 0 <= column - offset < width:
            name = cell_name(row, column)
            hint = f"the formula in {name} was never calculated; open and save the file in a spreadsheet program"
            faults.setdefault(row, Fault("formula-without-value", hint, str(column - offset), ""))
    return faults


def _refused_cells(scan: SheetScan, offset: int) -> dict[int, dict[int, str]]:
    """Return, by row and column read, every cell that has no value, with what it shows."""
    cells: dict[int, dict[int, str]] = {}
    for row, column in scan.formulas:
        cells.setdefault(row, {})[column - offset] = f"formula in {cell_name(row, column)}"
    for (row, column), text in scan.errors.items():
        cells.setdefault(row, {})[column - offset] = text
    return cells


#: A duration of a day or more as an OpenDocument sheet stores it (ISO 8601), which its reader hands on as text.
_LASTED: Final = re.compile(r"PT(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:[.,]\d+)?)S)?(?<!T)")


def cell_text(value: object) -> str:
    """Return a cell's value as the text a person would type for it.

    Whole numbers have no decimals, dates are ISO 8601, times of day and durations h:mm (h:mm:ss with seconds); the
    number format of the cell is not looked at.
    """
    if isinstance(value, str):
        lasted = _LASTED.fullmatch(value)
        if not lasted:
            return value
        hours, minutes, seconds = (float((part or "0").replace(",", ".")) for part in lasted.groups())
        return _clock(timedelta(hours=hours, minutes=minutes, seconds=seconds))
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int | float):
        return str(int(value)) if value == int(value) and abs(value) < 1e15 else format(value, ".15g")
    if isinstance(value, datetime):
        if value.year <= _LAST_YEAR_OF_TIMES:
            return _clock(value - _TIMES_FROM)
        return value.date().isoformat() if value.time() == time(0) else value.isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return _clock(timedelta(hours=value.hour, minutes=value.minute, seconds=value.second))
    if isinstance(value, timedelta):
        return _clock(value)
    return str(value)


def _clock(duration: timedelta) -> str:
    seconds = round(duration.total_seconds())
    sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{sign}{hours}:{minutes:02d}" + (f":{seconds:02d}" if seconds else "")
