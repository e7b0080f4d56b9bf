"""Tips of the technique review: no standoff too near to advise, and cautions wherever hands are told to act."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pytest

from models.technique.effects import Effect
from models.technique.shrinkage import shrink_alone
from pipeline.answers.answer import Asking
from pipeline.answers.reporting import report_contents
from pipeline.answers.review_words import NOT_GROUNDS, _setting_words, _way_of
from pipeline.answers.reviewing import TechniqueQuestion, technique
from pipeline.book.store import Book
from pipeline.present.figures import Style
from pipeline.present.page_findings import pellets_part
from pipeline.present.review_text import render_technique
from shared.units import IN_PER_CM

FIRST, N_JOBS = date(2026, 1, 5), 160
TODAY = FIRST + timedelta(days=N_JOBS)
NEAREST = 20.0 * IN_PER_CM


def _rows(setting: str, values: tuple[float, ...], a_step: float) -> list[dict[str, object]]:
    """Rows of a job a day, each step of a setting's values taking `a_step` (log) more."""
    rng = np.random.default_rng(3)
    rows: list[dict[str, object]] = []
    for k in range(N_JOBS):
        step = int(rng.integers(len(values)))
        lb = 45.0 * float(np.exp(a_step * step + 0.1 * rng.standard_normal()))
        rows.append({"job_id": f"J{k}", "day": FIRST + timedelta(days=k), "vehicle_class": "sedan",
                     "zone": "undercarriage", "soil_level": "moderate", "machine": f"M{k % 2}",
                     "operator": "AB"[k // 2 % 2], "pellets_lb": lb, "minutes": 60.0,
                     setting: values[step]})  # fmt: skip
    return rows


def _standoff(best: float) -> Effect:
    return Effect("setting", "standoff_in", "", 90, 0.1, 0.02, 0.001, 0.001, shrink_alone(0.1, 0.02), best, "high")


@pytest.mark.parametrize(("units", "shown"), [("us", "8.0 in"), ("metric", "20.0 cm")])
def test_a_standoff_to_try_is_bound_and_says_why(units: str, shown: str) -> None:
    """The nearest that is named is that of common practice; one farther away is named as it is, without more words."""
    _, near = _setting_words(_standoff(NEAREST), units)
    assert f"Set the standoff lower, at about {shown}, " in near
    assert f"Nearer than {shown} is not one to try: it can harm paint" in near
    _, far = _setting_words(_standoff(10.0), units)
    assert "Nearer" not in far


def test_no_standoff_is_set_back_to_what_is_too_near() -> None:
    """The bound holds for a setting that moved; where both sides are too near, the next that moved is named, if any."""
    bound = _way_of([("standoff_in", 14.0, 5.0)], "here", "us")
    assert "back to about 8.0 in on the next jobs: it ran at 14.0 in here." in bound
    assert "Nearer than 8.0 in is not one to try" in bound
    near = ("standoff_in", 6.0, 4.0)
    assert _way_of([near, ("feed_lb_min", 2.0, 1.5)], "here", "us").startswith("Set the feed back to about 1.5 lb/min")
    assert _way_of([near], "here", "us") == ""
    assert "Nearer" not in _way_of([("standoff_in", 14.0, 10.0)], "here", "us")


def test_a_shop_that_takes_less_too_near_reads_why_that_is_no_tip(new_book: Callable[..., Book]) -> None:
    """Where nothing was run farther than advised there is no finding of it, but a word on why."""
    asking = Asking(new_book(rows=_rows("standoff_in", (3.0, 5.0, 7.0), 0.1)), TODAY)
    answer = technique(asking, TechniqueQuestion())
    assert answer.result.findings == ()
    told = " ".join(render_technique(answer, Style()).split())
    assert "Standoff: the nearer, the fewer pellets it took here, but nearer than 8.0 in is not one to try" in told
    assert answer.cautions == (NOT_GROUNDS,)


def test_tips_on_settings_come_with_cautions_in_the_review_and_on_the_page(new_book: Callable[..., Book]) -> None:
    """A standoff to try brings the whole block; the page has it directly below the tips."""
    asking = Asking(new_book(rows=_rows("standoff_in", (4.0, 8.0, 12.0, 16.0), 0.1)), TODAY)
    answer = technique(asking, TechniqueQuestion())
    assert [f.name for f in answer.result.findings] == ["standoff_in"]
    assert "at about 8.0 in" in answer.result.findings[0].try_
    assert answer.cautions[0] == NOT_GROUNDS
    block = " ".join(answer.cautions)
    for words in ("makers of machine", "hidden spot", "hearing protection", "face shield", "let the pressure out"):
        assert words in block
    part = pellets_part(report_contents(asking).result, Style())
    below = " ".join(part.tries[1:])
    assert "hidden spot" in below
    assert "let the pressure out" in below
    assert part.care == (NOT_GROUNDS,)


def test_a_tip_on_ordering_ice_needs_no_such_block(new_book: Callable[..., Book]) -> None:
    """Fresher ice touches neither settings nor equipment."""
    asking = Asking(new_book(rows=_rows("ice_age_days", (0.0, 2.0, 4.0, 6.0), 0.12)), TODAY)
    answer = technique(asking, TechniqueQuestion())
    assert [f.name for f in answer.result.findings] == ["ice_age_days"]
    assert answer.cautions == (NOT_GROUNDS,)
