"""What is wrong with one cell: the common value of every reader and parser here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: Stands in a rejects file before a cell that would be read there although it was refused, since what spoke against it
#: (a merged range, a formula, the fields of its line, the other rows) is not in that file. Such a cell stays refused
#: until it is written over.
REJECTED: Final = "[rejected] "


@dataclass(frozen=True, slots=True)
class Fault:
    """A reason to keep a row out, worded for the person who will correct it.

    Attributes
    ----------
    code : str
        Kebab-case, stable between versions, for example ``unknown-unit``.
    hint : str
        One sentence: what to write instead.
    column : str
        The column's head as it stands in the file; '' where the fault is the row's or the caller knows the column.
    value : str
        The cell as it stands in the file; '' where the caller knows it.
    """

    code: str
    hint: str
    column: str = ""
    value: str = ""
