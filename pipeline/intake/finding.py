"""The header row among the first rows of a table, and its heads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.intake.texts import tidy, word_key
from pipeline.intake.units import SPELLINGS
from shared.counting import counted
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

#: Score of `headers.guesser` from which a row is a header.
LEAST_SCORE: Final = 2.0
_UNIT_WORDS: Final = frozenset(spelling for kind in SPELLINGS.values() for spelling in kind)


@dataclass(frozen=True, slots=True)
class HeaderFound:
    """The header row of a table.

    Attributes
    ----------
    index : int
        Position of the last row of the header among the records (two where a row of units follows).
    line : int
        1-based line or row of the header.
    cells : tuple of str
    kind : str
        The log it looks like, '' where undecided.
    score : float
    n_title, n_blank : int
        Rows above it that are text or blank.
    title : str
        The first of them that is text.
    """

    index: int
    line: int
    cells: tuple[str, ...]
    kind: str
    score: float
    n_title: int
    n_blank: int
    title: str


def find_header(
    rows: Sequence[tuple[int, Sequence[str]]], guess: Callable[[Sequence[str]], tuple[str, float]]
) -> HeaderFound:
    """Return the row that looks most like a header; without any that does, the first row with two texts.

    Parameters
    ----------
    rows : sequence of (line, cells)
        The first rows of the table; at least one is not blank.
    guess : callable
        See `headers.guesser`.
    """
    scored = [(guess(cells), i) for i, (_, cells) in enumerate(rows) if any(c.strip() for c in cells)]
    (kind, score), index = max(scored, key=lambda item: (item[0][1], -item[1]))
    if score < LEAST_SCORE:
        likely = [i for _, i in scored if sum(bool(c.strip()) and not c.strip()[0].isdigit() for c in rows[i][1]) >= 2]
        index = likely[0] if likely else scored[0][1]
    line, cells = rows[index]
    above = [row for _, row in rows[:index]]
    titles = [tidy(" ".join(row)) for row in above if any(c.strip() for c in row)]
    last = index
    merged = _with_units_row(cells, rows[index + 1][1]) if index + 1 < len(rows) else None
    if merged:
        cells, last = merged, index + 1
        kind, score = guess(cells)
    return HeaderFound(
        last, line, tuple(cells), kind, score, len(titles), len(above) - len(titles), titles[0] if titles else ""
    )


def _with_units_row(heads: Sequence[str], below: Sequence[str]) -> list[str] | None:
    """Return the heads with the units of the row below them, None where that row is no row of units."""
    width = max(len(heads), len(below))
    above = [*heads, *[""] * (width - len(heads))]
    units = [c.strip().strip("()[]") for c in [*below, *[""] * (width - len(below))]]
    filled = [u for head, u in zip(above, units, strict=True) if u and u != head.strip()]
    if not filled or not all(_is_unit(u) for u in filled):
        return None
    out: list[str] = []
    group = ""
    for head, unit in zip(above, units, strict=True):
        group = head.strip() or group  # a group's head stands once, over the first of its columns
        out.append(f"{group} ({unit})" if unit and unit != head.strip() else head)
    return out


def _is_unit(text: str) -> bool:
    plain = text.casefold().replace(".", "").replace(" ", "")
    return not plain[:1].isdigit() and all(
        part in _UNIT_WORDS or part in ("usd", "$") for part in plain.split("/") if part
    )


def heads_of(cells: Sequence[str], where: str) -> tuple[tuple[str, ...], list[str]]:
    """Return the heads (trailing blanks cut, blank ones named by their column) and notes about them.

    Raises
    ------
    RimebookError
        ``doubled-columns`` where two heads are the same word; both columns are named.
    """
    heads = [tidy(cell) for cell in cells]
    while heads and not heads[-1]:
        heads.pop()
    seen: dict[str, int] = {}
    blank = []
    for i, head in enumerate(heads):
        if not head:
            heads[i] = f"column {i + 1}"
            blank.append(i + 1)
            continue
        key = word_key(head)
        if key in seen:
            raise RimebookError(
                "doubled-columns",
                where=f"{where}, header",
                found=f"{heads[seen[key]]!r} as column {seen[key] + 1} and {head!r} as column {i + 1}",
                expected="each head once",
                do="Rename or remove one of the two columns.",
            )
        seen[key] = i
    notes = [f"columns without a head: {', '.join(map(str, blank))}"] if blank else []
    return tuple(heads), notes


def first_lines_note(found: HeaderFound) -> list[str]:
    """Return the note on rows above the header, none where there are none."""
    if not found.n_title:
        return []
    rows = counted(found.n_title, "row")
    return [f"header found on line {found.line}; {rows} above it set aside ({found.title[:60]!r})"]
