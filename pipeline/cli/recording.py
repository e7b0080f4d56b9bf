"""The command `log`: one finished job, by options or at the prompt."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.common import HERE, BookOption, JsonOption, LevelOption, SeedOption, TodayOption, ask, read_date, show
from shared.errors import UsageError

if TYPE_CHECKING:
    # Importing costs a fifth of a second, which every other command would pay too.
    from pipeline.answers.answer import Asking
    from pipeline.answers.logging_a_job import JobEntry


def log(
    job_id: Annotated[str, typer.Option("--job-id", help="The ticket's number.")] = "",
    date: Annotated[str | None, typer.Option("--date", metavar="DATE", help="Day of the job (default: today).")] = None,
    vehicle: Annotated[str, typer.Option("--vehicle", metavar="CLASS", help="Vehicle class, such as van.")] = "",
    plate: Annotated[str, typer.Option("--plate", help="Plate, where a ticket has several vehicles.")] = "",
    zone: Annotated[
        list[str] | None, typer.Option("--zone", metavar="ZONE[:SOIL][=LB/MIN]", help="A zone; repeat it for more.")
    ] = None,
    total: Annotated[str, typer.Option("--total", metavar="LB/MIN", help="Of the visit, where zones have none.")] = "",
    operator: Annotated[str, typer.Option("--operator", help="Who did it.")] = "",
    machine: Annotated[str, typer.Option("--machine", help="With which machine.")] = "",
    container: Annotated[str, typer.Option("--container", help="Where the ice came from.")] = "",
    coating_removed: Annotated[bool, typer.Option("--coating-removed", help="An old coating was stripped.")] = False,
    setup: Annotated[str, typer.Option("--setup", help="Set-up time, such as 20min.")] = "",
    cleanup: Annotated[str, typer.Option("--cleanup", help="Clean-up time.")] = "",
    price: Annotated[str, typer.Option("--price", help="Charged before tax.")] = "",
    customer: Annotated[str, typer.Option("--customer", help="Customer code.")] = "",
    note: Annotated[str, typer.Option("--note", help="Anything worth remembering.")] = "",
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Record one finished job."""
    from pipeline.answers.logged_against import log_and_compare
    from pipeline.answers.logging_a_job import JobEntry, parse_total, parse_zone
    from pipeline.present.log_text import render_log

    asking = ask(book, today, seed=seed, level=level)
    pellets, minutes = parse_total(total)
    entry = JobEntry(
        job_id=job_id, day=read_date(date, "--date") if date is not None else asking.today, vehicle_class=vehicle,
        zones=tuple(parse_zone(z) for z in zone or []), total_pellets=pellets, total_minutes=minutes, vehicle=plate,
        operator=operator, machine=machine, container=container, coating_removed="yes" if coating_removed else "",
        setup=setup, cleanup=cleanup, price=price, customer=customer, note=note,
        dated=date is not None,
    )  # fmt: skip
    if not (job_id and vehicle and entry.zones):
        entry = _prompted(asking, entry, given_date=date is not None)
    if entry.day > asking.today:
        raise UsageError(
            "job-in-the-future", where="--date", found=entry.day.isoformat(), expected=f"a day up to {asking.today}",
            do="A job belongs in the log when it is done; a planned one is a booking.",
        )  # fmt: skip
    show("log", asking, log_and_compare(asking, entry), render_log, as_json=as_json)


def _prompted(asking: Asking, entry: JobEntry, *, given_date: bool) -> JobEntry:
    """Ask for what is missing, with the last used values as defaults; nothing is recorded before the last answer.

    Raises
    ------
    UsageError
        Where nobody is there to answer.
    """
    from pipeline.answers.logging_a_job import last_used, parse_total, parse_zone

    if not sys.stdin.isatty():
        raise UsageError(
            "nothing-to-log", where="log", found="no --job-id, --vehicle or --zone",
            expected="all three", do="For example: --job-id 118 --vehicle van --zone undercarriage:heavy=38lb/55min",
        )  # fmt: skip
    last = last_used(asking.book)

    def wanted(what: str, value: str, default: str = "") -> str:
        return value or str(typer.prompt(what, default=default, show_default=bool(default), err=True)).strip()

    job_id = wanted("Job id", entry.job_id, last.next_job_id)
    day = entry.day if given_date else read_date(wanted("Date", "", entry.day.isoformat()), "date")
    vehicle = wanted("Vehicle class", entry.vehicle_class, last.vehicle_class)
    zones = list(entry.zones)
    while True:
        text = str(typer.prompt("Zone[:soil][=lb/min], empty when done", default="", show_default=False, err=True))
        if not text.strip() and zones:
            break
        if text.strip():
            zones.append(parse_zone(text))
    pellets, minutes = entry.total_pellets, entry.total_minutes
    if not (pellets or minutes or all(z.pellets and z.minutes for z in zones)):
        pellets, minutes = parse_total(wanted("Total lb/min, empty where zones have them", ""))
    filled = replace(
        entry, job_id=job_id, day=day, dated=True, vehicle_class=vehicle, zones=tuple(zones), total_pellets=pellets,
        total_minutes=minutes, operator=wanted("Operator", entry.operator, last.operator),
        machine=wanted("Machine", entry.machine, last.machine),
        container=wanted("Container", entry.container, last.container), price=wanted("Price", entry.price),
    )  # fmt: skip
    if not typer.confirm("Record it?", default=True, err=True):
        raise typer.Abort
    return filled


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("log")(log)
