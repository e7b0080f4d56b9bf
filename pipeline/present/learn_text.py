"""What is said after learning."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.figures import percent
from pipeline.present.terminal import Column, paragraph, table
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.fitting import HeldLevel, LearnResult
    from pipeline.present.figures import Style


def render_learn(answer: Answer[LearnResult], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return what was learned and how past intervals held, with the verdict on them."""
    result = answer.result
    if not result.jobs:
        return f"Stored fit {result.version}: planning figures only, there was nothing to learn from."
    ground = f"{counted(result.jobs, 'job')} ({counted(result.lines, 'zone line')})"
    head = f"Learned from {ground}; stored as fit {result.version}."
    if not result.backtest.jobs:
        return head
    rows = [
        [percent(p.level), _held(p), _held(m)]
        for p, m in zip(result.backtest.levels["pellets_lb"], result.backtest.levels["minutes"], strict=True)
    ]
    grid = table([Column("Interval"), Column("held pellets", "number"), Column("held minutes", "number")], rows)
    return "\n".join(
        [
            head,
            paragraph(
                f"Each of {counted(result.backtest.jobs, 'past job')} was also answered from earlier jobs alone. How "
                "often the stated interval held what the job then took:"
            ),
            grid,
            *(paragraph(line) for line in result.verdict),
        ]
    )


def _held(level: HeldLevel) -> str:
    if level.held is None:
        return "-"
    return percent(level.held) + ("" if level.supported else " (few jobs)")
