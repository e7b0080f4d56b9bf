"""The demo's law holds what its truth says: planted waste, and features that no product of main effects has."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import exp, log

import numpy as np
import pytest

from data_demo.generate import draw_shop
from data_demo.law import Line, Visit, draw_amounts, feed_log, log_medians, soil_log
from data_demo.stock import Container, loss_lb
from data_demo.truth import TRUTH, waste_log

USUAL = {"feed_lb_min": TRUTH.feed_usual_lb_min, "pressure_psi": 85.0, "standoff_in": 9.5, "ice_on_share": 0.85}


def _visit(
    zones: tuple[str, ...], *, soil: int = 1, day: date = date(2025, 6, 4), machine: str = "rig-1", feed: float = 1.4
) -> Visit:
    lines = [Line(0, "sedan", zone, soil, False) for zone in zones]
    return Visit(day, "", "LB", machine, [""], lines, USUAL | {"feed_lb_min": feed})


def _medians(visit: Visit) -> np.ndarray:
    return np.exp(log_medians(visit))


def test_the_purge_is_added_once_a_visit() -> None:
    """Taking the purge out of the law lowers the first line of a visit by its pounds and no other line."""
    visit = _visit(("undercarriage", "engine_bay"))
    with_purge = draw_amounts(visit, np.random.default_rng(1))[0]
    without = draw_amounts(visit, np.random.default_rng(1), replace(TRUTH, purge_lb=0.0))[0]
    np.testing.assert_allclose(with_purge - without, [[TRUTH.purge_lb, 0.0], [0.0, 0.0]], atol=1e-12)


def test_zones_worked_together_take_less_than_their_sum() -> None:
    """Each further underside zone of a vehicle takes its share; a zone of another kind takes all of it."""
    together = _medians(_visit(("undercarriage", "suspension", "engine_bay")))
    alone = np.vstack([_medians(_visit((zone,))) for zone in ("undercarriage", "suspension", "engine_bay")])
    np.testing.assert_allclose(together[0], alone[0])
    np.testing.assert_allclose(together[1], alone[1] * [TRUTH.together_lb, TRUTH.together_min])
    np.testing.assert_allclose(together[2], alone[2])


@pytest.mark.parametrize("zone", ["undercarriage", "interior"])
def test_soil_rises_and_saturates(zone: str) -> None:
    """Each further level of soil adds, and adds less than the one before; moderate adds nothing."""
    steps = np.diff([soil_log(zone, s) for s in range(4)])
    assert soil_log(zone, 1) == 0.0
    assert (steps > 0).all()
    assert (np.diff(steps) < 0).all()


def test_soil_saturates_by_zone() -> None:
    """Severe against heavy soil matters underneath and hardly inside: no common factor for soil."""
    underside = soil_log("undercarriage", 3) - soil_log("undercarriage", 2)
    inside = soil_log("interior", 3) - soil_log("interior", 2)
    assert underside > 3 * inside


def test_weekdays_differ() -> None:
    """The same job takes more on a Monday and less on a Friday than in midweek."""
    monday, midweek, friday = (_medians(_visit(("interior",), day=date(2025, 6, d)))[0] for d in (2, 4, 6))
    np.testing.assert_allclose(monday / midweek, [TRUTH.weekday_lb[0], TRUTH.weekday_min[0]])
    np.testing.assert_allclose(friday / midweek, [TRUTH.weekday_lb[4], TRUTH.weekday_min[4]])


def test_feed_counts_only_above_its_knee() -> None:
    """Feed in the usual range changes nothing; the wasteful setting takes the planted ratio more pellets."""
    wasteful = next(w for w in TRUTH.waste if w.kind == "operator")
    assert feed_log(1.2) == feed_log(1.5) == 0.0
    assert exp(feed_log(TRUTH.feed_wasteful_lb_min)) == pytest.approx(wasteful.ratio)


def test_worn_nozzle_takes_the_planted_ratio_on_its_machine_only() -> None:
    """Once worn, the machine takes its ratio more pellets and no more time, and the other machine none."""
    worn = next(w for w in TRUTH.waste if w.kind == "machine")
    day = date(2026, 5, 6)
    same_day_fit = replace(TRUTH, waste=tuple(w for w in TRUTH.waste if w.kind == "operator"))
    visit = _visit(("undercarriage",), day=day, machine=worn.name)
    ratio = np.exp(log_medians(visit) - log_medians(visit, same_day_fit))[0]
    np.testing.assert_allclose(ratio, [worn.ratio, 1.0])
    other = _visit(("undercarriage",), day=day, machine="rig-1")
    np.testing.assert_allclose(log_medians(other), log_medians(other, same_day_fit))


def test_waste_has_its_dates() -> None:
    """Nothing is wasted the day before a stretch or the day after; a ramp grows to its full ratio."""
    period, nozzle = TRUTH.waste
    assert waste_log(period, date(2025, 8, 31)) == waste_log(period, date(2025, 11, 29)) == 0.0
    assert waste_log(period, date(2025, 9, 1)) == pytest.approx(log(1.25))
    assert 0 < waste_log(nozzle, date(2026, 3, 30)) < waste_log(nozzle, date(2026, 4, 6)) == pytest.approx(log(1.24))
    assert nozzle.last > TRUTH.last_day


def test_planted_sizes_show_in_drawn_logs() -> None:
    """Over eight logs the planted operator and machine take about their ratios over the law without them."""
    clean_law = replace(TRUTH, waste=())
    with_period = next(w for w in TRUTH.waste if w.kind == "operator")
    worn = next(w for w in TRUTH.waste if w.kind == "machine")
    of_period, of_worn, others = [], [], []
    for seed in range(8):
        for visit in draw_shop(seed).visits.values():
            usual = replace(visit, settings=USUAL)
            expected = np.exp(log_medians(usual, replace(clean_law, waste=(replace(with_period, name="nobody"),))))
            residual = log(visit.amounts[:, 0].sum() / (expected[:, 0].sum() + TRUTH.purge_lb))
            if visit.operator == with_period.name and with_period.first <= visit.day <= with_period.last:
                of_period.append(residual)
            elif visit.machine == worn.name and visit.day >= worn.first:
                of_worn.append(residual)
            else:
                others.append(residual)
    middle = np.mean(others)
    assert np.mean(of_period) - middle == pytest.approx(log(with_period.ratio), abs=0.05)
    assert np.mean(of_worn) - middle == pytest.approx(log(worn.ratio), abs=0.05)
    assert 0.15 < np.std(others) < 0.25


def test_each_drawn_log_has_enough_of_what_is_planted() -> None:
    """In every one of twenty draws both planted stretches hold jobs on both sides of what could confuse them."""
    period, worn = TRUTH.waste
    for seed in range(20):
        visits = draw_shop(seed).visits.values()
        wasteful = [v for v in visits if v.operator == period.name and period.first <= v.day <= period.last]
        after = [v for v in visits if v.machine == worn.name and v.day >= worn.first]
        assert len(wasteful) >= 12
        assert {v.machine for v in wasteful} == set(TRUTH.machines)
        assert len(after) >= 28
        assert {v.operator for v in after} == set(TRUTH.operator_share)


def test_ice_is_lost_at_a_nearly_constant_rate_until_little_is_left() -> None:
    """A full and a half-full tote lose the same in a day, one below the knee in proportion to what is left."""
    day = date(2025, 10, 20)
    full, half, rest = (Container("tote-a", [(day, lb)]) for lb in (400.0, 200.0, 20.0))
    assert loss_lb(full, day, 1.0) == loss_lb(half, day, 1.0)
    assert loss_lb(rest, day, 1.0) == pytest.approx(loss_lb(full, day, 1.0) * 20.0 / TRUTH.loss_knee_lb)
    assert loss_lb(full, date(2025, 7, 21), 1.0) > loss_lb(full, date(2025, 1, 21), 1.0)


def test_containers_give_out_the_oldest_ice_first() -> None:
    """Taking from a tote empties its oldest layer before the next."""
    tote = Container("tote-a", [(date(2025, 3, 3), 50.0), (date(2025, 3, 6), 100.0)])
    assert tote.take(70.0) == [(date(2025, 3, 3), 50.0), (date(2025, 3, 6), 20.0)]
    assert tote.net_lb == 80.0
