"""The command `costing`: what finished jobs really cost and earned."""

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
    show,
    style_of,
    tell,
)
from pipeline.cli.together import refuse_blank, refuse_without
from shared.errors import RimebookError, UsageError


def costing(
    context: typer.Context,
    price_list: Annotated[
        Path | None, typer.Option("--price-list", metavar="FILE", help="Write the refined price list: .csv or .html.")
    ] = None,
    payback: Annotated[
        str, typer.Option("--payback", metavar="MACHINE", help="When has a machine paid for itself?")
    ] = "",
    worst: Annotated[int, typer.Option("--worst", min=0, max=10000, help="Most losing jobs to list.")] = 10,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Tell what finished jobs really cost and earned."""
    from pipeline.answers.costing import cost_jobs
    from pipeline.present.costing_text import render_costing

    refuse_blank(context, ("payback",))
    refuse_without(context, ("force",), "price_list", do="Leave --force out, or name the file: --price-list prices.csv")
    asking = ask(book, today, seed=seed, level=level)
    if price_list is not None:
        _check_file(price_list, force)
    answer = cost_jobs(asking, n_worst=worst, price_list=price_list is not None, payback=payback.strip())
    if price_list is not None and answer.result.price_list is not None:
        from pipeline.present.output_file import write_whole
        from pipeline.present.price_list_page import price_list_csv, price_list_html

        made = (
            price_list_csv(answer.result.price_list)
            if price_list.suffix.lower() == ".csv"
            else price_list_html(answer.result.price_list, style_of(asking.book),
                                 shop=asking.book.settings.shop.name, made_on=asking.today.isoformat())
        )  # fmt: skip
        # CSV carries its own line ends (RFC 4180): they must not be translated.
        write_whole(price_list, made.encode())
        tell(f"Wrote {price_list}.")
    show("costing", asking, answer, render_costing, as_json=as_json)


def _check_file(file: Path, force: bool) -> None:
    if file.suffix.lower() not in (".csv", ".html", ".htm"):
        raise UsageError("bad-price-list", where="--price-list", found=f"`{file}`", expected="a .csv or .html file",
                         do="For example: --price-list prices.html")  # fmt: skip
    if file.exists() and not force:
        raise RimebookError("file-exists", where=str(file), found="a file that is there already", expected="a new file",
                            do="Choose another name, or add --force to write over it.")  # fmt: skip


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("costing")(costing)
