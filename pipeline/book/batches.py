"""The batches of a book: listing them with a check of what they left, and taking one out again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.book.batch_lines import FOUND
from pipeline.book.log_tables import LOG_TABLES
from shared.errors import RimebookError

if TYPE_CHECKING:
    from datetime import datetime

    import duckdb

    from pipeline.book.log_tables import LogTable
    from pipeline.book.store import Book


@dataclass(frozen=True)
class BatchRow:
    """One imported file of one batch.

    Attributes
    ----------
    made_at : datetime
        UTC.
    n_lines : int
        Lines it wrote; `n_found` of them are still in the book or among the replaced.
    undone_at : datetime or None
    """

    batch: int
    part: int
    made_at: datetime
    kind: str
    file: str
    n_rows: int
    n_accepted: int
    n_duplicate: int
    n_rejected: int
    n_set_aside: int
    n_replaced: int
    n_lines: int
    n_found: int
    undone_at: datetime | None


@dataclass(frozen=True)
class Undone:
    """What taking a batch out did.

    Attributes
    ----------
    n_removed, n_restored : int
        Lines.
    also_in : tuple of (file, batch, rows)
        Who else had held its rows.
    reopened : tuple of (number, job_id)
        Quotes won by a job that is in the book no more: open again.
    """

    batch: int
    files: tuple[str, ...]
    n_removed: int
    n_restored: int
    also_in: tuple[tuple[str, int, int], ...]
    reopened: tuple[tuple[int, str], ...]


def read_batches(book: Book) -> list[BatchRow]:
    """Return every imported file, oldest first, with the lines of its batch and kind that are still there.

    Where `n_found` of a batch's kind differs from the lines written, rows were lost outside of this tool.
    """
    with book.reading() as connection:
        rows = connection.execute(
            f"""with {FOUND}
            select b.batch, part, made_at, b.kind, file, n_rows, n_accepted, n_duplicate, n_rejected, n_set_aside,
                n_replaced, sum(n_lines) over (partition by b.batch, b.kind)::bigint, coalesce(f.n, 0)::bigint,
                undone_at
            from batches b left join found f on f.batch = b.batch and f.kind = b.kind order by b.batch, part"""
        ).fetchall()
    return [BatchRow(*row) for row in rows]


def undo_batch(book: Book, batch: int | None = None) -> Undone:
    """Take one batch out of the book and put back what it had replaced; the last one where None.

    A quote that was won by a job which leaves the book with it is open again.

    Raises
    ------
    RimebookError
        Where there is no such batch, it was undone already, or a later batch builds on it: corrects one of its lines
        or adds to one of its visits.
    """
    with book.writing(counted=False) as connection:
        number = _chosen(connection, batch)
        _refuse_where_built_upon(connection, number)
        files = connection.execute("select file from batches where batch = ? order by part", [number]).fetchall()
        removed = restored = 0
        won = _quotes_won_in(connection, number)
        for kind, table in LOG_TABLES.items():
            removed += _count(connection, f"delete from {table.name} where batch = ?", number)
            restored += _restore(connection, kind, table, number)
        connection.execute("delete from replaced_rows where batch = ?", [number])
        reopened = _reopened(connection, won)
        connection.execute("update batches set undone_at = now() at time zone 'UTC' where batch = ?", [number])
        also = connection.execute(
            """select b.file, b.batch, o.n_rows from batch_overlaps o join batches b using (batch, part)
            where o.earlier = ? and o.batch != ? and b.undone_at is null order by b.batch, b.part""",
            [number, number],
        ).fetchall()
    return Undone(number, tuple(str(f) for (f,) in files), removed, restored, tuple(also), reopened)


def _quotes_won_in(connection: duckdb.DuckDBPyConnection, batch: int) -> list[int]:
    rows = connection.execute(
        """select number from quotes where state = 'won'
        and lower(job_id) in (select lower(job_id) from job_lines where batch = ?)""",
        [batch],
    ).fetchall()
    return [int(number) for (number,) in rows]


def _reopened(connection: duckdb.DuckDBPyConnection, won: list[int]) -> tuple[tuple[int, str], ...]:
    """Open those of the quotes again whose job has no line left; return them with the job that was named."""
    gone = connection.execute(
        """select number, job_id from quotes where number in (select unnest(?::integer[]))
        and lower(job_id) not in (select lower(job_id) from job_lines) order by number""",
        [won],
    ).fetchall()
    connection.execute(
        """update quotes set state = 'open', job_id = '', settled_on = null
        where number in (select unnest(?::integer[]))""",
        [[number for number, _ in gone]],
    )
    return tuple((int(number), str(job)) for number, job in gone)


def _chosen(connection: duckdb.DuckDBPyConnection, batch: int | None) -> int:
    rows = dict(
        connection.execute("select batch, max(undone_at) from batches group by batch order by batch").fetchall()
    )
    standing = [b for b, undone in rows.items() if undone is None]
    if batch is None and standing:
        return int(standing[-1])
    if batch is not None and batch in standing:
        return batch
    known = ", ".join(str(b) for b in standing[-10:]) or "none"
    what = "no batch to take out" if batch is None else f"no batch {batch}"
    raise RimebookError(
        "no-such-batch", where="undo", found=what if batch not in rows else f"batch {batch}, which was undone already",
        expected=f"one of the batches in the book: {known}", do="List them with: rimebook batches.",
    )  # fmt: skip


def _refuse_where_built_upon(connection: duckdb.DuckDBPyConnection, batch: int) -> None:
    later = [
        int(row[0])
        for row in connection.execute(
            """select distinct batch from replaced_rows where old_batch = $batch and batch > $batch
            union select distinct theirs.batch from job_lines ours join job_lines theirs using (job_id)
                where ours.batch = $batch and theirs.batch > $batch
            order by 1""",
            {"batch": batch},
        ).fetchall()
    ]
    if later:
        named = ", ".join(str(b) for b in later)
        raise RimebookError(
            "batch-built-upon", where=f"batch {batch}",
            found=f"later batches that correct its lines or add to its visits: {named}",
            expected="a batch that no later one builds on", do=f"Undo {named} first, the last one first.",
        )  # fmt: skip


def _restore(connection: duckdb.DuckDBPyConnection, kind: str, table: LogTable, batch: int) -> int:
    """Put back the rows this batch replaced, except those of its own earlier files."""
    columns = ", ".join(table.columns)
    read = ", ".join(f"(figures::json->>'$.{c}')::{t} as {c}" for c, t in table.types.items())
    return _count(
        connection,
        f"""insert into {table.name} ({columns}, batch, row_hash)
        with back as (
            select {read}, old_batch from replaced_rows where batch = ? and old_batch != batch and kind = '{kind}'
        )
        select {columns}, old_batch, {table.row_hash()} from back""",
        batch,
    )


def _count(connection: duckdb.DuckDBPyConnection, query: str, batch: int) -> int:
    row = connection.execute(query, [batch]).fetchone()
    return int(row[0]) if row else 0
