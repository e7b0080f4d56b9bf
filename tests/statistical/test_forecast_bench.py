"""The forecast against simple rules and well-known models, and its coverage; the full run is slow."""

import numpy as np
import pytest
from forecast_bench import HORIZON, OURS, PAIRS, SERIES, Tally, compare_series, compare_shop, demo_shop
from forecast_rivals import QUICK, RIVALS
from forecast_shops import KINDS, simulated

from models.scores import binomial_band


def mean_scores(found: dict[str, dict[str, Tally]]) -> dict[str, float]:
    methods = next(iter(found.values()))
    return {m: float(np.mean([tallies[m].score() for tallies in found.values()])) for m in methods}


def held(found: dict[str, dict[str, Tally]], level: float) -> tuple[float, int]:
    hits = np.concatenate([tallies[OURS].hits[level] for tallies in found.values()])
    return float(hits.mean()), len(hits)


def check_coverage(found: dict[str, dict[str, Tally]]) -> None:
    """Hold coverage to binomial error; months told at neighbouring origins are one trial, hence n / HORIZON."""
    for level in PAIRS:
        share, n = held(found, level)
        low, high = binomial_band(max(n // HORIZON, 1), level, confidence=0.99)
        assert low <= share <= high, (level, share, low, high)


def test_whole_forecast_beats_simple_rules_short():
    """On a growing shop and one that lost a big customer the forecast scores below both simple rules and holds."""
    found = {kind: compare_shop(simulated(kind, 7), QUICK) for kind in ("growing", "lost customer")}
    scores = mean_scores(found)
    assert scores[OURS] < min(scores[name] for name in QUICK)
    check_coverage(found)


def test_count_model_on_open_counts_short():
    """On monthly counts of van drivers killed (`Seatbelts`) the count model scores below both simple rules."""
    found = {name: compare_series(name, QUICK, n_origins=6) for name in ("van drivers killed",)}
    scores = mean_scores(found)
    assert scores[OURS] < min(scores[name] for name in QUICK)


@pytest.mark.slow
def test_whole_forecast_beats_all_rivals():
    """On five kinds of shop and the demo the forecast scores below the best of four rivals, within binomial error."""
    found = {f"{kind} {seed}": compare_shop(simulated(kind, seed), RIVALS) for kind in KINDS for seed in (0, 1)}
    found["demo"] = compare_shop(demo_shop(), RIVALS)
    scores = mean_scores(found)
    assert scores[OURS] < min(scores[name] for name in RIVALS)
    check_coverage(found)


@pytest.mark.slow
def test_count_model_within_five_percent_of_the_best():
    """On six open series the count model's mean score is within 5 % of the best rival's, and coverage holds."""
    found = {name: compare_series(name, RIVALS) for name in SERIES}
    scores = mean_scores(found)
    assert scores[OURS] <= 1.05 * min(scores[name] for name in RIVALS)
    check_coverage(found)
