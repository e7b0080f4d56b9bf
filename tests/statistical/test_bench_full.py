"""The worlds benchmark in full, on the kinds of shop that nothing was tuned on (`pytest -m slow tests/statistical`)."""

import json
from pathlib import Path

import pytest
from bench import breakdown, run, table
from bench_figures import failures
from bench_score import by_trait
from world_kinds import HELD_OUT

#: Made by `bench.py --learners floor --worlds held-out --sizes 30 --seeds 10 --out tests/statistical/floors.jsonl`, and
#: the same with 5 seeds at 150 jobs, 3 at 500 and 1 at 5,000, there for some kinds only.
FLOORS = Path(__file__).with_name("floors.jsonl")
SEEDS = {30: 10, 150: 5, 500: 3, 5000: 1}


def floors(n_jobs: int) -> dict[tuple[str, int], float]:
    """Mean ratio of the floor by kind and seed, for the shops on which it was run."""
    rows = [json.loads(line) for line in FLOORS.read_text().splitlines()]
    return {(row["kind"], row["seed"]): sum(row["ratio"]) / 2 for row in rows if row["n_jobs"] == n_jobs}


@pytest.mark.slow
@pytest.mark.parametrize("n_jobs", [30, 150, 500, 5000])
def test_structured_learner_reaches_the_figures_on_every_kind_of_shop(n_jobs: int) -> None:
    """Ratio and coverage over all kinds and in each kind are within the figures, or near the kind's floor."""
    verdicts = list(run(list(HELD_OUT), [n_jobs], list(range(SEEDS[n_jobs])), ["structured"]))
    print(table(verdicts), breakdown(verdicts, "structured"), sep="\n")
    assert failures(verdicts, floors(n_jobs)) == []


@pytest.mark.slow
def test_no_group_of_jobs_is_left_out_of_the_intervals() -> None:
    """At 500 jobs, coverage pooled over shops is above 0.70 for every number of zones, class and soil level."""
    verdicts = list(run(list(HELD_OUT), [500], [0, 1], ["structured"]))
    for trait in (lambda t: t.n_zones, lambda t: t.vehicle_class, lambda t: t.soil):
        held = {value: group[1] for value, group in by_trait(verdicts, trait).items()}
        assert min(held.values()) > 0.70, held


@pytest.mark.slow
@pytest.mark.parametrize("peer", ["no_history", "shop", "cell", "linear", "ridge", "boosted", "boosted_cqr"])
def test_no_peer_reaches_the_figures(peer: str) -> None:
    """Whatever stands in for the structured learner misses the figures at 150 jobs."""
    verdicts = list(run(list(HELD_OUT), [150], [0, 1], [peer]))
    assert any("all kinds: ratio" in missed for missed in failures(verdicts, floors(150)))
