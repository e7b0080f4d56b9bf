"""The command `order`: what ice to order for which delivery, and which jobs fit in what is left."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.asking_prices import JobsOption
from pipeline.cli.common import HERE, BookOption, JsonOption, LevelOption, SeedOption, TodayOption, ask, read_date, show
from pipeline.cli.shares import share_option
from pipeline.cli.together import refuse_beside
from shared.errors import UsageError

_LONG_WEEKDAYS = frozenset(("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"))


def order(
    context: typer.Context,
    start: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="First day wanted (default: today).")
    ] = None,
    days: Annotated[int, typer.Option("--days", help="Days to plan for, 1 to 42.")] = 14,
    deliver: Annotated[str | None, typer.Option("--deliver", metavar="mon,thu", help="Days ice can come.")] = None,
    service: Annotated[
        float | None,
        share_option("--service", "Chance of not running short from one delivery to the next: 0.95 or 95%."),
    ] = None,
    fit: Annotated[bool, typer.Option("--fit", help="Which jobs still fit in the ice that is left?")] = False,
    jobs: JobsOption = None,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Plan ice: how much for which delivery."""
    from pipeline.answers.ordering import OrderQuestion, order_ice
    from pipeline.present.ordering_text import render_fit, render_order

    if fit:
        refuse_beside(context, "fit", ("jobs", "start"))
    first = read_date(start, "--from") if start is not None else None
    asking = ask(book, today, seed=seed, level=level)
    if first is not None and today is None and first < asking.today:
        asking = ask(book, first.isoformat(), seed=seed, level=level)
    if fit:
        if first is not None and first != asking.today:
            raise UsageError("from-with-fit", where="--from", found=f"`{start}` beside --fit",
                             expected="--fit from today on", do="Leave --from out.")  # fmt: skip
        from pipeline.answers.ice_fitting import fit_jobs
        from pipeline.answers.request_files import jobs_from_file

        waiting = jobs_from_file(asking, jobs, asking.today) if jobs is not None else []
        show("order", asking, fit_jobs(asking, waiting), render_fit, as_json=as_json)
        return
    if jobs is not None:
        raise UsageError("jobs-without-fit", where="--jobs", found="waiting jobs without --fit", expected="--fit",
                         do="Add --fit to ask which of them fit in the ice that is left.")  # fmt: skip
    weekdays = tuple(_weekday(word) for word in deliver.split(",")) if deliver is not None else None
    question = OrderQuestion(start=first, n_days=days, deliver=weekdays, service=service)
    show("order", asking, order_ice(asking, question), render_order, as_json=as_json)


def _weekday(word: str) -> str:
    """Return a weekday's three letters where its name is written out, else the word as it is."""
    plain = word.strip().casefold()
    return plain[:3] if plain in _LONG_WEEKDAYS else plain


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("order")(order)
