"""Commands for one job or a list of them: `estimate`, `quote`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.common import (
    HERE,
    BookOption,
    JsonOption,
    LevelOption,
    SeedOption,
    TodayOption,
    ask,
    read_date,
    show,
)
from pipeline.cli.quoting_options import (
    CompareOption,
    CountOption,
    DoneOption,
    FoundOption,
    JobIdOption,
    LostOption,
    PriceOption,
    SaveOption,
    SoFarOption,
    SoilOption,
    WonOption,
)
from pipeline.cli.sheets import ForceOption, SheetOption, check_sheet, write_sheet

if TYPE_CHECKING:
    # Nothing of this is read by typer, and every command would pay for it.
    from pipeline.answers.answer import Asking
    from pipeline.answers.requests import JobAsked

VehicleOption = Annotated[str, typer.Option("--vehicle", metavar="CLASS", help="Vehicle class, such as van.")]
ZoneOption = Annotated[
    list[str] | None, typer.Option("--zone", metavar="ZONE[:SOIL]", help="A zone; repeat it for more.")
]
JobsOption = Annotated[Path | None, typer.Option("--jobs", metavar="FILE", help="Jobs to answer, in the jobs layout.")]
DateOption = Annotated[str | None, typer.Option("--date", metavar="DATE", help="Day the job will be done.")]


MachineOption = Annotated[str, typer.Option("--machine", help="Machine code (default: the usual mix).")]
OperatorOption = Annotated[str, typer.Option("--operator", help="Operator code (default: the usual mix).")]
IceAgeOption = Annotated[float | None, typer.Option("--ice-age", min=0, max=60, help="Age of the pellets, days.")]
FeedOption = Annotated[float | None, typer.Option("--feed", min=0.01, max=50, help="Feed, lb/min.")]
PressureOption = Annotated[float | None, typer.Option("--pressure", min=1, max=500, help="Pressure, psi.")]
StandoffOption = Annotated[float | None, typer.Option("--standoff", min=0.1, max=100, help="Nozzle distance, in.")]
IceOnOption = Annotated[float | None, typer.Option("--ice-on", min=0, max=1, help="Share of time with the ice on.")]
CoatingOption = Annotated[bool, typer.Option("--coating-removed", help="An old coating is stripped as well.")]


@dataclass(frozen=True)
class _Described:
    """The options by which one job is described."""

    vehicle: str
    zones: list[str]
    jobs: Path | None
    date: str | None
    customer: str
    machine: str
    operator: str
    coating_removed: bool
    technique: dict[str, float | None]


def _jobs_asked(asking: Asking, described: _Described) -> Sequence[JobAsked]:
    from pipeline.answers.requests import job_from_options

    day = read_date(described.date, "--date") if described.date else asking.today
    if described.jobs is not None:
        from pipeline.answers.request_files import jobs_from_file

        return jobs_from_file(asking, described.jobs, day)
    technique = {k: v for k, v in described.technique.items() if v is not None}
    one = job_from_options(
        asking.book.settings, vehicle=described.vehicle, zones=described.zones, day=day,
        coating_removed=described.coating_removed, machine=described.machine, operator=described.operator,
        customer=described.customer, technique=technique,
    )  # fmt: skip
    return [one]


def estimate(
    vehicle: VehicleOption = "",
    zone: ZoneOption = None,
    jobs: JobsOption = None,
    date: DateOption = None,
    machine: MachineOption = "",
    operator: OperatorOption = "",
    ice_age: IceAgeOption = None,
    feed: FeedOption = None,
    pressure: PressureOption = None,
    standoff: StandoffOption = None,
    ice_on: IceOnOption = None,
    coating_removed: CoatingOption = False,
    like: Annotated[int, typer.Option(min=0, max=100, help="List the most similar past jobs.")] = 0,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Tell the pellets and minutes of a job."""
    from pipeline.answers.estimating import estimate_jobs
    from pipeline.present.estimate_text import render_estimate

    asking = ask(book, today, seed=seed, level=level)
    technique = {"ice_age_days": ice_age, "feed_lb_min": feed, "pressure_psi": pressure, "standoff_in": standoff,
                 "ice_on_share": ice_on}  # fmt: skip
    described = _Described(vehicle, zone or [], jobs, date, "", machine, operator, coating_removed, technique)
    answer = estimate_jobs(asking, _jobs_asked(asking, described), n_like=like)
    show("estimate", asking, answer, render_estimate, as_json=as_json)


def quote(
    vehicle: VehicleOption = "",
    zone: ZoneOption = None,
    jobs: JobsOption = None,
    date: DateOption = None,
    price: PriceOption = None,
    customer: Annotated[str, typer.Option(help="Customer code.")] = "",
    count: CountOption = 1,
    compare: CompareOption = "",
    save: SaveOption = False,
    found: FoundOption = None,
    soil: SoilOption = None,
    so_far: SoFarOption = "",
    done: DoneOption = None,
    lost: LostOption = None,
    won: WonOption = None,
    job_id: JobIdOption = "",
    sheet: SheetOption = None,
    force: ForceOption = False,
    machine: MachineOption = "",
    operator: OperatorOption = "",
    ice_age: IceAgeOption = None,
    feed: FeedOption = None,
    pressure: PressureOption = None,
    standoff: StandoffOption = None,
    ice_on: IceOnOption = None,
    coating_removed: CoatingOption = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Price a job: for the wanted margin, the accepted risk."""
    from pipeline.cli.quoting_options import QuoteOptions, answered, settled
    from pipeline.present.quote_text import render_quote

    check_sheet(sheet, force=force)
    asking = ask(book, today, seed=seed, level=level)
    technique = {"ice_age_days": ice_age, "feed_lb_min": feed, "pressure_psi": pressure, "standoff_in": standoff,
                 "ice_on_share": ice_on}  # fmt: skip
    described = _Described(vehicle, zone or [], jobs, date, customer, machine, operator, coating_removed, technique)
    options = QuoteOptions(price, count, compare, save, found, soil or [], so_far, done, lost, won, job_id,
                           coating_removed)  # fmt: skip
    answer = settled(asking, options)
    if answer is None:
        asked = [] if found is not None else list(_jobs_asked(asking, described))
        answer = answered(asking, asked, options)
        if sheet is not None:
            answer = write_sheet(sheet, asking, answer, asked, found)
    show("quote", asking, answer, render_quote, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("estimate")(estimate)
    app.command("quote")(quote)
