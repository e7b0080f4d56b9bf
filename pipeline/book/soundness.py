"""Whether a book is whole: every block read, every batch counted, derived tables made anew where they are off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.book.backup import row_counts
from pipeline.book.batches import read_batches

if TYPE_CHECKING:
    from pipeline.book.store import Book


@dataclass(frozen=True)
class Soundness:
    """Rows by table, faults found, and whether the stored expectations belong to the newest fit."""

    rows: dict[str, int]
    faults: tuple[str, ...]
    expectations_stand: bool


def read_soundness(book: Book) -> Soundness:
    """Read every row of every table, which compares the checksum of every block, and count each batch.

    Raises
    ------
    RimebookError
        Where a block is damaged.
    """
    with book.reading() as connection:
        rows = row_counts(connection)
        for table in rows:
            connection.execute(f'select bit_xor(hash(t)) from "{table}" t').fetchone()
        row = connection.execute(
            "select count(*) from expectations where version != (select coalesce(max(version), -1) from fits)"
        ).fetchone()
    faults = tuple(
        f"batch {b.batch} ({b.file}) wrote {b.n_lines:,} {b.kind} lines, {b.n_found:,} are there"
        for b in read_batches(book)
        if b.undone_at is None and b.n_lines != b.n_found
    )
    return Soundness(rows, faults, not (row and row[0]))
