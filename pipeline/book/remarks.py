"""What is worth a warning among staged rows that are accepted: zeros, large figures, days still to come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import date

    import duckdb
    import pandas as pd

    from pipeline.book.log_tables import LogTable

#: Examples named in one warning.
MOST_TOLD: Final = 5
#: A line is remarkable where it is over this many times the shop's planning figure for its class, zone and soil ...
LARGE_TIMES: Final = 6.0
#: ... and over this much at all.
LARGE_LB: Final = 100.0
LARGE_MIN: Final = 240.0
#: A line is remarkable where it is this many times under the planning figure.
SMALL_TIMES: Final = 12.0
#: No blaster feeds so much, lb per hands-on minute: large machines take 1.5 to 4 while they blast (from memory).
FAST_LB_MIN: Final = 8.0

_NEW = """
    (select s.* from staged s join fates f on f.row_no = s.row_no and f.key_hash = s.key_hash
     where f.fate in ('new', 'changed') and s.row_no not in (select row_no from problems))
"""
#: Which vehicle and pass a zone or package is of, where a visit has several.
_OF_VEHICLE: Final = "if(vehicle != '', ' of ' || vehicle, '') || if(pass > 1, ', pass ' || pass, '')"
#: New lines l with their planning figures p, which are registered.
_BESIDE_PLANNING = f"""{_NEW} l join planning_figures p using (vehicle_class, zone, soil_level)
    where coalesce(coating_removed, false) = coated"""


@dataclass(frozen=True)
class Remark:
    """How many accepted lines share something worth a warning, and the first few of them."""

    n: int
    examples: tuple[str, ...]


def highest(connection: duckdb.DuckDBPyConnection, columns: list[str]) -> dict[str, float]:
    """Return the largest staged value of each column that has any, accepted or not: where to look at all."""
    if not columns:
        return {}
    row = connection.execute(f"select {', '.join(f'max({c})' for c in columns)} from staged").fetchone()
    return {c: float(v) for c, v in zip(columns, row or (), strict=True) if v is not None}


def _remark(
    connection: duckdb.DuckDBPyConnection, told: str, source: str, values: list[object] | None = None
) -> Remark:
    found = connection.execute(
        f"select count(*) over (), {told} from {source} order by row_no limit {MOST_TOLD}", values or []
    ).fetchall()
    return Remark(int(found[0][0]) if found else 0, tuple(str(row[1]) for row in found))


def zeros(connection: duckdb.DuckDBPyConnection) -> Remark:
    """Return the accepted lines on which a figure is 0; they are kept and left out of learning."""
    figures = ("pellets_lb", "minutes", "package_pellets_lb", "package_minutes", "job_pellets_lb", "job_minutes")
    return _remark(
        connection, "job_id || ' ' || zone || ' (line ' || line || ')'",
        f"{_NEW} where {' or '.join(f'{c} = 0' for c in figures)}",
    )  # fmt: skip


def free(connection: duckdb.DuckDBPyConnection) -> Remark:
    """Return the accepted visits that were charged 0."""
    return _remark(
        connection, "job_id",
        f"(select any_value(job_id) as job_id, min(row_no) as row_no from {_NEW} where price_usd = 0 "
        "group by whole_hash)",
    )  # fmt: skip


def without_figures(connection: duckdb.DuckDBPyConnection) -> Remark:
    """Return the accepted visits of which neither pellets nor minutes were written down."""
    figures = ("pellets_lb", "minutes", "package_pellets_lb", "package_minutes", "job_pellets_lb", "job_minutes")
    return _remark(
        connection, "job_id",
        f"""(select any_value(job_id) as job_id, min(row_no) as row_no from {_NEW} group by whole_hash
        having {' and '.join(f'count({c}) = 0' for c in figures)})""",
    )  # fmt: skip


def added_beside(connection: duckdb.DuckDBPyConnection) -> Remark:
    """Return the visits of the book that get new lines and keep lines which the file does not have.

    A line that was corrected in its zone or given a plate has another key than before, and would be counted twice.
    """
    key = f"zone || {_OF_VEHICLE}"
    listed = f"list_slice(list(key order by key), 1, {MOST_TOLD})"
    lines = f"array_to_string({listed}, '; ') || if(count(*) > {MOST_TOLD}, '; ...', '')"
    return _remark(
        connection, "format('{} (new: {}; kept: {})', job_id, added, kept)",
        f"""(with fresh as (
            select any_value(job_id) as job_id, whole_hash, min(row_no) as row_no, {lines} as added
            from (select s.*, {key} as key from staged s join fates f on f.row_no = s.row_no and f.key_hash = s.key_hash
                where f.fate = 'new' and s.row_no not in (select row_no from problems))
            group by whole_hash
        ), beside as (
            select whole_hash, {lines} as kept
            from (select t.whole_hash, {key} as key from stored t join job_lines b on b.rowid = t.stored_row
                where t.key_hash not in (select key_hash from staged))
            group by whole_hash
        ) from fresh join beside using (whole_hash))""",
    )  # fmt: skip


def kept_packages(connection: duckdb.DuckDBPyConnection) -> Remark:
    """Return the packages of a file that keep the zones with which the book has them, and not those of `book.toml`."""
    return _remark(
        connection, f"format('{{}} {{}} ({{}})', job_id, package || {_OF_VEHICLE}, zones)",
        "kept_packages where row_no not in (select row_no from problems)",
    )  # fmt: skip


def large_lines(
    connection: duckdb.DuckDBPyConnection, planning: pd.DataFrame, quantity: str, unit: tuple[str, float]
) -> Remark:
    """Return the accepted lines that are possible but far over the planning figure.

    Parameters
    ----------
    connection : DuckDB connection
    planning : DataFrame
        Columns vehicle_class, zone, soil_level, coated (bool), pellets_lb, minutes: the shop's planning medians.
    quantity : {"pellets_lb", "minutes"}
    unit : (str, float)
        In which figures are told: its name, and lb or min in one of it.
    """
    least = LARGE_LB if quantity == "pellets_lb" else LARGE_MIN
    far = f"l.{quantity} > {least} and l.{quantity} > {LARGE_TIMES} * p.{quantity}"
    return _beside_planning(connection, planning, quantity, unit, far, digits=4)


def small_lines(
    connection: duckdb.DuckDBPyConnection, planning: pd.DataFrame, quantity: str, unit: tuple[str, float], usual: float
) -> Remark:
    """Return the accepted lines whose figure is far under the planning figure, and not 0.

    Parameters
    ----------
    connection : DuckDB connection
    planning : DataFrame
        As in `large_lines`.
    quantity : {"pellets_lb", "minutes"}
    unit : (str, float)
        As in `large_lines`.
    usual : float
        The file's usual ratio to the planning figures, see `typical`: a shop far below them has its own measure.
    """
    far = f"l.{quantity} > 0 and l.{quantity} * {SMALL_TIMES} < least(1.0, {usual}) * p.{quantity}"
    return _beside_planning(connection, planning, quantity, unit, far, digits=3)


def _beside_planning(
    connection: duckdb.DuckDBPyConnection, planning: pd.DataFrame, quantity: str, unit: tuple[str, float], far: str, *,
    digits: int,
) -> Remark:  # fmt: skip
    """Return the accepted lines l that are `far` (SQL) from their planning figure p, told beside it."""
    name, per = unit
    connection.register("planning_figures", planning)
    found = _remark(
        connection,
        f"format('{{}} {{}}: {{:.{digits}g}} {name} (line {{}}; planned {{:.3g}} {name})', job_id, zone, "
        f"l.{quantity} / {per}, line, p.{quantity} / {per})",
        f"{_BESIDE_PLANNING} and {far}",
    )
    connection.unregister("planning_figures")
    return found


def fast_lines(connection: duckdb.DuckDBPyConnection, unit: tuple[str, float]) -> Remark:
    """Return the accepted lines with more pellets a minute than a blaster can feed; `unit` as in `large_lines`."""
    name, per = unit
    return _remark(
        connection,
        f"format('{{}} {{}}: {{:.3g}} {name} in {{:.3g}} min (line {{}})', job_id, zone, pellets_lb / {per}, minutes, "
        "line)",
        f"{_NEW} where minutes > 0 and pellets_lb > {FAST_LB_MIN} * minutes",
    )


@dataclass(frozen=True)
class Typical:
    """How a file's lines lie beside the shop's planning figures: medians over `n` accepted lines."""

    n: int
    times: float
    value: float
    planned: float


def typical(connection: duckdb.DuckDBPyConnection, planning: pd.DataFrame, quantity: str) -> Typical:
    """Return the medians of the accepted lines' figures, of their planning figures and of the ratio of the two.

    Parameters
    ----------
    connection : DuckDB connection
    planning : DataFrame
        As in `large_lines`.
    quantity : {"pellets_lb", "minutes"}
    """
    connection.register("planning_figures", planning)
    found = connection.execute(
        f"""select count(*), median(l.{quantity} / p.{quantity}), median(l.{quantity}), median(p.{quantity})
        from {_BESIDE_PLANNING} and l.{quantity} > 0"""
    ).fetchall()
    connection.unregister("planning_figures")
    n, *medians = found[0]
    return Typical(int(n), *(float(m) if m is not None else float("nan") for m in medians))


def above(connection: duckdb.DuckDBPyConnection, column: str, large: float, unit: tuple[str, float]) -> Remark:
    """Return the accepted rows whose figure is possible but above what is usual; `unit` as in `large_lines`, or "c"."""
    figure = f"({column} - 32) / 1.8" if unit[0] == "c" else f"{column} / {unit[1]}"
    told = f"format('{{:.6g}} (line {{}})', {figure}, line)"
    return _remark(connection, told, f"{_NEW} where {column} > ?", [large])


def yet_to_come(connection: duckdb.DuckDBPyConnection, today: date) -> Remark:
    """Return the accepted rows dated after today."""
    return _remark(connection, "day || ' (line ' || line || ')'", f"{_NEW} where day > ?", [today])


def same_day_and_container(connection: duckdb.DuckDBPyConnection, table: LogTable, unit: tuple[str, float]) -> Remark:
    """Return new deliveries or weighings for whose day, time and container the book has a figure already.

    `unit` as in `large_lines`.
    """
    figure, (name, per) = "weight_lb" if table.name == "deliveries" else "net_lb", unit
    new, other = (f"format('{{:.6g}} {name}', {of}.{figure} / {per})" for of in ("n", "b"))
    return _remark(
        connection,
        f"format('{{}} {{}}: {{}}', n.day, n.container, {new} || if({new} = {other}, ' twice', ' beside ' || {other}))",
        f"""{_NEW} n join {table.name} b on b.day = n.day and lower(b.container) = lower(n.container)
        and b.stamped is not distinct from n.stamped""",
    )
