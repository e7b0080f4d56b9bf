"""Which log a table is where its heads hardly tell: a job log by what its columns hold."""

from __future__ import annotations

import re
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.intake.dates import parse_dates
from pipeline.intake.texts import tidy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.intake.raw import RawLog

_ROWS: Final = 200
_FEWEST_ROWS: Final = 3
#: Share of a column's filled cells that make it one of a kind, and of its rows that are filled at all.
_MOST_OF: Final = 0.8
_ID: Final = re.compile(r"[^\W\d_]{0,6}[-/ #]?\d{1,9}(?:[-/]\d{1,6})?")
_WORD: Final = re.compile(r"[^\W\d_][^\d]*")


def looks_like_jobs(log: RawLog) -> bool:
    """Tell whether the first rows hold a date, tickets of many numbers, and two columns of words: class and zone."""
    chunk = next(islice(log.chunks(_ROWS), 1), None)
    if chunk is None or len(chunk.cells) < _FEWEST_ROWS:
        return False
    columns = [[tidy(row[k]) for row in chunk.cells] for k in range(len(log.header))]
    kinds = [_kind(cells) for cells in columns if sum(map(bool, cells)) >= _MOST_OF * len(cells)]
    return "date" in kinds and "id" in kinds and kinds.count("words") >= 2


def _kind(cells: Sequence[str]) -> str:
    filled = [cell for cell in cells if cell]
    distinct = set(filled)
    if np.mean(~np.isnat(parse_dates(filled, "day-first").days)) >= _MOST_OF:
        return "date"
    if _share(filled, _ID) and len(distinct) >= max(_FEWEST_ROWS, len(filled) / 4):
        return "id"
    return "words" if _share(filled, _WORD) and len(distinct) >= 2 else ""


def _share(filled: Sequence[str], form: re.Pattern[str]) -> bool:
    return sum(bool(form.fullmatch(cell)) for cell in filled) >= _MOST_OF * len(filled)
