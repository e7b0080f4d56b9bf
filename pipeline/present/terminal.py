"""Plain-text tables and paragraphs that fit the terminal; numbers are never cut."""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from dataclasses import dataclass
from io import StringIO
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Below this width a table is stacked as 'name: value' lines.
STACK_BELOW = 60
#: A word up to this length is kept whole in a text column; a longer one is folded.
LONGEST_WORD = 16
#: Spaces between two columns, and the letters that a folded word keeps on a line.
_GAP = 3
_SHORTEST_FOLD = 6
#: The space between a figure and its unit, and what stands for it while a text is wrapped.
_FIGURE = re.compile(r"(?<=\d) (?=(?:%|lb|kg|min|h)(?!\w))")
_HELD = "\ue000"


@dataclass(frozen=True)
class Column:
    """A column: its head, and whether it holds numbers (right-aligned, never cut)."""

    head: str
    kind: Literal["text", "number"] = "text"


def width() -> int:
    """Return the columns to write in: the terminal's or `COLUMNS`, at most 100, 80 in a pipe."""
    return max(20, min(shutil.get_terminal_size((80, 24)).columns, 100))


def paragraph(text: str, *, indent: str = "", columns: int | None = None) -> str:
    """Return a text wrapped to the width; a figure and its unit stay on one line."""
    wide = columns or width()
    return "\n".join(
        textwrap.fill(line, wide, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)
        for line in _FIGURE.sub(_HELD, text).splitlines()
    ).replace(_HELD, " ")


def item(text: str) -> str:
    """Return a text wrapped as an item of a list, its further lines set in."""
    return f"- {paragraph(text, indent='  ').removeprefix('  ')}"


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]], *, columns_wide: int | None = None) -> str:
    """Return a table as plain text; user words are taken literally, never as markup.

    Parameters
    ----------
    columns : sequence of Column
    rows : sequence of rows of texts, one for each column
    columns_wide : int, optional
        Width to fit; the terminal's where not given.
    """
    wide = columns_wide or width()
    least = _least_widths(columns, rows, wide)
    if wide < STACK_BELOW or sum(least) + _GAP * (len(columns) - 1) > wide:
        return _stacked(columns, rows, wide)
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1), header_style="")
    for column, width_needed in zip(columns, least, strict=True):
        if column.kind == "number":
            drawn.add_column(Text(column.head), justify="right", no_wrap=True, min_width=width_needed)
        else:
            drawn.add_column(Text(column.head), overflow="fold", min_width=width_needed)
    for row in rows:
        drawn.add_row(*(Text(cell) for cell in row))
    out = StringIO()
    console = Console(file=out, width=wide, no_color=True, highlight=False, markup=False, force_terminal=False,
                      legacy_windows=False, safe_box=True, _environ={})  # fmt: skip
    console.print(drawn)
    text = "\n".join(line.rstrip() for line in out.getvalue().splitlines())
    return text if _unicode_out() else text.replace("─", "-").replace("━", "-")


def _least_widths(columns: Sequence[Column], rows: Sequence[Sequence[str]], wide: int) -> list[int]:
    """Return the least width of each column: numbers whole, words of ordinary length whole where there is room.

    A text column gives way to numbers: its longest word is folded before a figure would be cut off.
    """
    least = []
    for i, column in enumerate(columns):
        cells = [column.head, *(row[i] for row in rows)]
        if column.kind == "number":
            least.append(max(map(len, cells)))
        else:
            least.append(min(max((len(w) for cell in cells for w in cell.split()), default=1), LONGEST_WORD))
    texts = [i for i, column in enumerate(columns) if column.kind == "text"]
    while texts and sum(least) + _GAP * (len(columns) - 1) > wide:
        widest = max(texts, key=lambda i: least[i])
        if least[widest] <= _SHORTEST_FOLD:
            break
        least[widest] -= 1
    return least


def _stacked(columns: Sequence[Column], rows: Sequence[Sequence[str]], wide: int) -> str:
    blocks = (
        "\n".join(
            textwrap.fill(f"{c.head}: {cell}" if c.head else cell, wide, subsequent_indent="  ", break_on_hyphens=False,
                          break_long_words=False)
            for c, cell in zip(columns, row, strict=True)
            if cell
        )
        for row in rows
    )  # fmt: skip
    return "\n\n".join(blocks)


def _unicode_out() -> bool:
    encoding = (getattr(sys.stdout, "encoding", None) or "utf-8").lower().replace("-", "")
    return encoding.startswith("utf") and os.environ.get("TERM") != "dumb"


def section(head: str) -> str:
    """Return a heading line."""
    return f"\n{paragraph(head)}\n"
