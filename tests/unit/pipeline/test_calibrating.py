"""The calibration of a shop that learned lately: what its record tells, and what it cannot tell yet."""

from __future__ import annotations

import numpy as np
import pytest

from models.consumption.backtest import Record
from pipeline.answers.calibrating import _shift
from shared.vocabulary import QUANTILE_LEVELS

DAY = 739_000


def record_of(ratio: np.ndarray, n_before: np.ndarray) -> Record:
    """Return the record of jobs, one a day, that took `ratio` times what was expected."""
    n = len(ratio)
    actual = np.vstack([40.0 * ratio, np.full(n, np.nan)])
    expected = np.full((2, n, len(QUANTILE_LEVELS)), 40.0)
    pit = np.vstack([np.full(n, 0.5), np.full(n, np.nan)])
    return Record(tuple(map(str, range(n))), DAY + np.arange(n), n_before, actual, expected[:, :, 0], pit, expected)


@pytest.mark.parametrize("later", [1.0, 1.5])
def test_leaving_the_planning_figures_is_no_shift(later: float) -> None:
    """Jobs of one law at 2.5 times the planning figures: only what changes among learned answers is a shift."""
    n_before = np.repeat([0, 14, 28, 42], [14, 14, 14, 58])
    ratio = np.exp(0.2 * np.random.default_rng(1).standard_normal(100))
    ratio[n_before == 0] *= 2.5
    ratio[70:] *= later
    found = _shift(record_of(ratio, n_before))
    if later == 1.0:
        assert found is None
    else:
        assert found is not None
        assert abs(found.date.toordinal() - DAY - 70) < 8
        assert found.ratio.low < 1.5 < found.ratio.high
