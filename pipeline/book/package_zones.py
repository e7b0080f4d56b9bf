"""Which zones a package stood for when it was written to the book: `book.toml` may give it others later."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.book.log_tables import JOB_LINES

if TYPE_CHECKING:
    import duckdb

    from pipeline.book.store import Book

_GROUP = "lower(job_id) as job, lower(vehicle) as plate, package, pass, list(zone order by zone) as zones"
_IN_BOOK = f"select {_GROUP} from job_lines where package != '' {{but}} group by all"
#: Only visits that the file touches are read.
_TOUCHED = "and lower(job_id) in (select lower(job_id) from staged where package != '')"
#: Packages of the file that the book has with other zones; `of_row` is the first of the lines that stand for one.
_DIFFERING = f"""
    create or replace temp table other_zones as
    with here as (select row_no, min(rowid) as of_row, {_GROUP} from staged where package != '' group by all),
    there as ({_IN_BOOK.format(but=_TOUCHED)})
    select here.* exclude (zones), there.zones from here join there using (job, plate, package, pass)
    where here.zones != there.zones
"""


def keep_stored_zones(connection: duckdb.DuckDBPyConnection) -> None:
    """Let each staged package of a visit that the book has stand for the zones with which the book has it.

    Else a package that means other zones by now would add lines to visits of before, under the total of others.
    The table `kept_packages` has what to tell: a row_no, the job_id, the package and its zones.
    """
    connection.execute(_DIFFERING)
    connection.execute(
        """create or replace temp table kept_packages as
        select o.row_no, s.job_id, s.package, array_to_string(o.zones, ', ') as zones
        from other_zones o join staged s on s.rowid = o.of_row"""
    )
    connection.execute(
        """create or replace temp table as_stored as
        select s.* replace (o.zone as zone)
        from (select of_row, unnest(zones) as zone from other_zones) o join staged s on s.rowid = o.of_row"""
    )
    connection.execute(
        """delete from staged where package != '' and exists (select 1 from other_zones o where o.row_no = staged.row_no
        and o.job = lower(staged.job_id) and o.plate = lower(staged.vehicle) and o.package = staged.package
        and o.pass = staged.pass)"""
    )
    table = JOB_LINES
    connection.execute(
        f"""insert into staged select * replace ({table.row_hash()} as row_hash, {table.key_hash()} as key_hash)
        from as_stored"""
    )


def stored_packages(book: Book) -> list[tuple[str, tuple[str, ...], int]]:
    """Return each package of the book with the zones it has there, and in how many visits; a package may come twice."""
    with book.reading() as connection:
        rows = connection.execute(
            f"select package, zones, count(distinct job) from ({_IN_BOOK.format(but='')}) group by all order by all"
        ).fetchall()
    return [(str(package), tuple(zones), int(n)) for package, zones, n in rows]
