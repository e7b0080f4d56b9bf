"""Properties of the noise rules beside their worked values."""

import numpy as np
import pytest

from models.air.noise import (
    NIOSH_LIMIT,
    OSHA_ACTION,
    OSHA_LIMIT,
    RULES,
    added_dba,
    dose_percent,
    level_niosh,
    minutes_to_limit,
    twa_dba,
)


@pytest.mark.parametrize("rule", RULES)
def test_minutes_to_limit_use_up_the_dose_exactly(rule):
    """Working the minutes to the limit at a level gives exactly the rule's dose."""
    minutes = minutes_to_limit(105.0, rule)
    assert float(dose_percent([105.0], [minutes / 60], rule)) == pytest.approx(rule.limit_percent)


def test_levels_that_do_not_count_take_for_ever():
    """A level below a rule's threshold never reaches its limit and adds no dose."""
    assert minutes_to_limit(85.0, OSHA_LIMIT) == float("inf")
    assert float(dose_percent([79.0], [24.0], NIOSH_LIMIT)) == 0.0
    assert float(twa_dba(0.0, OSHA_ACTION)) == float("-inf")


def test_no_time_is_left_above_the_table():
    """Table G-16 ends at 115 dBA: above it no time is allowed by OSHA's limit."""
    assert minutes_to_limit(116.0, OSHA_LIMIT) == 0.0
    assert minutes_to_limit(115.0, OSHA_LIMIT) == pytest.approx(15.0)


def test_dose_is_drawn_along():
    """Hours drawn by scenario give one dose a scenario."""
    dose = dose_percent([100.0], np.array([[1.0, 2.0, 4.0]]), OSHA_LIMIT)
    assert dose == pytest.approx([50.0, 100.0, 200.0])


def test_a_weak_plug_never_makes_it_louder():
    """A derated plug below 7 dB leaves the bare level: protection cannot add noise."""
    assert level_niosh(100.0, 15.0, "other") == 100.0


def test_two_equal_levels_add_three_decibel():
    """Two equal sources are 3 dB louder than one."""
    assert added_dba([95.0, 95.0]) == pytest.approx(98.01, abs=0.01)
