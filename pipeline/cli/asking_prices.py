"""Commands for one job or a list of them: `estimate`, `quote`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

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

VehicleOption = Annotated[str, typer.Option("--vehicle", metavar="CLASS", help="Vehicle class, such as van.")]
ZoneOption = Annotated[
    list[str] | None, typer.Option("--zone", metavar="ZONE[:SOIL]", help="A zone; repeat it for more.")
]
JobsOption = Annotated[Path | None, typer.Option("--jobs", metavar="FILE", help="Jobs to answer, in the jobs layout.")]
DateOption = Annotated[str | None, typer.Option("--date", metavar="DATE", help="Day the job will be done.")]


def estimate(
    vehicle: VehicleOption = "",
    zone: ZoneOption = None,
    jobs: JobsOption = None,
    date: DateOption = None,
    machine: Annotated[str, typer.Option(help="Machine code (default: the usual mix).")] = "",
    operator: Annotated[str, typer.Option(help="Operator code (default: the usual mix).")] = "",
    ice_age: Annotated[float | None, typer.Option("--ice-age", min=0, max=60, help="Age of the pellets, days.")] = None,
    feed: Annotated[float | None, typer.Option(min=0.01, max=50, help="Feed, lb/min.")] = None,
    pressure: Annotated[float | None, typer.Option(min=1, max=500, help="Pressure, psi.")] = None,
    standoff: Annotated[float | None, typer.Option(min=0.1, max=100, help="Nozzle distance, in.")] = None,
    ice_on: Annotated[float | None, typer.Option("--ice-on", min=0, max=1, help="Share of time with ice on.")] = None,
    coating_removed: Annotated[bool, typer.Option("--coating-removed", help="An old coating is stripped.")] = False,
    like: Annotated[int, typer.Option(min=0, max=100, help="List the most similar past jobs.")] = 0,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Tell the pellets and minutes of a job."""
    from pipeline.answers.estimating import estimate_jobs
    from pipeline.answers.requests import job_from_options
    from pipeline.present.estimate_text import render_estimate

    asking = ask(book, today, seed=seed, level=level)
    technique = {"ice_age_days": ice_age, "feed_lb_min": feed, "pressure_psi": pressure, "standoff_in": standoff,
                 "ice_on_share": ice_on}  # fmt: skip
    day = read_date(date, "--date") if date else asking.today
    if jobs is not None:
        from pipeline.answers.request_files import jobs_from_file

        asked = jobs_from_file(asking, jobs, day)
    else:
        asked = [
            job_from_options(
                asking.book.settings, vehicle=vehicle, zones=zone or [], day=day, coating_removed=coating_removed,
                machine=machine, operator=operator,
                technique={k: v for k, v in technique.items() if v is not None},
            )
        ]  # fmt: skip
    answer = estimate_jobs(asking, asked, n_like=like)
    show("estimate", asking, answer, render_estimate, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("estimate")(estimate)
