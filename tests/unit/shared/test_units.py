"""Conversions round-trip and agree with each other."""

import pytest

from shared import units


def test_inverse_factors_multiply_to_one():
    """A factor and its inverse undo each other."""
    assert pytest.approx(1, rel=1e-15) == units.LB_PER_KG * units.LB_KG
    assert pytest.approx(1, rel=1e-15) == units.PSI_PER_KPA * units.PSI_KPA
    assert pytest.approx(units.KPA_PER_BAR, rel=1e-15) == units.PSI_PER_BAR * units.PSI_KPA
    assert pytest.approx(units.IN_PER_MM * 100, rel=1e-15) == units.IN_PER_CM * 10


@pytest.mark.parametrize(("degrees_f", "degrees_c"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (-109.3, -78.5)])
def test_temperatures_convert_both_ways(degrees_f, degrees_c):
    """A temperature goes to Celsius and back, and to kelvin."""
    assert units.celsius_of_fahrenheit(degrees_f) == pytest.approx(degrees_c, abs=1e-9)
    assert units.fahrenheit_of_celsius(degrees_c) == pytest.approx(degrees_f, abs=1e-9)
    assert units.kelvin_of_fahrenheit(degrees_f) == pytest.approx(degrees_c + units.ZERO_CELSIUS_K, abs=1e-9)
