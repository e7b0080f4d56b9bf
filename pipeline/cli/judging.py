"""Commands that judge the record: `calibration`."""

from __future__ import annotations

import typer

from pipeline.cli.common import HERE, BookOption, JsonOption, TodayOption, ask, show


def calibration(book: BookOption = HERE, as_json: JsonOption = False, today: TodayOption = None) -> None:
    """Tell how honest past intervals were."""
    from pipeline.answers.calibrating import calibration as judge
    from pipeline.present.calibration_text import render_calibration

    asking = ask(book, today)
    show("calibration", asking, judge(asking), render_calibration, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("calibration")(calibration)
