"""Whether a database is a book of this tool: no other may be answered from or written to."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import duckdb

from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

_MADE: Final = re.compile(r"\bcreate table (\w+)")
#: How many tables an error names.
_NAMED: Final = 3


def version_of(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the number of the last step of the schema that a database has; 0 where it has none of ours."""
    try:
        row = connection.execute("select max(version) from book_schema").fetchone()
    except (duckdb.BinderException, duckdb.CatalogException):  # there is none, or one that another program made
        return 0
    return row[0] if row and isinstance(row[0], int) else 0


def refuse_where_no_book(connection: duckdb.DuckDBPyConnection, database: Path, steps: Sequence[str]) -> None:
    """Refuse a database that another program made, that lacks tables, or that has steps this version does not know.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
    database : Path
        Where it is, for the error.
    steps : sequence of str
        The steps of the schema, see `pipeline.book.migrations`.

    Raises
    ------
    RimebookError
    """
    version, there = version_of(connection), _tables(connection)
    if version > len(steps):
        raise newer(database, len(steps))
    if there and not version:
        raise RimebookError(
            "not-a-book", where=str(database), found=f"a database of another program, with {_named(there)}",
            expected="a book made by this tool",
            do="Move it elsewhere, or name the folder of the book with --book DIR; nothing was written to it.",
        )  # fmt: skip
    lacking = {name for step in steps[: version or 1] for name in _MADE.findall(step)} - there
    if lacking:
        raise RimebookError(
            "book-damaged", where=str(database),
            found=f"a book without {_named(lacking)}" if there else "a database without a single table",
            expected="a book with all of its tables", do="Restore the last backup: rimebook restore FILE.",
        )  # fmt: skip


def newer(database: Path, newest: int) -> RimebookError:
    """Return the error of a book that has steps beyond the `newest` that this version knows."""
    return RimebookError(
        "book-newer", where=str(database), found="a book written by a newer version of the tool",
        expected=f"schema {newest} or older", do="Install the newer version of rimebook to open it.",
    )  # fmt: skip


def _tables(connection: duckdb.DuckDBPyConnection) -> set[str]:
    return {str(name) for (name,) in connection.execute("select table_name from duckdb_tables()").fetchall()}


def _named(tables: Iterable[str]) -> str:
    names = sorted(tables)
    shown = ", ".join(f"`{n}`" for n in names[:_NAMED])
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"the table{'' if len(names) == 1 else 's'} {shown}{more}"
