"""Pellets beside minutes: what it gains, and that a change of minutes alone accuses nobody."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.consumption.planning import Planning
from models.technique.changes import find_changes, place_and_size
from models.technique.design import Step
from models.technique.grading import Grading
from models.technique.likejobs import fit_like_jobs
from models.technique.minutes_beside import Figures, views, views_without
from models.technique.review import review
from models.technique.stretches import step_rows

sys.path.insert(0, str(Path(__file__).parents[2] / "statistical"))
from technique_worlds import Waste, simulate

PLANNING = Planning()
FIGURES = Figures(PLANNING.pellets_lb, PLANNING.minutes)
RISE = float(np.log(1.25))


def _seen(table, step):
    alone = fit_like_jobs(table, PLANNING.pellets_lb, settings=False, steps=(step,))
    full = views(table, FIGURES, alone, (step,))
    return full, views_without(table, full, step)


def _measured(table, ground, step):
    return ground.measured(step_rows(table, ground.fit, step))


def test_related_noise_narrows_what_touches_pellets_only():
    """At a correlation of 0.6 the error shrinks by about 0.8, the estimate stays right, and minutes look unchanged."""
    shop = simulate(61, minutes=0.6, waste=Waste(machine_period={"m0": (RISE, 200, 400)}))
    step = Step("machine", "m0", int(shop.table.day[200]))
    full, seen = _seen(shop.table, step)
    alone, beside = (_measured(shop.table, ground, step) for ground in seen.all)
    assert beside[1] / alone[1] == pytest.approx(0.8, abs=0.06)
    assert abs(beside[0] - RISE) < 2.5 * beside[1]
    assert seen.chance_unchanged(shop.table, step) > 0.5
    assert seen.counts_beside(shop.table, step, sign=1.0)
    block = full.beside.fit.design.block("minutes")
    assert full.beside.fit.coef[block.columns] == pytest.approx([0.6, 0.6], abs=0.15)


def test_a_change_of_both_is_read_from_pellets_alone():
    """Where minutes rose as much, they are not taken for unchanged and hide nothing of the rise."""
    shop = simulate(162, minutes=0.6, minutes_share=1.0, waste=Waste(machine_period={"m0": (RISE, 200, 400)}))
    step = Step("machine", "m0", int(shop.table.day[200]))
    _, seen = _seen(shop.table, step)
    assert seen.chance_unchanged(shop.table, step) < 0.05
    assert not seen.counts_beside(shop.table, step, sign=1.0)
    found = review(shop.table, PLANNING.pellets_lb, minutes=PLANNING.minutes)
    drift = next(d for d in found.drifts if d.is_waste)
    low, high = drift.interval(0.95)
    assert drift.step.name == "m0"
    assert low < 1.25 < high


def test_who_only_became_faster_is_not_accused():
    """An operator who takes a fifth less time from a day on, with the same pellets, wastes nothing."""
    shop = simulate(163, minutes=0.6, waste=Waste(pace={"op1": (-0.2, 200, 400)}))
    found = review(shop.table, PLANNING.pellets_lb, minutes=PLANNING.minutes)
    assert [d for d in found.drifts if d.is_waste] == []


def test_without_minutes_there_is_one_view():
    """A log without minutes, or with too few jobs that have both, is read from pellets alone."""
    for table in (simulate(64, n_jobs=100).table, simulate(64, n_jobs=40, minutes=0.6).table):
        alone = fit_like_jobs(table, PLANNING.pellets_lb, settings=False)
        seen = views(table, FIGURES, alone, ())
        assert len(seen.all) == 1
        assert seen.chance_unchanged(table, Step("machine", "m0", 0)) == 0.0


def test_an_echo_of_another_change_is_dropped():
    """While one machine's rise is not in the fit the others seem to have sunk; with it, nothing else changed then."""
    shop = simulate(3, n_jobs=1200, waste=Waste(machine_period={"m0": (0.25, 600, 1200)}))
    found = find_changes(shop.table, FIGURES, ())
    kept, sized = place_and_size(shop.table, FIGURES, (), found)
    assert [s.change.step.name for s in sized if s.change.up] == ["m0"]
    assert len(kept.changes) == len(sized) <= len(found.changes)
    assert sized[0].change.step.since == pytest.approx(shop.table.day[600], abs=15)
    assert all(abs(s.change.step.since - shop.table.day[600]) > 60 for s in sized[1:])


def test_grades_explain_no_change_that_left_minutes_alone():
    """Grades that fell at the same time cloud a rise in pellets, unless minutes stayed the same."""
    shop = simulate(61, minutes=0.6, waste=Waste(machine_period={"m0": (RISE, 200, 400)}))
    found = review(shop.table, PLANNING.pellets_lb, minutes=PLANNING.minutes)
    drift = next(d for d in found.drifts if d.is_waste)
    lighter = Grading("op1", 40, -0.5, 0.001)
    assert drift.same_minutes > 0.5
    assert replace(drift, grading=lighter).is_waste
    assert not replace(drift, grading=lighter, same_minutes=0.1).is_waste
    assert not replace(drift, grading=lighter, same_minutes=0.0).is_separable
