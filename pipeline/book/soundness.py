"""Whether a book is whole: every block read, every batch counted, derived tables compared with what they come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.book.backup import fingerprint
from pipeline.book.batch_lines import lost_lines
from pipeline.book.log_tables import LOG_TABLES

if TYPE_CHECKING:
    from pipeline.book.store import Book


@dataclass(frozen=True)
class Soundness:
    """Rows by table, and the faults that only a backup or the user can mend."""

    rows: dict[str, int]
    faults: tuple[str, ...]


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
        changed = {
            kind: connection.execute(f"select count(*) from {t.name} where row_hash != {t.row_hash()}").fetchone()
            for kind, t in LOG_TABLES.items()
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
    return Soundness(rows, tuple(faults))
