"""What is said when a job was recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.figures import minutes, minutes_range, percent
from pipeline.present.terminal import paragraph

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.logged_against import Against, LogResult
    from pipeline.present.figures import Style

#: Outcomes within this tail are called unusual.
_TAIL = 0.05


def render_log(answer: Answer[LogResult], style: Style) -> str:
    """Return what was recorded and how it compares with what was expected."""
    result = answer.result
    if result.batch is None:
        head = f"Job {result.job_id} stands in the book already, exactly so."
    else:
        zones = f"{result.lines} zone{'s' if result.lines != 1 else ''}"
        head = f"Recorded job {result.job_id} ({zones}) as batch {result.batch}; `rimebook undo` takes it out again."
    return "\n".join([paragraph(head), *(paragraph(_against(a, style)) for a in result.against)])


def _against(a: Against, style: Style) -> str:
    interval = a.expected.interval
    if a.quantity == "pellets_lb":
        took, expected = style.weight(a.actual), style.weight_range(interval.low, interval.high)
    else:
        took, expected = minutes(a.actual), minutes_range(interval.low, interval.high, a.actual)
    if a.share_below < _TAIL or a.share_below > 1 - _TAIL:
        verdict = "unusually little: check the figure" if a.share_below < _TAIL else "unusually much"
    elif interval.low <= a.actual <= interval.high:
        verdict = "within what was expected"
    else:
        verdict = "less than expected" if a.actual < interval.low else "more than expected"
    name = "Pellets" if a.quantity == "pellets_lb" else "Time"
    return f"{name}: {took}, {verdict} ({expected} in {percent(interval.level)} of such jobs)."
