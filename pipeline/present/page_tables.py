"""Tables of the report page as plain values: every cell is text that was formatted here and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.answers.amounts import change_words
from pipeline.present.figures import minutes as written_minutes
from pipeline.present.figures import minutes_range, words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from pipeline.answers.answer import QuantitySummary
    from pipeline.answers.reporting_jobs import JobRow
    from pipeline.present.figures import Style

#: Newest jobs listed, and the letters kept of a note: what keeps the page small at thousands of jobs.
MOST_JOBS, MOST_NOTE = 400, 160
#: Decimals beyond the usual ones that a weight may have.
_MOST_DECIMALS = 3


@dataclass(frozen=True)
class Head:
    """A column's head."""

    text: str
    number: bool = False
    sort: str = "none"


@dataclass(frozen=True)
class Grid:
    """A table with its caption."""

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Cell:
    """A cell of the job table: its text, what it sorts by ('' last), and its kind."""

    text: str
    key: str
    kind: str = ""


@dataclass(frozen=True)
class JobLine:
    """One row of the job table; `out` where the job fell outside what was expected from what was learned."""

    out: bool
    cells: tuple[Cell, ...]


def grid(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Grid:
    """Return a table; a head that starts with '#' is of a column of numbers."""
    return Grid(caption, tuple(Head(h.removeprefix("#"), h.startswith("#")) for h in heads), tuple(map(tuple, rows)))


def between(figure: QuantitySummary, write: Callable[[float], str]) -> str:
    """Return the ends of an interval."""
    return f"{write(figure.interval.low)} to {write(figure.interval.high)}"


def job_lines(rows: Sequence[JobRow], style: Style) -> tuple[JobLine, ...]:
    """Return the newest finished jobs for the sortable table, the newest first."""
    return tuple(_line(row, style) for row in rows[::-1][:MOST_JOBS])


JOB_HEADS = (
    Head("Date", sort="descending"), Head("Job"), Head("Vehicle"), Head("Zones"), Head("Soil"), Head("Operator"),
    Head("Pellets", number=True), Head("Expected", number=True), Head("Against expected", number=True),
    Head("Time", number=True), Head("Expected time", number=True), Head("Price", number=True), Head("Notes"),
)  # fmt: skip


def _line(row: JobRow, style: Style) -> JobLine:
    ratio = None if not row.pellets_lb or not row.expected_lb else row.pellets_lb / row.expected_lb
    expected, more = "-", _decimals_more(row, style)
    if row.expected_lb is not None and row.low_lb is not None and row.high_lb is not None:
        expected = style.weight_range(row.low_lb, row.high_lb, more)
    time = "-"
    if row.expected_min is not None and row.low_min is not None and row.high_min is not None:
        time = minutes_range(row.low_min, row.high_min, row.expected_min if row.minutes is None else row.minutes)
    note = row.notes if len(row.notes) <= MOST_NOTE else row.notes[:MOST_NOTE].rstrip() + "…"
    return JobLine(row.learned and row.held is False, (
        _text(row.day.isoformat()), _text(row.job_id), _text(", ".join(words(c) for c in row.vehicle_classes), "wrap"),
        _text(", ".join(words(z) for z in row.zones), "wrap"), _text(", ".join(row.soils) or "-", "wrap"),
        _text(", ".join(row.operators) or "-"), _number(row.pellets_lb, lambda lb: style.weight(lb, more)),
        Cell(expected, _key(row.expected_lb), "n"),
        Cell("-" if ratio is None else change_words(ratio), _key(ratio), "n"),
        _number(row.minutes, written_minutes), Cell(time, _key(row.expected_min), "n"),
        _number(row.price_usd, style.money), Cell(note or "-", note, "note"),
    ))  # fmt: skip


def _decimals_more(row: JobRow, style: Style) -> int:
    """Return how many more decimals show that pellets outside their range are: rounded they may stand at its end."""
    lb, ends = row.pellets_lb, [end for end in (row.low_lb, row.high_lb) if end is not None]
    if lb is None or row.held is not False:
        return 0
    told_apart = (m for m in range(_MOST_DECIMALS) if style.weight(lb, m) not in [style.weight(e, m) for e in ends])
    return next(told_apart, _MOST_DECIMALS)


def _text(text: str, kind: str = "") -> Cell:
    return Cell(text, "" if text == "-" else text, kind)


def _key(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _number(value: float | None, write: Callable[[float], str]) -> Cell:
    return Cell("-" if value is None else write(value), _key(value), "n")
