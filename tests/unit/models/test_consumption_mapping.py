"""The record chooses the map: none unless one beats it on later jobs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from models.consumption.conformal import ProbitMap, remapped
from models.consumption.mapping import LEARNED, choose_map, still_called_for

N = 400
DAY = np.arange(N)
KINDS = [("zones 1", "soil heavy") if k % 2 else ("zones 2", "soil light") for k in range(N)]


def pit(z: np.ndarray) -> np.ndarray:
    return np.asarray(norm.cdf(z))


def test_good_answers_are_left_alone() -> None:
    """PITs of perfect predictives, many or few, give no map in nearly every shop."""
    rules = [choose_map(pit(np.random.default_rng(k).standard_normal(N)), DAY, KINDS).rule for k in range(40)]
    assert rules.count("none") >= 35
    few = choose_map(pit(3 + np.random.default_rng(1).standard_normal(50)), DAY[:50], KINDS[:50])
    assert (few.shift, few.scale, few.rule, few.n) == (0.0, 1.0, "none", 50)


def test_too_narrow_answers_are_widened() -> None:
    """PITs of predictives half as wide as the truth give the one map for all jobs, shrunk."""
    found = choose_map(pit(2 * np.random.default_rng(2).standard_normal(N)), DAY, KINDS)
    assert found.rule == "whole"
    assert 1.5 < found.scale < 2.0


def test_a_kind_that_is_off_is_corrected_and_the_other_not() -> None:
    """Where only one kind of job takes more than was answered, its corrections are higher by about that much."""
    off = 0.9 * np.array(["soil heavy" in kind for kind in KINDS])
    found = choose_map(pit(off + np.random.default_rng(3).standard_normal(N)), DAY, KINDS)
    assert found.rule == "kinds"
    heavy, light = found.corrections([KINDS[1], KINDS[0]])
    assert heavy - light == pytest.approx(0.9, abs=0.25)


def test_a_drift_is_followed() -> None:
    """Where the last third of the jobs takes more, the map that follows recent jobs is chosen and shifts further."""
    late = 1.5 * (DAY >= 260)
    found = choose_map(pit(late + np.random.default_rng(4).standard_normal(N)), DAY, [()] * N)
    assert found.rule == "recent"
    assert found.shift > late.mean()


def test_a_correction_moves_only_its_jobs() -> None:
    """Two jobs with the same draws: the corrected one moves up by its correction in sd, the other stays."""
    draws = np.exp(0.2 * np.random.default_rng(6).standard_normal((1, 20_000)))
    both = np.concatenate([draws, draws])
    moved = remapped(both, np.array([0, 1]), 2, ProbitMap(0.0, 1.0, 9, "kinds", {"a": 0.5}), np.array([0.5, 0.0]))
    assert np.log(moved[0]).mean() - np.log(draws[0]).mean() == pytest.approx(0.1, abs=0.005)
    assert np.log(moved[1]) == pytest.approx(np.log(draws[0]), abs=1e-9)


def test_a_map_of_a_lognormal_is_a_lognormal_beyond_its_ends_too() -> None:
    """Draws at exp(m + s z) become exp(m + s (shift + scale z)): interpolation and both tails are exact there."""
    z = norm.ppf((np.arange(200) + 0.5) / 200)
    draws = np.exp(3.0 + 0.4 * z)[None, :]
    wider = remapped(draws, np.array([0]), 1, ProbitMap(0.3, 1.5, 400, "whole"))
    assert np.log(wider[0]) == pytest.approx(3.0 + 0.4 * (0.3 + 1.5 * z))


def test_a_correction_that_the_fit_has_learned_is_not_made_again() -> None:
    """What a map moves is kept as far as the fit that answers is still off itself, never further and never reversed."""
    rng = np.random.default_rng(7)
    found = choose_map(pit(0.8 + rng.standard_normal(N)), DAY, KINDS)
    assert found.shift > 0.5
    noise = rng.standard_normal(N)
    noise -= noise.mean()
    for still, low, high in ((0.03, 0.0, 0.0), (0.0, 0.0, 0.0), (-0.8, 0.0, 0.0), (0.8, 0.95, 1.0), (0.3, 0.4, 0.5)):
        kept = still_called_for(found, pit(still + noise), DAY, KINDS)
        assert low <= kept.shift / found.shift <= high
        assert kept.scale == found.scale
        assert kept.n == found.n
        assert kept.rule == (found.rule if high else LEARNED)


def test_the_corrections_of_kinds_are_kept_as_far_as_the_fit_still_errs() -> None:
    """One share for all words: a kind of job that is still half as far off keeps half its correction."""
    heavy = np.array(["soil heavy" in kind for kind in KINDS])
    rng = np.random.default_rng(8)
    found = choose_map(pit(0.9 * heavy + rng.standard_normal(N)), DAY, KINDS)
    moved = found.shift + found.corrections(KINDS)
    kept = still_called_for(found, pit(0.5 * moved), DAY, KINDS)
    assert kept.shift + kept.corrections(KINDS) == pytest.approx(0.5 * moved, abs=1e-3)
    late = np.array([0.0] * (N - 60) + [1.0] * 60)
    recent = still_called_for(ProbitMap(0.8, 1.0, N, "recent"), pit(late), DAY, KINDS)
    whole = still_called_for(ProbitMap(0.8, 1.0, N, "whole"), pit(late), DAY, KINDS)
    assert recent.shift > 1.5 * whole.shift > 0
