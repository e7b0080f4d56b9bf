"""What an import writes: the accepted lines, the values they replace, and the batch with its counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

    from pipeline.book.log_tables import LogTable
    from pipeline.book.staging import Counts


@dataclass(frozen=True)
class FileRead:
    """One imported file: its name (never a path), what it held and how many rows it had."""

    kind: str
    file: str
    sha256: str
    n_rows: int
    n_set_aside: int


def new_batch(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the number of a new batch."""
    row = connection.execute("select nextval('batch_numbers')").fetchone()
    assert row is not None
    return int(row[0])


def apply(connection: duckdb.DuckDBPyConnection, table: LogTable, kind: str, batch: int) -> tuple[int, int]:
    """Write the staged lines that were not rejected; return (lines written, lines of the book replaced)."""
    n_replaced = _set_replaced_aside(connection, table, kind, batch) if table.key else 0
    columns = ", ".join(table.columns)
    copy, its_copy = (", copy", ", f.copy") if not table.key else ("", "")
    staged = ", ".join(f"s.{c}" for c in table.columns)
    row = connection.execute(
        f"""insert into {table.name} ({columns}, batch, row_hash{copy})
        select {staged}, {batch}, s.row_hash{its_copy}
        from staged s join fates f on f.row_no = s.row_no and f.key_hash = s.key_hash
        where f.fate in ('new', 'changed') and s.row_no not in (select row_no from problems)"""
    ).fetchone()
    return int(row[0]) if row else 0, n_replaced


def replaced_key(table: LogTable) -> str:
    """Return the SQL of the key under which a replaced row is kept; a booking is replaced whole."""
    key = (table.whole,) if table.name == "bookings" else table.key
    return f"to_json([{', '.join(f'{table.folded(c)}::varchar' for c in key)}])::varchar"


def _set_replaced_aside(connection: duckdb.DuckDBPyConnection, table: LogTable, kind: str, batch: int) -> int:
    connection.execute(
        """create or replace temp table outgoing as
        with changed as (select * from fates where fate = 'changed' and row_no not in (select row_no from problems))
        select stored_row from stored where key_hash in (select key_hash from changed)"""
        + (" or whole_hash in (select whole_hash from changed)" if table.name == "bookings" else "")
    )
    content = ", ".join(f"{c} := {c}" for c in table.columns)
    row = connection.execute(
        f"""insert into replaced_rows
        select '{kind}', {batch}, batch, {replaced_key(table)}, to_json(struct_pack({content}))::varchar
        from {table.name} where rowid in (from outgoing)"""
    ).fetchone()
    connection.execute(f"delete from {table.name} where rowid in (from outgoing)")
    return int(row[0]) if row else 0


def record(
    connection: duckdb.DuckDBPyConnection,
    batch: int,
    part: int,
    read: FileRead,
    counts: Counts,
    written: tuple[int, int],
    overlaps: list[tuple[int, int]],
) -> None:
    """Write one file of a batch with its counts, and how many of its rows stood in which earlier batch already."""
    connection.execute(
        """insert into batches (batch, part, made_at, kind, file, file_sha256, n_rows, n_accepted, n_duplicate,
        n_rejected, n_set_aside, n_lines, n_replaced)
        values (?, ?, now() at time zone 'UTC', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        [batch, part, read.kind, read.file, read.sha256, read.n_rows, counts.accepted, counts.duplicate,
         counts.rejected, read.n_set_aside, *written],
    )  # fmt: skip
    for earlier, n_rows in overlaps:
        connection.execute("insert into batch_overlaps values (?, ?, ?, ?)", [batch, part, earlier, n_rows])
