"""Stretches of a stream: statistics, chance, place and size against slow and obvious ways."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from models.consumption.planning import Planning
from models.technique.design import Step
from models.technique.likejobs import fit_like_jobs
from models.technique.shrinkage import mixed, shrink_alone, shrink_each
from models.technique.stretches import Ground, Place, Stretches, step_rows, stretches

sys.path.insert(0, str(Path(__file__).parents[2] / "statistical"))
from technique_worlds import Waste, simulate

FIGURES = Planning().pellets_lb


@pytest.fixture(scope="module")
def worn():
    """A shop whose m0 takes 30 % more from job 200 to 300 on, its fit without that, and m0's stretches."""
    shop = simulate(51, waste=Waste(machine_period={"m0": (float(np.log(1.3)), 200, 300)}))
    ground = Ground.of(fit_like_jobs(shop.table, FIGURES, settings=False))
    return shop.table, ground, stretches(shop.table, ground, "machine", "m0")


def _of_noise(score: np.ndarray) -> Stretches:
    """Stretches of independent scores of variance 1, a day each."""
    n = len(score)
    sums = np.append(0.0, score.cumsum())
    length = (np.arange(n + 1)[None, :] - np.arange(n + 1)[:, None]).astype(float)
    inside = length > 0
    raw, error = np.zeros((n + 1, n + 1)), np.full((n + 1, n + 1), np.inf)
    raw[inside] = ((sums[None, :] - sums[:, None])[inside]) / length[inside]
    error[inside] = 1.0 / np.sqrt(length[inside])
    return Stretches("machine", "m", np.arange(n), n, np.eye(n), raw, error, inside & (length >= 6))


def test_a_stretch_is_measured_as_its_column_is(worn):
    """Prefix sums give what the joint fit gives with the stretch's own column."""
    table, ground, all_of_it = worn
    for first, last in ((30, 60), (50, len(all_of_it.days)), (13, 40)):
        step = all_of_it.step(first, last)
        raw, error = ground.measured(step_rows(table, ground.fit, step))
        assert all_of_it.raw[first, last] == pytest.approx(raw, rel=1e-6)
        assert all_of_it.error[first, last] == pytest.approx(error, rel=1e-6)


def test_a_step_taken_out_is_as_if_the_fit_had_none():
    """Without its column a step is measured as by least squares on that column beside all others."""
    shop = simulate(52, waste=Waste(machine_period={"m0": (0.3, 200, 400)}))
    step = Step("machine", "m0", int(shop.table.day[200]))
    fit = fit_like_jobs(shop.table, FIGURES, settings=False, steps=(step,))
    ground = Ground.of(fit, without=step)
    raw, _ = ground.measured(step_rows(shop.table, fit, step))
    prior_free = fit.coef[fit.design.block("step").start]
    assert raw == pytest.approx(prior_free, rel=0.1)
    assert raw > prior_free > 0


def test_place_and_size_of_a_period_are_found(worn):
    """The posterior's middle lies near both ends of the period, and its size's interval holds the truth."""
    table, _, all_of_it = worn
    weight = all_of_it.weights(sign=1.0)
    assert weight.sum() == pytest.approx(1.0)
    middle = all_of_it.likeliest(weight)
    assert middle.since == pytest.approx(table.day[200], abs=20)
    assert middle.until == pytest.approx(table.day[300], abs=20)
    size = all_of_it.size(weight, like=middle)
    low, high = np.exp([size.quantile(q)[0] for q in (0.025, 0.975)])
    assert low < 1.3 < high


def test_where_nothing_rose_there_is_no_place():
    """Without any upward stretch there are no weights and no middle."""
    falling = _of_noise(np.full(20, -1.0))
    weight = falling.weights(sign=1.0)
    assert weight.sum() == 0.0
    assert falling.likeliest(weight) is None


def test_the_chance_of_the_best_of_a_few_is_that_of_many_draws():
    """The importance sampler agrees with plain simulation of the largest of the stretches."""
    place = Place((8, 14), (30, 36))
    rng = np.random.default_rng(4)
    draws = rng.standard_normal((4000, 45))
    for top in (2.0, 3.0):
        score = np.zeros(45)
        score[11:33] = top / np.sqrt(22.0)
        few = _of_noise(score).within(place)
        level = few.z[few.allowed].max()
        sums = np.concatenate([np.zeros((4000, 1)), draws.cumsum(axis=1)], axis=1)
        first, last = np.nonzero(few.allowed)
        plain = np.mean(((sums[:, last] - sums[:, first]) / np.sqrt(last - first)).max(axis=1) >= level)
        assert few.chance_of_best() == pytest.approx(plain, abs=0.01, rel=0.25)
        assert norm.sf(level) < few.chance_of_best() < few.allowed.sum() * norm.sf(level)


def test_a_place_holds_its_ends():
    """Only stretches that begin and end where a place says are left; an open place leaves those that last."""
    some = _of_noise(np.zeros(20))
    first, last = np.nonzero(some.within(Place((3, 4), (10, 11))).allowed)
    assert set(zip(first.tolist(), last.tolist(), strict=True)) == {(3, 10), (3, 11), (4, 10), (4, 11)}
    first, last = np.nonzero(some.within(Place((3, 4), None)).allowed)
    assert set(zip(first.tolist(), last.tolist(), strict=True)) == {(3, 20), (4, 20)}
    near = some.near(Step("machine", "m", 5, 7)).allowed
    assert not near[7:].any()
    assert not near[:, :6].any()


def test_one_case_is_shrunk_as_alone_and_cases_are_mixed():
    """Mixing over a single case is `shrink_alone`; over two it lies between them."""
    alone = shrink_alone(0.2, 0.06)
    one = shrink_each(np.array([0.2]), np.array([0.06]), np.array([1.0]))
    other = shrink_alone(0.1, 0.05)
    two = shrink_each(np.array([0.2, 0.1]), np.array([0.06, 0.05]), np.array([0.5, 0.5]))
    for q in (0.1, 0.5, 0.9):
        assert one.quantile(q)[0] == pytest.approx(alone.quantile(q)[0], abs=1e-4)
        assert two.quantile(q)[0] == pytest.approx(mixed(alone, other, 0.5).quantile(q)[0], abs=1e-4)
    assert other.means()[0] < two.means()[0] < alone.means()[0]


def test_the_best_is_the_largest_statistic_of_its_kind(worn):
    """No allowed stretch that ended, or that lasts, stands out more than the best one of that kind."""
    _, _, all_of_it = worn
    step, z, chance = all_of_it.best(sign=1.0)
    n = len(all_of_it.days)
    kind = all_of_it.z[:, :n] if step.until is not None else all_of_it.z[:, n:]
    allowed = all_of_it.allowed[:, :n] if step.until is not None else all_of_it.allowed[:, n:]
    assert z == pytest.approx(kind[allowed].max())
    assert chance < 0.01
    assert replace(all_of_it, allowed=np.zeros_like(all_of_it.allowed)).best(sign=1.0) is None


def _of_a_level(score: np.ndarray) -> Stretches:
    """Stretches of independent errors of 0.2, inside against outside, at least 12 before each."""
    plain = _of_noise(score)
    n = len(score)
    inside = np.where(plain.allowed, np.arange(n + 1)[None, :] - np.arange(n + 1)[:, None], 6)
    outside = np.maximum(n - inside, 1)
    error = 0.2 * np.sqrt(1.0 / inside + 1.0 / outside)
    raw = 0.2 * (plain.raw - (score.sum() - plain.raw * inside) / outside)
    start = np.arange(n + 1)[:, None] >= 12
    return replace(plain, raw=raw, error=error, allowed=plain.allowed & start & (n - inside >= 12))


@pytest.mark.parametrize(("lower", "stands_out", "is_fall"), [(0.0, 0.0, 1.0), (0.7, 0.5, 0.8), (1.4, 0.9, 0.0)])
def test_evidence_tells_a_fall_from_a_rise_that_ended(lower, stands_out, is_fall):
    """Before a fall the first 14 jobs decide: as high as the rest before it, it fell; as low as after it, it rose.

    Half-way between, the rise stands out more in most records, since its start is free; evidence counts that it is.
    """
    rng = np.random.default_rng(3)
    higher, fell = [], []
    for _ in range(60):
        score = rng.standard_normal(130)
        score[70:] -= 1.4
        score[:14] -= lower
        both = _of_a_level(score)
        z = both.z[both.allowed]
        higher.append(z.max() > -z.min())
        fell.append(both.evidence(sign=-1.0) > both.evidence(sign=1.0))
    assert np.mean(higher) >= stands_out
    assert np.mean(fell) == pytest.approx(is_fall, abs=0.2)
    assert np.mean(fell) >= 1.0 - np.mean(higher)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_evidence_is_the_mean_likelihood_over_all_places(sign):
    """It is the sum over stretches of prior times N(raw; 0, size^2 + error^2) / N(raw; 0, error^2), done slowly."""
    some = _of_a_level(np.random.default_rng(6).standard_normal(40))
    total = 0.0
    for first, last in np.argwhere(some.allowed):
        lasts = last == 40
        part = (0.7 if lasts else 0.3) if sign > 0 else float(lasts)
        prior = part / (some.allowed[:, 40].sum() if lasts else some.allowed[:, :40].sum())
        raw, error = some.raw[first, last], some.error[first, last]
        if sign * raw > 0:
            total += prior * norm.pdf(raw, 0, np.hypot(0.2, error)) / norm.pdf(raw, 0, error)
    assert some.evidence(sign=sign) == pytest.approx(np.log(total), rel=1e-9)
    assert replace(some, allowed=np.zeros_like(some.allowed)).evidence(sign=sign) == -np.inf


def test_a_fall_has_the_smaller_part_of_the_error():
    """The same statistic the other way has more of a chance: a fifth of the error goes to falls, all of which last."""
    score = np.random.default_rng(7).standard_normal(60)
    score[30:] += 0.9
    up, down = _of_noise(score).best(sign=1.0), _of_noise(-score).best(sign=-1.0)
    assert up[0].until is None
    assert down[1] == pytest.approx(-up[1])
    assert down[2] == pytest.approx(0.8 * 0.7 / 0.2 * up[2])


def test_a_fall_that_ended_is_a_rise_since_then():
    """Scores that are low for a while are told by their rise back, never as a fall with an end."""
    score = np.random.default_rng(8).standard_normal(90)
    score[20:60] -= 2.0
    some = _of_a_level(score)
    fall, rise = some.best(sign=-1.0), some.best(sign=1.0)
    assert fall is None or fall[0].until is None
    assert (rise[0].since, rise[0].until) == (60, None)
    assert rise[2] < 1e-6
    assert some.evidence(sign=1.0) > some.evidence(sign=-1.0)
