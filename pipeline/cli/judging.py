"""Commands that judge the record: `calibration`, `technique`."""

from __future__ import annotations

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
from pipeline.cli.together import given, refuse_beside, refuse_blank


def calibration(book: BookOption = HERE, as_json: JsonOption = False, today: TodayOption = None) -> None:
    """Tell how honest past intervals were."""
    from pipeline.answers.calibrating import calibration as judge
    from pipeline.present.calibration_text import render_calibration

    asking = ask(book, today)
    show("calibration", asking, judge(asking), render_calibration, as_json=as_json)


def technique(
    context: typer.Context,
    job: Annotated[str | None, typer.Option("--job", metavar="ID", help="Explain one job.")] = None,
    change: Annotated[str | None, typer.Option("--change", metavar="DATE", help="Test a change of that day.")] = None,
    mask: Annotated[bool, typer.Option("--mask", help="Operators as Operator A, B, ...")] = False,
    thrift: Annotated[bool, typer.Option("--thrift", help="Also what takes less than like jobs need.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Find where pellets go beyond what like jobs need."""
    from pipeline.answers.reviewing import TechniqueQuestion
    from pipeline.answers.reviewing import technique as review
    from pipeline.present.review_text import render_technique

    refuse_blank(context, ("job",))
    for mode in ("change", "job"):
        if given(context, mode):
            refuse_beside(context, mode, ("mask",))
    asking = ask(book, today, seed=seed, level=level)
    day = read_date(change, "--change") if change is not None else None
    answer = review(asking, TechniqueQuestion(job, day, mask, thrift))
    show("technique", asking, answer, render_technique, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("calibration")(calibration)
    app.command("technique")(technique)
