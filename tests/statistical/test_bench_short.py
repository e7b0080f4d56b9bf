"""The worlds benchmark in short: the structured learner reaches its figures, and nothing simpler does."""

import pytest
from bench import run
from bench_figures import short_failures
from bench_score import Verdict
from world_kinds import KINDS

SHORT = {30: ("plain", "totals"), 150: ("crossed",)}


def judged(learner: str, sizes: tuple[int, ...] = (30, 150)) -> list[Verdict]:
    out: list[Verdict] = []
    for n_jobs in sizes:
        out += run([KINDS[f"{name}/held-out"] for name in SHORT[n_jobs]], [n_jobs], [1], [learner], n_fresh=60)
    return out


def test_structured_learner_reaches_the_short_figures() -> None:
    """On shops it was not tuned on, 30 and 150 jobs cost it no more than the stated share over perfect knowledge."""
    assert short_failures(judged("structured")) == []


@pytest.mark.parametrize("peer", ["no_history", "cell", "boosted"])
def test_nothing_simpler_reaches_them(peer: str) -> None:
    """With the structured learner switched off (planning figures, averages, boosting alone) the same figures fail."""
    assert any("ratio" in missed for missed in short_failures(judged(peer, (150,))))
