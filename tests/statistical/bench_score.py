"""How far an answer is from perfect knowledge: expected interval scores and coverage under the true law."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from worlds import Traits, World

from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES, Quantity

Floats = NDArray[np.float64]
#: Quantiles of each fresh job's total, (n_fresh, len(QUANTILE_LEVELS)), by quantity.
Answer = dict[Quantity, Floats]
LEVEL = 0.8
LOW, HIGH = QUANTILE_LEVELS.index(0.1), QUANTILE_LEVELS.index(0.9)
WINSOR = 0.995


@dataclass(frozen=True)
class Verdict:
    """One learner on one simulated shop; arrays run over (quantity, fresh job).

    Attributes
    ----------
    ratio : expected 80 % interval score of the answer over that of the law's own central interval, >= 1
    held : chance that the true total falls into the answer's 80 % interval
    held_50, held_90 : the same for the 50 % and 90 % intervals
    below : chance that it falls below the interval
    """

    kind: str
    n_jobs: int
    seed: int
    learner: str
    ratio: Floats
    held: Floats
    held_50: Floats
    held_90: Floats
    below: Floats
    traits: Traits
    seconds: float


def expected_score(totals: Floats, low: Floats, high: Floats, *, winsorised: bool) -> Floats:
    """Return the expected 80 % interval score of each job, totals (n, m) increasing draws of the law, ends (n,)."""
    drawn = np.minimum(totals, np.quantile(totals, WINSOR, axis=1, keepdims=True)) if winsorised else totals
    short = np.maximum(low[:, None] - drawn, 0).mean(axis=1)
    over = np.maximum(drawn - high[:, None], 0).mean(axis=1)
    return (high - low) + 2 / (1 - LEVEL) * (short + over)


def judge(world: World, learner: str, n_jobs: int, answer: Answer, seconds: float) -> Verdict:
    """Score an answer against the law of a world."""
    ratio, held, held_50, held_90, below = [], [], [], [], []
    for quantity in QUANTITIES:
        totals, quantiles = world.totals[quantity], answer[quantity]
        own = np.quantile(totals, [0.1, 0.9], axis=1)
        heavy = world.kind.heavy_tailed
        scores = expected_score(totals, quantiles[:, LOW], quantiles[:, HIGH], winsorised=heavy)
        ratio.append(scores / expected_score(totals, own[0], own[1], winsorised=heavy))
        held.append(_held(totals, quantiles[:, LOW], quantiles[:, HIGH]))
        held_50.append(_held(totals, quantiles[:, 2], quantiles[:, 4]))
        held_90.append(_held(totals, quantiles[:, 0], quantiles[:, -1]))
        below.append((totals < quantiles[:, LOW, None]).mean(axis=1))
    return Verdict(
        world.kind.key, n_jobs, world.seed, learner, np.array(ratio), np.array(held), np.array(held_50),
        np.array(held_90), np.array(below), world.traits, seconds,
    )  # fmt: skip


def _held(totals: Floats, low: Floats, high: Floats) -> Floats:
    return ((totals >= low[:, None]) & (totals <= high[:, None])).mean(axis=1)


def allowed_coverage(n_jobs: int, n_seeds: int) -> tuple[float, float]:
    """Return the range in which a world's mean coverage must lie: 0.80 +- (0.02 + 2 sqrt(0.16 / ((n + 2) seeds)))."""
    half = 0.02 + 2 * np.sqrt(0.16 / ((n_jobs + 2) * n_seeds))
    return LEVEL - half, LEVEL + half


def mean_ratio(verdicts: Iterable[Verdict]) -> float:
    """Return the ratio averaged over jobs, quantities and shops."""
    return float(np.mean([v.ratio.mean() for v in verdicts]))


def mean_held(verdicts: Iterable[Verdict]) -> float:
    """Return the coverage averaged over jobs, quantities and shops."""
    return float(np.mean([v.held.mean() for v in verdicts]))


def worst_tenth(verdicts: Iterable[Verdict]) -> float:
    """Return the mean ratio of the tenth of the jobs with the highest ratios."""
    everything = np.sort(np.concatenate([v.ratio.ravel() for v in verdicts]))
    return float(everything[-max(1, len(everything) // 10) :].mean())


def by_trait(verdicts: list[Verdict], trait: Callable[[Traits], tuple[object, ...]]) -> dict[str, tuple[float, ...]]:
    """Return (ratio, held, jobs) for each value of a trait, pooled over shops and quantities."""
    ratio: dict[str, list[Floats]] = {}
    held: dict[str, list[Floats]] = {}
    for verdict in verdicts:
        values = np.array([str(v) for v in trait(verdict.traits)])
        for value in np.unique(values):
            ratio.setdefault(str(value), []).append(verdict.ratio[:, values == value].ravel())
            held.setdefault(str(value), []).append(verdict.held[:, values == value].ravel())
    return {
        k: (float(np.concatenate(ratio[k]).mean()), float(np.concatenate(held[k]).mean()),
            float(sum(map(len, ratio[k])) // 2))
        for k in sorted(ratio)
    }  # fmt: skip
