"""Whether the lines that each batch wrote are in the book."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.book.log_tables import LOG_TABLES

if TYPE_CHECKING:
    import duckdb

#: A table `found` of the lines of each batch and log that are there, replaced ones included.
FOUND = f"""found as (
    select batch, kind, sum(n)::bigint as n from (
        {
    " union all ".join(
        f"select batch, '{kind}' as kind, count(*) as n from {t.name} group by batch" for kind, t in LOG_TABLES.items()
    )
} union all
        select old_batch as batch, kind, count(*) as n from replaced_rows group by all
    ) group by all
)"""


def lost_lines(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Return a sentence for each batch and log that wrote another number of lines than are there; milliseconds."""
    rows = connection.execute(
        f"""with {FOUND}, written as (
            select batch, kind, any_value(file) as file, sum(n_lines)::bigint as n from batches
            where undone_at is null group by all
        )
        select w.batch, w.file, w.n, w.kind, coalesce(f.n, 0) from written w left join found f using (batch, kind)
        where w.n != coalesce(f.n, 0) order by w.batch"""
    ).fetchall()
    return [f"batch {b} ({file}) wrote {n:,} {kind} lines, {there:,} are there" for b, file, n, kind, there in rows]
