"""Calibration as text: the verdict first, then the figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.figures import few, percent, words
from pipeline.present.terminal import Column, paragraph, table, width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.answer import Answer
    from pipeline.answers.calibrating import CalibrationResult
    from pipeline.present.figures import Style

_BAR = 24


def render_calibration(answer: Answer[CalibrationResult], style: Style) -> str:
    """Return the verdict in plain words, coverage by level and group, scores and the PIT histogram."""
    result = answer.result
    blocks = [paragraph(line) for line in result.advice]
    if not result.levels:
        return "\n".join(blocks)
    number = [Column("held", "number"), Column("pellets", "number"), Column("minutes", "number"),
              Column("jobs", "number")]  # fmt: skip
    levels = table(
        [Column("Stated"), *number],
        [[percent(h.level), percent(h.held), _share(h.pellets_lb), _share(h.minutes), f"{h.jobs:,}"]
         for h in result.levels],
    )  # fmt: skip
    groups = table(
        [Column("Of an 80 % interval"), Column("held", "number"), Column("jobs", "number")],
        [[f"{g.by}: {words(g.name)}", percent(g.held), f"{g.jobs:,}"] for g in result.groups],
    )
    head, a_pound = style.scores("pellets")
    scores = table(
        [Column("Interval score (smaller is better)"), Column(head, "number"), Column("minutes", "number")],
        [[s.name, _number(s.pellets_lb, a_pound), _number(s.minutes)] for s in result.scores],
    )
    blocks += ["", levels, "", scores, "", groups]
    for quantity, counts in result.pit.items():
        blocks += [
            "",
            paragraph(
                f"Where past {words(quantity.removesuffix('_lb'))} fell in their interval (even bars are honest):"
            ),
        ]
        blocks += _bars(counts)
    return "\n".join(blocks)


def _bars(counts: Sequence[int]) -> list[str]:
    """Return a bar for each tenth, short enough for the terminal."""
    most = max([*counts, 1])
    heads = [f"{i * 10:>3} to {i * 10 + 10:>3} %  " for i in range(len(counts))]
    room = width() - len(heads[0]) - 1 - len(str(most))
    longest = max(4, min(_BAR, room))
    return [f"{head}{'#' * round(longest * n / most):<{longest}} {n}" for head, n in zip(heads, counts, strict=True)]


def _share(value: float | None) -> str:
    return "-" if value is None else percent(value)


def _number(value: float | None, factor: float = 1.0) -> str:
    return "-" if value is None else few(value * factor)
