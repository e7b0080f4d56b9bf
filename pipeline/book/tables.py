"""What the book holds, as arrays: jobs as a `JobTable`, the ice and the bookings as plain records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from shared.vocabulary import QUANTITIES, SOILS

if TYPE_CHECKING:
    from datetime import date, datetime

    import duckdb
    from numpy.typing import NDArray

    from pipeline.book.store import Book

    Columns = dict[str, NDArray[Any]]

_FACTORS = ("vehicle_class", "zone", "machine", "operator", "customer")
_NUMBERS = (
    *SETTINGS, "ambient_f", "pellets_lb", "minutes", "package_pellets_lb", "package_minutes",
    "job_pellets_lb", "job_minutes",
)  # fmt: skip
#: Proleptic ordinal (`datetime.date.toordinal`) of 1970-01-01, from which DuckDB counts days.
_EPOCH_ORDINAL = 719_163


def job_table(book: Book, before: date | None = None, *, zeros: bool = False) -> JobTable:
    """Return the jobs dated before a day (all where None) as arrays, ordered by day, job id, vehicle, zone, pass.

    The order is that of the content, never that of importing. A recorded 0 counts as nothing recorded; with `zeros` it
    is a record, which teaches nothing on a log scale but has its cost. Where a visit has some lines and a total, the
    rest of the total belongs to the lines without figures. A zone worked again is one line that took what its passes
    took together (nothing where one of them has no figure; with `zeros` what the others took), with the words of the
    first: whoever asks for a zone asks for all it will take.
    """
    with book.reading() as connection:
        return read_job_table(connection, before, zeros=zeros)


def read_job_table(
    connection: duckdb.DuckDBPyConnection, before: date | None = None, *, zeros: bool = False
) -> JobTable:
    """Do what `job_table` does over an open connection."""
    names = {column: _names(connection, column, before) for column in _FACTORS}
    codes = ", ".join(f"coalesce(list_position(${column}::varchar[], {column}), 0)::integer - 1 as {column}"
                      for column in _FACTORS)  # fmt: skip
    numbers = ", ".join(_number(column) for column in _NUMBERS)
    passes = ", ".join(f"{_of_all_passes(quantity, partly=zeros)} as {quantity}" for quantity in QUANTITIES)
    columns = connection.execute(
        f"""
        with chosen as (
            select * replace ({passes}) from job_lines where $before::date is null or day < $before::date
            window zone_passes as (partition by job_id, vehicle, zone, package)
            qualify package != '' or row_number() over (partition by job_id, vehicle, zone, package order by pass) = 1
        )
        select job_id, dense_rank() over (order by day, job_id) - 1 as job,
            (day - date '1970-01-01')::bigint + {_EPOCH_ORDINAL} as ordinal,
            coalesce(list_position($soils::varchar[], soil_level), 0)::bigint - 1 as soil,
            coalesce(coating_removed, false) as coating_removed, package != '' as packaged,
            dense_rank() over (order by job_id, vehicle, package, pass) as package_key,
            {codes}, {numbers}
        from chosen order by day, job_id, vehicle, zone, pass
        """,
        {"before": before, "soils": list(SOILS), **{k: list(v) for k, v in names.items()}},
    ).fetchnumpy()
    return _table(cast("Columns", columns), names, zeros=zeros)


def _of_all_passes(quantity: str, *, partly: bool) -> str:
    """Return the SQL of what all passes over a line's zone took; a package's lines keep their own.

    Where a pass has no figure the zone has none, or with `partly` that of the others.
    """
    least = "1" if partly else "count(*) over zone_passes"
    known = f"count({quantity}) over zone_passes >= {least}"
    return f"case when package != '' then {quantity} when {known} then sum({quantity}) over zone_passes end"


def _number(column: str) -> str:
    """Return the SQL of a column of numbers; a total of the visit that stands on one of its rows holds for all."""
    value = f"max({column}) over (partition by job_id)" if column.startswith("job_") else column
    return f"coalesce({value}, 'nan'::double) as {column}"


def _names(connection: duckdb.DuckDBPyConnection, column: str, before: date | None) -> tuple[str, ...]:
    """Return the codes of a column in use before a day: who came later must not even be counted."""
    rows = connection.execute(
        f"select distinct {column} from job_lines where {column} != '' and (?::date is null or day < ?::date) "
        "order by 1",
        [before, before],
    ).fetchall()
    return tuple(str(row[0]) for row in rows)


def _table(columns: Columns, names: dict[str, tuple[str, ...]], *, zeros: bool) -> JobTable:
    job = np.asarray(columns["job"], dtype=np.int64)
    n_jobs = int(job[-1]) + 1 if len(job) else 0
    first = np.searchsorted(job, np.arange(n_jobs))
    factor = {name: Factor(names[name], np.asarray(columns[name], dtype=np.int32)) for name in _FACTORS}
    numbers = {name: np.ma.filled(columns[name], np.nan).astype(np.float64) for name in _NUMBERS}
    return JobTable(
        job_id=tuple(str(w) for w in np.asarray(columns["job_id"], dtype=object)[first].tolist()),
        day=np.asarray(columns["ordinal"], dtype=np.int64)[first],
        customer=factor["customer"].take(first),
        ambient_f=numbers["ambient_f"][first],
        line_job=job,
        vehicle_class=factor["vehicle_class"],
        zone=factor["zone"],
        machine=factor["machine"],
        operator=factor["operator"],
        soil=np.asarray(columns["soil"], dtype=np.int64),
        coating_removed=np.asarray(columns["coating_removed"], dtype=np.bool_),
        settings={name: numbers[name] for name in SETTINGS},
        pellets=_observed(job, columns, numbers, "pellets_lb", zeros=zeros),
        minutes=_observed(job, columns, numbers, "minutes", zeros=zeros),
    )


def _observed(job: NDArray[np.int64], columns: Columns, numbers: Columns, quantity: str, *, zeros: bool) -> Observed:
    """Group the lines by what was recorded of a quantity: line, package total, or what is left of the visit's."""
    line, package, total = (numbers[f"{prefix}{quantity}"] for prefix in ("", "package_", "job_"))
    packaged = np.asarray(columns["packaged"], dtype=np.bool_) & np.isnan(line) & ~np.isnan(package)
    n = len(job)
    # A key for each line: negative for one line by itself, then packages, then the rest of each visit.
    key = np.full(n, -1, dtype=np.int64)
    value = np.full(n, np.nan)
    by_line = ~np.isnan(line)
    key[by_line], value[by_line] = np.flatnonzero(by_line), line[by_line]
    key[packaged] = n + np.asarray(columns["package_key"], dtype=np.int64)[packaged]
    value[packaged] = package[packaged]
    rest = (key < 0) & ~np.isnan(total)
    if rest.any():
        kept, first_of = np.unique(key[key >= 0], return_index=True)
        known = np.zeros(int(job[-1]) + 1)
        rows = np.flatnonzero(key >= 0)[first_of]
        np.add.at(known, job[rows], value[rows])
        key[rest] = 2 * n + int(kept[-1] if len(kept) else 0) + 1 + job[rest]
        # Lines may exceed a total by a rounding: the others took nothing then.
        value[rest] = np.maximum(total[rest] - known[job[rest]], 0.0)
    usable = (key >= 0) & ((value >= 0) if zeros else (value > 0))
    group = np.full(n, -1, dtype=np.int64)
    _, first_row, number = np.unique(key[usable], return_index=True, return_inverse=True)
    group[usable] = number
    return Observed(group, value[usable][first_row])


@dataclass(frozen=True)
class Delivery:
    """Ice that came: lb into a container, at opening where no time was written down."""

    day: date
    stamped: datetime | None
    container: str
    weight_lb: float
    price_usd_per_lb: float | None
    fee_usd: float | None
    supplier: str
    emptied: bool


@dataclass(frozen=True)
class Weighing:
    """What was left in a container, at close where no time was written down."""

    day: date
    stamped: datetime | None
    container: str
    net_lb: float


@dataclass(frozen=True)
class BookingZone:
    """One zone of a booking."""

    booking_id: str
    taken_on: date | None
    day: date
    vehicle_class: str
    zone: str
    soil_level: str
    coating_removed: bool
    customer: str
    deposit_usd: float | None
    status: str
    job_id: str


@dataclass(frozen=True)
class Visit:
    """What a finished visit carries beside its lines; None where not written down."""

    job_id: str
    day: date
    customer: str
    price_usd: float | None
    setup_min: float | None
    cleanup_min: float | None
    ambient_f: float | None


@dataclass(frozen=True)
class Use:
    """Pellets logged out of a container on a day."""

    day: date
    container: str
    pellets_lb: float
    job_id: str


def _seen_before(today: date) -> tuple[str, list[object]]:
    """Return the condition for what is known on a morning: an earlier day, or stamped before noon of that day."""
    return "(day < ? or stamped < ?::date + interval 12 hour)", [today, today]


def deliveries(book: Book, before: date) -> list[Delivery]:
    """Return the deliveries known at the opening of a day, in an order that depends on what they say only."""
    condition, values = _seen_before(before)
    with book.reading() as connection:
        rows = connection.execute(
            f"""select day, stamped, container, weight_lb, price_usd_per_lb, fee_usd, supplier, coalesce(emptied, false)
            from deliveries where {condition} order by day, stamped nulls first, container, weight_lb, supplier,
            price_usd_per_lb, fee_usd, emptied""",
            values,
        ).fetchall()
    return [Delivery(*row) for row in rows]


def weighings(book: Book, before: date) -> list[Weighing]:
    """Return the weighings known at the opening of a day, in order."""
    condition, values = _seen_before(before)
    with book.reading() as connection:
        rows = connection.execute(
            f"select day, stamped, container, net_lb from weighings where {condition} "
            "order by day, stamped nulls last, container, net_lb",
            values,
        ).fetchall()
    return [Weighing(*row) for row in rows]


def bookings(book: Book, taken_before: date) -> list[BookingZone]:
    """Return the zones of all bookings taken before a day (or without a date of taking), by day and booking."""
    with book.reading() as connection:
        rows = connection.execute(
            """select booking_id, taken_on, day, vehicle_class, zone, soil_level, coalesce(coating_removed, false),
            customer, deposit_usd, status, job_id from bookings where taken_on is null or taken_on < ?
            order by day, booking_id, zone""",
            [taken_before],
        ).fetchall()
    return [BookingZone(*row) for row in rows]


def visits(book: Book, before: date | None = None) -> list[Visit]:
    """Return each visit dated before a day (all where None), in the order of `job_table`."""
    with book.reading() as connection:
        rows = connection.execute(
            """select job_id, min(day), max(customer), max(price_usd), max(setup_min), max(cleanup_min),
            avg(ambient_f order by ambient_f) from job_lines where ?::date is null or day < ?::date
            group by job_id order by min(day), job_id""",
            [before, before],
        ).fetchall()
    return [Visit(*row) for row in rows]


def n_visits_on(book: Book, day: date) -> int:
    """Return how many visits are dated on a day."""
    with book.reading() as connection:
        row = connection.execute("select count(distinct job_id) from job_lines where day = ?", [day]).fetchone()
    return int(row[0]) if row else 0


def logged_use(book: Book, before: date, since: date | None = None) -> list[Use]:
    """Return the pellets each visit logged before a day out of each container, in order; '' where none was named.

    A visit known only by its total or by packages counts whole; the container is that of its first line. A visit with
    a 0 for all of its lines used none (0 lb); beside a line without a figure a 0 tells nothing of the visit.
    """
    with book.reading() as connection:
        rows = connection.execute(
            """
            with packages as (
                select job_id, vehicle, package, pass, any_value(package_pellets_lb) as lb from job_lines
                where package != '' and pellets_lb is null group by all
            ), sums as (
                select job_id, min(day) as day, max(job_pellets_lb) as total,
                    sum(pellets_lb order by pellets_lb) as by_line,
                    bool_and(coalesce(job_pellets_lb, package_pellets_lb, pellets_lb) is not null) as told,
                    arg_min(container, (vehicle, zone, pass)) as container
                from job_lines where day < ? and (?::date is null or day >= ?::date) group by job_id
            ), packed as (select job_id, sum(lb order by lb) as lb from packages group by job_id)
            select day, container, coalesce(total, coalesce(by_line, 0) + coalesce(packed.lb, 0)) as pellets_lb, job_id
            from sums left join packed using (job_id) where pellets_lb > 0 or told order by day, job_id
            """,
            [before, since, since],
        ).fetchall()
    return [Use(*row) for row in rows]
