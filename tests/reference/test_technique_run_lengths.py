"""Published average run lengths are reproduced by the integral equation and by the Markov chain."""

from __future__ import annotations

import numpy as np
import pytest

from models.technique.runlength import (
    cusum_arl,
    cusum_arl_markov,
    cusum_limit,
    ewma_arl,
    ewma_limit,
    level_shift_chance,
    stretch_chance,
    two_sided_cusum_arl,
)

# Lucas & Saccucci (1990), Technometrics 32:1-12, Table 3, as quoted in the manual pages of the R package spc.
LUCAS_SACCUCCI = {
    (0.5, 3.071): {0: 500, 0.25: 255, 0.5: 88.8, 0.75: 35.9, 1: 17.5, 1.5: 6.53, 2: 3.63, 3: 1.93, 5: 1.07},
    (0.03, 2.437): {0: 500, 0.25: 76.7, 0.5: 29.3, 0.75: 17.6, 1: 12.6, 1.5: 8.07, 2: 5.99, 3: 4.03, 5: 2.55},
}
# Lucas & Crosier (1982), Technometrics 24:199-205, Table 1: k = .5, h = 4, two-sided, as quoted there too.
LUCAS_CROSIER = {0: 168.0, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1: 8.38, 1.5: 4.75, 2: 3.34, 3: 2.19, 5: 1.31}
# Vance (1986), Journal of Quality Technology 18: one-sided, k = 0, h = 10.
VANCE = {-0.25: 2071.51, -0.125: 400.28, 0: 124.66, 0.125: 59.30, 0.25: 36.71, 0.5: 20.37, 1: 10.75}


@pytest.mark.parametrize(("chart", "table"), LUCAS_SACCUCCI.items())
def test_ewma_run_lengths_of_lucas_and_saccucci(chart, table):
    """The EWMA's ARL equals the printed one to the last printed digit."""
    for shift, printed in table.items():
        assert ewma_arl(*chart, shift) == pytest.approx(printed, rel=0.005)


@pytest.mark.parametrize(("shift", "printed"), LUCAS_CROSIER.items())
def test_two_sided_cusum_of_lucas_and_crosier(shift, printed):
    """Two one-sided CUSUMs joined give the printed two-sided ARL."""
    assert two_sided_cusum_arl(0.5, 4.0, shift) == pytest.approx(printed, rel=0.005)


@pytest.mark.parametrize(("shift", "printed"), VANCE.items())
def test_one_sided_cusum_of_vance(shift, printed):
    """The one-sided ARL without reference value equals the printed one."""
    assert cusum_arl(0.0, 10.0, shift) == pytest.approx(printed, rel=0.001)


def test_brook_and_evans_by_both_ways():
    """Brook & Evans (1972), Biometrika 59:539-548, sec. 4.3: k = .5, h = 3 gives 117.59 and, at 1.5, 3.75."""
    for arl in (cusum_arl, cusum_arl_markov):
        assert arl(0.5, 3.0) == pytest.approx(117.59, rel=0.001)
        assert arl(0.5, 3.0, 1.5) == pytest.approx(3.75, rel=0.002)


def test_waldmann_one_sided():
    """Waldmann (1986): k = .5, h = 3 at means -.5, 0, .5 gives 1963, 117.4 and 17.35."""
    for shift, printed in {-0.5: 1963.0, 0.0: 117.4, 0.5: 17.35}.items():
        assert cusum_arl(0.5, 3.0, shift) == pytest.approx(printed, rel=0.003)


def test_head_start_shortens_runs_as_printed():
    """Lucas & Crosier's head start of 2 at h = 4: on target 149 joined by McClave's rule, out of control 5.29 at 1."""
    plain, head = cusum_arl(0.5, 4.0), cusum_arl(0.5, 4.0, head_start=2.0)
    joined = (2 * head * plain - plain**2) / (2 * plain)
    assert joined == pytest.approx(149.0, rel=0.005)
    up, up_head = cusum_arl(0.5, 4.0, 1.0), cusum_arl(0.5, 4.0, 1.0, head_start=2.0)
    down, down_head = cusum_arl(0.5, 4.0, -1.0), cusum_arl(0.5, 4.0, -1.0, head_start=2.0)
    assert (up_head * down + down_head * up - up * down) / (up + down) == pytest.approx(5.29, rel=0.005)


def test_limits_for_a_wished_run_length():
    """Crowder (1989) and Lucas & Saccucci (1990) print these limits; the CUSUM's h = 5.07 for two-sided 500."""
    for weight, arl, printed in ((0.1, 250, 2.55), (0.2, 250, 2.72), (0.1, 500, 2.814), (0.25, 500, 2.998)):
        assert ewma_limit(weight, arl) == pytest.approx(printed, abs=0.006)
    assert cusum_limit(0.5, 1000.0) == pytest.approx(5.0707, abs=0.001)


def test_chance_of_a_stretch_agrees_with_simulation():
    """Siegmund's (1988) approximation is within sampling error of 4000 simulated records of 100 values."""
    rng = np.random.default_rng(0)
    x = rng.standard_normal((4000, 100))
    sums = np.concatenate([np.zeros((4000, 1)), (x - x.mean(axis=1, keepdims=True)).cumsum(axis=1)], axis=1)
    top = np.full(4000, -9.0)
    for length in range(6, 95):
        spread = np.sqrt(length * (1 - length / 100))
        top = np.maximum(top, ((sums[:, length:] - sums[:, :-length]) / spread).max(axis=1))
    for z in (3.0, 3.5, 4.0):
        share = float(np.mean(top > z))
        assert stretch_chance(z, 100, 6) == pytest.approx(share, abs=4 * np.sqrt(share / 4000))


def test_chance_of_a_level_shift_agrees_with_simulation():
    """James, James & Siegmund's (1987) approximation is within sampling error of 8000 records of 100 values."""
    rng = np.random.default_rng(1)
    x = rng.standard_normal((8000, 100))
    before = (x - x.mean(axis=1, keepdims=True)).cumsum(axis=1)[:, :-1]
    at = np.arange(1, 100)
    statistic = -before / np.sqrt(at * (100 - at) / 100)
    top = statistic[:, (at >= 6) & (at <= 94)].max(axis=1)
    for z in (2.5, 3.0, 3.5):
        share = float(np.mean(top > z))
        assert level_shift_chance(z, 100, 6) == pytest.approx(share, abs=4 * np.sqrt(share / 8000))


def test_a_small_stretch_says_nothing():
    """A statistic below 1, or too short a record, has no evidence in it."""
    assert stretch_chance(0.5, 100, 6) == 1.0
    assert stretch_chance(5.0, 10, 6) == 1.0
    assert level_shift_chance(0.5, 100, 6) == 1.0


def test_a_limit_of_zero_is_refused():
    """A CUSUM without a decision interval has no run length to speak of."""
    with pytest.raises(ValueError, match="h > 0"):
        cusum_arl(0.5, 0.0)
