"""Effects of operators, machines and settings."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.consumption.planning import Planning
from models.technique.effects import (
    LEAST_STANDOFF_IN,
    benjamini_hochberg,
    compare_cells,
    compare_codes,
    compare_settings,
    reference_contrasts,
)
from models.technique.grading import clustered_contrast, compare_grading
from models.technique.likejobs import fit_like_jobs
from models.technique.review import review
from models.technique.shrinkage import shrink_alone

sys.path.insert(0, str(Path(__file__).parents[2] / "statistical"))
from technique_worlds import Waste, simulate

FIGURES = Planning().pellets_lb


def test_a_wasteful_operator_is_found_and_sized():
    """An operator who takes 25 % more with 40 of 400 jobs is waste, with an interval around it; colleagues are not."""
    table = simulate(11, waste=Waste(operator={"op0": np.log(1.25)})).table
    effects, few = compare_codes(table, fit_like_jobs(table, FIGURES), "operator")
    wasteful = [e for e in effects if e.is_waste]
    assert [e.name for e in wasteful] == ["op0"]
    low, high = wasteful[0].interval(0.95)
    assert low < 1.25 < high
    assert few == []


def test_few_jobs_are_listed_not_judged():
    """An operator below the least number of jobs gets no effect."""
    table = simulate(2, n_jobs=200, operator_share=(0.02, 0.5, 0.48)).table
    effects, few = compare_codes(table, fit_like_jobs(table, FIGURES), "operator")
    assert "op0" not in [e.name for e in effects]
    assert [name for name, _ in few] == ["op0"]
    assert all(n < 12 for _, n in few)


def test_a_single_operator_has_nobody_to_compare_with():
    """With one operator there is no effect, and the operator is listed."""
    table = simulate(3, n_jobs=80, operator_share=(1.0,)).table
    effects, few = compare_codes(table, fit_like_jobs(table, FIGURES), "operator")
    assert effects == []
    assert few == [("op0", 80)]


def test_one_thrifty_colleague_makes_no_waste_of_the_others():
    """The others are compared with each other, not with someone clearly below all."""
    raw, jobs = np.array([-0.5, 0.0, 0.01, 0.02]), np.array([60.0, 60.0, 60.0, 60.0])
    contrasts = reference_contrasts(raw, np.eye(4) * 0.03**2, jobs, np.zeros(4, dtype=bool))
    assert contrasts[1:, 0] == pytest.approx(0.0)
    assert contrasts[3] @ raw == pytest.approx(0.02 - 0.005)


def test_right_one_is_named_where_operator_and_machine_go_together():
    """An operator who mostly runs one machine is told apart from it."""
    table = simulate(5, uneven=0.8, waste=Waste(operator={"op1": np.log(1.25)})).table
    fit = fit_like_jobs(table, FIGURES)
    assert [e.name for e in compare_codes(table, fit, "operator")[0] if e.is_waste] == ["op1"]
    assert [e.name for e in compare_codes(table, fit, "machine")[0] if e.is_waste] == []


def test_a_setting_has_its_best_value_inside_the_range():
    """Standoff with a best value of 9 in is told with that value and waste on both sides; older ice is waste."""
    table = simulate(8, n_jobs=500, settings=True, waste=Waste(ice_age=0.04, standoff_curve=0.12)).table
    found = {e.name: e for e in compare_settings(table, fit_like_jobs(table, FIGURES))[0]}
    assert found["standoff_in"].is_waste
    assert found["standoff_in"].best == pytest.approx(9.0, abs=1.5)
    assert found["standoff_in"].worse == "both"
    assert found["ice_age_days"].is_waste
    assert found["ice_age_days"].worse == "high"
    assert not found["pressure_psi"].is_waste


def _nearer_is_less(values):
    """Return the standoff's effect in a shop that ran at `values` (in), each inch farther taking 4 % more."""
    shop = simulate(8, n_jobs=500)
    table, rng = shop.table, np.random.default_rng(2)
    ran = rng.choice(values, table.n_jobs)[table.line_job].astype(float)
    seen = table.pellets
    first = np.zeros(len(seen.value), dtype=int)
    first[seen.group] = np.arange(table.n_lines)
    pellets = replace(seen, value=seen.value * np.exp(0.04 * (ran[first] - 8.0)))
    table = replace(table, pellets=pellets, settings={**table.settings, "standoff_in": ran})
    return next(
        e for e in compare_settings(table, fit_like_jobs(table, FIGURES))[0] if e.name == "standoff_in"
    )  # fmt: skip


def test_no_standoff_is_best_that_is_too_near_to_advise():
    """Where less is taken the nearer the nozzle is, the best is the nearest that may be advised, and only what ran
    farther is waste."""
    found = _nearer_is_less([3, 6, 9, 12])
    assert found.best == pytest.approx(LEAST_STANDOFF_IN)
    assert found.is_bound
    farther = (0.04 * (9 - LEAST_STANDOFF_IN) + 0.04 * (12 - LEAST_STANDOFF_IN)) / 4
    assert found.raw == pytest.approx(farther, abs=0.02)
    assert found.worse == "high"


def test_a_shop_that_always_worked_too_near_wastes_nothing_by_it():
    """Its jobs took less than farther ones would have: that is no waste, and nothing nearer is best."""
    found = _nearer_is_less([3, 5, 7])
    assert found.best == 7.0
    assert found.is_bound
    assert not found.is_waste


def test_cells_need_jobs():
    """Machine-by-zone effects are only told where the machine worked the zone often enough."""
    table = simulate(9, n_jobs=150).table
    effects = compare_cells(table, fit_like_jobs(table, FIGURES))
    assert effects
    assert all(e.n_jobs >= 12 and e.zone for e in effects)


def test_small_effects_are_pulled_to_none_and_large_ones_hardly():
    """Half a standard error keeps less than two thirds of itself; five standard errors keep more than nine tenths."""
    small, large = shrink_alone(0.02, 0.04), shrink_alone(0.2, 0.04)
    assert 0 < small.means()[0] < 0.014
    assert 0.18 < large.means()[0] < 0.2
    assert small.quantile(0.1)[0] < 0 < small.quantile(0.9)[0]


def test_draws_follow_the_posterior():
    """Draws have the mean and the quantiles of the mixture."""
    posterior = shrink_alone(0.12, 0.05)
    draws = posterior.draws(40_000, np.random.default_rng(1))[0]
    assert draws.mean() == pytest.approx(posterior.means()[0], abs=0.001)
    assert np.quantile(draws, 0.9) == pytest.approx(posterior.quantile(0.9)[0], abs=0.002)
    assert draws.std() == pytest.approx(posterior.sds()[0], rel=0.02)


def test_q_values_are_monotone_in_p():
    """Sorting by p sorts by q, and no q is below its p."""
    p = np.random.default_rng(3).random(50)
    q = benjamini_hochberg(p)
    assert (np.diff(q[np.argsort(p)]) >= 0).all()
    assert (q >= p).all()


@pytest.mark.parametrize("levels", [-1, 1])
def test_an_operator_who_grades_off_is_seen_and_not_accused(levels):
    """Grades one level off are noticed on like vehicles, and nobody is called wasteful for them."""
    table = simulate(4, waste=Waste(grading={"op1": levels})).table
    found = compare_grading(table)
    assert found["op1"].differs
    assert np.sign(found["op1"].levels) == levels
    assert [name for name, g in found.items() if g.differs] == ["op1"]
    reviewed = review(table, FIGURES)
    assert [e.name for e in reviewed.wasteful() if e.kind == "operator"] == []


def test_clustered_contrast_is_least_squares():
    """The coefficient equals ordinary least squares; one value a job gives the usual robust error."""
    rng = np.random.default_rng(0)
    x = np.column_stack([np.ones(60), rng.standard_normal(60)])
    mark = (np.arange(60) % 3 == 0).astype(float)
    y = 0.5 * mark + rng.standard_normal(60)
    full = np.linalg.lstsq(np.column_stack([x, mark]), y, rcond=None)[0]
    slope, p = clustered_contrast(y, x, mark, np.arange(60))
    assert slope == pytest.approx(full[-1])
    assert 0 < p < 1


def test_clustered_contrast_of_a_constant_mark_says_nothing():
    """An operator who did all jobs cannot be compared."""
    slope, p = clustered_contrast(np.arange(20.0), np.ones((20, 1)), np.ones(20), np.arange(20))
    assert (slope, p) == (0.0, 1.0)
