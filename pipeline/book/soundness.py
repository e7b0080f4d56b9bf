"""Whether a book is whole: every block read, every batch counted, derived tables compared with what they come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import duckdb

from pipeline.book.backup import fingerprint
from pipeline.book.batch_lines import lost_lines
from pipeline.book.log_tables import LOG_TABLES

if TYPE_CHECKING:
    from pipeline.book.store import Book

#: The hash of a row that holds `_SAMPLE`, by log, as the hashes stored in books were made. DuckDB does not promise that
#: `hash` stays the same between its versions.
STORED_HASHES: Final = {
    "jobs": 288264837514050016,
    "deliveries": 18380146426404481431,
    "weighings": 15014615188562348374,
    "bookings": 18210797879473127900,
}
_SAMPLE: Final = {
    "varchar": "'Frost'", "integer": "2", "double": "38.5", "boolean": "true", "date": "date '2026-03-02'",
    "timestamp": "timestamp '2026-03-02 07:30:00'",
}  # fmt: skip


@dataclass(frozen=True)
class Soundness:
    """Rows by table, the faults that only a backup or the user can mend, and what could not be looked at."""

    rows: dict[str, int]
    faults: tuple[str, ...]
    not_checked: tuple[str, ...] = ()


def sample_hashes(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Return, by log, the hash that this version of the database gives a row with a fixed content."""
    found = {}
    for kind, table in LOG_TABLES.items():
        content = ", ".join(f'{_SAMPLE[of]}::{of} as "{column}"' for column, of in table.types.items())
        row = connection.execute(f"select {table.row_hash()} from (select {content})").fetchone()
        found[kind] = int(row[0]) if row else 0
    return found


def read_soundness(book: Book) -> Soundness:
    """Read every row of every table, which compares the checksum of every block, and count each batch.

    Raises
    ------
    RimebookError
        Where a block is damaged.
    """
    with book.reading() as connection:
        rows = {table: n for table, (n, _) in fingerprint(connection).items()}
        lost = lost_lines(connection)
        twins = connection.execute(
            "select count(*) from (select 1 from job_lines "
            "group by lower(job_id), lower(vehicle), zone, pass having count(*) > 1)"
        ).fetchone()
        alike = sample_hashes(connection) == STORED_HASHES
        changed = {
            kind: connection.execute(f"select count(*) from {t.name} where row_hash != {t.row_hash()}").fetchone()
            for kind, t in LOG_TABLES.items()
            if alike
        }
    faults = [
        f"{told}: restore the last backup, or `rimebook undo` that batch and import its file again" for told in lost
    ]
    if twins and twins[0]:
        faults.append(
            f"{twins[0]:,} lines of jobs stand twice under one job, vehicle, zone and pass: restore the last backup"
        )
    faults += [
        f"{n[0]:,} lines of {kind} differ from what was imported, changed by something else: restore the last backup, "
        "or import their files again"
        for kind, n in changed.items()
        if n and n[0]
    ]
    not_checked = (
        f"whether something else changed single lines was not checked: duckdb {duckdb.__version__} makes other hashes "
        "than the version this rimebook was made for; install a newer rimebook to have it checked",
    )
    return Soundness(rows, tuple(faults), () if alike else not_checked)
