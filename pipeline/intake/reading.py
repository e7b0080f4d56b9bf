"""Opens a log file of any kind the product reads: text, workbook or calendar, told by its content."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline.intake.delimited import open_delimited
from pipeline.intake.foreign import refuse_foreign
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.intake.calendar import CalendarWindow
    from pipeline.intake.raw import RawLog

#: An archive with parts, an empty one, and one in several pieces; "PK" alone may be the first head of a text.
_ZIPS: Final = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_OLE: Final = bytes.fromhex("D0CF11E0A1B11AE1")
_WORKBOOK_ENDINGS: Final = frozenset((".xlsx", ".xlsm", ".ods", ".xls", ".xlsb"))


def open_logs(
    path: Path,
    *,
    guess: Callable[[Sequence[str]], tuple[str, float]],
    encoding: str | None = None,
    sheet: str | None = None,
    calendar: CalendarWindow | None = None,
) -> list[RawLog]:
    """Return the logs of a file: one for text and calendars, one per kind for a workbook.

    Parameters
    ----------
    path : Path
        CSV, TSV, XLSX, ODS or iCalendar; the content decides, not the ending.
    guess : callable
        Scores a row as a header, see `headers.guesser`.
    encoding : str, optional
        Of a text file; default by `encoding.detect_encoding`.
    sheet : str, optional
        The one sheet of a workbook to read; default all visible ones that look like a log.
    calendar : CalendarWindow, optional
        The days for which a calendar's events are taken; needed for calendars only.

    Raises
    ------
    RimebookError
        Where the file cannot be read as any of these; its code says why.
    """
    start = _first_bytes(path)
    if start.startswith(_OLE):
        raise RimebookError(
            "old-or-encrypted-workbook",
            where=str(path),
            found="a workbook with a password, or one of the old .xls format",
            expected=".xlsx or .ods without a password",
            do="Open it in the spreadsheet program and save it as .xlsx without a password.",
        )
    if start.startswith(_ZIPS):
        from pipeline.intake.workbook import open_workbook

        _refuse_encoding(path, encoding, "a workbook")
        return open_workbook(path, guess, sheet)
    refuse_foreign(path, start, told=encoding)
    if path.suffix.casefold() in _WORKBOOK_ENDINGS:
        raise _no_workbook(path, start)
    if sheet is not None:
        raise RimebookError(
            "no-sheets",
            where=str(path),
            found=f"--sheet {sheet!r} for a text file",
            expected="a workbook (.xlsx, .ods)",
            do="Leave --sheet out.",
        )
    if start.lstrip(b"\xef\xbb\xbf \r\n\t")[:15].upper() == b"BEGIN:VCALENDAR":
        from pipeline.intake.calendar import open_calendar

        _refuse_encoding(path, encoding, "a calendar")
        return [open_calendar(path, calendar)]
    return [open_delimited(path, guess, encoding)]


def _refuse_encoding(path: Path, encoding: str | None, what: str) -> None:
    """Refuse an encoding told of a file that says its own."""
    if encoding is not None:
        raise RimebookError(
            "no-text-file",
            where=str(path),
            found=f"--encoding {encoding!r} for {what}",
            expected="a text file (.csv, .tsv)",
            do="Leave --encoding out; import text files in another command.",
        )


def open_log(
    path: Path,
    *,
    guess: Callable[[Sequence[str]], tuple[str, float]],
    encoding: str | None = None,
    sheet: str | None = None,
    calendar: CalendarWindow | None = None,
) -> RawLog:
    """Return the one log of a file; see `open_logs`.

    Raises
    ------
    RimebookError
        ``several-logs`` where a workbook holds more than one.
    """
    logs = open_logs(path, guess=guess, encoding=encoding, sheet=sheet, calendar=calendar)
    if len(logs) > 1:
        sheets = " and ".join(f"{log.sheet!r} ({log.kind or 'unknown'})" for log in logs)
        do = "Name one with --sheet."
        raise RimebookError("several-logs", where=str(path), found=f"the sheets {sheets}", expected="one log", do=do)
    return logs[0]


def _first_bytes(path: Path) -> bytes:
    where = str(path)
    if path.is_dir():
        do = "Name the files in it."
        raise RimebookError("is-a-folder", where=where, found="a folder", expected="a log file", do=do)
    try:
        with Path(path).open("rb") as file:
            start = file.read(4096)
    except FileNotFoundError:
        do = "Check the name and the folder."
        raise RimebookError("no-such-file", where=where, found="no such file", expected="a log file", do=do) from None
    except PermissionError:
        do = "Allow reading it, or copy it."
        raise RimebookError(
            "not-readable", where=where, found="a file that may not be read", expected="a log file", do=do
        ) from None
    if not start:
        do = "Check that it was saved; an export may have failed."
        raise RimebookError("empty-file", where=where, found="an empty file", expected="a header and rows", do=do)
    return start


def _no_workbook(path: Path, start: bytes) -> RimebookError:
    text = b"\x00" not in start[:200]
    found = "text, although its name ends in " if text else "bytes that are no workbook, although the name ends in "
    do = (
        f"Rename it to {path.stem}.csv."
        if text
        else "Save it anew from the spreadsheet program; the file may be damaged."
    )
    return RimebookError("not-a-workbook", where=str(path), found=found + path.suffix, expected="a workbook", do=do)
