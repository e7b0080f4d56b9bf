"""Which zones a package stood for when it was written to the book: `book.toml` may give it others later."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.book.log_tables import JOB_LINES

if TYPE_CHECKING:
    import duckdb

    from pipeline.book.store import Book


def _name(package: str) -> str:
    """Return the SQL of the key by which names of packages are compared: as all words of a log, letters and digits."""
    return f"coalesce(nullif(regexp_replace(lower({package}), '[^\\pL\\pN]', '', 'g'), ''), lower({package}))"


#: What a visit or a vehicle has once, and what a package says of all its zones.
_SHARED: Final = frozenset(
    ("day", "vehicle_class", "job_pellets_lb", "job_minutes", "setup_min", "cleanup_min", "price_usd", "customer",
     "package", "package_pellets_lb", "package_minutes")
)  # fmt: skip
_CONTENT = f"hash({', '.join(JOB_LINES.folded(c, 'b') for c in JOB_LINES.columns if c != 'zone')})"
_HASHES = f"{JOB_LINES.row_hash()} as row_hash, {JOB_LINES.key_hash()} as key_hash"
#: Rows of the file that name a package; `of_row` is the first of the lines that stand for one.
_NAMED = f"""
    create or replace temp table named as
    select row_no, min(rowid) as of_row, lower(job_id) as job, lower(vehicle) as plate, pass,
        {_name("package")} as name, list(zone order by zone) as zones
    from staged where package != '' group by all
"""
#: The book's lines of the same vehicle and pass. Those of a package without figures of its own do not say which it was.
_HELD = f"""
    create or replace temp table held as
    with beside as (
        select n.of_row, n.zones, b.rowid as stored_row, b.zone, b.package, {_name("b.package")} = n.name as same,
            list_contains(n.zones, b.zone) as named, {_CONTENT} as content,
            b.package = '' and b.pellets_lb is null and b.minutes is null as plain,
            {JOB_LINES.key_hash("b")} in (select key_hash from staged) as in_file
        from job_lines b join named n
        on lower(b.job_id) = n.job and lower(b.vehicle) = n.plate and b.pass = n.pass
    ), judged as (
        select *, bool_or(same) over of_package as by_name, count(*) over of_package as n_lines,
            list(content) filter (plain and named) over of_package as contents
        from beside window of_package as (partition by of_row)
    )
    select of_row, stored_row, zone, package, by_name, named or same as copied from judged
    where if(by_name, same, n_lines > 1 and len(contents) > 0
        and (named or (plain and not in_file and list_contains(contents, content))))
    qualify copied or row_number() over (partition by stored_row order by copied, of_row) = 1
"""
_DIFFERING = """
    create or replace temp table other_zones as
    select n.*, h.zones as zones_then, h.package, if(h.by_name, n.zones != h.zones, not list_has_all(h.zones, n.zones))
        as told
    from named n join (
        select of_row, list(zone order by zone) as zones, nullif(min(package) filter (by_name), '') as package,
            any_value(by_name) as by_name
        from held group by of_row
    ) h using (of_row) join staged s on s.rowid = n.of_row
    where n.zones != h.zones or h.package != s.package
"""


def keep_stored_zones(connection: duckdb.DuckDBPyConnection) -> None:
    """Let each staged package of a visit that the book has stand for the zones with which the book has it.

    Else a package that means other zones by now would add lines to visits of before, under the total of others. Where
    the package has no figures of its own the book does not have its name: it is then taken to be there where the same
    vehicle and pass have several lines, of which one in a zone of the package has no figures either. It adds no zone to
    these, and lines alike in all but the zone follow what the row says of the visit and the package.

    Staged lines name their package on entry, and on return those alone whose package has figures. The table
    `kept_packages` has what to tell: a row_no, the job_id, the vehicle, the package, the pass and its zones.
    """
    connection.execute(_NAMED)
    connection.execute(_HELD)
    connection.execute(_DIFFERING)
    connection.execute(
        """create or replace temp table kept_packages as
        select o.row_no, s.job_id, s.vehicle, coalesce(o.package, s.package) as package, s.pass,
            array_to_string(o.zones_then, ', ') as zones
        from other_zones o join staged s on s.rowid = o.of_row where o.told"""
    )
    followed = ", ".join(f"{'s' if c in _SHARED else 'b'}.{c}" for c in JOB_LINES.columns)
    connection.execute(
        f"""create or replace temp table as_stored as
        select s.* replace (h.zone as zone, coalesce(o.package, s.package) as package)
        from other_zones o join held h using (of_row) join staged s on s.rowid = o.of_row where h.copied
        union all by name
        select s.row_no, s.line, {followed}, s.row_hash, s.key_hash, s.whole_hash
        from other_zones o join held h using (of_row) join staged s on s.rowid = o.of_row
        join job_lines b on b.rowid = h.stored_row where not h.copied"""
    )
    connection.execute(
        f"""delete from staged where package != '' and exists (select 1 from other_zones o
        where o.row_no = staged.row_no and o.job = lower(staged.job_id) and o.plate = lower(staged.vehicle)
        and o.name = {_name("staged.package")} and o.pass = staged.pass)"""
    )
    connection.execute(f"insert into staged select * replace ({_HASHES}) from as_stored")
    _forget_names_without_figures(connection)


def _forget_names_without_figures(connection: duckdb.DuckDBPyConnection) -> None:
    """Leave a package's name on lines whose package has a total: without one it is no more than its zones."""
    connection.execute(
        f"""update staged set package = '', row_hash = {JOB_LINES.row_hash(blank="package")}
        where package != '' and package_pellets_lb is null and package_minutes is null"""
    )


def stored_packages(book: Book) -> list[tuple[str, tuple[str, ...], int]]:
    """Return each package of the book with the zones it has there, and in how many visits; a package may come twice."""
    with book.reading() as connection:
        rows = connection.execute(
            f"""select min(package), zones, count(distinct job) from (
                select lower(job_id) as job, {_name("package")} as name, min(package) as package,
                    list(zone order by zone) as zones
                from job_lines where package != '' group by job, lower(vehicle), name, pass
            ) group by name, zones order by all"""
        ).fetchall()
    return [(str(package), tuple(zones), int(n)) for package, zones, n in rows]
