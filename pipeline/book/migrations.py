"""The book's schema as ordered steps; a step once released is never edited, a change is a new step."""

from __future__ import annotations

from typing import Final

#: One text of SQL for each schema version, in order; version n is reached by running the first n.
MIGRATIONS: Final[tuple[str, ...]] = (
    """
    create sequence batch_numbers start 1;
    create table batches (
        batch integer not null, part integer not null,  -- one command is one batch, each of its files a part
        made_at timestamp not null,            -- UTC
        kind varchar not null,                 -- jobs, deliveries, weighings, bookings
        file varchar not null,                 -- name only, never a path
        file_sha256 varchar not null,
        n_rows bigint not null, n_accepted bigint not null, n_duplicate bigint not null,
        n_rejected bigint not null, n_set_aside bigint not null,
        n_lines bigint not null,               -- lines written: the running total that a damaged book fails
        n_replaced bigint not null,            -- lines of the book that gave way to others of their key
        undone_at timestamp,
        primary key (batch, part)
    );
    -- Rows of a batch that stood in an earlier one already: what `undo` of that one must tell.
    create table batch_overlaps (
        batch integer not null, part integer not null, earlier integer not null, n_rows bigint not null
    );
    -- (job_id, vehicle, zone, pass), folded, is unique by the import's own rules; an index over it would be three
    -- quarters of a large book's file.
    create table job_lines (
        job_id varchar not null, vehicle varchar not null default '', zone varchar not null, pass integer not null,
        package varchar not null default '',   -- the package whose total covers this line
        day date not null, vehicle_class varchar not null, soil_level varchar not null default '',
        pellets_lb double, minutes double,
        package_pellets_lb double, package_minutes double,  -- totals over the lines of one package
        job_pellets_lb double, job_minutes double,          -- totals of the visit, on each of its lines
        coating_removed boolean, machine varchar not null default '', operator varchar not null default '',
        feed_lb_min double, pressure_psi double, standoff_in double, ice_on_share double, ice_age_days double,
        container varchar not null default '', setup_min double, cleanup_min double, price_usd double,
        customer varchar not null default '', ambient_f double, notes varchar not null default '',
        batch integer not null, row_hash ubigint not null
    );
    create table deliveries (
        day date not null, container varchar not null default '', weight_lb double not null,
        price_usd_per_lb double, fee_usd double, supplier varchar not null default '', emptied boolean,
        stamped timestamp,                     -- where a time of day was written down
        batch integer not null, row_hash ubigint not null, copy integer not null default 1
    );
    create table weighings (
        day date not null, container varchar not null default '', net_lb double not null, stamped timestamp,
        batch integer not null, row_hash ubigint not null, copy integer not null default 1
    );
    create table bookings (
        booking_id varchar not null, taken_on date, day date not null, vehicle_class varchar not null,
        zone varchar not null, soil_level varchar not null default '', coating_removed boolean,
        customer varchar not null default '', deposit_usd double, status varchar not null default 'booked',
        job_id varchar not null default '',
        batch integer not null, row_hash ubigint not null,
        primary key (booking_id, zone)
    );
    -- Rows that a batch replaced, as they were; `undo` puts them back and `export` shows them as history.
    create table replaced_rows (
        kind varchar not null, batch integer not null, old_batch integer not null, key varchar not null,
        figures varchar not null               -- the old row as a JSON object
    );
    create sequence fit_versions start 1;
    create table fits (
        version integer primary key default nextval('fit_versions'),
        made_at timestamp not null, today date not null, data_hash varchar not null, seed bigint not null,
        n_jobs bigint not null, n_lines bigint not null, first_day date, last_day date,
        fitted varchar not null,               -- the fitted numbers, JSON
        record varchar not null                -- the backtest's record, JSON
    );
    -- What was expected of each finished job from only the jobs before it (rolling origins).
    create table expectations (
        version integer not null, job_id varchar not null, day date not null, quantity varchar not null,
        mean double not null, q10 double not null, q50 double not null, q90 double not null, pit double,
        actual double                          -- as recorded when it was learned from
    );
    create sequence quote_numbers start 1;
    create table quotes (
        number integer primary key default nextval('quote_numbers'), made_at timestamp not null, today date not null,
        customer varchar not null default '', state varchar not null default 'open',
        job_id varchar not null default '', valid_until date not null, quoted varchar not null, -- JSON
        settled_on date                        -- when the shop said that it was won or lost
    );
    """,
)
SCHEMA_VERSION: Final = len(MIGRATIONS)
