"""What is said when a job was recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.present.estimate_text import basis_line
from pipeline.present.figures import minutes, minutes_range, percent, words
from pipeline.present.terminal import paragraph
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.logged_against import Against, LogResult
    from pipeline.present.figures import Style

#: Outcomes within this tail are called unusual.
_TAIL = 0.05
#: What a job has once, by its column.
_ONCE: Final = {
    "date": "day", "job_pellets_lb": "total pellets", "job_minutes": "total time", "setup_min": "set-up time",
    "cleanup_min": "clean-up time", "price_usd": "price", "customer": "customer",
}  # fmt: skip


def render_log(answer: Answer[LogResult], style: Style) -> str:
    """Return what was recorded and how it compares with what was expected."""
    result = answer.result
    if result.batch is None:
        head = f"Job {result.job_id} stands in the book already, exactly so."
    else:
        head = f"{_done(result)} This is batch {result.batch}; `rimebook undo` takes it out again."
    lines = [head, *(_against(a, style) for a in result.against)]
    if result.against and result.basis is not None:
        lines.append(basis_line(result.basis, result.similar_jobs))
    return "\n".join(paragraph(line) for line in lines)


def _done(result: LogResult) -> str:
    """Return whether a job is new, and what happened to the lines and the totals of one that was there."""
    change = result.change
    if change is None or change.new_job:
        return f"Recorded new job {result.job_id} ({counted(result.lines, 'zone')})."
    did = [
        f"{verb} {counted(len(lines), 'line')} ({'; '.join(words(line) for line in lines)})"
        for verb, lines in (("added", change.lines_added), ("completed", change.lines_completed),
                            ("replaced", change.lines_replaced))
        if lines
    ]  # fmt: skip
    if change.changed_for_job:
        did.append(f"changed its {', '.join(_ONCE[c] for c in change.changed_for_job)}")
    told = "; ".join(did) or "wrote what it has once (total, price and the like) on further lines of it"
    return f"Job {result.job_id} was in the book: {told}."


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
