"""Why rows of the staged file were rejected: the reasons with counts, and each row that is to be corrected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import duckdb

#: Groups of unknown words told for one column, each with its suggestion.
MOST_SPELLINGS = 6


@dataclass(frozen=True)
class Reason:
    """One reason for which rows were rejected: how many, and an example."""

    code: str
    col: str
    rows: int
    example: str
    hint: str


@dataclass(frozen=True)
class Rejection:
    """One rejected input row with all its reasons joined by '; '."""

    row_no: int
    line: int
    col: str
    value: str
    code: str
    hint: str


def reasons(connection: duckdb.DuckDBPyConnection) -> list[Reason]:
    """Return why rows were rejected, the commonest first; a row with two reasons counts in both.

    Unknown words are told apart by what is suggested for them, up to `MOST_SPELLINGS` in a column.
    """
    rows = connection.execute(
        f"""
        with hinted as (
            select code, col, if(starts_with(code, 'unknown-'), hint, '') as told, count(distinct row_no) as n
            from problems group by all
        ), ranked as (
            select *, row_number() over (partition by code, col order by n desc, told) > {MOST_SPELLINGS} as rest
            from hinted
        ), placed as (
            select p.*, r.rest, if(r.rest, '', r.told) as told from problems p join ranked r
            on r.code = p.code and r.col = p.col and r.told = if(starts_with(p.code, 'unknown-'), p.hint, '')
        )
        select code, col, count(distinct row_no) as n, arg_min(value, row_no),
            if(rest, 'further spellings; each is named in the rejects file', arg_min(hint, row_no))
        from placed group by code, col, told, rest order by n desc, code, col, told
        """
    ).fetchall()
    return [Reason(*row) for row in rows]


def rejections(connection: duckdb.DuckDBPyConnection, heads: Mapping[str, str]) -> list[Rejection]:
    """Return the rejected rows to correct with their reasons, in the file's order; columns by the file's own heads.

    Lines for which the book's were preferred are left out: there is nothing to correct in them, and imported again
    they would replace what was preferred.
    """
    rows = connection.execute(
        """
        with one as (select row_no, code, col, string_agg(distinct value, ' and ' order by value) as value,
                any_value(hint) as hint
            from problems where code != 'kept-stored' group by row_no, code, col),
        placed as (select row_no, min(line) as line from staged semi join problems using (row_no) group by row_no)
        select row_no, line, list(col order by code, col) filter (col != ''),
            string_agg(value, '; ' order by code, col) filter (value != ''), string_agg(code, '; ' order by code, col),
            string_agg(hint, '; ' order by code, col)
        from one join placed using (row_no) group by row_no, line order by row_no
        """
    ).fetchall()
    return [
        Rejection(r, line, "; ".join(h for c in columns or () if (h := heads.get(c, c))), value or "", code, hint or "")
        for r, line, columns, value, code, hint in rows
    ]
