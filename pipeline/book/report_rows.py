"""Finished visits as a report lists them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from pipeline.book.store import Book


@dataclass(frozen=True)
class VisitRow:
    """One visit: its words in the order of its lines, its price (None where not written down) and its notes."""

    job_id: str
    day: date
    vehicle_classes: tuple[str, ...]
    zones: tuple[str, ...]
    soils: tuple[str, ...]
    operators: tuple[str, ...]
    price_usd: float | None
    notes: str


def visit_rows(book: Book, before: date) -> list[VisitRow]:
    """Return every visit dated before a day, by day and job id, as `job_table` orders them."""
    with book.reading() as connection:
        rows = connection.execute(
            """select job_id, min(day), list(distinct vehicle_class), list(zone order by vehicle, zone, pass),
            list(distinct soil_level) filter (soil_level != ''), list(distinct operator) filter (operator != ''),
            max(price_usd), coalesce(string_agg(distinct notes, ' / ') filter (notes != ''), '')
            from job_lines where day < ? group by job_id order by min(day), job_id""",
            [before],
        ).fetchall()
    return [
        VisitRow(str(r[0]), r[1], _words(r[2]), tuple(dict.fromkeys(map(str, r[3]))), _words(r[4]), _words(r[5]), r[6],
                 str(r[7]))
        for r in rows
    ]  # fmt: skip


def _words(found: list[str] | None) -> tuple[str, ...]:
    return tuple(sorted(map(str, found or ())))
