"""Warnings of an import, as sentences: how cells were read, what was kept but looks odd, what was replaced."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pipeline.book import remarks, staging
from pipeline.intake.columns import column_of
from pipeline.intake.contracts import limit_told
from pipeline.intake.units import book_measure
from shared.counting import counted
from shared.vocabulary import SOILS

if TYPE_CHECKING:
    from datetime import date

    import duckdb

    from pipeline.book.log_tables import LogTable
    from pipeline.book.remarks import Remark, Typical
    from pipeline.book.settings import Settings
    from pipeline.intake.framing import Framer
    from pipeline.intake.logs import LogShape
    from pipeline.intake.units import Units


#: From this many lines on, and from this factor between their median and that planned, a unit is doubted. An hour read
#: as a minute is a factor of 60; planning figures are hardly ever off by eight in the median.
_LEAST_LINES: Final = 3
_TIMES_DOUBTED: Final = 8.0


def warnings_of(
    connection: duckdb.DuckDBPyConnection,
    shape: LogShape,
    table: LogTable,
    settings: Settings,
    framer: Framer,
    today: date,
) -> list[str]:
    """Return what to tell of the staged rows of one log that were accepted."""
    told = []
    units: Units = settings.shop.units  # type: ignore[assignment]  # checked on loading
    mass = book_measure("mass", units)
    for name, n in framer.normaliser.n_approximate.items():
        told.append(f"{name}: {counted(n, 'row')} written as approximate ('~60') and read as the figure")
    for name, n in framer.normaliser.n_unplaced.items():
        told.append(
            f"{name}: {counted(n, 'stamp')} with a time zone ('Z', '-07:00') read as written, since book.toml names "
            "none: where the days or hours are others for the shop, undo this batch, set time_zone under [shop] and "
            "import again"
        )
    told += _changed(connection, table)
    told += _known_already(connection, table)
    if shape.name != "bookings":
        told += _of(
            remarks.yet_to_come(connection, today), f"dated after {today.isoformat()}; kept, and not used before"
        )
    if shape.name == "jobs":
        told += _jobs(connection, settings, mass)
    elif shape.name in ("deliveries", "weighings"):
        told += _of(
            remarks.same_day_and_container(connection, table, mass),
            "for whose day and container the book has another row; where one is a correction, undo the older batch",
        )
    judged = {name: limit.large for name, limit in shape.limits.items() if limit.large < limit.high}
    for name, value in remarks.highest(connection, list(judged)).items():
        if value > judged[name]:
            column = column_of(shape.name, name)
            most = limit_told(judged[name], column, units)
            text = f"with {name} above {most}, which is possible but large; kept"
            told += _of(remarks.above(connection, name, judged[name], book_measure(column.reads, units)), text)
    return told


def _of(remark: Remark, text: str, what: str = "row") -> list[str]:
    if not remark.n:
        return []
    more = ", ..." if remark.n > len(remark.examples) else ""
    return [f"{counted(remark.n, what)} {text}: {', '.join(remark.examples)}{more}"]


def _changed(connection: duckdb.DuckDBPyConnection, table: LogTable) -> list[str]:
    if not table.key:
        return []
    found = staging.changes(connection, table, remarks.MOST_TOLD + 1)
    told = [f"{key}: the book had {old}, now {new}" for key, old, new in found[: remarks.MOST_TOLD]]
    if len(found) > remarks.MOST_TOLD:
        told.append("more lines were replaced; `export` writes every old value to history")
    return told


def _known_already(connection: duckdb.DuckDBPyConnection, table: LogTable) -> list[str]:
    """Tell of rejected rows that an earlier import, of their corrected copies perhaps, has brought already."""
    if not table.whole:
        return []
    n, examples = staging.rejected_but_known(connection, table, remarks.MOST_TOLD)
    if not n:
        return []
    what = "booking" if table.name == "bookings" else "visit"
    named = ", ".join(examples) + (", ..." if n > len(examples) else "")
    have = f"{n:,} {what}s with rejected rows are" if n > 1 else f"1 {what} with rejected rows is"
    return [
        f"{have} in the book already: {named}. Where the corrected rejects were imported, nothing is left to do for "
        f"{'them' if n > 1 else 'it'}"
    ]


def _jobs(connection: duckdb.DuckDBPyConnection, settings: Settings, mass: tuple[str, float]) -> list[str]:
    text = (
        "of the book with new lines beside lines that this file does not have, so that all of them count: where new "
        "ones replace them, undo this batch and the older one, and import again"
    )
    told = _of(remarks.added_beside(connection), text, "visit")
    told += _of(remarks.zeros(connection), "with a figure of 0; kept, and left out of learning", "line")
    text = "charged 0; kept, and counted as done for nothing: leave the price out where it is not known"
    told += _of(remarks.free(connection), text, "visit")
    text = "without pellets and minutes; kept, and nothing is learned from it"
    told += _of(remarks.without_figures(connection), text, "visit")
    text = (
        "whose package means other zones in book.toml by now; the visit keeps those it has: where they are wrong, undo "
        "its batch and import it again"
    )
    told += _of(remarks.kept_packages(connection), text)
    planning = planning_frame(settings)
    for quantity, unit in (("pellets_lb", mass), ("minutes", ("min", 1.0))):
        what = quantity.removesuffix("_lb")
        text = f"with {what} over {remarks.LARGE_TIMES:g} times the planning figure; kept, check them"
        told += _of(remarks.large_lines(connection, planning, quantity, unit), text, "line")
        usual = remarks.typical(connection, planning, quantity)
        told += _doubted(usual, what, unit)
        if not usual.n:
            continue
        text = f"with {what} under a {remarks.SMALL_TIMES:g}th of the planning figure; kept, check it and its unit"
        told += _of(remarks.small_lines(connection, planning, quantity, unit, usual.times), text, "line")
    most = f"{remarks.FAST_LB_MIN / mass[1]:.2g} {mass[0]}"
    text = f"with more than {most} a minute, which no blaster feeds; kept, check the time and its unit"
    return told + _of(remarks.fast_lines(connection, mass), text, "line")


def _doubted(typical: Typical, what: str, unit: tuple[str, float]) -> list[str]:
    """Tell where a file's usual figure is so far from the planning figures that it may be in another unit."""
    if typical.n < _LEAST_LINES or 1 / _TIMES_DOUBTED <= typical.times <= _TIMES_DOUBTED:
        return []
    name, per = unit
    return [
        f"a usual line has {what} of {typical.value / per:.3g} {name}, where about {typical.planned / per:.3g} {name} "
        "are planned; if the file means another unit, undo this batch, put the unit into the head, like 'Time (h)' or "
        "'Ice (kg)', and import again; if the figures are right, set [planning] in book.toml nearer to them"
    ]


def planning_frame(settings: Settings) -> Any:
    """Return the shop's planning medians of each class, zone, soil level ('' is moderate) and coating, as a frame."""
    import pandas as pd

    planning = settings.planning()
    rows = []
    for vehicle in settings.classes():
        for zone in settings.zones():
            for level, soil in enumerate((*SOILS, "")):
                for coated in (False, True):
                    figures = [
                        of.zone[zone] * of.vehicle_class[vehicle] * of.soil[1 if not soil else level]
                        * (of.coating_factor if coated else 1.0)
                        for of in (planning.pellets_lb, planning.minutes)
                    ]  # fmt: skip
                    rows.append((vehicle, zone, soil, coated, *figures))
    return pd.DataFrame(rows, columns=["vehicle_class", "zone", "soil_level", "coated", "pellets_lb", "minutes"])
