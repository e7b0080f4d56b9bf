"""Noise dose against the worked values of 29 CFR 1910.95 Appendices A and B, NIOSH 98-126 and a handbook sum."""

import pytest

from models.air.noise import (
    NIOSH_LIMIT,
    OSHA_ACTION,
    OSHA_LIMIT,
    added_dba,
    dose_percent,
    level_label,
    level_niosh,
    level_osha_half,
    minutes_to_limit,
    reference_hours,
    twa_dba,
)


#: 29 CFR 1910.95 App. A, Table G-16a: level, hours, places printed (83 dBA is left out: editions print 21.1 and 21.2).
@pytest.mark.parametrize(
    ("level", "hours", "places"),
    [
        (80, 32, 0), (85, 16, 0), (88, 10.6, 1), (90, 8, 0), (92, 6.1, 1), (95, 4, 0), (97, 3.0, 1), (100, 2, 0),
        (102, 1.5, 1), (105, 1, 0), (107, 0.76, 2), (110, 0.5, 1), (112, 0.38, 2), (115, 0.25, 2),
    ],
)  # fmt: skip
def test_reference_durations(level, hours, places):
    """The reference duration of a level is that of Table G-16a."""
    assert round(float(reference_hours(level, OSHA_LIMIT)), places) == hours


def test_eight_hours_at_92():
    """8 h at 92 dBA are about 131 % by the table's 6.1 h (App. A), 132 % by its formula."""
    assert float(dose_percent([92], [8], OSHA_LIMIT)) == pytest.approx(131, abs=1.1)
    assert 100 * 8 / round(float(reference_hours(92, OSHA_LIMIT)), 1) == pytest.approx(131, abs=0.2)


def test_three_levels_in_a_shift():
    """4 h at 90, 2 h at 95 and 2 h at 85 dBA are 112.5 % and 90.85 dBA (App. A formulas, all levels counted)."""
    dose = float(dose_percent([90, 95, 85], [4, 2, 2], OSHA_ACTION))
    assert dose == pytest.approx(112.5, abs=0.01)
    assert float(twa_dba(dose, OSHA_ACTION)) == pytest.approx(90.85, abs=0.01)


def test_limit_counts_from_90_only():
    """By Table G-16 the 2 h at 85 dBA do not count: 100 %."""
    assert float(dose_percent([90, 95, 85], [4, 2, 2], OSHA_LIMIT)) == pytest.approx(100.0, abs=1e-9)


def test_half_a_dose_is_85():
    """A dose of 50 % is the action level of 85 dBA (1910.95(c)), and 16 h at 85 dBA the whole dose."""
    assert float(twa_dba(50, OSHA_ACTION)) == pytest.approx(85.0, abs=1e-9)
    assert minutes_to_limit(85, OSHA_ACTION) == pytest.approx(480)


def test_niosh_hour_at_100():
    """1 h at 100 dBA is 400 % and 91.02 dBA (NIOSH 98-126 formulas, 10 log10(D/100) + 85)."""
    dose = float(dose_percent([100], [1], NIOSH_LIMIT))
    assert dose == pytest.approx(400, abs=0.01)
    assert float(twa_dba(dose, NIOSH_LIMIT)) == pytest.approx(91.02, abs=0.01)
    assert minutes_to_limit(100, NIOSH_LIMIT) == pytest.approx(15)  # T = 480 / 2^((L - 85) / 3)


def test_protection_by_label_and_by_field_practice():
    """NRR 29 on 98 dBA: 76 by App. B (98 - (29 - 7)), 87 by half of it (CPL 02-02-035 App. A)."""
    assert level_label(98, 29) == 76
    assert level_osha_half(98, 29) == 87
    assert level_osha_half(98, 29, second=True) == 82  # 5 dB more for a second protector


@pytest.mark.parametrize(("protector", "level"), [("muffs", 83.25), ("formable", 90.5), ("other", 96.3)])
def test_protection_as_worn_by_niosh(protector, level):
    """NIOSH 98-126 takes 25, 50 and 70 % off the rating of muffs, formable plugs and other plugs."""
    assert level_niosh(98, 29, protector) == pytest.approx(level, abs=1e-9)


def test_adding_levels():
    """85, 88, 80, 70 and 95 dB together are 96.25 dB (handbook example, 10 log10 of the summed powers)."""
    assert added_dba([85, 88, 80, 70, 95]) == pytest.approx(96.25, abs=0.05)
