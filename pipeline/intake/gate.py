"""The gate before the spreadsheet reader: what is no sound workbook, or would exhaust the machine, stops here."""

from __future__ import annotations

import posixpath
import struct
import zipfile
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree
from xml.parsers import expat

from pipeline.intake.sheet_scan import SheetScan, scan_ods, scan_xlsx_sheet
from shared.errors import RimebookError

if TYPE_CHECKING:
    from pathlib import Path

_MOST_BYTES: Final = 300 * 1024 * 1024
_MOST_RATIO: Final = 200
#: Below this size a high ratio is no danger: empty sheets compress very well.
_SMALL_BYTES: Final = 20 * 1024 * 1024
_MOST_CELLS: Final = 20_000_000
#: Above this many cells a sheet that is almost empty has a stray cell: reading it would cost minutes and say nothing.
_SPARSE_CELLS: Final = 1_000_000
_LEAST_FILLED: Final = 0.02
_BLOCK: Final = 1 << 20
_RELATIONS: Final = "xl/_rels/workbook.xml.rels"
_MAIN: Final = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_STRICT: Final = "{http://purl.oclc.org/ooxml/spreadsheetml/main}"
_ID_KEYS: Final = (
    "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id",
    "{http://purl.oclc.org/ooxml/officeDocument/relationships}id",
)


#: What zipfile and expat raise on damaged archives, found by mutating sound ones: offsets out of the file, unknown
#: methods of compression, names and declarations in no known encoding.
_ARCHIVE_ERRORS: Final = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError, OSError, LookupError, ValueError,
    RuntimeError, OverflowError,
)  # fmt: skip


@dataclass(frozen=True)
class Passed:
    """A workbook that may be opened: its format and the scan of each sheet by name."""

    is_ods: bool
    scans: dict[str, SheetScan]

    def check_extents(self, path: Path) -> None:
        """Raise as `check_extent` for any sheet of an OpenDocument file, which the reader loads as a whole."""
        if self.is_ods:
            for sheet in self.scans:
                self.check_extent(path, sheet)

    def check_extent(self, path: Path, sheet: str) -> None:
        """Raise ``stray-cell`` where a sheet's rectangle of cells is larger than any log.

        Raises
        ------
        RimebookError
        """
        scan = self.scans.get(sheet, SheetScan())
        area = scan.n_rows * scan.n_columns
        if area > _MOST_CELLS or (area > _SPARSE_CELLS and scan.n_filled < _LEAST_FILLED * area):
            raise RimebookError(
                "stray-cell",
                where=f"{path}, sheet {sheet!r}",
                found=f"cells that reach to {scan.far}: {scan.n_rows} rows by {scan.n_columns} columns",
                expected=f"at most {_MOST_CELLS // 1_000_000} million cells, most of them filled",
                do="A stray cell far away does this: delete the rows and columns beyond the table, save, import again.",
            )


def pass_gate(path: Path) -> Passed:
    """Return the scans of a workbook's sheets.

    Raises
    ------
    RimebookError
        ``damaged-workbook``, ``zip-bomb``, ``encrypted-workbook`` or ``not-a-workbook``.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            _check_sizes(path, archive)
            return _scan(path, archive)
    except zipfile.BadZipFile:
        # The list of an archive's parts stands at its end, and each part carries a checksum.
        raise damaged(path, "its end is missing or parts of it were changed") from None
    except _ARCHIVE_ERRORS:
        raise damaged(path, "parts of it cannot be unpacked") from None
    except (ElementTree.ParseError, expat.ExpatError):
        raise damaged(path, "a part of it breaks off or is garbled") from None


def _check_sizes(path: Path, archive: zipfile.ZipFile) -> None:
    members = archive.infolist()
    if any(member.flag_bits & 1 for member in members):
        raise RimebookError(
            "encrypted-workbook",
            where=str(path),
            found="a workbook with a password",
            expected="a workbook without one",
            do="Save it without a password.",
        )
    size = sum(member.file_size for member in members)
    packed = max(1, sum(member.compress_size for member in members))
    if size > _MOST_BYTES or (size > _SMALL_BYTES and size / packed > _MOST_RATIO):
        raise RimebookError(
            "zip-bomb",
            where=str(path),
            found=f"a workbook that unpacks to {size / 1e6:.0f} MB, {size / packed:.0f} times its size",
            expected=f"at most {_MOST_BYTES // 1024 // 1024} MB and {_MOST_RATIO} times",
            do="Copy the log to a new workbook, or save it as CSV.",
        )


def _scan(path: Path, archive: zipfile.ZipFile) -> Passed:
    names = set(archive.namelist())
    sheets = {}
    if {"xl/workbook.xml", _RELATIONS} <= names:
        sheets = _xlsx_sheets(archive)
    is_ods = "content.xml" in names
    if not is_ods and not sheets:
        binary = "xl/workbook.bin" in names
        do = "Save it as .xlsx." if binary else "If it is a zip folder, unpack it and import the files in it."
        found = "a binary workbook (.xlsb)" if binary else "a zip archive without a workbook in it"
        raise RimebookError("not-a-workbook", where=str(path), found=found, expected=".xlsx or .ods", do=do)
    for name in sorted(names - set(sheets.values()) - {"content.xml"}):
        with archive.open(name) as member:  # read to the end: the checksum is compared there
            while member.read(_BLOCK):
                pass
    if is_ods:
        with archive.open("content.xml") as member:
            return Passed(True, scan_ods(member))
    scans = {}
    for sheet, part in sheets.items():
        if part in names:
            with archive.open(part) as member:
                scans[sheet] = scan_xlsx_sheet(member)
    return Passed(False, scans)


def _xlsx_sheets(archive: zipfile.ZipFile) -> dict[str, str]:
    """Return the part of each worksheet by the sheet's name."""
    targets = {}
    with archive.open(_RELATIONS) as member:
        for relation in ElementTree.parse(member).getroot():
            target = relation.get("Target", "")
            targets[relation.get("Id", "")] = (
                target.lstrip("/") if target.startswith("/") else posixpath.join("xl", target)
            )
    with archive.open("xl/workbook.xml") as member:
        root = ElementTree.parse(member).getroot()
    found = {}
    for element in root.iter():
        if element.tag in (_MAIN + "sheet", _STRICT + "sheet"):
            key = next((element.get(k) for k in _ID_KEYS if element.get(k)), None)
            found[element.get("name", "")] = posixpath.normpath(targets.get(key or "", ""))
    return found


def damaged(path: Path, why: str) -> RimebookError:
    """Return the error for a workbook that cannot be read; `why` in plain words."""
    return RimebookError(
        "damaged-workbook",
        where=str(path),
        found=f"a damaged workbook: {why}",
        expected="a sound .xlsx or .ods file",
        do="Copy or download it again, or let the spreadsheet program repair it and save it anew.",
    )
