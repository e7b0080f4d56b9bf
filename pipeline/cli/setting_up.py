"""Commands that make a book and teach it: `init`, `learn`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.common import HERE, BookOption, JsonOption, Progress, SeedOption, TodayOption, ask, show


def init(
    folder: Annotated[Path | None, typer.Argument(metavar="[DIR]", help="A new or empty folder.")] = None,
    book: BookOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Make a book: book.toml and an empty database."""
    from pipeline.answers.setting_up import make_book
    from pipeline.present.setting_up_text import render_made

    asking, answer = make_book(folder or book)
    show("init", asking, answer, render_made, as_json=as_json)


def learn(
    book: BookOption = HERE, as_json: JsonOption = False, today: TodayOption = None, seed: SeedOption = 1
) -> None:
    """Learn from the job log; check and store the fit."""
    from pipeline.answers.fitting import learn_book
    from pipeline.present.learn_text import render_learn

    asking = ask(book, today, seed=seed)
    with Progress("learning") as progress:
        answer = learn_book(asking, progress)
    show("learn", asking, answer, render_learn, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("init")(init)
    app.command("learn")(learn)
