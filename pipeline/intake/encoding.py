"""Which encoding a text file is in: a few rules that do better on short files than detectors by statistics."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from shared.errors import RimebookError

if TYPE_CHECKING:
    from pathlib import Path

_BLOCK: Final = 1 << 20
MARKS: Final = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class Encoded:
    """How a file's bytes become text.

    Attributes
    ----------
    name : str
        Python's name of the encoding.
    errors : str
        'strict', or 'replace' where bytes without a meaning become a fault of their row.
    scan_rows : bool
        Whether rows may hold replaced characters or NUL and must be looked at.
    notes : tuple of str
        What to tell the user.
    """

    name: str
    errors: str = "strict"
    scan_rows: bool = False
    notes: tuple[str, ...] = ()


def detect_encoding(path: Path, told: str | None) -> Encoded:
    """Return the encoding: as told, by byte order mark, UTF-8 where valid, UTF-16 by its NULs, else Windows-1252.

    The last is a guess and is said, with the first cell it changed.

    Raises
    ------
    RimebookError
        ``unknown-encoding`` where `told` is no encoding.
    """
    if told:
        return _told(told)
    with path.open("rb") as file:
        start = file.read(4096)
    for mark, name in MARKS:
        if start.startswith(mark):
            return _marked(path, name)
    wide = utf16_by_nuls(start)
    if wide:
        return Encoded(wide, notes=(f"read as {wide.upper()}, by its NUL bytes; pass --encoding if words look wrong",))
    at, has_nul = _first_invalid(path)
    if at is None:
        notes = ("the file holds NUL bytes; rows with one are rejected",) if has_nul else ()
        return Encoded("utf-8", scan_rows=has_nul, notes=notes)
    line, shown, broken = _line_at(path, at)
    note_text = (
        f"line {line}: not UTF-8 (bytes {broken}), so the file is read as Windows-1252; "
        f"the first cell this changes reads {shown!r}; pass --encoding if that is wrong"
    )
    return Encoded("cp1252", "replace", scan_rows=True, notes=(note_text,))


def _marked(path: Path, name: str) -> Encoded:
    """Return the encoding that a byte order mark names; in UTF-8, bytes that do not fit become faults of their rows."""
    at, has_nul = _first_invalid(path) if name == "utf-8-sig" else (None, False)
    if at is None:
        return Encoded(name, scan_rows=has_nul)
    line, shown, broken = _line_at(path, at)
    note = f"line {line}: marked as UTF-8, but the bytes {broken} near {shown!r} are none; rows with such are rejected"
    return Encoded(name, "replace", scan_rows=True, notes=(note,))


def _told(told: str) -> Encoded:
    try:
        name = codecs.lookup(told).name
        "".encode(name)
    except (LookupError, TypeError, UnicodeError):  # the last of a codec that takes nothing at all
        raise RimebookError(
            "unknown-encoding",
            where="--encoding",
            found=repr(told),
            expected="a text encoding such as utf-8, utf-16, cp1252 or latin-1",
            do="Leave the option out to let the file decide.",
        ) from None
    return Encoded("utf-8-sig" if name == "utf-8" else name)


def utf16_by_nuls(start: bytes) -> str | None:
    """Return utf-16-le or -be where every second byte of plain text is NUL, None elsewhere."""
    even, odd = start[0::2], start[1::2]
    if len(start) < 4 or start.count(0) < len(start) // 4:
        return None
    if odd.count(0) > 0.4 * len(odd) and even.count(0) < 0.05 * len(even) + 1:
        return "utf-16-le"
    if even.count(0) > 0.4 * len(even) and odd.count(0) < 0.05 * len(odd) + 1:
        return "utf-16-be"
    return None


def _first_invalid(path: Path) -> tuple[int | None, bool]:
    """Return (offset of the first byte that is no UTF-8, None where all is; whether there are NULs)."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    offset, has_nul, pending = 0, False, 0
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            has_nul = has_nul or b"\x00" in block
            try:
                decoder.decode(block)
            except UnicodeDecodeError as error:
                return offset - pending + error.start, has_nul
            offset += len(block)
            pending = len(decoder.getstate()[0])
        try:
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return offset - pending, has_nul
    return None, has_nul


def _line_at(path: Path, offset: int) -> tuple[int, str, str]:
    """Return (1-based line, the cell around the offset as Windows-1252, its bytes in hex) of a place in a file."""
    line = 1
    with path.open("rb") as file:
        left = offset
        while left > 0 and (block := file.read(min(_BLOCK, left))):
            line += block.count(b"\n")
            left -= len(block)
        file.seek(max(0, offset - 200))
        around = file.read(400)
    place = offset - max(0, offset - 200)
    ends = [i for i, b in enumerate(around) if b in b",;\t|\r\n"]
    start = max((i + 1 for i in ends if i < place), default=0)
    stop = min((i for i in ends if i >= place), default=len(around))
    cell = around[start:stop].decode("cp1252", "replace").strip().strip('"')
    return line, cell[:60], around[place : place + 1].hex(" ")


def undecodable(path: Path, name: str, error: UnicodeError) -> RimebookError:
    """Return the error for a file whose bytes are no text in its encoding: file, line, bytes, encoding, option."""
    place = path
    where = str(place)
    found = f"bytes that are no {name} text"
    if isinstance(error, UnicodeDecodeError):
        found = f"the bytes {error.object[error.start : error.start + 4].hex(' ')}, which are no {name} text"
        line = _line_of_bytes(path, bytes(error.object[max(0, error.start - 40) : error.start + 4]))
        where = f"{path}, line {line}" if line else where
    return RimebookError(
        "undecodable",
        where=where,
        found=found,
        expected=f"text in {name}",
        do="Leave --encoding out, or pass the one the file was saved in (such as cp1252 or utf-16).",
    )


def _line_of_bytes(path: Path, piece: bytes) -> int | None:
    """Return the 1-based line in which a piece of bytes first stands."""
    line, tail = 1, b""
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            joined = tail + block
            at = joined.find(piece)
            if at >= 0:
                return line + joined.count(b"\n", 0, at + len(piece) - min(4, len(piece)))
            keep = max(0, len(joined) - len(piece))
            line += joined.count(b"\n", 0, keep)
            tail = joined[keep:]
    return None
