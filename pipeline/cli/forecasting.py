"""Commands that look ahead by months: `forecast`."""

from __future__ import annotations

from dataclasses import replace
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
    read_quantity,
    show,
)
from pipeline.cli.shares import share_option
from pipeline.cli.together import refuse_blank

MonthsOption = Annotated[int, typer.Option("--months", help="Whole months to forecast, 1 to 6.")]
ChangeOption = Annotated[float, share_option("--jobs-change", "What if: 0.10 or 10% for a tenth more jobs.")]
PriceOption = Annotated[
    str | None, typer.Option("--ice-price", metavar="PRICE", help="What if: price of ice, per lb or kg as in the book.")
]
MachineOption = Annotated[str, typer.Option("--add-machine", metavar="NAME", help="What if: one more machine.")]


def forecast(
    context: typer.Context,
    months: MonthsOption = 3,
    jobs_change: ChangeOption = 0.0,
    ice_price: PriceOption = None,
    add_machine: MachineOption = "",
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Tell jobs, pellets, work and ice bill of the coming months."""
    from pipeline.answers.forecast_words import future_jobs
    from pipeline.answers.forecasting import ForecastQuestion
    from pipeline.answers.forecasting import forecast as look_ahead
    from pipeline.present.forecast_text import render_forecast

    refuse_blank(context, ("add_machine",))
    asking = ask(book, today, seed=seed, level=level)
    shop = asking.book.settings.shop
    usd_per_lb = None
    if ice_price is not None:
        usd_per_lb = read_quantity(ice_price, "money_per_mass", "--ice-price", shop, (0.0, 1000.0))
    question = ForecastQuestion(months, jobs_change, usd_per_lb, add_machine.strip())
    answer = look_ahead(asking, question)
    if today is None:
        # A day that was asked for may lie in the past, and later jobs are then as they should be.
        answer = replace(answer, warnings=(*answer.warnings, *future_jobs(asking)))
    show("forecast", asking, answer, render_forecast, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("forecast")(forecast)
