"""What logging a job did to a ticket that the book may have had: lines added, completed, replaced, a new total."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.intake.exporting import figure
from pipeline.intake.quantities import parse_quantity
from shared.units import LB_PER_KG

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.intake.units import Kind

    Cells = dict[str, str]

#: What one visit has once, wherever it stands on its rows.
OF_VISIT: Final = (
    "date", "job_pellets_lb", "job_minutes", "setup_min", "cleanup_min", "price_usd", "customer",
)  # fmt: skip
_KEY: Final = ("vehicle", "zone", "pass")


@dataclass(frozen=True)
class LogChange:
    """What was done to the book's lines of one job.

    Attributes
    ----------
    new_job : bool
        Whether the book had no line of it before.
    lines_added, lines_completed, lines_replaced : tuple of str
        The lines by zone, with plate and pass where a zone needs them. A completed line had only blanks filled; a
        replaced one has another figure or word than before.
    changed_for_job : tuple of str
        Columns that a job has once and that changed for all of it, such as `job_pellets_lb`.
    """

    new_job: bool
    lines_added: tuple[str, ...]
    lines_completed: tuple[str, ...]
    lines_replaced: tuple[str, ...]
    changed_for_job: tuple[str, ...]


def change_between(before: Sequence[Cells], after: Sequence[Cells]) -> LogChange:
    """Return what differs between the cells of one visit before and after it was logged."""
    old = {line_key(row): row for row in before}
    added: list[str] = []
    completed: list[str] = []
    replaced: list[str] = []
    for row in after:
        had = old.get(line_key(row))
        if had is None:
            added.append(_label(row))
            continue
        differing = [c for c in row if c not in OF_VISIT and c not in _KEY and c != "job_id" and row[c] != had[c]]
        if differing:
            (replaced if any(had[c] for c in differing) else completed).append(_label(row))
    once = () if not before else tuple(c for c in OF_VISIT if _once(before, c) != _once(after, c))
    return LogChange(not before, tuple(added), tuple(completed), tuple(replaced), once)


def line_key(row: Cells) -> tuple[str, ...]:
    """Return what tells a line of a visit from its others."""
    return tuple(row[c].casefold() for c in _KEY)


def _label(row: Cells) -> str:
    plate = f" of {row['vehicle']}" if row["vehicle"] else ""
    return f"{row['zone']}{plate}" + (f", pass {row['pass']}" if row["pass"] not in ("", "1") else "")


def _once(rows: Sequence[Cells], column: str) -> set[str]:
    return {row[column] for row in rows} - {""}


def total_with(header: Sequence[str], rows: Sequence[Sequence[str]], before: Sequence[Cells], units: str) -> str:
    """Return the option that gives a visit the total of its lines as they would stand; '' where it had no total.

    A visit with blank lines gets its old total, what new lines take, and what lines with a figure grew by.

    Parameters
    ----------
    header, rows
        The visit as it would stand: heads and cells.
    before
        The visit as it stands in the book.
    units : {"us", "metric"}
        In which a weight is told.
    """
    after = [dict(zip(header, row, strict=True)) for row in rows]
    pellets = _total(after, before, "pellets_lb", "mass", "lb")
    minutes = _total(after, before, "minutes", "duration", "min")
    told = []
    if pellets is not None:
        weight, unit = (pellets / LB_PER_KG, "kg") if units == "metric" else (pellets, "lb")
        told.append(f"{figure(round(weight, 2))}{unit}")
    if minutes is not None:
        told.append(f"{figure(round(minutes, 1))}min")
    return f"--total {'/'.join(told)}" if told else ""


def _total(after: Sequence[Cells], before: Sequence[Cells], quantity: str, kind: Kind, unit: str) -> float | None:
    old_totals = [_read(row[f"job_{quantity}"], kind, unit) for row in before if row[f"job_{quantity}"]]
    if not old_totals:
        return None
    known = [_read(row[quantity], kind, unit) for row in after if row[quantity]]
    if len(known) == len(after):
        return sum(known)
    had = {line_key(row): row[quantity] for row in before}
    # A line that was there without a figure is in the old total already, whatever it gets now.
    grown = sum(
        _read(row[quantity], kind, unit) - (_read(had[line_key(row)], kind, unit) if line_key(row) in had else 0.0)
        for row in after
        if row[quantity] and had.get(line_key(row), "0")
    )
    return old_totals[0] + grown


def _read(text: str, kind: Kind, unit: str) -> float:
    read, _ = parse_quantity(text, kind, unit)
    return read if isinstance(read, float) else 0.0
