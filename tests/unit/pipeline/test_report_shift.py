"""The report's finished jobs beside what was expected: the shift drawn on their chart, the rows of their table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest
from report_books import TODAY, vans

from pipeline.answers.answer import Answer, Asking
from pipeline.answers.calibrating import CalibrationResult, ShiftFound, ShiftRatio
from pipeline.answers.reporting import Section, report_contents
from pipeline.answers.reporting_jobs import JobRow
from pipeline.book.store import Book
from pipeline.present import report_charts
from pipeline.present.charts.canvas import Drawing
from pipeline.present.charts.record import ratio_chart
from pipeline.present.figures import Style
from pipeline.present.page_tables import job_lines
from shared.units import LB_KG

SHIFTS = tuple(ShiftFound(date(2026, 3, 1), q, ShiftRatio(1.2, 1.1, 1.3, 0.95)) for q in ("minutes", "pellets_lb"))


@pytest.mark.parametrize(("shifts", "drawn"), [(SHIFTS[:1], None), (SHIFTS, SHIFTS[1])])
def test_a_shift_of_minutes_alone_is_not_drawn_on_pellets(
    new_book: Callable[..., Book],
    monkeypatch: pytest.MonkeyPatch,
    shifts: tuple[ShiftFound, ...],
    drawn: ShiftFound | None,
) -> None:
    """The chart of pellets has the line of their own shift, whatever the minutes did."""
    contents = report_contents(Asking(new_book(rows=vans(2)), TODAY)).result
    record = CalibrationResult((), (), (), shifts[0], {}, {}, (), shifts)
    rows = tuple(replace(_row(), day=TODAY - timedelta(days=i)) for i in range(3))
    asked: list[ShiftFound | None] = []

    def seen(rows: Sequence[JobRow], shift: ShiftFound | None) -> Drawing:
        asked.append(shift)
        return ratio_chart(rows, shift)

    monkeypatch.setattr(report_charts, "ratio_chart", seen)
    report_charts.report_charts(replace(contents, trust=Section(Answer(record)), jobs=rows), Style())
    assert asked == [drawn]


def test_a_marked_job_is_seen_to_be_outside_its_range() -> None:
    """Where rounding would write its pellets as an end of the range, both have the decimals that tell them apart."""

    def told(lb: float, low: float, high: float) -> tuple[bool, str, str]:
        row = replace(_row(), pellets_lb=lb / LB_KG, expected_lb=40.0, low_lb=low / LB_KG, high_lb=high / LB_KG)
        (line,) = job_lines((row,), Style(units="metric"))
        return line.out, line.cells[6].text, line.cells[7].text

    assert told(23.6, 24.1, 53.2) == (True, "23.6 kg", "24.1 to 53.2 kg")
    assert told(53.21, 24.1, 53.2) == (True, "53.21 kg", "24.10 to 53.20 kg")
    assert told(9.84, 9.86, 30.2) == (True, "9.8 kg", "9.9 to 30 kg")
    assert told(22.0, 24.1, 53.2) == (True, "22 kg", "24 to 53 kg")
    assert told(24.1, 24.0, 53.2) == (False, "24 kg", "24 to 53 kg")


def _row() -> JobRow:
    figures = (41.0, 40.0, 30.0, 55.0, None, None, None, None, None)
    return JobRow("J1", TODAY, ("van",), ("interior",), ("heavy",), ("A",), *figures, "")
