"""Gas from dry ice against CoolProp's Span & Wagner (1996) equation of state, and oxygen against published pairs."""

import CoolProp.CoolProp as CP
import pytest

from models.air.gas import gas_ft3_per_lb, oxygen_percent, pressure_pa
from shared import units


def _coolprop_ft3_per_lb(celsius: float, pascal: float) -> float:
    return units.LB_KG / CP.PropsSI("D", "T", celsius + 273.15, "P", pascal, "CO2") / units.FT3_M3


@pytest.mark.parametrize("celsius", [0.0, 10.0, 15.6, 20.0, 25.0, 35.0, 45.0])
@pytest.mark.parametrize("altitude_ft", [0.0, 2500.0, 5280.0, 10000.0])
def test_gas_volume_agrees_with_the_equation_of_state(celsius, altitude_ft):
    """The volume of a pound of gas is within 0.05 % of CoolProp's, well inside the half percent asked for."""
    ours = gas_ft3_per_lb(units.fahrenheit_of_celsius(celsius), altitude_ft)
    assert ours == pytest.approx(_coolprop_ft3_per_lb(celsius, pressure_pa(altitude_ft)), rel=5e-4)


@pytest.mark.parametrize(
    ("degrees_f", "ft3"),
    [(32.0, 8.103), (60.0, 8.574), (68.0, 8.709), (70.0, 8.742), (77.0, 8.860)],  # CoolProp 8, 1 atm
)
def test_gas_volume_at_room_temperatures(degrees_f, ft3):
    """A pound gives 8.1 to 8.9 ft3 between freezing and 77 °F at sea level."""
    assert gas_ft3_per_lb(degrees_f) == pytest.approx(ft3, rel=5e-4)


def test_ideal_gas_would_be_half_a_percent_more():
    """The real gas takes less room than the ideal one's 8.789 ft3 per lb at 70 °F (R T / (M p))."""
    assert gas_ft3_per_lb(70.0) / 8.789 == pytest.approx(0.9947, abs=5e-4)


def test_thin_air_at_a_mile_gives_a_fifth_more_gas():
    """At 5,280 ft a pound gives 10.587 ft3 at 20 °C: CoolProp at the pressure of the U.S. Standard Atmosphere 1976."""
    assert gas_ft3_per_lb(68.0, 5280.0) == pytest.approx(10.587, rel=5e-3)
    assert gas_ft3_per_lb(68.0, 5280.0) / gas_ft3_per_lb(68.0) == pytest.approx(1.21, abs=0.01)


@pytest.mark.parametrize(("altitude_m", "hpa"), [(0, 1013.25), (1000, 898.76), (2000, 795.01), (3000, 701.21)])
def test_pressure_follows_the_standard_atmosphere(altitude_m, hpa):
    """Pressure agrees with the table of the U.S. Standard Atmosphere 1976 (by geopotential height, from memory)."""
    assert pressure_pa(altitude_m / units.FT_M) / 100 == pytest.approx(hpa, rel=5e-4)


def test_oxygen_is_deficient_only_beyond_immediate_danger():
    """Oxygen reaches 19.5 % (29 CFR 1910.146(b)) at 6.92 % CO2, beyond NIOSH's 4 % of immediate danger."""
    assert float(oxygen_percent(0.069212)) == pytest.approx(19.5, abs=0.01)
    assert float(oxygen_percent(0.04)) > 20.1


def test_published_pair_of_carbon_dioxide_and_oxygen():
    """14 % CO2 stands beside 18 % oxygen (EIGA Doc 150/08, section 5.2)."""
    assert float(oxygen_percent(0.14)) == pytest.approx(18.0, abs=0.1)


def test_common_false_claim_is_not_reproduced():
    """The common claim that oxygen is 19.5 % at 1.4 % CO2 is false: it is 20.66 %."""
    assert float(oxygen_percent(0.014)) == pytest.approx(20.657, abs=0.005)
    assert abs(float(oxygen_percent(0.014)) - 19.5) > 1.0
