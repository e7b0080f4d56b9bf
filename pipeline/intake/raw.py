"""A log as read, before anything is understood: text cells under a header, row by row, with nothing lost.

Title, blank and totals rows are set aside and counted; rows that cannot be laid under the header carry a fault.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from pipeline.intake.faults import REJECTED, Fault
from pipeline.intake.numbers import NUMBER, read_number
from pipeline.intake.texts import is_error_cell, tidy, unguard
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

ROWS_A_CHUNK: Final = 50_000
_TOTAL_WORD: Final = re.compile(
    r"tota|sum|average|avg|mean|gesamt|durchschnitt|mittelwert|somme|moyenne|promedio|[Σ∑]", re.IGNORECASE
)
_TOTAL: Final = re.compile(
    r"(?:(?:grand|sub|overall|monthly|weekly|yearly|month|week|year)[- ]?)?(?:totals?|sums?|average|avg\.?|mean)"
    r"(?:(?: |:|,| - ).{0,30})?|\w[\w ,.'-]{1,20} (?:sub)?totals?:?|[Σ∑].{0,20}"
    r"|(?:(?:zwischen|end|gesamt|monats|wochen|jahres|tages)?summen?|(?:ins)?gesamt|durchschnitt|mittelwert"
    r"|totale?s?|suma|totaux|somme|moyenne|promedio)(?:(?: |:|,| - ).{0,30})?",
    re.IGNORECASE,
)
_FIGURE: Final = re.compile(rf"[-+−$€£(~]{{0,2}}\s?({NUMBER})(?:\s?[^\d\s]\S{{0,7}})?|\d{{1,5}}:\d\d(?::\d\d)?")
_DAY: Final = re.compile(r"\d{4}-\d\d?-\d\d?|\d\d?([./-])\d\d?\1(?:\d\d)?\d\d")
_ZERO: Final = re.compile(r"0(?:[.,]0*)?|0:00|-")
#: Three words or more, the first of them letters: what people write under a table, and no id.
_SENTENCE: Final = re.compile(r"[^\W\d_]+(?:\s\S+){2,}")
_WRITE_OVER: Final = "write the right value over this cell"
_CHECK: Final = "may stand under the wrong head, check each"
#: What `rejects` writes before the reasons it gives a row: its file and sheet, then its line.
_PLACE: Final = ("reject_file", "reject_sheet")
#: Totals rows named one by one in the notes; the rest are only counted.
_NAMED_TOTALS: Final = 5


@dataclass
class RawChunk:
    """Some rows of a log.

    Attributes
    ----------
    lines : list of int (n_rows,)
        1-based physical line (text) or row number (workbook) at which each row starts.
    cells : list of list of str (n_rows, width of the header)
        The cells as they stand in the file.
    faults : dict of int to Fault
        Rows of this chunk, by position, that cannot be used: too many fields, an error cell, an undecodable byte.
    filled : dict of int to dict of int to int
        Workbooks: for rows of this chunk, the columns whose cell belongs to a range merged downwards, with the sheet's
        row (0-based) at which the range begins; its value stands on each of its rows.
    refused : dict of int to dict of int to str
        For faulty rows of this chunk, the columns whose cells must not be read as they stand in `cells`, with what a
        person sees there: all errors and formulas without value, and of a shifted row its last cell (that before the
        reasons, in a rejects file) with all that stands after it.
    source : list of int or None
        After `wide.unpivot`: for each row the position in the chunk it came from; None in a chunk as read.
    """

    lines: list[int]
    cells: list[list[str]]
    faults: dict[int, Fault] = field(default_factory=dict)
    filled: dict[int, dict[int, int]] = field(default_factory=dict)
    refused: dict[int, dict[int, str]] = field(default_factory=dict)
    source: list[int] | None = None


@dataclass
class RawLog:
    """One log of one file (or sheet), read again from the start by each call of `chunks`.

    Attributes
    ----------
    file : Path
    sheet : str
        Name of the sheet; '' for text and calendar files.
    kind : str
        The log that the header looks like, '' where it could be two or none.
    header : tuple of str
        The heads as text, trailing blanks cut, a blank head in between named ``column 3``.
    header_line : int
        1-based line or row of the header.
    blocks : callable
        ``blocks(n_rows)`` yields the rows below the header as chunks whose rows may have any width; from the reader.
    notes : list of str
        Sentences for the user; those that need the whole file stand there after the last chunk.
    set_aside : dict with keys title, blank, totals (and events, for calendars)
        Rows that are no data; complete after the last chunk.
    n_padded : int
        Rows whose missing trailing fields were taken as blank; complete after the last chunk.
    cells_shift : bool
        True for text files: a surplus field is a fault, because a stray delimiter shifts every later field. In a
        workbook cells do not shift, and those under no head are left out with a note.
    """

    file: Path
    sheet: str
    kind: str
    header: tuple[str, ...]
    header_line: int
    blocks: Callable[[int], Iterator[RawChunk]]
    notes: list[str] = field(default_factory=list)
    set_aside: dict[str, int] = field(default_factory=lambda: {"title": 0, "blank": 0, "totals": 0})
    n_padded: int = 0
    cells_shift: bool = True

    def __post_init__(self) -> None:
        self.remember_opening()

    def remember_opening(self) -> None:
        """Take the present notes and counts as those before the first row; each pass of `chunks` starts from them."""
        self._opening = (tuple(self.notes), dict(self.set_aside))

    def chunks(self, n_rows: int = ROWS_A_CHUNK) -> Iterator[RawChunk]:
        """Yield the rows below the header in chunks of up to `n_rows`, from the start of the file.

        Raises
        ------
        RimebookError
            When the file changed while it was read, or is damaged further down.
        """
        self.notes[:] = self._opening[0]
        self.set_aside.update(self._opening[1])
        self.n_padded = 0
        sifter = _Sifter(self)
        for block in self.blocks(n_rows):
            chunk = sifter.sift(block)
            if chunk.lines:
                yield chunk
        self.notes.extend(sifter.closing_notes())


class _Sifter:
    """Lays the rows of one pass under the header and sets aside what is no data.

    A totals row without a word is known by its sums, and only within the first chunk: sheets that people sum up by hand
    are short.
    """

    def __init__(self, log: RawLog) -> None:
        self._log = log
        self._totals: list[int] = []
        self._footers: list[tuple[int, str]] = []
        self._n_surplus = 0
        self._first_surplus = ""
        self._n_chunks = 0
        self._above_from = 0  # position, in the first chunk, of the first row after the last totals row
        self._is_rejects = "reject_code" in log.header
        reasons = [k for k, head in enumerate(log.header) if head.startswith("reject_")]
        # Rejects are written without their former reasons, so that a mark on these, or a cell shifted there, would go.
        self._marked = max((k for k in range(len(log.header)) if k not in reasons), default=len(log.header) - 1)
        self._shown_from = min(self._marked, *reasons, len(log.header))

    def sift(self, block: RawChunk) -> RawChunk:
        """Return the block's data rows, each as wide as the header."""
        log, width, header = self._log, len(self._log.header), list(self._log.header)
        self._n_chunks += 1
        kept = RawChunk([], [])
        for i, row in enumerate(block.cells):
            fault = block.faults.get(i) if block.faults else None
            refused = block.refused.get(i, {}) if block.refused else {}
            shifted, shown = None, ""
            if self._is_rejects or len(row) != width:
                shown = " | ".join(row[self._shown_from :]).rstrip(" |")
                shifted = self._fit(row, block.lines[i]) or self._displaced(row)
            if shifted:
                fault, refused = fault or shifted, {**refused, self._marked: shown}
            if self._is_rejects:
                fault = fault or self._as_rejected(row)
            first = row[0]
            if not first or first.isspace() or _TOTAL_WORD.search(first) or first.count(" ") > 1 or row == header:
                aside = self._aside(row, fault is not None, kept.cells)
                if aside:
                    log.set_aside[aside] += 1
                    if aside == "totals":
                        self._totals.append(block.lines[i])
                        self._above_from = len(kept.cells)
                    elif aside == "title" and row != header:
                        self._footers.append((block.lines[i], next(cell for cell in row if cell.strip())))
                    continue
            if fault is not None:
                named = log.header[int(fault.column)] if fault.column.isdigit() else fault.column
                kept.faults[len(kept.cells)] = replace(fault, column=named)
                kept.refused[len(kept.cells)] = {k: text for k, text in refused.items() if k < width}
            if block.filled and i in block.filled:
                kept.filled[len(kept.cells)] = block.filled[i]
            kept.lines.append(block.lines[i])
            kept.cells.append(row)
        return kept

    def _fit(self, row: list[str], line: int) -> Fault | None:
        """Bring a row to the header's width in place; return a fault where that would lose a cell of a text file."""
        log, width = self._log, len(self._log.header)
        if len(row) == width:
            return None
        if len(row) < width:
            if any(row):
                log.n_padded += 1
            row.extend([""] * (width - len(row)))
            return None
        surplus = [cell for cell in row[width:] if cell.strip()]
        n_found = len(row)
        del row[width:]
        if not surplus:
            return None
        if not log.cells_shift:
            self._n_surplus += len(surplus)
            self._first_surplus = self._first_surplus or f"row {line}: {surplus[0]!r}"
            return None
        hint = f"{n_found} fields under {width} heads, so cells {_CHECK}; quote a text that holds the delimiter"
        return Fault("too-many-fields", f"{hint}, or remove the surplus", "", surplus[0])

    def _displaced(self, row: list[str]) -> Fault | None:
        """Return the fault of a row of a rejects file whose reasons stand under other heads, and so may its cells."""
        if not (self._is_rejects and self._log.cells_shift and "reject_line" in self._log.header):
            return None
        said = dict(zip(self._log.header, row, strict=True))
        # Whoever adds a row, or clears its reasons, leaves all of these blank.
        place = next((said[head] for head in _PLACE if said.get(head, "").strip()), None)
        if place is None or said["reject_line"].strip().isdecimal():
            return None
        hint = f"the reasons do not stand under their heads, so cells {_CHECK}; quote a text that holds the delimiter"
        return Fault("displaced-cells", f"{hint}, and leave the delimiter of a cell that goes", "", place)

    def _as_rejected(self, row: list[str]) -> Fault | None:
        """Return the fault of a row of a rejects file in which a cell still stands as it was refused."""
        said = dict(zip(self._log.header, row, strict=True))
        for head, cell in said.items():
            if cell.lstrip().startswith(REJECTED.rstrip()) and not head.startswith("reject_"):
                why = unguard(said.get("reject_hint", ""))
                hint = why if why.startswith(_WRITE_OVER) else f"{_WRITE_OVER}{f': {why}' if why else ''}"
                return Fault("not-corrected", hint, head, cell)
        return None

    def _aside(self, row: list[str], faulty: bool, above: list[list[str]]) -> str:
        """Return the key of `RawLog.set_aside` under which a row falls, '' for a data row."""
        filled = [cell.strip() for cell in row if cell and not cell.isspace()]
        if all(_ZERO.fullmatch(cell) for cell in filled):
            return "blank"  # formulas filled down below the table show zeros, nothing, or errors
        if row == list(self._log.header):
            return "title"
        if len(filled) == 1 and not faulty and len(row) > 2 and _SENTENCE.fullmatch(tidy(filled[0])):
            return "title"  # a remark or signature below the table, alone in its row
        figures = [bool(_FIGURE.fullmatch(tidy(cell))) for cell in filled]
        if _TOTAL.fullmatch(tidy(filled[0])):
            # A row with a day is somebody's delivery, even where its first word is a name that begins with "Total".
            told = any(_DAY.fullmatch(tidy(cell)) for cell in filled[1:])
            sums = all(f or is_error_cell(c) for f, c in zip(figures[1:], filled[1:], strict=True))
            return "totals" if sums and not told else ""
        if not faulty and self._n_chunks == 1 and not row[0].strip() and all(figures):
            return "totals" if _sums_up(row, above[self._above_from :]) else ""
        return ""

    def closing_notes(self) -> list[str]:
        """Return what can only be said after the last row."""
        notes = []
        if self._totals:
            shown = ", ".join(str(line) for line in self._totals[:_NAMED_TOTALS])
            more = f" and {len(self._totals) - _NAMED_TOTALS} more" if len(self._totals) > _NAMED_TOTALS else ""
            notes.append(f"totals set aside, not imported: line {shown}{more}")
        if self._footers:
            line, text = self._footers[0]
            rows = counted(len(self._footers), "row")
            notes.append(f"{rows} of text among the rows set aside (line {line}: {text.strip()!r})")
        if self._n_surplus:
            notes.append(f"{self._n_surplus} cells stand under no head and are left out (first: {self._first_surplus})")
        if self._log.n_padded:
            notes.append(f"{self._log.n_padded} rows end early; their missing last fields are read as blank")
        return notes


def _sums_up(row: Sequence[str], above: Sequence[Sequence[str]]) -> bool:
    """Tell whether each figure of a row is the sum of at least two figures above it, to 0.5 %."""
    figures = [(k, _figure(cell)) for k, cell in enumerate(row) if cell.strip()]
    for column, figure in figures:
        parts = [value for value in (_figure(r[column]) for r in above) if value is not None]
        if figure is None or len(parts) < 2 or abs(sum(parts) - figure) > 0.005 * abs(figure) + 0.01:
            return False
    return True


def _figure(cell: str) -> float | None:
    match = _FIGURE.fullmatch(tidy(cell))
    return read_number(match[1], None) if match and match[1] else None
