"""What a predictive refuses, and that its draws stay as they are."""

import numpy as np
import pytest

from shared.predictive import Predictive


def made(draws: object) -> Predictive:
    return Predictive(np.array(draws), "pellets_lb", "lb", "learned")


@pytest.mark.parametrize("draws", [[[1.0, -0.1]], [[1.0, np.nan]], [[np.inf, 1.0]], [1.0, 2.0]])
def test_draws_are_finite_not_negative_and_a_table(draws: object) -> None:
    """Amounts cannot be negative or unknown, and a row is a target."""
    with pytest.raises(ValueError, match=r"finite and >= 0|n_targets, n_draws"):
        made(draws)


def test_draws_are_kept_as_they_were_and_sum_scenario_by_scenario() -> None:
    """What is changed afterwards changes no answer; sums of rows keep a scenario together; 0 is an amount."""
    draws = np.array([[0.0, 1.0], [2.0, 3.0], [4.0, 5.0]])
    found = Predictive(draws, "pellets_lb", "lb", "learned", 7)
    draws[0, 0] = 99.0
    sums = found.summed([1, 0, 1], 2)
    assert sums.draws.tolist() == [[2.0, 3.0], [4.0, 6.0]]
    assert (sums.n_rows, sums.n_targets, sums.n_draws) == (7, 2, 2)
    with pytest.raises(ValueError, match="read-only"):
        found.draws[0, 0] = 1.0


def test_nothing_asked_is_no_error() -> None:
    """No target at all is an empty table."""
    assert made(np.empty((0, 3))).n_targets == 0
