"""Commands for one job or a list of them: `estimate`, `quote`."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

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
    read_quantity,
    show,
)
from pipeline.cli.measures import measure_option
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
from pipeline.cli.shares import share_option
from pipeline.cli.sheets import ForceOption, SheetOption, check_sheet, write_sheet
from pipeline.cli.together import given, refuse_beside

if TYPE_CHECKING:
    # Nothing of this is read by typer, and every command would pay for it.
    from pipeline.answers.answer import Asking
    from pipeline.answers.requests import JobAsked
    from pipeline.book.settings import Shop

VehicleOption = Annotated[str, typer.Option("--vehicle", metavar="CLASS", help="Vehicle class, such as van.")]
ZoneOption = Annotated[
    list[str] | None, typer.Option("--zone", metavar="ZONE[:SOIL]", help="A zone; repeat it for more.")
]
JobsOption = Annotated[Path | None, typer.Option("--jobs", metavar="FILE", help="Jobs to answer, in the jobs layout.")]
DateOption = Annotated[str | None, typer.Option("--date", metavar="DATE", help="Day the job will be done.")]


MachineOption = Annotated[str, typer.Option("--machine", help="Machine code (default: the usual mix).")]
OperatorOption = Annotated[str, typer.Option("--operator", help="Operator code (default: the usual mix).")]
IceAgeOption = Annotated[
    float | None,
    measure_option("--ice-age", "days", "Age of the pellets, days.", low=0, high=60),
]
FeedOption = Annotated[
    str | None, typer.Option("--feed", metavar="RATE", help="Feed, in the book's unit or as 2lb/min.")
]
PressureOption = Annotated[
    str | None, typer.Option("--pressure", metavar="PRESSURE", help="Pressure, in the book's unit or as 8bar.")
]
StandoffOption = Annotated[
    str | None, typer.Option("--standoff", metavar="LENGTH", help="Nozzle distance, in the book's unit or as 20cm.")
]
IceOnOption = Annotated[
    float | None, share_option("--ice-on", "Share of time with the ice on: 0.6 or 60%.", low=0, high=1)
]
CustomerOption = Annotated[str, typer.Option("--customer", help="Customer code.")]
CoatingOption = Annotated[bool, typer.Option("--coating-removed", help="An old coating is stripped as well.")]


@dataclass(frozen=True)
class Described:
    """The options by which a job, or a list of jobs, is described."""

    vehicle: VehicleOption = ""
    zone: ZoneOption = None
    jobs: JobsOption = None
    date: DateOption = None
    machine: MachineOption = ""
    operator: OperatorOption = ""
    ice_age: IceAgeOption = None
    feed: FeedOption = None
    pressure: PressureOption = None
    standoff: StandoffOption = None
    ice_on: IceOnOption = None
    coating_removed: CoatingOption = False

    def technique(self, shop: Shop) -> dict[str, float]:
        """Return the settings that were given, by the column they stand in and in its unit."""
        given = {"ice_age_days": self.ice_age, "ice_on_share": self.ice_on}
        for name, text, kind, option, bounds in (
            ("feed_lb_min", self.feed, "rate", "--feed", (0.01, 50.0)),
            ("pressure_psi", self.pressure, "pressure", "--pressure", (1.0, 500.0)),
            ("standoff_in", self.standoff, "length", "--standoff", (0.1, 100.0)),
        ):
            given[name] = None if text is None else read_quantity(text, kind, option, shop, bounds)
        return {name: value for name, value in given.items() if value is not None}


def describing(command: Callable[..., None]) -> Callable[..., None]:
    """Return a command with the options of `Described` before its own; its first parameter takes them together.

    Typer reads options off a signature, so that signature is put together here.
    """
    first, *own = inspect.signature(command, eval_str=True).parameters.values()
    hints = get_type_hints(Described, include_extras=True)
    shared = [
        inspect.Parameter(f.name, inspect.Parameter.KEYWORD_ONLY, default=f.default, annotation=hints[f.name])
        for f in fields(Described)
    ]
    parameters = [*shared, *(p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in own)]

    @wraps(command)
    def called(**given: Any) -> None:
        described = Described(**{p.name: given.pop(p.name) for p in shared})
        command(**{first.name: described}, **given)

    called.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    called.__annotations__ = {p.name: p.annotation for p in parameters}
    return called


def _jobs_asked(asking: Asking, described: Described, customer: str = "") -> tuple[list[JobAsked], tuple[str, ...]]:
    """Return the jobs that are asked about, and what must be said of whose they are."""
    from pipeline.answers.requests import job_from_options

    day = read_date(described.date, "--date") if described.date is not None else asking.today
    if described.jobs is not None:
        from pipeline.answers.request_files import jobs_from_file, with_customer

        return with_customer(jobs_from_file(asking, described.jobs, day), customer.strip())
    one = job_from_options(
        asking.book.settings, vehicle=described.vehicle, zones=described.zone or [], day=day,
        coating_removed=described.coating_removed, machine=described.machine, operator=described.operator,
        customer=customer, technique=described.technique(asking.book.settings.shop),
    )  # fmt: skip
    return [one], ()


@describing
def estimate(
    described: Described,
    context: typer.Context,
    customer: CustomerOption = "",
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

    if given(context, "jobs"):
        refuse_beside(context, "jobs", ("date", "like"), do="The rows of the file say it job by job.")
    asking = ask(book, today, seed=seed, level=level)
    asked, said = _jobs_asked(asking, described, customer)
    answer = estimate_jobs(asking, asked, n_like=like)
    answer = replace(answer, warnings=(*answer.warnings, *said))
    show("estimate", asking, answer, render_estimate, as_json=as_json)


@describing
def quote(
    described: Described,
    context: typer.Context,
    price: PriceOption = None,
    customer: CustomerOption = "",
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
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Price a job: for the wanted margin, the accepted risk."""
    from pipeline.answers.saved_quotes import found_job
    from pipeline.cli.quoting_options import QuoteOptions, answered, check_mode, check_together, settled
    from pipeline.present.quote_text import render_quote

    check_mode(context)
    # Beside --found a zone with its soil says what was found, as --soil does.
    seen = [*(soil or []), *((described.zone or []) if found is not None else [])]
    options = QuoteOptions(price, count, compare, save, found, seen, so_far, done, lost, won, job_id,
                           described.coating_removed)  # fmt: skip
    check_together(options)
    check_sheet(sheet, force=force)
    asking = ask(book, today, seed=seed, level=level)
    answer = settled(asking, options)
    if answer is None:
        asked, said = ([], ()) if found is not None else _jobs_asked(asking, described, customer)
        answer = answered(asking, asked, options)
        answer = replace(answer, warnings=(*answer.warnings, *said))
        if sheet is not None:
            if found is not None:
                asked = [found_job(asking, found, seen, coating_removed=described.coating_removed)]
            answer = write_sheet(sheet, asking, answer, asked)
    show("quote", asking, answer, render_quote, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("estimate")(estimate)
    app.command("quote")(quote)
