"""The command `safety`: the air and the ears of a planned day."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from pipeline.cli.asking_prices import VehicleOption, ZoneOption
from pipeline.cli.common import HERE, BookOption, JsonOption, LevelOption, SeedOption, TodayOption, ask, read_date, show
from pipeline.cli.measures import measure_option
from pipeline.cli.shares import share_option
from pipeline.cli.together import given, refuse_blank, refuse_both, refuse_without

Share = Annotated[
    float | None, share_option("--mixing", "Share of fresh air that mixes in: 0.8 or 80%.", low=0.05, high=1)
]


class Protector(StrEnum):
    """Kinds of hearing protection, for NIOSH's derating."""

    muffs = "muffs"
    formable = "formable"
    other = "other"


def safety(
    context: typer.Context,
    bay: Annotated[str | None, typer.Option("--bay", help="A bay of book.toml (default: the only one).")] = None,
    length: Annotated[
        float | None,
        measure_option("--length-ft", "ft", "Inside length, ft."),
    ] = None,
    width: Annotated[
        float | None,
        measure_option("--width-ft", "ft", "Inside width, ft."),
    ] = None,
    height: Annotated[
        float | None,
        measure_option("--height-ft", "ft", "Inside height, ft."),
    ] = None,
    air_changes: Annotated[float | None, typer.Option("--air-changes", help="Fresh air, changes an hour.")] = None,
    flow: Annotated[
        float | None,
        measure_option("--flow-cfm", "cfm", "Fresh air as measured, cfm."),
    ] = None,
    mixing: Share = None,
    altitude: Annotated[
        float | None,
        measure_option("--altitude-ft", "ft", "Height above the sea, ft."),
    ] = None,
    temperature: Annotated[
        float | None,
        measure_option("--temperature-f", "f", "Air in the bay, F."),
    ] = None,
    noise: Annotated[
        float | None,
        measure_option("--noise-dba", "dba", "Level at the ear while blasting."),
    ] = None,
    doors_open: Annotated[bool, typer.Option("--doors-open", help="Doors stand open.")] = False,
    door_flow: Annotated[
        float | None,
        measure_option("--door-flow-cfm", "cfm", "Flow measured at open doors."),
    ] = None,
    date: Annotated[str | None, typer.Option("--date", metavar="DATE", help="All that is booked on that day.")] = None,
    vehicle: VehicleOption = "",
    zone: ZoneOption = None,
    pause: Annotated[
        float,
        measure_option("--pause-min", "min", "Pause between jobs.", low=0, high=1440),
    ] = 0.0,
    stored: Annotated[
        float,
        measure_option("--stored-lb", "lb", "Ice stored in the bay.", low=0, high=100_000),
    ] = 0.0,
    stored_rate: Annotated[
        float | None,
        measure_option("--stored-lb-day", "lb-day", "What it loses a day."),
    ] = None,
    low_layer: Annotated[float, typer.Option("--low-layer-factor", help="Own multiplier for the low air.")] = 1.0,
    nrr: Annotated[float | None, typer.Option("--nrr", help="NRR on the hearing protector's label.")] = None,
    protector: Annotated[Protector, typer.Option("--protector", help="Its kind.")] = Protector.muffs,
    second: Annotated[bool, typer.Option("--second-protector", help="A second one is worn over it.")] = False,
    van: Annotated[bool, typer.Option("--van", help="A closed van that carries --stored-lb of ice.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Check CO2 and noise of planned work."""
    from pipeline.answers.requests import JobAsked, job_from_options
    from pipeline.answers.safety import safety as check
    from pipeline.answers.safety_answer import SafetyQuestion
    from pipeline.answers.safety_noise import Protection
    from pipeline.answers.safety_space import SpaceAsked
    from pipeline.present.safety_text import render_safety

    _check_together(context)
    asking = ask(book, today, seed=seed, level=level)
    jobs: tuple[JobAsked, ...] = ()
    if vehicle or zone:
        jobs = (job_from_options(asking.book.settings, vehicle=vehicle, zones=zone or [], day=asking.today),)
    space = SpaceAsked(
        length_ft=length, width_ft=width, height_ft=height, air_changes_per_hour=air_changes, flow_cfm=flow,
        mixing_share=mixing, altitude_ft=altitude, temperature_f=temperature, noise_dba=noise,
        door_flow_cfm=door_flow, doors_open=doors_open,
    )  # fmt: skip
    worn = Protection(nrr, protector.value, second) if nrr is not None else None
    question = SafetyQuestion(
        bay=bay, space=space, day=read_date(date, "--date") if date is not None else None, jobs=jobs, pause_min=pause,
        stored_lb=stored, stored_lb_day=stored_rate, low_layer_factor=low_layer, protection=worn, van=van,
    )  # fmt: skip
    show("safety", asking, check(asking, question), render_safety, as_json=as_json)


def _check_together(context: typer.Context) -> None:
    """Refuse options that the answer would leave out."""
    refuse_blank(context, ("vehicle", "bay"))
    refuse_both(context, "bay", "van", do="Ask for the bay and for the vehicle one after the other.")
    refuse_both(context, "air_changes", "flow", do="Give what was measured.")
    refuse_without(context, ("protector", "second"), "nrr", do="Add --nrr with the figure on the protector's label.")
    refuse_without(context, ("stored_rate",), "stored", do="Add --stored-lb with what is stored.")
    # Between two vehicles the flow counts in the pause in which one leaves and the next comes in.
    if not (given(context, "date") and given(context, "pause")):
        refuse_without(context, ("door_flow",), "doors_open",
                       do="Add --doors-open where they stand open all the time, or to --date the --pause-min between "
                       "two vehicles.")  # fmt: skip
    if not any(given(context, name) for name in ("date", "vehicle", "zone")):
        refuse_without(context, ("pause", "noise", "nrr"), "vehicle", do="Add --vehicle and --zone, or --date.")


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("safety")(safety)
