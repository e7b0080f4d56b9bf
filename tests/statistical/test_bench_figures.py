"""The benchmark's bar fails what should fail and passes what should pass."""

import numpy as np
from bench_figures import failures, short_failures
from bench_score import Verdict, allowed_coverage
from worlds import Traits


def verdict(kind: str, ratio: float, held: float, n_jobs: int = 150, seed: int = 0) -> Verdict:
    whole = np.full((2, 4), 1.0)
    traits = Traits(("van",) * 4, (1,) * 4, ("light",) * 4)
    return Verdict(kind, n_jobs, seed, "x", ratio * whole, held * whole, whole, whole, whole, traits, 1.0)


def test_a_learner_at_the_aim_passes() -> None:
    """Ratio 1.06 and coverage .80 at 150 jobs meet the figures without any floor."""
    assert failures([verdict("a/held-out", 1.06, 0.80), verdict("b/held-out", 1.06, 0.80)], {}) == []


def test_a_hard_kind_may_lie_near_its_floor_and_no_further() -> None:
    """1.12 with a floor of 1.10 on the same shop passes; with a floor of 1.05 it fails in words."""
    hard = [verdict("a/held-out", 1.12, 0.80)]
    assert failures(hard, {("a/held-out", 0): 1.10}) == []
    assert any("a/held-out: ratio 1.120" in m for m in failures(hard, {("a/held-out", 0): 1.05}))


def test_a_kind_without_a_floor_has_the_aim_alone() -> None:
    """Ratios of 1.09 at 150 jobs fail without floors, and one kind's floor excuses no other kind."""
    ten = [verdict(f"{k}/held-out", 1.09, 0.80) for k in "abcdefghij"]
    assert any(m.startswith("all kinds: ratio 1.090 is above 1.070") for m in failures(ten, {}))
    missed = failures(ten, {("a/held-out", 0): 1.08})
    assert not any(m.startswith("a/held-out: ratio") for m in missed)
    assert any(m.startswith("all kinds: ratio") for m in missed)
    assert sum("held-out: ratio" in m for m in missed) == 9


def test_coverage_off_in_one_kind_fails() -> None:
    """A kind at .70 with one shop of 150 jobs fails on its own; at .74 it is within what chance allows."""
    good = [verdict(f"{k}/held-out", 1.05, 0.81) for k in "abcdefgh"]
    assert any("z/held-out: coverage 0.700" in m for m in failures([*good, verdict("z/held-out", 1.05, 0.70)], {}))
    assert failures([*good, verdict("z/held-out", 1.05, 0.74)], {}) == []
    low, high = allowed_coverage(30, 5)
    assert (round(low, 4), round(high, 4)) == (0.7168, 0.8832)


def test_the_short_bar_names_ratio_and_coverage() -> None:
    """A peer at ratio 1.6 with half the coverage misses both."""
    missed = short_failures([verdict("a/held-out", 1.6, 0.5)])
    assert len(missed) == 2
