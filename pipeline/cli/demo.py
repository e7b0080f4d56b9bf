"""The command `demo`: a book of an invented shop, and what the program answers over it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.common import JsonOption, Progress, SeedOption, show, style_of

DEFAULT = Path("rimebook-demo")


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="A new folder.")] = DEFAULT,
    as_json: JsonOption = False,
    seed: SeedOption = 1,
) -> None:
    """Make a book of an invented shop and show it."""
    from pipeline.answers.demo import make_demo, show_demo
    from pipeline.answers.reporting import report_contents
    from pipeline.present.demo_text import render_demo
    from pipeline.present.output_file import write_whole
    from pipeline.present.page import report_page

    with Progress("demo") as advance:
        asking, book = make_demo(folder, advance, seed=seed)
        contents = report_contents(asking, tell=lambda share, doing: advance(0.55 + 0.45 * share, doing))
        page = folder / "report.html"
        write_whole(page, report_page(contents, style_of(asking.book)).encode())
        answer = show_demo(asking, book, contents, page)
    show("demo", asking, answer, render_demo, as_json=as_json, dated=False)


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("demo")(demo)
