"""What findings of the technique review cost a month: whose pounds count, over which days, and each once."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.reviewing import TechniqueQuestion, technique
from pipeline.present.figures import Style
from pipeline.present.review_text import render_technique
from shared.units import DAYS_PER_MONTH

FIRST = date(2026, 1, 5)


def _jobs(n, change):
    """Rows of a job a day on one zone by two machines and two operators; `change(k, row)` gives a factor (log)."""
    rng, rows = np.random.default_rng(7), []
    for k in range(n):
        row = {"job_id": f"J{k}", "day": FIRST + timedelta(days=k), "vehicle_class": "sedan", "zone": "undercarriage",
               "soil_level": "moderate", "machine": f"M{1 + k % 2}", "operator": "AB"[k // 2 % 2],
               "minutes": 60.0 * float(np.exp(0.1 * rng.standard_normal()))}  # fmt: skip
        away = change(k, row)
        rows.append(row | {"pellets_lb": 45.0 * float(np.exp(away + 0.1 * rng.standard_normal()))})
    return rows


def _of_kind(result, kind):
    (found,) = [f for f in result.findings if f.kind == kind]
    return found


def test_a_setting_costs_on_the_jobs_that_recorded_it(new_book):
    """Where one job in five has its feed on record, only the pounds of those are charged to the feed."""
    wasted = []

    def fed(k, row):
        feed = 1.0 + 0.25 * (k // 5 % 5)
        if k % 5 == 0:
            row["feed_lb_min"] = feed
            wasted.append((k, feed))
        return 0.5 * (feed - 1.0)

    rows = _jobs(300, fed)
    told = _of_kind(technique(Asking(new_book(rows=rows), FIRST + timedelta(days=300)), TechniqueQuestion()).result,
                    "setting")  # fmt: skip
    true = sum(rows[k]["pellets_lb"] * -np.expm1(-0.5 * (feed - 1.1)) for k, feed in wasted if k >= 209)
    assert told.pellets_lb_month.mean == pytest.approx(true * DAYS_PER_MONTH / 91, rel=0.25)


def test_a_noted_change_that_went_wrong_is_told_once(new_book):
    """A machine that takes more since its noted change is a drift, and no finding as a machine beside it."""
    since = FIRST + timedelta(days=60)
    toml = f'[machines.M1]\nchanges = [{{date = "{since}", what = "new nozzle"}}]\n'
    rows = _jobs(240, lambda k, row: 0.35 if row["machine"] == "M1" and k >= 60 else 0.0)
    result = technique(Asking(new_book(toml, rows), FIRST + timedelta(days=240)), TechniqueQuestion()).result
    assert [(f.kind, f.of, f.name, f.since) for f in result.findings] == [("drift", "machine", "M1", since)]
    mine = {reason for u in result.unusual if u.machine == "M1" and u.ratio > 1 for reason in u.reasons}
    assert not any("a machine" in reason for reason in mine)


def test_what_has_no_late_jobs_is_over(new_book):
    """Who takes too much but had the last job half a year ago costs nothing now: told until then, over its own time."""
    gone = FIRST + timedelta(days=90)

    def left(k, row):
        row["operator"] = "C" if k < 90 and k % 3 == 0 else row["operator"]
        return 0.4 if row["operator"] == "C" else 0.0

    rows = _jobs(280, left)
    answer = technique(Asking(new_book(rows=rows), FIRST + timedelta(days=280)), TechniqueQuestion())
    told = _of_kind(answer.result, "operator")
    assert (told.name, told.since) == ("C", None)
    assert gone - timedelta(days=3) <= told.until <= gone
    true = sum(row["pellets_lb"] for row in rows if row["operator"] == "C") * -np.expm1(-0.4)
    assert told.pellets_lb_month.mean == pytest.approx(true * DAYS_PER_MONTH / 88, rel=0.25)
    text = render_technique(answer, Style())
    assert "a month now" not in text
    assert f"need until {told.until}." in " ".join(text.split())


def test_a_setting_costs_what_it_does_in_the_window(new_book):
    """A feed that was set back four months ago costs the little that is left, not the mean of the whole record."""
    feeds = [(1.5 + 0.25 * (k % 3)) if k < 120 else (1.0 + 0.1 * (k % 3)) for k in range(260)]

    def fed(k, row):
        row["feed_lb_min"] = feeds[k]
        return 0.4 * (feeds[k] - 1.0)

    rows = _jobs(260, fed)
    told = _of_kind(technique(Asking(new_book(rows=rows), FIRST + timedelta(days=260)), TechniqueQuestion()).result,
                    "setting")  # fmt: skip
    true = sum(rows[k]["pellets_lb"] * -np.expm1(-0.4 * (feeds[k] - 1.0)) for k in range(169, 260))
    assert told.ratio.estimate > 1.1
    assert told.pellets_lb_month.mean == pytest.approx(true * DAYS_PER_MONTH / 91, rel=0.4)


def _left(new_book, gone, quiet=1):
    """Ask about 120 days of a shop whose B takes 40 % more and is gone from a day on, with a job each `quiet` days."""

    def change(k, row):
        if k >= gone:
            row["operator"] = "AC"[k // 2 % 2]
        return 0.35 if row["operator"] == "B" else 0.0

    rows = [r for k, r in enumerate(_jobs(120, change)) if k < gone or k % quiet == 0]
    asking = Asking(new_book(rows=rows), FIRST + timedelta(days=120))
    return technique(asking, TechniqueQuestion()), rows


def test_who_has_left_wastes_no_more_and_is_told_for_the_time_it_lasted(new_book):
    """Six weeks after an operator's last job the waste is over, reckoned a month of the time before that."""
    answer, rows = _left(new_book, 78)
    (found,) = [f for f in answer.result.findings if (f.kind, f.name) == ("operator", "B")]
    own = [r for r in rows if r["operator"] == "B"]
    assert found.until == max(r["day"] for r in own) + timedelta(days=1)
    days = (found.until - FIRST).days
    true = sum(r["pellets_lb"] for r in own) * -np.expm1(-0.35) * DAYS_PER_MONTH / days
    assert found.pellets_lb_month.mean == pytest.approx(true, rel=0.3)
    text = " ".join(render_technique(answer, Style()).split())
    assert "a month while it lasted, now over" in text
    assert "Try: Nothing now, since it is over." in text
    assert f"until {found.until}." in text


@pytest.mark.parametrize(("gone", "quiet"), [(100, 1), (78, 6)])
def test_who_has_no_job_for_a_while_has_not_left(new_book, gone, quiet):
    """Neither three weeks without a job nor six in which the shop hardly worked are the end of it."""
    answer, _ = _left(new_book, gone, quiet)
    (found,) = [f for f in answer.result.findings if (f.kind, f.name) == ("operator", "B")]
    assert found.until is None


def test_a_setting_that_is_not_written_down_for_a_while_is_not_over(new_book):
    """Six weeks of tickets without the feed do not say that it was set back."""

    def fed(k, row):
        feed = 1.0 + 0.25 * (k % 5)
        row["feed_lb_min"] = feed if k < 110 else None
        return 0.5 * (feed - 1.0)

    asking = Asking(new_book(rows=_jobs(150, fed)), FIRST + timedelta(days=150))
    assert _of_kind(technique(asking, TechniqueQuestion()).result, "setting").until is None
