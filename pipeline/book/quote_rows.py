"""Saved quotes, and what a quote reads of the past beside the fit: time beside the nozzle, residuals, bookings."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from models.consumption.conformal import probit_scores
from models.consumption.customers import CustomerRecord

if TYPE_CHECKING:
    from datetime import date

    import duckdb
    from numpy.typing import NDArray

    from pipeline.book.store import Book

#: Newest visits with logged set-up or clean-up that are learned from: more add nothing but time.
MOST_BESIDE_VISITS = 3000


@dataclass(frozen=True)
class BesideRows:
    """Visits with logged minutes beside the nozzle, and their lines.

    Attributes
    ----------
    setup_min, cleanup_min : float64 arrays (n_visits,)
        NaN where not logged.
    vehicles : float64 array (n_visits,)
        Number of different vehicles.
    line_visit, soil : int64 arrays (n_lines,)
        Row of each line's visit; soil 0..3, -1 unknown.
    vehicle_class, zone : tuples of str (n_lines,)
    """

    setup_min: NDArray[np.float64]
    cleanup_min: NDArray[np.float64]
    vehicles: NDArray[np.float64]
    line_visit: NDArray[np.int64]
    soil: NDArray[np.int64]
    vehicle_class: tuple[str, ...]
    zone: tuple[str, ...]


@dataclass(frozen=True)
class CustomerRows:
    """Visits with what was expected of them before they came, newest fit.

    Attributes
    ----------
    names : tuple of str
        Case-folded.
    record : CustomerRecord
        Its codes are places in `names`.
    """

    names: tuple[str, ...]
    record: CustomerRecord


@dataclass(frozen=True)
class Kept:
    """How bookings turned out: how many were due, and how many of them were cancelled or not kept."""

    due: int
    not_kept: int


@dataclass(frozen=True)
class PastRows:
    """What a quote as of a morning reads of the past."""

    beside: BesideRows
    bookings: Kept
    customer_bookings: Kept


def past_rows(book: Book, before: date, customer: str = "") -> PastRows:
    """Return what a quote reads beside the fit, of days before one; bookings of one customer apart where named."""
    with book.reading() as connection:
        return PastRows(
            _beside(connection, before), _kept(connection, before, ""),
            _kept(connection, before, customer) if customer else Kept(0, 0),
        )  # fmt: skip


def _beside(connection: duckdb.DuckDBPyConnection, before: date) -> BesideRows:
    columns = cast("dict[str, NDArray[Any]]", connection.execute(
        """
        with logged as (
            select job_id, min(day) as day, max(setup_min) as setup_min, max(cleanup_min) as cleanup_min,
                count(distinct vehicle) as vehicles
            from job_lines where day < ? group by job_id
            having max(setup_min) is not null or max(cleanup_min) is not null
            order by day desc, job_id limit ?
        )
        select dense_rank() over (order by day, job_id) - 1 as visit, logged.setup_min, logged.cleanup_min, vehicles,
            vehicle_class, zone,
            coalesce(list_position(['light', 'moderate', 'heavy', 'severe'], soil_level), 0)::bigint - 1 as soil
        from logged join job_lines using (job_id, day) order by visit, vehicle, zone, pass
        """,
        [before, MOST_BESIDE_VISITS],
    ).fetchnumpy())  # fmt: skip
    visit = np.asarray(columns["visit"], dtype=np.int64)
    first = np.searchsorted(visit, np.arange(int(visit[-1]) + 1 if len(visit) else 0))
    setup, cleanup = (
        np.ma.filled(np.ma.asarray(columns[name], dtype=np.float64), np.nan)[first]
        for name in ("setup_min", "cleanup_min")
    )
    return BesideRows(
        setup, cleanup, np.asarray(columns["vehicles"], dtype=np.float64)[first], visit,
        np.asarray(columns["soil"], dtype=np.int64), tuple(map(str, columns["vehicle_class"])),
        tuple(map(str, columns["zone"])),
    )  # fmt: skip


def customer_rows(book: Book, before: date) -> CustomerRows:
    """Return the record of visits dated before a day, by customer."""
    with book.reading() as connection:
        columns = connection.execute(
            """
            with visits as (
                select job_id, coalesce(max(customer), '') as customer from job_lines where day < ? group by job_id
            ), told as (
                select job_id, max(ln(actual / q50)) filter (where quantity = 'pellets_lb') as pellets,
                    max(ln(actual / q50)) filter (where quantity = 'minutes') as minutes,
                    max(pit) filter (where quantity = 'pellets_lb') as pellets_pit,
                    max(pit) filter (where quantity = 'minutes') as minutes_pit
                from expectations where day < ? and actual > 0 and q50 > 0 group by job_id
            )
            select customer, pellets, minutes, pellets_pit, minutes_pit from visits join told using (job_id)
            order by customer, job_id
            """,
            [before, before],
        ).fetchnumpy()
    told = np.array([str(name).casefold() for name in columns["customer"]], dtype=str)
    names, code = np.unique(told[told != ""], return_inverse=True)
    codes = np.full(len(told), -1, dtype=np.int64)
    codes[told != ""] = code
    pellets, minutes, *pits = (
        np.ma.filled(np.ma.asarray(columns[q], dtype=np.float64), np.nan)
        for q in ("pellets", "minutes", "pellets_pit", "minutes_pit")
    )
    score = np.full((2, len(told)), np.nan)
    for q, pit in enumerate(pits):
        score[q, np.isfinite(pit)] = probit_scores(pit[np.isfinite(pit)])
    return CustomerRows(tuple(map(str, names)), CustomerRecord(np.array([pellets, minutes]), score, codes))


def _kept(connection: duckdb.DuckDBPyConnection, before: date, customer: str) -> Kept:
    row = connection.execute(
        """
        with each as (
            select booking_id, max(status) as status from bookings
            where day < ? and (? = '' or lower(customer) = lower(?)) group by booking_id
        )
        select count(*) filter (where status in ('done', 'cancelled', 'no_show')),
            count(*) filter (where status in ('cancelled', 'no_show')) from each
        """,
        [before, customer, customer],
    ).fetchone()
    return Kept(int(row[0]), int(row[1])) if row else Kept(0, 0)


@dataclass(frozen=True)
class SavedQuote:
    """A quote that was kept; `state` is what the shop said (open where it said nothing).

    Attributes
    ----------
    number : int
    today : date
        Day it was given.
    customer : str
    state : {"open", "won", "lost"}
    job_id : str
        The job the shop named, where it won it.
    valid_until : date
    quoted : dict
        Its request and figures as they were told.
    settled_on : date or None
    """

    number: int
    today: date
    customer: str
    state: str
    job_id: str
    valid_until: date
    quoted: dict[str, Any]
    settled_on: date | None


_QUOTE_COLUMNS = "number, today, customer, state, job_id, valid_until, quoted, settled_on"


def save_quote(book: Book, today: date, customer: str, valid_until: date, quoted: dict[str, Any]) -> int:
    """Keep a quote and return its number."""
    with book.writing() as connection:
        row = connection.execute(
            "insert into quotes (made_at, today, customer, valid_until, quoted) "
            "values (now() at time zone 'UTC', ?, ?, ?, ?) returning number",
            [today, customer, valid_until, json.dumps(quoted)],
        ).fetchone()
    return int(row[0]) if row else 0


def saved_quotes(book: Book, made_until: date) -> list[SavedQuote]:
    """Return the quotes given up to a day; what was settled or found after it is open, or not found, again."""
    return [_as_of(quote, made_until) for quote in every_quote(book) if quote.today <= made_until]


def every_quote(book: Book) -> list[SavedQuote]:
    """Return all quotes as they stand in the book, whatever the day: what a change must not contradict."""
    with book.reading() as connection:
        rows = connection.execute(f"select {_QUOTE_COLUMNS} from quotes order by number").fetchall()
    return [SavedQuote(n, day, customer, state, job, until, json.loads(quoted), settled)
            for n, day, customer, state, job, until, quoted, settled in rows]  # fmt: skip


def _as_of(quote: SavedQuote, day: date) -> SavedQuote:
    known = [found for found in quote.quoted["found"] if found["today"] <= day.isoformat()]
    quote = replace(quote, quoted={**quote.quoted, "found": known})
    if quote.settled_on is None or quote.settled_on <= day:
        return quote
    return replace(quote, state="open", job_id="")


def settle_quote(book: Book, number: int, state: str, job_id: str, settled_on: date) -> None:
    """Write down that a quote was won by a job, or lost."""
    with book.writing() as connection:
        connection.execute(
            "update quotes set state = ?, job_id = ?, settled_on = ? where number = ?",
            [state, job_id, settled_on, number],
        )


def replace_quoted(book: Book, number: int, quoted: dict[str, Any]) -> None:
    """Write a quote's figures anew, as after an inspection."""
    with book.writing() as connection:
        connection.execute("update quotes set quoted = ? where number = ?", [json.dumps(quoted), number])


@dataclass(frozen=True)
class FinishedJob:
    """A finished visit as a quote may recognise it: `scope` holds its (class, zone) pairs once each vehicle."""

    job_id: str
    day: date
    customer: str
    scope: tuple[tuple[str, str], ...]


def finished_jobs(book: Book, since: date, before: date) -> list[FinishedJob]:
    """Return the visits from a day on and before another, by day and id."""
    with book.reading() as connection:
        rows = connection.execute(
            """
            with lines as (
                select distinct job_id, vehicle, vehicle_class, zone from job_lines where day >= ? and day < ?
            ), scopes as (
                select job_id, list({'c': vehicle_class, 'z': zone} order by vehicle_class, zone) as scope
                from lines group by job_id
            )
            select job_id, min(day), max(customer), any_value(scope) from job_lines join scopes using (job_id)
            group by job_id order by min(day), job_id
            """,
            [since, before],
        ).fetchall()
    return [FinishedJob(r[0], r[1], r[2], tuple((s["c"], s["z"]) for s in r[3])) for r in rows]
