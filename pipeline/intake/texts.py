"""Small rules for cells as text: spaces, comparison keys, blanks, the guard before formula signs."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

#: Spaces that spreadsheets and web pages leave in cells (no-break, thin, figure ...) become plain ones; marks without
#: width (byte order mark, joiners, direction marks) go.
_SPACES: Final = {ord(c): " " for c in "\u00a0\u2007\u2008\u2009\u200a\u202f\u3000\t\r\n"} | {
    ord(c): None for c in "\ufeff\u200b\u200c\u200d\u200e\u200f\u2060"
}
#: What people write where nothing was measured. A zero is not among them.
_BLANKS: Final = frozenset(
    ("", "-", "--", "---", "–", "—", ".", "?", "??", "x", "n/a", "na", "n.a.", "n/k", "none", "null", "nan", "tbd")
) | {"unknown", "not recorded", "not measured", "blank"}
_ERROR_CELL: Final = re.compile(r"#(?:DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!|SPILL!|CALC!)|Err:\d{3}", re.IGNORECASE)
_FORMULA_START: Final = re.compile(r"'*[=+\-@\t\r]")


def tidy(text: str) -> str:
    """Return the cell with every kind of space made plain, runs of them single, and the ends trimmed."""
    return " ".join(text.translate(_SPACES).split())


def is_blank(text: str) -> bool:
    """Tell whether a cell says that there is no value: empty, a dash, n/a, '?', 'tbd' and the like."""
    return not text or tidy(text).casefold() in _BLANKS


def is_error_cell(text: str) -> bool:
    """Tell whether a cell holds a spreadsheet's error, such as ``#DIV/0!``."""
    return bool(_ERROR_CELL.fullmatch(text.strip()))


def code_key(text: str) -> str:
    """Return the key by which codes and ids are compared: trimmed (no-break spaces too) and case-folded."""
    return tidy(text).casefold()


def word_key(text: str) -> str:
    """Return the key by which words are compared: letters and digits only, case-folded, accents kept.

    ``Wheel-Wells``, ``wheel_wells`` and ``wheel wells `` have one key. A text of signs only (a tick, a dash) is its
    own key.
    """
    folded = unicodedata.normalize("NFKC", text).casefold()
    return "".join(c for c in folded if c.isalnum()) or folded.strip()


def guard(text: str) -> str:
    """Return the text with one more ``'`` before it where a spreadsheet would take it for a formula.

    Texts that start with ``= + - @``, tab or carriage return, or with ``'`` before one of these, are guarded.
    Numbers must not be passed here.
    """
    return "'" + text if _FORMULA_START.match(text) else text


def unguard(text: str) -> str:
    """Return the text without the one ``'`` that `guard` put there; other texts as they are."""
    return text[1:] if text.startswith("'") and _FORMULA_START.match(text) else text
