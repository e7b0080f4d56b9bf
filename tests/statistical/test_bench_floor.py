"""The floor is the exact Bayesian answer where that can be worked out another way."""

from dataclasses import replace

import numpy as np
import pytest
from bench_floor import Floor, floor
from bench_score import judge
from floor_data import prior, read_log
from world_kinds import KINDS
from world_law import COMMON, LINE_COMMON
from worlds import World, draw_world

#: Everything written down, by line: nothing is left to guess but the effects.
COMPLETE = replace(
    KINDS["plain/held-out"], totals_share=0.0, half_totals_share=0.0, soil_blank_share=0.0, crew_blank_share=0.0
)


def complete_world(seed: int) -> World:
    world = draw_world(COMPLETE, 25, seed, n_fresh=1, n_scenarios=10)
    return replace(world, history=[{**row, "ice_age_days": row["ice_age_days"] or "2"} for row in world.history])


def test_effects_equal_the_dense_normal_equations() -> None:
    """With every line written down the chain draws from the posterior that one big normal regression gives."""
    world = complete_world(3)
    log, rng = read_log(world), np.random.default_rng(4)
    chain = Floor(world, log, rng)
    x = chain._x()
    n, p = x.shape
    wide = np.kron(np.eye(2), x)
    line = np.array([[1.0, LINE_COMMON], [LINE_COMMON, 1.0]])
    job = np.array([[1.0, COMMON], [COMMON, 1.0]])
    same_job = log.job[:, None] == log.job[None, :]
    sd = world.law.line_sd[:, log.zone]
    noise = np.block([
        [line[a, b] * np.diag(sd[a] * sd[b]) + job[a, b] * world.law.job_sd[a] * world.law.job_sd[b] * same_job
         for b in range(2)] for a in range(2)
    ])  # fmt: skip
    mean0, precision0 = prior(world, chain.where)
    weight = np.linalg.inv(noise)
    precision = precision0 + wide.T @ weight @ wide
    expected = np.linalg.solve(precision, precision0 @ mean0 + wide.T @ weight @ chain.y.T.ravel())
    spread = np.sqrt(np.diag(np.linalg.inv(precision)))
    draws = []
    for _ in range(600):
        chain._effects(x)
        draws.append(chain.b.ravel())
    seen = np.array(draws)
    assert seen.shape[1] == 2 * p
    assert np.abs((seen.mean(axis=0) - expected) / spread).max() < 4.5 / np.sqrt(600)
    np.testing.assert_allclose(seen.std(axis=0), spread, rtol=0.15)
    assert n == len(log.job)


def test_totals_behind_lines_keep_their_sum() -> None:
    """Whatever the chain guesses about lines, amounts per visit and readings, records stay what they are."""
    world = draw_world(KINDS["fixed/held-out"], 30, 5, n_fresh=1, n_scenarios=10)
    log = read_log(world)
    chain = Floor(world, log, np.random.default_rng(6))
    for _ in range(5):
        chain.sweep()
    for q in range(2):
        assert chain.visit is not None
        sums = np.bincount(log.group[q], weights=np.exp(chain.y[:, q]))
        sums += np.bincount(log.group[q][chain.first], weights=np.exp(chain.visit[:, q]), minlength=len(sums))
        np.testing.assert_allclose(sums, log.value[q], rtol=1e-9)


def test_floor_is_calibrated_on_a_shop_of_totals() -> None:
    """A fit that is told the truth about the noise holds about 80 % and lies above perfect knowledge."""
    world = draw_world(KINDS["totals/held-out"], 60, 7, n_fresh=60, n_scenarios=1000)
    verdict = judge(world, "floor", 60, floor(world), 0.0)
    assert 0.74 < verdict.held.mean() < 0.86
    assert 1.02 < verdict.ratio.mean() < 1.25


def test_there_is_no_floor_where_none_was_built() -> None:
    """Gamma noise and saturation have no floor, and the bench says so instead of printing a wrong one."""
    with pytest.raises(ValueError, match="no floor is built for gamma"):
        floor(draw_world(KINDS["gamma/held-out"], 5, 1, n_fresh=1, n_scenarios=10))
