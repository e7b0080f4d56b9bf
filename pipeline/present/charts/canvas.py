"""The sheet every chart is drawn on: colours, letters, and how a figure becomes SVG or PNG.

The hues are those of Okabe and Ito's set for colour-blind readers ("Color Universal Design", 2008), some darkened so
that lines keep 3:1 against white (WCAG 2.2, success criterion 1.4.11); shapes and dashes say the same as the hues.
"""

from __future__ import annotations

import base64
import io
import re
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK: Final = "#1d2733"
MUTED: Final = "#55606b"
GRID: Final = "#d9dee4"
PAPER: Final = "#fffffe"
BLUE: Final = "#0068a5"
SKY: Final = "#8cc4e8"
ORANGE: Final = "#c75300"
GREEN: Final = "#00805d"
AMBER: Final = "#b87a00"
PURPLE: Final = "#a3487d"
#: Each colour on a dark page.
DARK: Final = {
    INK: "#ece9e3", MUTED: "#b3bcc5", GRID: "#3a444f", PAPER: "#1b2129", BLUE: "#62b5ea", SKY: "#2f6c93",
    ORANGE: "#f7904d", GREEN: "#43c9a0", AMBER: "#efbd4a", PURPLE: "#e59fc4",
}  # fmt: skip
#: Soil from least to most: hue, marker.
SOIL_LOOKS: Final = {"light": (BLUE, "o"), "moderate": (GREEN, "s"), "heavy": (AMBER, "D"), "severe": (ORANGE, "^")}
#: The drawing font, and what a reader's machine may have instead.
_FONTS: Final = "'DejaVu Sans', Verdana, Arial, sans-serif"
#: Inches; narrow enough that letters stay readable on a phone.
WIDTH: Final = 5.3
_RC: Final[dict[Any, Any]] = {
    "font.family": "DejaVu Sans", "font.size": 10.5, "text.color": INK,
    "axes.edgecolor": MUTED, "axes.labelcolor": INK, "axes.titlesize": 11, "axes.titleweight": "bold",
    "axes.titlelocation": "left", "axes.spines.top": False, "axes.spines.right": False, "axes.linewidth": 0.8,
    "axes.grid": True, "axes.axisbelow": True, "grid.color": GRID, "grid.linewidth": 0.8, "xtick.color": MUTED,
    "ytick.color": MUTED, "xtick.labelcolor": INK, "ytick.labelcolor": INK, "legend.frameon": False,
    "legend.fontsize": 9.5, "figure.facecolor": "none", "axes.facecolor": "none", "savefig.facecolor": "none",
    "svg.fonttype": "none", "svg.hashsalt": "rimebook", "text.parse_math": False, "axes.unicode_minus": False,
    "figure.constrained_layout.use": True,
    "figure.constrained_layout.w_pad": 0.1,  # a reader's machine may have wider letters than these
    "date.converter": "concise",
}  # fmt: skip


@contextmanager
def drawing_rules() -> Iterator[None]:
    """Hold the chart settings while something is drawn or written, and put back what was there."""
    import warnings

    import matplotlib

    with matplotlib.rc_context(_RC), warnings.catch_warnings():
        # Letters that the drawing font lacks (emoji, some scripts) are the reader's fonts' business in SVG.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        yield


@dataclass(frozen=True)
class Drawing:
    """A finished chart.

    Attributes
    ----------
    name : str
        Short, for element ids and file names.
    title : str
        What it shows, as a caption.
    alt : str
        What a reader who does not see it should know.
    figure : Figure
    """

    name: str
    title: str
    alt: str
    figure: Figure

    def svg(self) -> str:
        """Return the chart as SVG text in the colours of a light page; the same drawing gives the same bytes."""
        out = io.StringIO()
        with drawing_rules():
            self.figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
        text = out.getvalue().replace("'DejaVu Sans'", _FONTS)
        return text[text.index("<svg") :]

    def png(self, dpi: int = 120) -> bytes:
        """Return the chart as PNG on white."""
        out = io.BytesIO()
        with drawing_rules():
            self.figure.savefig(out, format="png", dpi=dpi, facecolor="white")
        return out.getvalue()

    def data_uri(self, *, follows_scheme: bool = True) -> str:
        """Return the chart as a data URI of SVG.

        Parameters
        ----------
        follows_scheme : bool
            Whether its colours follow the reader's light or dark scheme; a page for print alone does without.
        """
        text = _following(self.svg()) if follows_scheme else self.svg()
        return "data:image/svg+xml;base64," + base64.b64encode(text.encode()).decode("ascii")


def _following(svg: str) -> str:
    """Return an SVG whose colours are names with a light and a dark value."""
    names = {colour: f"--c{i}" for i, colour in enumerate(DARK)}
    light = ";".join(f"{names[c]}:{c}" for c in DARK)
    dark = ";".join(f"{names[c]}:{d}" for c, d in DARK.items())
    found = "|".join(map(re.escape, DARK))
    body = re.sub(rf"(fill|stroke): ({found})", lambda m: f"{m[1]}: var({names[m[2]]})", svg)
    rules = f"<style>:root{{{light}}}@media (prefers-color-scheme:dark){{:root{{{dark}}}}}</style>"
    end = body.index(">", body.index("<svg")) + 1
    # Letters without a colour of their own are black to SVG: they take the ink.
    return body[:end] + rules + f'<g fill="var({names[INK]})">' + body[end:].replace("</svg>", "</g></svg>")


def sheet(height: float, n_rows: int = 1, *, n_columns: int = 1, **kinds: Any) -> tuple[Figure, Any]:
    """Return a new figure and its axes (one, or an array of them); call it inside `drawing_rules`."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height))
    FigureCanvasAgg(figure)
    return figure, figure.subplots(n_rows, n_columns, **kinds)


def legend_above(figure: Figure, *panels: Axes, n_columns: int = 2) -> None:
    """Put the legend of the panels over the drawing, where it covers nothing."""
    named = [pair for panel in panels for pair in zip(*panel.get_legend_handles_labels(), strict=True)]
    handles, labels = zip(*named, strict=True)
    figure.legend(handles, labels, loc="outside upper left", ncols=n_columns, handlelength=1.6, columnspacing=1.2)


def cut(text: str, most: int = 22) -> str:
    """Return a name short enough for an axis."""
    return text if len(text) <= most else text[: most - 1] + "…"
