"""What a sheet's XML says that the spreadsheet reader does not: how far it reaches, errors, formulas without values.

The reader allocates the rectangle from the first to the last cell, so that one stray cell at XFD1048576 aborts the
whole process; it also gives '' for an error cell, which would pass as a blank. Each sheet is therefore scanned as a
stream first.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final
from xml.parsers import expat

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import IO

_BLOCK: Final = 1 << 20
_P: Final = rb"(?:\w+:)?"  # some writers prefix every element
_FILLED_CELL: Final = re.compile(rb"<" + _P + rb"c\s[^<>]*?\br=[\"']([A-Z]{1,7})(\d{1,9})[\"'][^<>]*(?<!/)>")
_ROW: Final = re.compile(rb"<" + _P + rb"row\b")
_CELL_WITHOUT_REF: Final = re.compile(rb"<" + _P + rb"c(?:>|\s(?![^<>]*\br=)[^<>]*>)")
_REF: Final = re.compile(rb"\br=[\"']([A-Z]{1,7})(\d{1,9})[\"']")
_ERROR: Final = re.compile(
    rb"<" + _P + rb"c\s([^<>]*\bt=[\"']e[\"'][^<>]*)>(?:(?!</" + _P + rb"c>).)*?<" + _P + rb"v>([^<]*)</", re.DOTALL
)
_FORMULA_ALONE: Final = re.compile(
    rb"<" + _P + rb"c\b([^<>]*)>\s*<" + _P + rb"f\b[^<>]*(?:/>|>[^<]*</" + _P + rb"f>)\s*"
    rb"(<" + _P + rb"v\s*/>|<" + _P + rb"v>\s*</" + _P + rb"v>)?\s*</" + _P + rb"c>"
)
_ODS: Final = "urn:oasis:names:tc:opendocument:xmlns:"
_TABLE, _OFFICE, _STYLE = _ODS + "table:1.0 ", _ODS + "office:1.0 ", _ODS + "style:1.0 "
#: Repeated faulty or merged cells that are kept apart; a sheet with more is refused as too large anyway.
_MOST_MARKS: Final = 100_000


@dataclass
class SheetScan:
    """What the scan of one sheet found; positions are 0-based (row, column).

    Attributes
    ----------
    n_rows, n_columns : int
        Extent of the cells with content.
    n_filled : int
        Cells with content.
    far : str
        Reference of the cell that reaches furthest, such as 'XFD1048576'.
    errors : dict of position to the error's text, such as '#DIV/0!'
    formulas : set of position
        Formulas that were never calculated.
    merged : list of (first, last) positions
        Filled for OpenDocument only; the reader knows those of XLSX.
    hidden : bool
        Filled for OpenDocument only.
    """

    n_rows: int = 0
    n_columns: int = 0
    n_filled: int = 0
    far: str = ""
    errors: dict[tuple[int, int], str] = field(default_factory=dict)
    formulas: set[tuple[int, int]] = field(default_factory=set)
    merged: list[tuple[tuple[int, int], tuple[int, int]]] = field(default_factory=list)
    hidden: bool = False


def scan_xlsx_sheet(stream: IO[bytes]) -> SheetScan:
    """Return the scan of one worksheet part (ECMA-376 SpreadsheetML) read as a stream."""
    scan = SheetScan()
    for piece in _whole_rows(stream):
        cells = _FILLED_CELL.findall(piece)
        scan.n_filled += len(cells)
        if cells:
            columns = {letters: column_number(letters.decode()) for letters in {c[0] for c in cells}}
            widest = max(columns, key=lambda letters: columns[letters])
            lowest = max(int(c[1]) for c in cells)
            if columns[widest] > scan.n_columns or lowest > scan.n_rows:
                scan.far = f"{widest.decode()}{lowest}"
            scan.n_columns = max(scan.n_columns, columns[widest])
            scan.n_rows = max(scan.n_rows, lowest)
        if _CELL_WITHOUT_REF.search(piece):
            rows = _ROW.split(piece)
            scan.n_columns = max(scan.n_columns, max(len(_CELL_WITHOUT_REF.findall(row)) for row in rows))
            scan.n_rows += len(rows) - 1
            scan.n_filled += len(_CELL_WITHOUT_REF.findall(piece))
        for attributes, text in _ERROR.findall(piece):
            at = _position(attributes)
            if at:
                scan.errors[at] = text.decode("ascii", "replace")
        for attributes, value in _FORMULA_ALONE.findall(piece):
            at = _position(attributes)
            is_text = b't="str"' in attributes or b"t='str'" in attributes
            if at and not (is_text and value):  # an empty text is the value of =IF(A1="","",...)
                scan.formulas.add(at)
    return scan


def _whole_rows(stream: IO[bytes]) -> Iterator[bytes]:
    rest = b""
    while block := stream.read(_BLOCK):
        rest += block
        cut = max(rest.rfind(b"</row>"), rest.rfind(b":row>"))
        if cut >= 0:
            yield rest[:cut]
            rest = rest[cut:]
    yield rest


def _position(attributes: bytes) -> tuple[int, int] | None:
    match = _REF.search(attributes)
    return (int(match[2]) - 1, column_number(match[1].decode()) - 1) if match else None


def column_number(letters: str) -> int:
    """Return the 1-based number of a column by its letters: A is 1, AA 27."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def cell_name(row: int, column: int) -> str:
    """Return the reference of a 0-based position: (0, 0) is A1."""
    letters, n = "", column + 1
    while n:
        n, rest = divmod(n - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


def scan_ods(stream: IO[bytes]) -> dict[str, SheetScan]:
    """Return the scans of all sheets of an OpenDocument content part, by sheet name.

    Raises
    ------
    xml.parsers.expat.ExpatError
        When the part is no well-formed XML.
    """
    reader = _OdsReader()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    while block := stream.read(_BLOCK):
        parser.Parse(block, False)
    parser.Parse(b"", True)
    return reader.sheets


class _OdsReader:
    """Follows the position in the sheet, in which rows and cells may be written once and repeated a million times."""

    def __init__(self) -> None:
        self.sheets: dict[str, SheetScan] = {}
        self._hidden_styles: set[str] = set()
        self._style = ""
        self._sheet: SheetScan | None = None
        self._depth = 0
        self._row = self._column = 0
        self._row_repeat = self._cell_repeat = 1
        self._filled_to = 0
        self._cell: dict[str, str] | None = None
        self._text = ""

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == _STYLE + "style":
            self._style = attributes.get(_STYLE + "name", "")
        elif name == _STYLE + "table-properties" and attributes.get(_TABLE + "display") == "false":
            self._hidden_styles.add(self._style)
        elif name == _TABLE + "table":
            self._depth += 1
            if self._depth == 1:
                self._sheet = SheetScan(hidden=attributes.get(_TABLE + "style-name", "") in self._hidden_styles)
                self.sheets[attributes.get(_TABLE + "name", "")] = self._sheet
                self._row = 0
        elif self._sheet is None or self._depth != 1:
            return
        elif name == _TABLE + "table-row":
            self._row_repeat = _count(attributes, "number-rows-repeated")
            self._column = self._filled_to = 0
        elif name in (_TABLE + "table-cell", _TABLE + "covered-table-cell"):
            self._cell_repeat = _count(attributes, "number-columns-repeated")
            self._cell, self._text = attributes, ""

    def text(self, data: str) -> None:
        if self._cell is not None and len(self._text) < 80:
            self._text += data

    def end(self, name: str) -> None:
        if name == _TABLE + "table":
            self._depth -= 1
            self._sheet = self._sheet if self._depth else None
        elif self._sheet is None or self._depth != 1:
            return
        elif name in (_TABLE + "table-cell", _TABLE + "covered-table-cell"):
            self._end_cell(self._sheet)
        elif name == _TABLE + "table-row":
            if self._filled_to:
                self._sheet.n_rows = self._row + self._row_repeat
                if self._filled_to > self._sheet.n_columns or self._row_repeat > 1 or not self._sheet.far:
                    self._sheet.far = cell_name(self._sheet.n_rows - 1, self._filled_to - 1)
                self._sheet.n_columns = max(self._sheet.n_columns, self._filled_to)
            self._row += self._row_repeat

    def _end_cell(self, sheet: SheetScan) -> None:
        cell, self._cell = self._cell or {}, None
        kind = cell.get(_OFFICE + "value-type")
        formula = _TABLE + "formula" in cell
        if kind or self._text or formula:
            self._filled_to = self._column + self._cell_repeat
            sheet.n_filled += self._cell_repeat * self._row_repeat
        broken = next((v for k, v in cell.items() if k.endswith(" value-type") and v == "error"), "")
        marks = min(self._row_repeat * self._cell_repeat, _MOST_MARKS)
        if broken or (formula and not kind) or _TABLE + "number-rows-spanned" in cell:
            for k in range(marks):
                at = (self._row + k // self._cell_repeat, self._column + k % self._cell_repeat)
                self._mark(sheet, at, cell, broken, formula and not kind)
        self._column += self._cell_repeat

    def _mark(self, sheet: SheetScan, at: tuple[int, int], cell: dict[str, str], broken: str, alone: bool) -> None:
        if broken:
            sheet.errors[at] = self._text or "error"
        elif alone:
            sheet.formulas.add(at)
        down, right = _count(cell, "number-rows-spanned"), _count(cell, "number-columns-spanned")
        if down > 1:
            sheet.merged.append((at, (at[0] + down - 1, at[1] + right - 1)))


def _count(attributes: dict[str, str], name: str) -> int:
    text = attributes.get(_TABLE + name, "1")
    return max(1, int(text)) if text.isdigit() else 1
