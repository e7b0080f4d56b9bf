"""What costing reads of finished visits beside the job table: what was charged, set-up, ice, and what was expected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from shared.vocabulary import SOILS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.book.store import Book


@dataclass(frozen=True)
class VisitColumns:
    """Visits in the order of `job_table` (day, then id); NaN where not written down or not expected.

    Attributes
    ----------
    price_usd, setup_min, cleanup_min, ice_age_days : float64 arrays (n,)
    container : tuple of str (n,)
    vehicles : float64 array (n,)
    expected : dict "pellets_lb" | "minutes" -> float64 array (n, 2)
        Mean and 0.9 quantile of what was expected from the jobs before it.
    """

    price_usd: NDArray[np.float64]
    setup_min: NDArray[np.float64]
    cleanup_min: NDArray[np.float64]
    ice_age_days: NDArray[np.float64]
    container: tuple[str, ...]
    vehicles: NDArray[np.float64]
    expected: dict[str, NDArray[np.float64]]


def visit_columns(book: Book, before: date) -> VisitColumns:
    """Return the visits dated before a day."""
    with book.reading() as connection:
        columns = cast("dict[str, NDArray[Any]]", connection.execute(
            """
            with visits as (
                select job_id, day, max(price_usd) as price_usd, max(setup_min) as setup_min,
                    max(cleanup_min) as cleanup_min, avg(ice_age_days order by ice_age_days) as ice_age_days,
                    max(container) as container, count(distinct vehicle) as vehicles
                from job_lines where day < ? group by job_id, day
            ), told as (
                select job_id, max(mean) filter (where quantity = 'pellets_lb') as pellets_mean,
                    max(q90) filter (where quantity = 'pellets_lb') as pellets_q90,
                    max(mean) filter (where quantity = 'minutes') as minutes_mean,
                    max(q90) filter (where quantity = 'minutes') as minutes_q90
                from expectations where day < ? group by job_id
            )
            select visits.*, pellets_mean, pellets_q90, minutes_mean, minutes_q90
            from visits left join told using (job_id) order by day, job_id
            """,
            [before, before],
        ).fetchnumpy())  # fmt: skip

    def numbers(name: str) -> NDArray[np.float64]:
        return np.ma.filled(np.ma.asarray(columns[name], dtype=np.float64), np.nan)

    return VisitColumns(
        numbers("price_usd"), numbers("setup_min"), numbers("cleanup_min"), numbers("ice_age_days"),
        tuple(np.asarray(columns["container"], dtype=object).astype(str).tolist()), numbers("vehicles"),
        {
            "pellets_lb": np.column_stack([numbers("pellets_mean"), numbers("pellets_q90")]),
            "minutes": np.column_stack([numbers("minutes_mean"), numbers("minutes_q90")]),
        },
    )  # fmt: skip


@dataclass(frozen=True)
class SoilTold:
    """A zone whose soil was booked at one level and found at another; levels are words."""

    zone: str
    booked: str
    found: str


def soil_booked(book: Book, job_ids: Sequence[str], before: date) -> dict[str, list[SoilTold]]:
    """Return the zones of jobs whose booking named a lower soil level than was found."""
    with book.reading() as connection:
        rows = connection.execute(
            """
            with asked as (select unnest(?::varchar[]) as job_id)
            select j.job_id, j.zone, b.soil_level, j.soil_level
            from asked join job_lines j using (job_id)
            join bookings b on lower(coalesce(nullif(b.job_id, ''), b.booking_id)) = lower(j.job_id) and b.zone = j.zone
            where (b.taken_on is null or b.taken_on < ?)
                and list_position($soils, b.soil_level) < list_position($soils, j.soil_level)
            order by j.job_id, j.zone
            """.replace("$soils", str(list(SOILS)) + "::varchar[]"),
            [list(job_ids), before],
        ).fetchall()
    found: dict[str, list[SoilTold]] = {}
    for job_id, zone, booked, soil in rows:
        found.setdefault(job_id, []).append(SoilTold(zone, booked, soil))
    return found


def usual_price_usd(book: Book, before: date) -> float | None:
    """Return the median price of the jobs before a day that have one, None where none has."""
    with book.reading() as connection:
        row = connection.execute(
            "select median(price) from (select max(price_usd) as price from job_lines where day < ? and price_usd > 0 "
            "group by job_id)",
            [before],
        ).fetchone()
    return None if row is None or row[0] is None else float(row[0])


def deposits_above_price(book: Book, before: date) -> list[str]:
    """Return the jobs whose booking took a deposit above what was charged."""
    with book.reading() as connection:
        rows = connection.execute(
            """
            select j.job_id from job_lines j
            join bookings b on lower(coalesce(nullif(b.job_id, ''), b.booking_id)) = lower(j.job_id)
            where j.day < ? and j.price_usd > 0 group by j.job_id having max(b.deposit_usd) > max(j.price_usd)
            order by 1
            """,
            [before],
        ).fetchall()
    return [str(row[0]) for row in rows]
