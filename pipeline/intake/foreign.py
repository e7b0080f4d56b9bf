"""Files that are no log at all, told by their first bytes: web pages, documents, pictures, packed files, noise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.intake.encoding import MARKS, utf16_by_nuls
from shared.errors import RimebookError

if TYPE_CHECKING:
    from pathlib import Path

#: First bytes, what a file that starts so is, and what to do with it. The signatures are from memory.
_SIGNATURES: Final = (
    (b"%PDF-", "a PDF document", "Export the table as CSV or XLSX from the program that made it."),
    (b"\x89PNG\r\n", "a picture", "Type the figures into a table, or export them as CSV or XLSX."),
    (b"\xff\xd8\xff", "a picture", "Type the figures into a table, or export them as CSV or XLSX."),
    (
        b"PAR1\x15",
        "a Parquet file, which is for other programs",
        "Save the table as CSV, as `rimebook export` does without --format parquet, and import that.",
    ),
    (b"{\\rtf", "a text document (RTF)", "Copy its table to a spreadsheet program and save it as .xlsx."),
    (b"\x1f\x8b\x08", "a packed file (gzip)", "Unpack it and import the file in it."),
    (b"7z\xbc\xaf\x27\x1c", "a packed file (7z)", "Unpack it and import the files in it."),
    (b"Rar!\x1a\x07", "a packed file (rar)", "Unpack it and import the files in it."),
)
_PAGES: Final = (b"<html", b"<!doctype html", b"<table", b"<head", b"<body")
#: Marks of texts whose plain letters hold NULs.
_WIDE_MARKS: Final = tuple(mark for mark, name in MARKS if name != "utf-8-sig")
#: Control characters that texts hold: tab, line feed, vertical tab, form feed, return, end of file, escape. NUL is
#: not counted either: it stands in damaged but readable logs, whose rows are then rejected.
_IN_TEXTS: Final = frozenset(b"\x00\t\n\v\f\r\x1a\x1b")
_MOST_CONTROLS_SHARE: Final = 0.03
_LEAST_CONTROLS: Final = 4
_EXPECTED: Final = "a table: CSV, TSV, XLSX, ODS, or a calendar"


def refuse_foreign(path: Path, start: bytes, *, told: str | None) -> None:
    """Return where a file may be a text or a workbook; `told` is the encoding that the user named, if any.

    Raises
    ------
    RimebookError
        ``not-a-table`` where its first bytes are those of another kind of file, or of no text at all.
    """
    for signature, what, do in _SIGNATURES:
        if start.startswith(signature):
            raise _no_table(path, what, do)
    if start.lstrip(b"\xef\xbb\xbf \r\n\t").lower().startswith(_PAGES):
        do = "Open it in the spreadsheet program and save it as .xlsx."
        raise _no_table(path, "a web page (HTML)", do)
    if told is None and _is_noise(start):
        do = "Check that it is the right file; if it is, save it anew from the program that made it."
        raise _no_table(path, "bytes that are neither text nor a workbook", do)


def _is_noise(start: bytes) -> bool:
    """Tell whether a file's first bytes are no text in any encoding that is found without being told."""
    if start.startswith(_WIDE_MARKS) or utf16_by_nuls(start):
        return False
    n_controls = sum(b < 0x20 and b not in _IN_TEXTS for b in start)
    return n_controls >= _LEAST_CONTROLS and n_controls > _MOST_CONTROLS_SHARE * len(start)


def _no_table(path: Path, found: str, do: str) -> RimebookError:
    return RimebookError("not-a-table", where=str(path), found=found, expected=_EXPECTED, do=do)
