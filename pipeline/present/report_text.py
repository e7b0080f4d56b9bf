"""What is said when a report was written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.terminal import paragraph

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.reporting import ReportResult
    from pipeline.present.figures import Style

_KB = 1000


def render_report(answer: Answer[ReportResult], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return where the report is, and which of its sections still wait for a log."""
    result = answer.result
    lines = [f"Wrote {result.file} ({result.size_bytes / _KB:,.0f} kB). Open it in a browser."]
    if result.pdf:
        lines.append(f"Wrote {result.pdf}.")
    if result.without_ground:
        lacking = ", ".join(result.without_ground)
        lines.append(
            paragraph(f"Too little is logged yet for: {lacking}; the page says what to log.{_meanwhile(result)}")
        )
    lines += [paragraph(f"Bay {told.bay} was not checked: {told.why}") for told in result.bays_unchecked]
    return "\n".join(lines)


def _meanwhile(result: ReportResult) -> str:
    """Return which commands answer from planning figures what the page leaves open until there is a log."""
    named = [f"`rimebook {name}`" for name in ("order", "forecast") if name in result.without_ground]
    answers = "answers" if len(named) == 1 else "answer"
    return f" Until then {' and '.join(named)} {answers} with planning figures." if named else ""
