"""What a section of the report page is made of, and words that several sections use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from pipeline.answers.answer import QuantitySummary
    from pipeline.present.figures import Style
    from pipeline.present.page_tables import Grid, Head, JobLine

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Part:
    """One section; `to_log` stands in for `lead` where there is no ground for an answer."""

    id: str
    question: str
    lead: str = ""
    to_log: str = ""
    lines: tuple[str, ...] = ()
    tables: tuple[Grid, ...] = ()
    beside: tuple[Grid, ...] = ()
    table: Grid | None = None
    days: Grid | None = None
    rules: Grid | None = None
    tries: tuple[str, ...] = ()
    not_enough: tuple[str, ...] = ()
    care: tuple[str, ...] = ()
    charts: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    heads: tuple[Head, ...] = ()
    rows: tuple[JobLine, ...] = ()


def day_words(day: date) -> str:
    """Return a day as 'Thu 2 Jul', kept on one line."""
    return f"{_DAYS[day.weekday()]}\u00a0{day.day}\u00a0{_MONTHS[day.month - 1]}"


def month_words(name: str, *, part: bool = False) -> str:
    """Return a month named '2026-07' as 'Jul 2026'."""
    return f"{'rest of ' if part else ''}{_MONTHS[int(name[5:7]) - 1]} {name[:4]}"


def span_words(figure: QuantitySummary, style: Style) -> str:
    """Return the interval of a weight, 'none' where there is nothing."""
    if figure.interval.high < 0.05:
        return "none"
    return style.weight_range(figure.interval.low, figure.interval.high)
