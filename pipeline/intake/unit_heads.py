"""Heads that are a unit and nothing else ('Kg', 'lbs used', 'hrs'): the one figure of a log that they can only mean."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import Column, Log, column_of
from pipeline.intake.heads import Meaning
from pipeline.intake.texts import tidy
from pipeline.intake.units import unit_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

_PARTS: Final = re.compile(r"[\s_.,:()\[\]-]+")
#: Words beside the unit that say nothing else of the figure.
_BESIDE: Final = frozenset(("used", "usage", "weight", "wt", "wgt", "amount", "net", "co2", "in", "of", "the", "taken"))
#: Units that name a figure by themselves; '#' may be a job's number and 'm' anything.
_TELLING: Final = {"mass": ("lb", "kg"), "duration": ("min", "h")}
_NOT_ALONE: Final = frozenset(("#", "m"))
#: The figure of each log that such a head means, and columns beside which it could mean something else.
_FIGURES: Final[dict[Log, tuple[tuple[str, tuple[str, ...]], ...]]] = {
    "jobs": (("pellets_lb", ("job_pellets_lb",)), ("minutes", ("job_minutes",))),
    "deliveries": (("weight_lb", ()),),
    "weighings": (("net_lb", ()),),
    "bookings": (),
}


def units_alone(
    header: Sequence[str], log: Log, unmatched: Iterable[int], present: Collection[str]
) -> list[tuple[int, Meaning]]:
    """Return the heads left over that can only mean a figure the log lacks, with the unit they name.

    Parameters
    ----------
    header : sequence of str
    log : Log
    unmatched : iterable of int
        Positions of the heads that nothing else understood.
    present : collection of str
        Columns of the log that other heads name.
    """
    left = list(unmatched)
    found = []
    for name, beside in _FIGURES[log]:
        column = column_of(log, name)
        heads = [(i, unit) for i in left if (unit := _unit_alone(header[i], column))]
        if len(heads) == 1 and name not in present and not any(other in present for other in beside):
            found.append((heads[0][0], Meaning(column, heads[0][1])))
    return found


def _unit_alone(head: str, column: Column) -> str:
    """Return the unit that a head consists of, '' where it says anything else."""
    parts = [p for p in _PARTS.split(tidy(head).casefold()) if p and p not in _BESIDE]
    if len(parts) != 1 or parts[0] in _NOT_ALONE:
        return ""
    unit = unit_of(column.reads, parts[0])
    return unit if unit in _TELLING[column.reads] else ""
