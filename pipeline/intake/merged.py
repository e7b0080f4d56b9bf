"""Figures merged over several rows of a workbook: filled down, the one figure would count on each of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import TOTAL_OF
from pipeline.intake.faults import Fault
from pipeline.intake.texts import code_key

if TYPE_CHECKING:
    from pipeline.intake.columns import Log
    from pipeline.intake.header_match import HeaderMatch
    from pipeline.intake.raw import RawChunk

#: Figures that add up over rows.
_OF_A_ROW: Final[dict[Log, tuple[str, ...]]] = {
    "jobs": tuple(TOTAL_OF),
    "deliveries": ("weight_lb", "fee_usd"),
    "weighings": ("net_lb",),
    "bookings": (),
}
#: The id by which rows belong together, and the figures that stand once for all of them.
_OF_A_WHOLE: Final[dict[Log, tuple[str, tuple[str, ...]]]] = {
    "jobs": ("job_id", (*TOTAL_OF.values(), "price_usd", "setup_min", "cleanup_min")),
    "bookings": ("booking_id", ("deposit_usd",)),
}


def merged_figures(chunk: RawChunk, match: HeaderMatch) -> dict[int, dict[int, Fault]]:
    """Return, by row and column, the faults of figures that stand there only since a cell was merged over several rows.

    What a visit or booking has once may be merged over its own rows, and not over those of another.
    """
    of_a_row = {m.index: m.head for name, m in match.columns.items() if name in _OF_A_ROW[match.log]}
    if match.wide is not None:
        of_a_row |= match.wide.amounts
    hint = "one figure is merged over several rows; write each row's own"
    if match.log == "jobs" and match.wide is None:
        hint += ", or the visit's total in a column for totals"
    faults = _over_several(chunk, match)
    for i, columns in chunk.filled.items():
        for k in columns:
            if k in of_a_row and chunk.cells[i][k].strip():
                faults.setdefault(i, {})[k] = Fault("merged-figure", hint, of_a_row[k], chunk.cells[i][k])
    return faults


def _over_several(chunk: RawChunk, match: HeaderMatch) -> dict[int, dict[int, Fault]]:
    """Return, by row and column, the faults of figures merged over several visits or bookings that each has once."""
    whole, names = _OF_A_WHOLE.get(match.log, ("", ()))
    if whole not in match.columns:
        return {}
    of_a_whole = {m.index: m.head for name, m in match.columns.items() if name in names}
    at = match.columns[whole].index
    ranges: dict[tuple[int, int], list[int]] = {}
    for i, columns in chunk.filled.items():
        for k, top in columns.items():
            if k in of_a_whole and chunk.cells[i][k].strip():
                ranges.setdefault((k, top), []).append(i)
    hint = f"one figure is merged over rows of several {whole}s; write the figure of each on its own rows"
    faults: dict[int, dict[int, Fault]] = {}
    for (k, _), rows in ranges.items():
        # A blank id is a fault of its own and no other visit.
        if len({key for i in rows if (key := code_key(chunk.cells[i][at]))}) > 1:
            for i in rows:
                faults.setdefault(i, {})[k] = Fault("merged-figure", hint, of_a_whole[k], chunk.cells[i][k])
    return faults
