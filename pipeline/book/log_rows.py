"""The logs as they are written to files: one row as it would stand in a log, packages as one row again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.book.store import Book

_YES_NO = "case {0} when true then 'yes' when false then 'no' end as {0}"
_JOBS = f"""
        with once as (
            select *, package != '' and row_number() over (
                partition by job_id, vehicle, package, pass order by zone) > 1 as repeated from job_lines {{where}}
        )
        select job_id, vehicle, day as date, vehicle_class, if(package != '', package, zone) as zone, soil_level,
            if(package != '', package_pellets_lb, pellets_lb) as pellets_lb,
            if(package != '', package_minutes, minutes) as minutes, job_pellets_lb, job_minutes,
            {_YES_NO.format("coating_removed")}, machine, operator, pass, feed_lb_min, pressure_psi, standoff_in,
            ice_on_share, ice_age_days, container, setup_min, cleanup_min, price_usd, customer, ambient_f, notes
        from once where not repeated order by once.day, job_id, vehicle, once.zone, pass
    """
#: Heads of the exported tables that are no logs and do not import.
NO_LOGS: Final[dict[str, tuple[str, ...]]] = {
    "history": ("kind", "key", "old_batch", "replaced_by", "replaced_at", "figures"),
    "quotes": (
        "number", "made_at", "today", "customer", "state", "job_id", "settled_on", "valid_until", "quoted",
    ),
}  # fmt: skip
#: The rows of each exported table under the canonical heads, in an order that depends on the content only.
EXPORTS: Final[dict[str, str]] = {
    "jobs": _JOBS.format(where=""),
    "deliveries": f"""
        select coalesce(strftime(stamped, '%Y-%m-%dT%H:%M:%S'), day::varchar) as date, container, weight_lb,
            price_usd_per_lb, fee_usd, supplier, {_YES_NO.format("emptied")}
        from deliveries order by day, stamped nulls first, container, weight_lb, supplier, price_usd_per_lb, fee_usd,
            deliveries.emptied
    """,
    "weighings": """
        select coalesce(strftime(stamped, '%Y-%m-%dT%H:%M:%S'), day::varchar) as at, container, net_lb
        from weighings order by day, stamped nulls last, container, net_lb
    """,
    "bookings": f"""
        select booking_id, taken_on, day as date, vehicle_class, zone, soil_level, {_YES_NO.format("coating_removed")},
            customer, deposit_usd, status, job_id
        from bookings order by bookings.day, booking_id, zone
    """,
    "history": """
        select r.kind, r.key, r.old_batch, r.batch as replaced_by, b.made_at as replaced_at, r.figures
        from replaced_rows r
        left join (select batch, min(made_at) as made_at from batches group by batch) b using (batch)
        order by r.kind, r.key, r.batch, r.old_batch
    """,
    "quotes": f"select {', '.join(NO_LOGS['quotes'])} from quotes order by number",
}


def export_frame(book: Book, name: str) -> pd.DataFrame:
    """Return one exported table as a frame; texts are never null, numbers and dates may be."""
    with book.reading() as connection:
        frame: pd.DataFrame = connection.execute(EXPORTS[name]).df()
    return frame


def visit_frame(book: Book, job_id: str) -> pd.DataFrame:
    """Return the rows of one visit as they are exported; its id is compared as codes are."""
    query = _JOBS.format(where="where lower(job_id) = lower(?)")
    with book.reading() as connection:
        frame: pd.DataFrame = connection.execute(query, [job_id]).df()
    return frame


def parquet_bytes_to(frame: pd.DataFrame, place: str) -> None:
    """Write a frame as a Parquet file.

    The book's own connections may not touch other files, so this one stands apart from the book.
    """
    import duckdb

    with duckdb.connect(":memory:", config={"python_enable_replacements": False}) as connection:
        connection.register("rows", frame)
        connection.execute("copy rows to $place (format parquet)", {"place": place})
