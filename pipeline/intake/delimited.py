"""CSV and TSV files: encoding, delimiter, quoting (RFC 4180), read as a stream."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from itertools import chain, islice
from typing import TYPE_CHECKING, Final

from pipeline.intake.encoding import Encoded, detect_encoding, undecodable
from pipeline.intake.faults import Fault
from pipeline.intake.finding import HeaderFound, find_header, first_lines_note, heads_of
from pipeline.intake.raw import RawChunk, RawLog
from pipeline.intake.unchanged import Unchanged
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

DELIMITERS: Final = (",", ";", "\t", "|")
_NAMES: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
#: Records looked at for the delimiter and the header.
_HEAD_RECORDS: Final = 60
_SEP_LINE: Final = re.compile(r"sep=(.)\r?\n?", re.IGNORECASE)
#: What faulty cells hold: bytes that are no text, and the ends of lines that a quote swallowed.
_SPOILT: Final = re.compile(r"[\x00\ufffd\r\n]")
#: Fed to the parser after the last line: it comes out as a record of its own unless a quote is still open.
_END: Final = "\x03end of file\x03"
_FIELD_LIMIT: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class _Dialect:
    delimiter: str
    skip_lines: int  # a line "sep=;" that some spreadsheets write first
    found: HeaderFound


def open_delimited(path: Path, guess: Callable[[Sequence[str]], tuple[str, float]], encoding: str | None) -> RawLog:
    """Return the log of a text file whose fields are parted by commas, semicolons, tabs or bars.

    Raises
    ------
    RimebookError
        ``undecodable``, ``no-delimiter``, ``empty-file``, ``open-quote``, ``doubled-columns``; and from `chunks`
        ``file-changed``.
    """
    unchanged = Unchanged(path)
    how = detect_encoding(path, encoding)
    try:
        dialect = _dialect(path, how, guess)
    except UnicodeError as error:
        raise undecodable(path, how.name, error) from None
    found = dialect.found
    header, doubled_note = heads_of(found.cells, str(path))
    notes = [*how.notes, *doubled_note]
    log = RawLog(path, "", found.kind, header, found.line, lambda n: _blocks(path, how, dialect, n, unchanged), notes)
    log.set_aside["title"], log.set_aside["blank"] = found.n_title, found.n_blank
    log.notes.extend(first_lines_note(found))
    log.remember_opening()
    return log


def _dialect(path: Path, how: Encoded, guess: Callable[[Sequence[str]], tuple[str, float]]) -> _Dialect:
    with path.open(encoding=how.name, errors=how.errors, newline="") as file:
        first = file.readline()
    told = _SEP_LINE.fullmatch(first)
    best: tuple[tuple[float, float, int], _Dialect] | None = None
    for rank, delimiter in enumerate([told[1]] if told else DELIMITERS):
        head = _head(path, how, delimiter, 1 if told else 0)
        if not any(any(cell.strip() for cell in cells) for _, cells in head):
            continue
        widths = [len(cells) for _, cells in head if any(cell.strip() for cell in cells)]
        usual = max(set(widths), key=widths.count)
        if usual < 2 and max(widths) < 2:
            continue
        found = find_header(head, guess)
        score = (round(found.score, 3), widths.count(usual) / len(widths) if usual > 1 else 0.0, -rank)
        if best is None or score > best[0]:
            best = (score, _Dialect(delimiter, 1 if told else 0, found))
    if best is None:
        raise _no_delimiter(path, first)
    return best[1]


def _no_delimiter(path: Path, first: str) -> RimebookError:
    if not first.strip():
        with path.open("rb") as file:
            blank = not file.read(1 << 16).strip(b"\x00\xff\xfe\xef\xbb\xbf \t\r\n,;|")
        if blank:
            do = "Check that it was saved; an export may have failed."
            return RimebookError("empty-file", where=str(path), found="no text", expected="a header and rows", do=do)
    return RimebookError(
        "no-delimiter",
        where=f"{path}, line 1",
        found=f"{first.strip()[:60]!r}, and no comma, semicolon, tab or bar that parts the lines into columns",
        expected="a table whose columns are parted by one of these",
        do="Save the sheet as CSV (comma) or as XLSX.",
    )


def _head(path: Path, how: Encoded, delimiter: str, skip: int) -> list[tuple[int, list[str]]]:
    """Return the first records with the line each starts at."""
    records: list[tuple[int, list[str]]] = []
    with path.open(encoding=how.name, errors=how.errors, newline="") as file:
        for _ in range(skip):
            file.readline()
        reader = csv.reader(file, delimiter=delimiter)
        line = skip + 1
        try:
            for cells in islice(reader, _HEAD_RECORDS):
                records.append((line, cells))
                line = skip + reader.line_num + 1
        except csv.Error:
            pass  # an open quote: with another delimiter, or told when the rows are read
    return records


def _blocks(path: Path, how: Encoded, dialect: _Dialect, n_rows: int, unchanged: Unchanged) -> Iterator[RawChunk]:
    with path.open(encoding=how.name, errors=how.errors, newline="", buffering=1 << 20) as file:
        for _ in range(dialect.skip_lines):
            file.readline()
        old_limit = csv.field_size_limit(_FIELD_LIMIT)
        try:
            reader = csv.reader(chain(file, (_END,)), delimiter=dialect.delimiter)
            for _ in range(dialect.found.index + 1):
                next(reader)
            yield from _records(path, how, dialect, reader, n_rows)
        except UnicodeError as error:
            raise undecodable(path, how.name, error) from None
        finally:
            csv.field_size_limit(old_limit)
    unchanged.check()


def _records(
    path: Path, how: Encoded, dialect: _Dialect, reader: Iterator[list[str]], n_rows: int
) -> Iterator[RawChunk]:
    """Yield the records below the header, each with the physical line it starts at."""
    line = dialect.skip_lines + reader.line_num + 1  # type: ignore[attr-defined]  # csv's reader has it
    ended = False
    while not ended:
        try:
            cells = list(islice(reader, n_rows))
        except csv.Error:
            raise _open_quote(path, line) from None
        after = dialect.skip_lines + reader.line_num + 1  # type: ignore[attr-defined]
        ended = len(cells) < n_rows
        if cells and cells[-1] == [_END]:
            cells.pop()
            after -= 1
            ended = True
        elif ended:
            raise _open_quote(path, after - 1 - cells[-1][-1].count("\n") if cells else line)
        if not cells:
            return
        lines = list(range(line, line + len(cells)))
        faults: dict[int, Fault] = {}
        if after - line != len(cells):
            lines, faults = _long_records(cells, line, dialect)
        if how.scan_rows:
            faults |= _bad_characters(cells)
        yield RawChunk(lines, cells, faults, refused={i: _spoilt(cells[i]) for i in faults})
        line = after


def _long_records(cells: list[list[str]], line: int, dialect: _Dialect) -> tuple[list[int], dict[int, Fault]]:
    """Return the start lines of records of which some span several lines, and faults for those that swallowed rows."""
    lines: list[int] = []
    faults: dict[int, Fault] = {}
    least = max(1, len([c for c in dialect.found.cells if c.strip()]) - 1)
    for i, row in enumerate(cells):
        lines.append(line)
        line += 1
        for cell in row:
            if "\n" not in cell and "\r" not in cell:
                continue
            line += len(re.findall(r"\r\n|\r|\n", cell))
            if cell.count(dialect.delimiter) >= least:
                hint = (
                    "a quote was opened here and closed lines later, so rows run together; remove or double the quote"
                )
                faults[i] = Fault("open-quote", hint, "", cell[:60])
    return lines, faults


def _bad_characters(cells: list[list[str]]) -> dict[int, Fault]:
    faults: dict[int, Fault] = {}
    for i, row in enumerate(cells):
        joined = "".join(row)
        if "\x00" in joined:
            cell = next(c for c in row if "\x00" in c)
            faults[i] = Fault(
                "nul-byte", "the cell holds a NUL byte; type it anew", "", cell.replace("\x00", "\\x00")[:60]
            )
        elif "\ufffd" in joined:
            cell = next(c for c in row if "\ufffd" in c)
            faults[i] = Fault(
                "undecodable", "some bytes here are no text; type the cell anew or give --encoding", "", cell[:60]
            )
    return faults


def _spoilt(row: list[str]) -> dict[int, str]:
    return {k: cell.replace("\x00", "\\x00") for k, cell in enumerate(row) if _SPOILT.search(cell)}


def _open_quote(path: Path, line: int) -> RimebookError:
    return RimebookError(
        "open-quote",
        where=f"{path}, line {line}",
        found='a field that starts with " and never ends',
        expected='a closing " (a quote inside a quoted field is written twice)',
        do="Remove the quote or close it; inches may be written as in.",
    )
