"""Counted things in words, and words cut to what there is room for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


def counted(n: int, what: str) -> str:
    """Return a number of things, '1 past job' or '1,685 past jobs'; `what` is one of them, with a plain plural."""
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def room(n_bytes: float, *, needed: bool = False) -> str:
    """Return room on a disk, '3 kB' below a megabyte, else '1,204 MB'; what is `needed` rounded up, else down.

    So that what is free never reads as much as what is needed where it is less.
    """
    unit, size = ("MB", 1e6) if n_bytes >= 1e6 else ("kB", 1e3)
    return f"{(math.ceil if needed else math.floor)(n_bytes / size):,} {unit}"


def some_named(names: Sequence[str], most: int) -> str:
    """Return names as a list in words, 'A, B and others' where there are more than `most`."""
    return ", ".join(names[:most]) + (" and others" if len(names) > most else "")


def cut(text: str, most: int) -> str:
    """Return a text of at most so many letters, three of them dots where it was longer."""
    return text if len(text) <= most else text[: most - 3] + "..."
