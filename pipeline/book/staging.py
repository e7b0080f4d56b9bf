"""One file's rows in temporary tables, and the rules that need more than one row: twins, clashes, what is known.

Everything happens inside the caller's transaction; `applying.apply` then writes what is left to the book.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from pipeline.book.log_tables import LOG_TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import duckdb
    import pandas as pd

    from pipeline.book.log_tables import LogTable

Prefer = Literal["newest", "stored"]
#: Columns of the problems frame, and of the table it is staged in.
PROBLEM_COLUMNS = ("row_no", "code", "col", "value", "hint")


@dataclass(frozen=True)
class Counts:
    """In what the rows of one file ended; their sum is the number of rows."""

    accepted: int
    duplicate: int
    rejected: int


def stage(connection: duckdb.DuckDBPyConnection, table: LogTable) -> None:
    """Make empty staging tables for one file of a log."""
    columns = ", ".join(f'"{name}" {kind}' for name, kind in table.types.items())
    for name in ("staged", "problems", "clashes", "stored", "fates"):
        connection.execute(f"drop table if exists temp.{name}")
    connection.execute(
        f"create temp table staged (row_no bigint, line bigint, {columns}, "
        "row_hash ubigint, key_hash ubigint, whole_hash ubigint)"
    )
    connection.execute(
        "create temp table problems (row_no bigint, code varchar, col varchar, value varchar, hint varchar)"
    )


def add_rows(connection: duckdb.DuckDBPyConnection, table: LogTable, frame: pd.DataFrame) -> None:
    """Stage a chunk of typed rows: `row_no`, `line` and the table's columns; NaN, NaT and None are null."""
    connection.register("chunk", frame)
    names = ", ".join(f'"{c}"' for c in table.columns)
    read = ", ".join(_read(c, kind) for c, kind in table.types.items())
    connection.execute(
        f"""insert into staged
        with typed as (select row_no, line, {read} from chunk)
        select row_no, line, {names}, {table.row_hash()}, {table.key_hash()}, {table.whole_hash()} from typed"""
    )
    connection.unregister("chunk")


def _read(column: str, kind: str) -> str:
    name = f'"{column}"'
    if kind == "double":  # NaN in a frame means that nothing was written
        return f"case when isnan({name}) then null else {name} end as {name}"
    return f"{name}::{kind} as {name}"


def add_problems(connection: duckdb.DuckDBPyConnection, frame: pd.DataFrame) -> None:
    """Stage reasons found in single rows, with the columns of `PROBLEM_COLUMNS`."""
    connection.register("found", frame)
    connection.execute(
        "insert into problems "
        "select row_no::bigint, code::varchar, col::varchar, value::varchar, hint::varchar from found"
    )
    connection.unregister("found")


def settle_spellings(connection: duckdb.DuckDBPyConnection, table: LogTable) -> None:
    """Give each code one spelling: the one the book has, else the most frequent of the file."""
    for column, domain in table.codes.items():
        there = " union all ".join(
            f"select {other} as word from {t.name} where lower({other}) in (select folded from here)"
            for t in LOG_TABLES.values()
            for other, its in t.codes.items()
            if its == domain
        )
        connection.execute(
            f"""create or replace temp table spelled as
            with here as (
                select lower({column}) as folded, {column} as word, count(*) as n from staged
                where {column} != '' group by all
            ), there as (select lower(word) as folded, min(word) as word from ({there}) group by all),
            usual as (select folded, arg_max(word, (n, word)) as word from here group by all)
            select here.word, coalesce(there.word, usual.word) as shown
            from here join usual using (folded) left join there using (folded)
            where here.word != coalesce(there.word, usual.word)"""
        )
        if _one(connection, "select count(*) from spelled"):
            connection.execute(f"update staged set {column} = shown from spelled where staged.{column} = spelled.word")


def compare(
    connection: duckdb.DuckDBPyConnection, table: LogTable, written: Mapping[str, tuple[float, str]] | None = None
) -> None:
    """Find clashes inside the file, then the fate of each good line against the book.

    Fates: `twin` (equal to an earlier row of the file), `known` (in the book as it is), `changed` (its key is in the
    book with other content), `new`.

    Parameters
    ----------
    connection : DuckDBPyConnection
    table : LogTable
    written : mapping of column to (factor to the column's own unit, unit), optional
        Columns whose figures the file has in another unit: clashes are told as they were written.
    """
    _find_clashes(connection, table, written or {})
    content = f", {table.name}.copy" if not table.key else ""
    # Only the visits and bookings the file touches are read from the book.
    touched = f"{table.folded(table.whole)} in (select distinct {table.folded(table.whole)} from staged)"
    connection.execute(
        f"""create temp table stored as select {table.key_hash()} as key_hash, {table.row_hash()} as row_hash,
        {table.whole_hash()} as whole_hash, batch, rowid as stored_row {content}
        from {table.name} {f"where {touched}" if table.whole else ""}"""
    )
    if table.name == "bookings":
        connection.execute(_BOOKING_FATES)
    elif table.key:
        connection.execute(_LINE_FATES)
    else:
        connection.execute(_PILE_FATES)


def _find_clashes(
    connection: duckdb.DuckDBPyConnection, table: LogTable, written: Mapping[str, tuple[float, str]]
) -> None:
    connection.execute(
        f"""create temp table clashes as
        select key_hash, min(row_no) as first_row, min(row_hash) != max(row_hash) as differ
        from staged anti join problems using (row_no) where {bool(table.key)}
        group by key_hash having count(*) > 1"""
    )
    if not _one(connection, "select count(*) from clashes where differ"):
        return
    others = table.logged()
    told = ", ".join(_differing(name, *of, table, written.get(name)) for name, of in others.items())
    named = ", ".join(
        f"case when count(distinct coalesce({value}::varchar, '')) > 1 then '{name}' end"
        for name, (_, value) in others.items()
    )
    hint = {
        "job_lines": "are one job, vehicle, zone and pass; keep the right one, number the passes 1, 2, "
        "or tell several vehicles apart under vehicle",
        "bookings": "are one booking and zone; keep the right one",
    }[table.name]
    connection.execute(
        f"""insert into problems
        with groups as (
            select key_hash, string_agg(distinct line::varchar, ', ' order by line::varchar) as lines,
                concat_ws('; ', {told}) as told, coalesce({named}, '') as col
            from staged semi join (select key_hash from clashes where differ) using (key_hash)
            anti join problems using (row_no) group by key_hash
        )
        select distinct row_no, 'same-line-differs', col, told, 'lines ' || lines || ' {hint}'
        from staged join groups using (key_hash) anti join problems using (row_no)"""
    )


def shown(column: str, kind: str) -> str:
    """Return the SQL of a value as it is told in a sentence."""
    text = f"format('{{:.6g}}', {column})" if kind == "double" else f"{column}::varchar"
    return f"coalesce(nullif({text}, ''), 'blank')"


def _differing(name: str, column: str, value: str, table: LogTable, written: tuple[float, str] | None) -> str:
    text = shown(value, table.types[column])
    if written:
        factor, unit = written
        text = f"coalesce(format('{{:.6g}} {unit}', {value} / {factor!r}), 'blank')"
    compared = f"lower({value})" if column in table.codes else value
    return (
        f"case when count(distinct coalesce({compared}::varchar, '')) > 1 "
        f"then '{name} ' || string_agg(distinct {text}, ' or ' order by {text}) end"
    )


_LINE_FATES = """
    create temp table fates as
    select s.row_no, s.key_hash, s.whole_hash, t.batch as old_batch, t.stored_row,
        case when s.row_no > c.first_row then 'twin' when t.key_hash is null then 'new'
            when t.row_hash = s.row_hash then 'known' else 'changed' end as fate
    from staged s anti join problems using (row_no)
    left join clashes c on c.key_hash = s.key_hash left join stored t on t.key_hash = s.key_hash
"""
#: A booking is replaced whole: where one zone of it differs from the book, or is missing, every row of it is changed.
_BOOKING_FATES = """
    create temp table fates as
    with firsts as (
        select s.*, coalesce(s.row_no > c.first_row, false) as twin from staged s anti join problems using (row_no)
        left join clashes c on c.key_hash = s.key_hash
    ), kept as (select whole_hash, count(*) as n, any_value(batch) as batch from stored group by all),
    matched as (
        select f.whole_hash, count(*) as n, count(t.key_hash) as n_same from firsts f
        left join stored t on t.key_hash = f.key_hash and t.row_hash = f.row_hash where not f.twin group by all
    )
    select f.row_no, f.key_hash, f.whole_hash, k.batch as old_batch, null::bigint as stored_row,
        case when f.twin then 'twin' when k.n is null then 'new'
            when k.n = m.n and m.n = m.n_same then 'known' else 'changed' end as fate
    from firsts f left join kept k using (whole_hash) left join matched m using (whole_hash)
"""
#: Equal rows of one file are different deliveries: the n-th of a file is the n-th in the book.
_PILE_FATES = """
    create temp table fates as
    with numbered as (
        select *, row_number() over (partition by row_hash order by row_no) as copy
        from staged anti join problems using (row_no)
    )
    select n.row_no, n.key_hash, n.whole_hash, t.batch as old_batch, t.stored_row, n.copy,
        case when t.row_hash is null then 'new' else 'known' end as fate
    from numbered n left join stored t on t.row_hash = n.row_hash and t.copy = n.copy
"""


def keep_stored(connection: duckdb.DuckDBPyConnection, table: LogTable) -> None:
    """Keep out lines whose key is in the book with other content; each is told beside what the book holds."""
    connection.execute(
        f"""insert into problems
        select f.row_no, 'kept-stored', '', concat_ws('; ', {_changes(table, "s")}),
            'the book has other content for the {_what(table)} ' || {_named_key(table)}
            || ' and was preferred; its own: ' || concat_ws('; ', {_changes(table, "b")})
        from fates f join staged s on s.row_no = f.row_no and s.key_hash = f.key_hash
        left join {table.name} b on {_same_key(table)}
        where f.fate = 'changed'"""
    )


def _what(table: LogTable) -> str:
    return "booking" if table.name == "bookings" else "line"


def _same_key(table: LogTable) -> str:
    return " and ".join(f"{table.folded(c, 'b')} = {table.folded(c, 's')}" for c in table.key)


def _named_key(table: LogTable) -> str:
    return " || ' ' || ".join(f"s.{c}::varchar" for c in table.key if c not in ("pass", "vehicle"))


def _changes(table: LogTable, side: str) -> str:
    """Return the SQL list of the columns in which `s` and `b` differ, each with the value of one side."""
    return ", ".join(
        f"case when {table.folded(c, 's')} is distinct from {table.folded(c, 'b')} "
        f"then '{c} ' || {shown(f'{side}.{c}', kind)} end"
        for c, kind in table.types.items()
        if c not in table.key
    )


def changes(connection: duckdb.DuckDBPyConnection, table: LogTable, most: int) -> list[tuple[str, str, str]]:
    """Return up to `most` accepted lines that replace another: (key, what the book had, what it has now)."""
    rows = connection.execute(
        f"""select {_named_key(table)}, concat_ws('; ', {_changes(table, "b")}), concat_ws('; ', {_changes(table, "s")})
        from fates f join staged s on s.row_no = f.row_no and s.key_hash = f.key_hash
        join {table.name} b on {_same_key(table)}
        where f.fate = 'changed' and f.row_no not in (select row_no from problems)
            and {table.row_hash("b")} != s.row_hash
        order by f.row_no limit {most}"""
    ).fetchall()
    return [(str(k), str(old), str(new)) for k, old, new in rows]


def reject_wholes(connection: duckdb.DuckDBPyConnection, table: LogTable) -> None:
    """Reject every other row of a visit or booking of which one row is rejected, so that none loses a zone silently."""
    what = "booking" if table.name == "bookings" else "visit"
    connection.execute(
        f"""insert into problems
        with wrong as (
            select s.whole_hash, min(s.line) as line from staged s join problems p using (row_no)
            where p.code != 'kept-stored' and {table.whole} != '' group by all
        )
        select distinct s.row_no, '{what}-rejected', '', '',
            'line ' || w.line || ' of this {what} is rejected; correct it and import them together'
        from staged s join wrong w using (whole_hash) anti join problems using (row_no)"""
    )


def counts(connection: duckdb.DuckDBPyConnection) -> Counts:
    """Return in what the input rows ended; a row of several lines (a package) is accepted where any of them is new."""
    row = connection.execute(
        """
        with good as (select row_no, bool_or(fate in ('new', 'changed')) as adds from fates
            anti join problems using (row_no) group by row_no)
        select count(*) filter (adds), count(*) filter (not adds),
            (select count(distinct row_no) from problems) from good
        """
    ).fetchone()
    assert row is not None
    return Counts(*(int(n) for n in row))


def overlaps(connection: duckdb.DuckDBPyConnection) -> list[tuple[int, int]]:
    """Return (earlier batch, rows of this file that stood in it already)."""
    rows = connection.execute(
        "select old_batch, count(distinct row_no) from fates anti join problems using (row_no) "
        "where fate = 'known' group by 1 order by 1"
    ).fetchall()
    return [(int(batch), int(n)) for batch, n in rows]


def known_lines(connection: duckdb.DuckDBPyConnection) -> list[int]:
    """Return the lines of the file's good rows that the book has as they are, in order."""
    rows = connection.execute(
        "select distinct s.line from staged s semi join (from fates where fate = 'known') using (row_no) "
        "anti join problems using (row_no) order by 1"
    ).fetchall()
    return [int(line) for (line,) in rows]


def rejected_but_known(connection: duckdb.DuckDBPyConnection, table: LogTable, most: int) -> tuple[int, list[str]]:
    """Return how many visits or bookings with a rejected row the book has already, and the first few of them."""
    rows = connection.execute(
        f"""
        with wrong as (
            select any_value({table.whole}) as whole, min(row_no) as first from staged semi join
            (select row_no from problems where code != 'kept-stored') using (row_no)
            where {table.whole} != '' group by {table.folded(table.whole)}
        )
        select count(*) over (), whole from wrong where lower(whole) in (select lower({table.whole}) from {table.name})
        order by first limit {most}
        """
    ).fetchall()
    return (int(rows[0][0]), [str(row[1]) for row in rows]) if rows else (0, [])


def _one(connection: duckdb.DuckDBPyConnection, query: str) -> Any:
    row = connection.execute(query).fetchone()
    return row[0] if row else None
