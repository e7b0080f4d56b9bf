"""The contract of each log: what typed rows must satisfy, checked lazily so that every bad row comes out at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

from pipeline.intake.columns import QUANTITIES, column_of
from pipeline.intake.faults import Fault
from pipeline.intake.units import book_measure
from shared.units import celsius_of_fahrenheit

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from pipeline.intake.columns import Column
    from pipeline.intake.logs import Limit, LogShape
    from pipeline.intake.units import Units

#: How far ahead of today a date may lie: plans go further than records.
_AHEAD_DAYS: Final = {"jobs": 731, "deliveries": 731, "weighings": 731, "bookings": 3653}

#: How units are written behind a figure where they are not written as they are.
_UNIT_WORDS: Final = {"/lb": " a lb", "/kg": " a kg", "d": " days", "f": " °F", "c": " °C", "share": ""}


class Breach(NamedTuple):
    """A row of the frame that breaks the contract: its position, the column and the check's name."""

    row: int
    column: str
    check: str


def contract(shape: LogShape, today: date) -> Any:
    """Return the pandera schema of a log's typed columns.

    Checks are named by the code with which a row that breaks them is rejected: ``missing``, ``negative``,
    ``too-small``, ``too-large``, ``far-future``.

    Parameters
    ----------
    shape : LogShape
    today : date
        Jobs may not lie more than two years after it, bookings not more than ten.
    """
    import pandas as pd
    import pandera.pandas as pa

    latest = pd.Timestamp(today) + pd.Timedelta(days=_AHEAD_DAYS[shape.name])
    columns = {c.name: _column(pa, c, shape.limits.get(c.name), latest) for c in shape.columns if _checked(c, shape)}
    return pa.DataFrameSchema(columns, strict=False)


def _checked(column: Column, shape: LogShape) -> bool:
    return column.need or column.name in shape.limits or column.reads in ("date", "moment")


def _column(pa: Any, column: Column, limit: Limit | None, latest: pd.Timestamp) -> Any:
    if column.reads in QUANTITIES:
        checks = []
        if column.need:
            checks.append(pa.Check(lambda s: s.notna(), name="missing", ignore_na=False))
        if limit is not None:
            checks.append(pa.Check.ge(limit.low, error="negative" if limit.low == 0 else "too-small"))
            checks.append(pa.Check.le(limit.high, error="too-large"))
        return pa.Column(float, checks, nullable=True)
    if column.reads in ("date", "moment"):
        checks = [pa.Check(lambda s: s <= latest, name="far-future")]
        if column.need:
            checks.append(pa.Check(lambda s: s.notna(), name="missing", ignore_na=False))
        return pa.Column("datetime64[s]", checks, nullable=True)
    return pa.Column(object, pa.Check(lambda s: s != "", name="missing"))


def breaches(schema: Any, frame: pd.DataFrame) -> list[Breach]:
    """Return every (row, column, check) that breaks the contract, each once.

    Raises
    ------
    SchemaErrors
        When the frame's form is wrong (a column missing, another type): a fault of our own, not of the data.
    """
    import pandera.errors

    try:
        schema.validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as error:
        cases = error.failure_cases
        if cases["index"].isna().any():
            raise
        found = zip(cases["index"], cases["column"], cases["check"], strict=True)
        return sorted({Breach(int(i), str(column), str(check)) for i, column, check in found})
    return []


def fault_of(breach: Breach, shape: LogShape, units: Units = "us") -> Fault:
    """Return the reason of a breach in words, and in the book's units, for the person who will correct it."""
    limit = shape.limits.get(breach.column)
    if breach.check == "missing":
        return Fault("missing", f"{breach.column} may not be blank: {shape.doc[breach.column].lower()}")
    if breach.check == "far-future":
        return Fault("far-future", "this lies years ahead; correct the year")
    assert limit is not None
    if breach.check == "negative":
        return Fault("negative", "a negative cannot be; write the figure as it was, or leave the cell blank")
    column = column_of(shape.name, breach.column)
    if breach.check == "too-small":
        return Fault("too-small", f"at least {limit_told(limit.low, column, units)}; correct the figure or its unit")
    return Fault(
        "too-large", f"at most {limit_told(limit.high, column, units)} is believed here; correct the figure or its unit"
    )


def limit_told(limit: float, column: Column, units: Units) -> str:
    """Return a limit of a column (in the column's unit) as a plain figure with the book's unit."""
    unit, per = book_measure(column.reads, units)
    value = celsius_of_fahrenheit(limit) if unit == "c" else limit / per
    value = round(value, 1) if abs(value) < 100.0 else round(value)
    figure = f"{value:,}" if abs(value) >= 10_000 else f"{value:g}"
    return f"{figure}{_UNIT_WORDS.get(unit, f' {unit}' if unit else '')}"
