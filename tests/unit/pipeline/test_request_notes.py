"""What is said of the words and the days of jobs that are asked about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from pipeline.answers import reporting
from pipeline.answers.answer import Asking
from pipeline.answers.fitting import CurrentFit, current_fit
from pipeline.answers.request_notes import request_notes
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.book.store import Book, open_book

TODAY = date(2026, 7, 1)


@pytest.fixture
def fit(demo_folder: Path) -> CurrentFit:
    """The demo's fit."""
    return current_fit(Asking(open_book(demo_folder), TODAY))


def test_an_operator_whose_levels_are_read_as_others_is_told(fit: CurrentFit) -> None:
    """Where he is named with a level, the answer says which way it is read; not where nobody has seen the soil."""
    states, operators = fit.fitted.states, fit.fitted.columns.blocks["operator"]
    grade = np.zeros((states.n, len(operators)))
    grade[:, 0], grade[:, 1] = 1.0, -1.0
    graded = replace(fit, fitted=replace(fit.fitted, states=replace(states, grade=grade)))

    def said(operator: str, soil: str) -> tuple[str, ...]:
        line = LineAsked("van", "interior", soil, operator=operator)
        return request_notes(graded, [JobAsked("1", TODAY, (line,))], TODAY)

    assert "a level higher" in said(operators[0], "heavy")[0]
    assert said(operators[0].swapcase(), "heavy") == said(operators[0], "heavy")
    assert "read as one higher" in said(operators[1], "heavy")[0]
    assert said(operators[2], "heavy") == said(operators[0], "unknown") == ()


def test_zones_that_take_less_after_the_first_are_told_in_their_order(
    fit: CurrentFit, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the log shows a working order, and only where zones are asked about together; the report tells it too."""
    states, columns = fit.fitted.states, fit.fitted.columns
    zones, b = columns.blocks["zone"], states.b.copy()
    b[:, :, columns.start("after")] = np.log([0.7, 0.75])
    place = np.tile(np.arange(len(zones), 0.0, -1.0), (states.n, 1))
    ordered = replace(fit, fitted=replace(fit.fitted, states=replace(states, b=b, place=place)))

    def said(fit: CurrentFit, *zones: str) -> tuple[str, ...]:
        return request_notes(fit, [JobAsked("1", TODAY, tuple(LineAsked("van", z) for z in zones))], TODAY)

    new, told = said(ordered, zones[0], "roof", zones[2])
    assert new == "No past job has roof: that part rests on planning figures."
    assert "about 30 % less pellets and 25 % less time" in told
    assert told.endswith(f"in the order `{zones[2]}`, `{zones[0]}`, `roof`.")
    assert said(ordered, zones[0]) == said(fit, zones[0], zones[2]) == ()
    monkeypatch.setattr(reporting, "current_fit", lambda _: ordered)
    warnings = reporting.report_contents(Asking(open_book(demo_folder), TODAY)).warnings
    (told,) = (w for w in warnings if "about 30 % less pellets and 25 % less time" in w)
    assert "tells each of them alone" in told
    assert "asked about" not in told


def test_work_that_no_past_job_has_is_told_to_rest_on_planning(fit: CurrentFit, new_book: Callable[..., Book]) -> None:
    """Each zone once, a class only where a known one beside it hides it; nothing where all is planning anyway."""

    def said(fit: CurrentFit, *lines: tuple[str, str]) -> tuple[str, ...]:
        return request_notes(fit, [JobAsked(str(k), TODAY, (LineAsked(*line),)) for k, line in enumerate(lines)], TODAY)

    known = {"van\tundercarriage\nvan\tinterior": 9, "sedan\tinterior": 2}
    young = replace(fit, fitted=replace(fit.fitted, kinds=known))
    assert said(young, ("van", "undercarriage"), ("sedan", "undercarriage"), ("suv", "interior")) == ()
    (one,) = said(young, ("van", "interior"), ("van", "engine_bay"), ("suv", "engine_bay"))
    assert one == "No past job has engine bay: that part rests on planning figures."
    visit = tuple(LineAsked(*line) for line in (("van", "engine_bay"), ("suv", "interior"), ("van", "door_jambs")))
    (more,) = request_notes(young, [JobAsked("1", TODAY, visit)], TODAY)
    assert more == "No past job has suv, engine bay or door jambs: those parts rest on planning figures."
    assert said(current_fit(Asking(new_book(), TODAY)), ("van", "engine_bay")) == ()


def test_days_that_are_hardly_meant_are_told(fit: CurrentFit) -> None:
    """A year too early or too late is most likely a slip; last week's and next month's jobs are nothing to tell."""

    def said(*days: date) -> tuple[str, ...]:
        line = LineAsked("van", fit.fitted.columns.blocks["zone"][0])
        return request_notes(fit, [JobAsked(str(k), day, (line,)) for k, day in enumerate(days)], TODAY)

    assert said(TODAY, TODAY - timedelta(days=7), TODAY + timedelta(days=60)) == ()
    (past,) = said(date(2019, 1, 5), TODAY)
    assert past.startswith("1 job asked about is dated more than a month before today (the earliest 2019-01-05)")
    before, ahead = said(date(2025, 1, 5), date(2024, 1, 5), date(2062, 7, 1))
    assert "2 jobs asked about are dated" in before
    assert "(the earliest 2024-01-05)" in before
    assert "1 job asked about is dated more than a year ahead (the latest 2062-07-01)" in ahead
