"""Rules over a whole visit or booking, as it would stand in the book after the import: one day, one class a vehicle,
one total, and lines that agree with it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import duckdb

#: Lines may differ from the visit's total by this share of it plus this much.
TOLERANCE_SHARE: Final = 0.02
TOLERANCE_LB: Final = 1.0
TOLERANCE_MIN: Final = 5.0

_CHANGED = "select distinct whole_hash from fates where fate in ('new', 'changed')"
#: Visits with a row that is rejected already are told for that; 'kept-stored' rows leave the stored line in force.
_WRONG = "select whole_hash from staged semi join problems using (row_no)"
_TELL = """
    insert into problems
    select distinct s.row_no, v.code, v.col, v.value, v.hint from staged s join ({told}) v using (whole_hash)
    join fates f on f.row_no = s.row_no and f.key_hash = s.key_hash
    where f.row_no not in (select row_no from problems where code = 'kept-stored')
"""
_MERGED = """
    create or replace temp table merged as
    with changed as ({changed} {but})
    select s.whole_hash, {columns} from staged s join fates f on f.row_no = s.row_no and f.key_hash = s.key_hash
    where f.fate in {fates} and s.whole_hash in (from changed)
        and s.row_no not in (select row_no from problems)
    union all
    select t.whole_hash, {stored_columns} from {table} b join stored t on t.stored_row = b.rowid
    where t.whole_hash in (from changed)
        and t.key_hash not in (select key_hash from fates where row_no not in (select row_no from problems))
"""
_LINE_COLUMNS = (
    "job_id", "vehicle", "zone", "pass", "package", "day", "vehicle_class", "customer", "pellets_lb", "minutes",
    "package_pellets_lb", "package_minutes", "job_pellets_lb", "job_minutes", "setup_min", "cleanup_min", "price_usd",
)  # fmt: skip
#: What one visit has once: column, name of the code, and what to do.
ONCE: Final = (
    ("day", "date", "one visit has one day: give the second day a job_id of its own"),
    ("job_pellets_lb", "job_pellets_lb", "one visit has one total: repeat the same on its rows"),
    ("job_minutes", "job_minutes", "one visit has one total: repeat the same on its rows"),
    ("price_usd", "price_usd", "one visit has one price: write it on one row, or the same on each"),
    ("setup_min", "setup_min", "one visit has one set-up time: write it on one row, or the same on each"),
    ("cleanup_min", "cleanup_min", "one visit has one clean-up time: write it on one row, or the same on each"),
    ("customer", "customer", "one visit has one customer: write the same on its rows"),
)


def check_visits(connection: duckdb.DuckDBPyConnection, mass: tuple[str, float]) -> None:
    """Add a problem to every staged row of a visit that would contradict itself in the book.

    `mass` is the unit in which the book reads pellets, and its pounds; figures are told in it.
    """
    columns = ", ".join(f"s.{c}" for c in _LINE_COLUMNS)
    stored = ", ".join(f"b.{c}" for c in _LINE_COLUMNS)
    connection.execute(
        _MERGED.format(
            changed=_CHANGED,
            but=f"except ({_WRONG} where row_no not in (select row_no from problems where code = 'kept-stored'))",
            columns=columns,
            stored_columns=stored,
            table="job_lines",
            fates="('new', 'changed', 'known')",
        )
    )
    for column, told, do in ONCE:
        shown = mass[1] if column == "job_pellets_lb" else 1.0
        connection.execute(_TELL.format(told=_differs_sql(column, told, do, shown)))
    connection.execute(_TELL.format(told=_CLASSES))
    connection.execute(_TELL.format(told=_broken_packages()))
    for quantity, unit, tolerance, most in (
        ("pellets_lb", mass, TOLERANCE_LB, 800),
        ("minutes", ("min", 1.0), TOLERANCE_MIN, 1440),
    ):
        connection.execute(_TELL.format(told=_total_sql(quantity, unit, tolerance)))
        connection.execute(_TELL.format(told=_absurd_sql(quantity, unit, most)))


def _differs_sql(column: str, told: str, do: str, factor: float) -> str:
    text = "varchar" if column in ("day", "customer") else "double"
    value = f"nullif(lower({column}), '')" if column == "customer" else column
    show = f"{column}::varchar" if text == "varchar" else f"format('{{:.6g}}', {column} / {factor})"
    return f"""
        select whole_hash, 'visit-disagrees' as code, '{told}' as col,
            string_agg(distinct {show}, ' and ' order by {show}) filter ({value} is not null) as value,
            '{do}; found ' || string_agg(distinct {show}, ' and ' order by {show}) filter ({value} is not null) as hint
        from merged semi join (
            select whole_hash from merged group by whole_hash having min({value}) != max({value})
        ) using (whole_hash) group by whole_hash
    """


_CLASSES = """
    select whole_hash, 'class-disagrees' as code, 'vehicle_class' as col,
        string_agg(distinct vehicle_class, ' and ' order by vehicle_class) as value,
        'one vehicle has one class; found ' || string_agg(distinct vehicle_class, ' and ' order by vehicle_class)
        || case when any_value(vehicle) = '' then '; name the vehicles where the visit has several' else '' end as hint
    from merged semi join (
        select whole_hash, lower(vehicle) as folded from merged group by all
        having min(vehicle_class) != max(vehicle_class)
    ) differing on differing.whole_hash = merged.whole_hash and differing.folded = lower(merged.vehicle)
    group by whole_hash
"""


def _broken_packages() -> str:
    """Return the visits where a line of a stored package is replaced and another of it stays."""
    return """
        select whole_hash, 'package-broken' as code, 'zone' as col, min(b.package) as value,
            'the book has one total for the package ' || min(b.package)
            || '; write every zone of it, or the package again' as hint
        from job_lines b join stored t on t.stored_row = b.rowid
        where b.package != ''
        group by whole_hash, lower(b.vehicle), b.package, b.pass
        having count(*) filter (t.key_hash in (select key_hash from fates where fate = 'changed'
                and row_no not in (select row_no from problems))) between 1 and count(*) - 1
    """


_SUMS = """
    select whole_hash, any_value(job_id) as job_id, count(*) as n_lines, max(job_{q}) as total,
        coalesce(sum({q}), 0) + coalesce(max(packed), 0) as known,
        count(*) filter ({q} is not null or package_{q} is not null) = count(*) as complete
    from merged left join (
        select whole_hash, sum(once) as packed from (
            select whole_hash, any_value(package_{q}) as once from merged where package != ''
            group by whole_hash, lower(vehicle), package, pass
        ) group by all
    ) using (whole_hash)
    group by whole_hash
"""


def _total_sql(quantity: str, unit: tuple[str, float], tolerance: float) -> str:
    name, factor = unit
    slack = f"({TOLERANCE_SHARE} * total + {tolerance})"
    return f"""
        select whole_hash, 'lines-contradict-total' as code, 'job_{quantity}' as col,
            format('{{:.6g}} and {{:.6g}}', known / {factor}, total / {factor}) as value,
            format('the lines come to {{:.6g}} {name}, the total says {{:.6g}} {name}; correct one, or leave the '
                'lines blank where only the total is sure', known / {factor}, total / {factor}) as hint
        from ({_SUMS.format(q=quantity)})
        where (complete and abs(known - total) > {slack}) or (not complete and known - total > {slack})
    """


def _absurd_sql(quantity: str, unit: tuple[str, float], most: int) -> str:
    name, factor = unit
    return f"""
        select whole_hash, 'too-large' as code, 'job_{quantity}' as col, format('{{:.6g}}', total / {factor}) as value,
            format('a total of {{:.6g}} {name} over {{}}; at most {most / factor:.4g} {name} a line are believed; '
                'correct the total or its unit', total / {factor},
                if(n_lines = 1, '1 line', n_lines || ' lines')) as hint
        from ({_SUMS.format(q=quantity)}) where total > {most} * n_lines
    """


_BOOKING_ONCE: Final = (
    ("day", "date"), ("vehicle_class", "vehicle_class"), ("taken_on", "taken_on"), ("status", "status"),
    ("customer", "customer"), ("deposit_usd", "deposit_usd"), ("job_id", "job_id"),
)  # fmt: skip


def check_bookings(connection: duckdb.DuckDBPyConnection) -> None:
    """Add a problem to every staged row of a booking whose rows disagree on what a booking has once."""
    for column, told in _BOOKING_ONCE:
        value = f"nullif(lower({column}), '')" if column in ("customer", "job_id") else column
        show = f"{column}::varchar"
        connection.execute(
            f"""insert into problems
            with good as (from staged anti join problems using (row_no)),
            wrong as (
                select whole_hash, string_agg(distinct {show}, ' and ' order by {show}) as value
                from good group by whole_hash having min({value}) != max({value})
            )
            select distinct row_no, 'booking-disagrees', '{told}', value,
                'one booking has one {told}; found ' || value from good join wrong using (whole_hash)"""
        )
