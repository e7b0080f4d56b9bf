"""The report as one self-contained HTML page; for a PDF the same page with colours for paper."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING

from pipeline.present.output_file import GENERATOR
from pipeline.present.page_findings import air_part, pellets_part, trust_part
from pipeline.present.page_prices import prices_data, prices_part
from pipeline.present.page_sections import forecast_part, jobs_part, order_part
from pipeline.present.report_charts import report_charts
from shared.counting import counted
from shared.version import VERSION

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

    from pipeline.answers.answer import Answer
    from pipeline.answers.reporting import ReportContents
    from pipeline.present.charts.canvas import Drawing
    from pipeline.present.figures import Style

_PIXELS_PER_INCH = 96
_BACKTICKS = re.compile(r"`([^`\n]{1,200})`")
#: The space between a figure and its unit.
_FIGURE = re.compile(r"(?<=\d) (?=(?:%|lb|kg|min|h|ppm|cfm)(?!\w))")


@dataclass(frozen=True)
class _Image:
    title: str
    alt: str
    src: str
    width: int
    height: int


@cache
def template_text(name: str) -> str:
    """Return a file of the templates folder."""
    return (files("pipeline.present") / "templates" / name).read_text(encoding="utf-8")


def environment() -> Environment:
    """Return the template environment: everything is escaped."""
    from jinja2 import Environment, StrictUndefined

    made = Environment(autoescape=True, trim_blocks=True, undefined=StrictUndefined, finalize=_kept_together)
    made.filters["coded"] = _coded
    return made


def _kept_together(value: object) -> object:
    """Keep a figure and its unit on one line."""
    return _FIGURE.sub("\u00a0", value) if type(value) is str else value


def _coded(text: str) -> Markup:
    """Return a text in which what stands between backticks is shown as a command."""
    from markupsafe import Markup, escape

    return Markup(_BACKTICKS.sub(r"<code>\1</code>", str(escape(_kept_together(text)))))


def content_policy(css: str, script: str = "") -> str:
    """Return the page's content security policy: its own style and script by hash, embedded pictures, nothing else."""
    own = f"script-src '{_hash(script)}'; " if script else ""
    return f"default-src 'none'; {own}style-src '{_hash(css)}'; img-src data:; base-uri 'none'; form-action 'none'"


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(sha256(text.encode()).digest()).decode("ascii")


def report_page(answer: Answer[ReportContents], style: Style, *, for_print: bool = False) -> str:
    """Return the whole page as HTML.

    Parameters
    ----------
    for_print : bool
        Charts in the colours of paper alone, and no controls, for a PDF.
    """
    from markupsafe import Markup

    contents = answer.result
    css, script = template_text("report.css"), template_text("report.js")
    prices = prices_part(contents, style)
    named = {
        "order": order_part(contents, style), "pellets": pellets_part(contents, style),
        "trust": trust_part(contents, style), "forecast": forecast_part(contents, style),
        "air": air_part(contents, style), "jobs": jobs_part(contents, style),
    }  # fmt: skip
    drawn = report_charts(contents, style)
    return environment().from_string(template_text("report.html")).render(
        printed=for_print, generator=f"{GENERATOR} {VERSION}",
        shop=contents.settings.shop.name or "This shop", today=contents.today.isoformat(), intro=_intro(contents),
        policy=Markup(content_policy(css, script)), css=Markup(css), script=Markup(script),
        data=Markup(prices_data(contents, style)), warnings=answer.warnings, cautions=answer.cautions,
        parts=(prices, *(named[k] for k in ("order", "pellets", "trust", "forecast", "air"))), prices=prices,
        charts={name: _image(d, for_print=for_print) for name, d in drawn.items()},
        made=f"Made by rimebook {VERSION} from this shop's own book; no figure left it.", **named,
    )  # fmt: skip


def _intro(contents: ReportContents) -> str:
    n = contents.n_jobs
    told = f"As of the morning of {contents.today.isoformat()}, before opening. "
    if not n:
        return told + "No finished job is logged yet: every figure is a planning figure from book.toml."
    return told + f"From {counted(n, 'finished job')} in this shop's own log."


def _image(drawing: Drawing, *, for_print: bool) -> _Image:
    width, height = (round(v * _PIXELS_PER_INCH) for v in drawing.figure.get_size_inches())
    return _Image(drawing.title, drawing.alt, drawing.data_uri(follows_scheme=not for_print), width, height)
