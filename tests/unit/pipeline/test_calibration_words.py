"""What the calibration says in words of how past intervals held."""

from __future__ import annotations

import pytest

from pipeline.answers.calibrating import Held, RuleScore, _advice

SCORES = (RuleScore("learned", 50.0, 60.0), RuleScore("shop average", 90.0, 95.0))


@pytest.mark.parametrize(
    ("half", "main", "jobs", "said"),
    [
        (0.50, 0.80, 111, "held about as often as they say"),
        (0.62, 0.89, 111, "wider than they needed to be"),
        (0.57, 0.85, 111, "held about as often as they say"),
        (0.38, 0.74, 111, "too narrow"),
        (0.50, 0.66, 111, "too narrow"),
        (0.55, 0.83, 2000, "wider than they needed to be"),
        (0.90, 0.99, 12, "Only 12 past jobs could be tested"),
    ],
)
def test_the_verdict_goes_by_the_half_as_well(half: float, main: float, jobs: int, said: str) -> None:
    """An 80 % interval hides a width that the 50 % interval shows; chance alone is called neither way."""
    levels = tuple(Held(level, held, jobs, held, held) for level, held in ((0.5, half), (0.8, main)))
    assert said in next(_advice(levels, (), SCORES, None))
