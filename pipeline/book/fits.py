"""Stored fits: the learned numbers under a version, what they were learned from, and what was expected of past jobs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    import duckdb

    from pipeline.book.store import Book


@dataclass(frozen=True)
class StoredFit:
    """One stored fit.

    Attributes
    ----------
    version : int
    today : date
        It was learned from what happened before this day.
    data_hash : str
        Of the history it was learned from.
    n_jobs, n_lines : int
    last_day : date or None
        Day of the last job it saw.
    fitted : str
        The fitted numbers as JSON.
    """

    version: int
    today: date
    data_hash: str
    seed: int
    n_jobs: int
    n_lines: int
    last_day: date | None
    fitted: str


@dataclass(frozen=True)
class NewFit:
    """What `save_fit` stores; `expected` holds one list for each column of the table `expectations`."""

    today: date
    data_hash: str
    seed: int
    n_jobs: int
    n_lines: int
    fitted: str
    record: str
    expected: dict[str, list[object]]


def data_hash(book: Book, before: date) -> str:
    """Return a hash of the jobs dated before a day; it depends on their content, not on their order.

    Row hashes are stored with the rows, so this is one pass over one column.
    """
    with book.reading() as connection:
        return read_data_hash(connection, before)


def read_data_hash(connection: duckdb.DuckDBPyConnection, before: date) -> str:
    """Do what `data_hash` does over an open connection."""
    row = connection.execute(
        "select count(*), coalesce(bit_xor(row_hash), 0), coalesce(sum(row_hash::hugeint) % 1000000007, 0) "
        "from job_lines where day < ?",
        [before],
    ).fetchone()
    return "-".join(format(int(v), "x") for v in row) if row else ""


def newest_fit(book: Book) -> StoredFit | None:
    """Return the newest stored fit, or None where there was never one."""
    with book.reading() as connection:
        row = connection.execute(
            "select version, today, data_hash, seed, n_jobs, n_lines, last_day, fitted from fits "
            "order by version desc limit 1"
        ).fetchone()
    return StoredFit(*row) if row else None


def save_fit(book: Book, fit: NewFit) -> int:
    """Store a fit and its expectations in one transaction and return its version; older fits' expectations go."""
    with book.writing() as connection:
        days = connection.execute("select min(day), max(day) from job_lines where day < ?", [fit.today]).fetchone()
        first, last = days or (None, None)
        row = connection.execute(
            "insert into fits (made_at, today, data_hash, seed, n_jobs, n_lines, first_day, last_day, fitted, record) "
            "values (now() at time zone 'UTC', ?, ?, ?, ?, ?, ?, ?, ?, ?) returning version",
            [fit.today, fit.data_hash, fit.seed, fit.n_jobs, fit.n_lines, first, last, fit.fitted, fit.record],
        ).fetchone()
        version = int(row[0]) if row else 0
        _write_expectations(connection, version, fit.expected)
    return version


_EXPECTED = ("job_id", "day", "quantity", "mean", "q10", "q50", "q90", "pit", "actual")


def _write_expectations(connection: duckdb.DuckDBPyConnection, version: int, expected: dict[str, list[object]]) -> None:
    connection.execute("delete from expectations")
    if not expected.get("job_id"):
        return
    connection.execute(
        f"insert into expectations (version, {', '.join(_EXPECTED)}) "
        f"select {version}, {', '.join('unnest(?)' for _ in _EXPECTED)}",
        [expected[c] for c in _EXPECTED],
    )


def rewrite_expectations(book: Book, version: int, expected: dict[str, list[object]]) -> None:
    """Write the expectations of a fit anew, from its record."""
    with book.writing(counted=False) as connection:
        _write_expectations(connection, version, expected)


def expectations_stand(book: Book, version: int, expected: dict[str, list[object]]) -> bool:
    """Tell whether the table `expectations` holds exactly the rows made from a fit's record."""
    with book.reading() as connection:
        there = connection.execute(f"select version, {', '.join(_EXPECTED)} from expectations").fetchall()
    wanted = [(version, *row) for row in zip(*(expected[c] for c in _EXPECTED), strict=True)]
    return sorted(map(repr, there)) == sorted(map(repr, wanted))


def stored_record(book: Book) -> tuple[int, date, str] | None:
    """Return version, day and backtest record (JSON) of the newest fit, or None."""
    with book.reading() as connection:
        row = connection.execute("select version, today, record from fits order by version desc limit 1").fetchone()
    return (int(row[0]), row[1], str(row[2])) if row else None


@dataclass(frozen=True)
class Expected:
    """What was expected of one finished job from only the jobs before it; lb or min."""

    job_id: str
    day: date
    quantity: str
    mean: float
    q10: float
    q50: float
    q90: float
    pit: float | None


def expectations(book: Book, before: date) -> list[Expected]:
    """Return the stored expectations of jobs dated before a day, by day, job and quantity."""
    with book.reading() as connection:
        rows = connection.execute(
            "select job_id, day, quantity, mean, q10, q50, q90, pit from expectations where day < ? "
            "order by day, job_id, quantity",
            [before],
        ).fetchall()
    return [Expected(*row) for row in rows]
