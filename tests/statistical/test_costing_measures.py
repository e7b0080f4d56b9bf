"""Costing's measures: short versions by default, the whole of them as a slow run."""

import pytest
from costing_measures import dozens, price_lists, rests
from world_kinds import KINDS

FEW = [KINDS["plain/held-out"]]
MANY = [KINDS[f"{name}/held-out"] for name in ("plain", "totals", "crossed", "season")]


def test_refined_list_reaches_the_wanted_margin_in_short() -> None:
    """Over twelve simulated shops the mean margin is the wanted one and most intervals hold theirs."""
    found = price_lists(range(12), n_fresh=8000)
    assert found.margin.mean() == pytest.approx(0.3, abs=0.012)
    assert found.held.mean() >= 0.55
    assert 0.7 <= found.cells_held.mean() <= 0.88


def test_rest_of_a_part_done_job_in_short() -> None:
    """On one shop the rest at a third done is held about as often as said, and narrower than the first estimate."""
    held, _, ratio = rests(FEW, [1], 0.33, n_jobs=60, n_asked=60)
    assert 0.68 <= held <= 0.92
    assert ratio < 0.85


def test_fleet_in_short() -> None:
    """On one shop twelve vans are held far more often than a sum of independent draws."""
    held, apart, _ = dozens(FEW, [1], n_jobs=60, n_asked=14)
    assert held > apart + 0.2


@pytest.mark.slow
def test_refined_list_reaches_the_wanted_margin() -> None:
    """Over 50 shops the list earns the wanted margin within its interval about as often as said."""
    found = price_lists(range(50))
    assert found.margin.mean() == pytest.approx(0.3, abs=0.006)
    assert 0.68 <= found.held.mean() <= 0.92
    assert 0.75 <= found.cells_held.mean() <= 0.85


@pytest.mark.slow
@pytest.mark.parametrize("done", [0.33, 0.6])
def test_rest_of_a_part_done_job(done: float) -> None:
    """The rest's 0.8 interval holds 0.78 to 0.83 and is narrower than the first estimate."""
    held, _, ratio = rests(MANY, [1, 2], done)
    assert 0.78 <= held <= 0.83
    assert ratio < 0.75


@pytest.mark.slow
def test_fleet_of_twelve() -> None:
    """Intervals of twelve vans hold their coverage when customers differ; the sum of independent draws does not."""
    held, apart, _ = dozens(MANY, [1, 2])
    assert 0.74 <= held <= 0.86
    assert apart < 0.55
