"""The demo as text: one chapter for each kind of answer, each under the command that gives it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.answer import Answer
from pipeline.answers.demo import ASKED, DemoResult
from pipeline.present.estimate_text import render_estimate
from pipeline.present.forecast_text import render_forecast
from pipeline.present.ordering_text import render_order
from pipeline.present.quote_text import render_quote
from pipeline.present.review_text import render_technique
from pipeline.present.terminal import paragraph

if TYPE_CHECKING:
    from pipeline.present.figures import Style


def render_demo(answer: Answer[DemoResult], style: Style) -> str:
    """Return every chapter, and what to try next."""
    shown = answer.result
    vehicle, zones = ASKED
    job = f"--vehicle {vehicle} " + " ".join(f"--zone {z}" for z in zones)
    chapters = [
        (f"rimebook estimate {job}", render_estimate(Answer(shown.estimate), style)),
        (f"rimebook quote {job}", render_quote(Answer(shown.quote), style)),
    ]
    if shown.order is not None:
        chapters.append(("rimebook order", render_order(Answer(shown.order), style)))
    if shown.forecast is not None:
        chapters.append(("rimebook forecast", render_forecast(Answer(shown.forecast), style)))
    if shown.technique is not None:
        chapters.append(("rimebook technique", render_technique(Answer(shown.technique), style)))
    head = paragraph(
        f"A book of an invented shop in {shown.book.folder}: {shown.book.rows:,} rows, {shown.book.jobs:,} jobs, "
        f"as of {shown.book.as_of}. Every row of it is made up."
    )
    told = "\n".join(f"\n$ {call}\n{text}" for call, text in chapters)
    return f"{head}\n{told}\n\nEverything on one page: {shown.report}\nTry your own: --book {shown.book.folder}"
