"""What findings of the technique review cost a month: whose pounds count, over which days, and each once."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.reviewing import TechniqueQuestion, technique
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
