"""Carbon dioxide as a gas: its volume per pound of dry ice, and the oxygen it leaves.

Molar mass of CO2 44.0095 g/mol (IUPAC); gas constant 8.31446261815324 J/(mol K), exact since 2019
(SI Brochure, 9th ed.).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from shared import units

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

MOLAR_MASS_KG: Final = 0.0440095
GAS_CONSTANT: Final = 8.31446261815324
#: Oxygen in dry air, percent by volume.
OXYGEN_PERCENT: Final = 20.95
PPM: Final = 1e6
#: Outdoor air of the 2020s in ppm, rounded; a planning value, editable.
OUTDOOR_PPM: Final = 420.0

_Z_DEFECT, _Z_POWER, _Z_AT_K = 0.00535, 3.35, 293.15


def pressure_pa(altitude_ft: float) -> float:
    """Return the air pressure at an altitude in Pa: 101325 (1 - 2.25577e-5 h)^5.25588, h in metres.

    Source: ICAO / U.S. Standard Atmosphere 1976, troposphere.
    """
    return float(units.ATM_PA * (1 - 2.25577e-5 * altitude_ft * units.FT_M) ** 5.25588)


def gas_ft3_per_lb(temperature_f: float = 70.0, altitude_ft: float = 0.0) -> float:
    """Return the volume of gas that one pound of dry ice becomes, in ft3 per lb.

    v = Z R T / (M p), with Z = 1 - 0.00535 (293.15 / T)^3.35 p/p0, fitted to the equation of state of Span & Wagner
    (1996, J. Phys. Chem. Ref. Data 25:1509) as CoolProp evaluates it; within 0.05 % of it from 0 to 45 °C and from sea
    level to 10,000 ft. The ideal gas (Z = 1) would be 0.5 % more at 70 °F.

    Parameters
    ----------
    temperature_f : float
        Of the mixed room air, °F: the cold gas takes the room's temperature.
    altitude_ft : float
        Above sea level, ft; volume goes with 1/pressure (x 1.21 at 5,280 ft).
    """
    kelvin = units.kelvin_of_fahrenheit(temperature_f)
    pressure = pressure_pa(altitude_ft)
    z = 1 - _Z_DEFECT * (_Z_AT_K / kelvin) ** _Z_POWER * pressure / units.ATM_PA
    m3_kg = z * GAS_CONSTANT * kelvin / (MOLAR_MASS_KG * pressure)
    return float(m3_kg * units.LB_KG / units.FT3_M3)


def oxygen_percent(co2_share: ArrayLike) -> NDArray[np.float64]:
    """Return the oxygen left where CO2 has displaced air, in percent: 20.95 (1 - x), same shape as `co2_share`.

    It falls to 19.5 % (oxygen-deficient by 29 CFR 1910.146(b)) only at x = 6.92 %, beyond the 4 % that is immediately
    dangerous: an oxygen meter does not guard against CO2.
    """
    return np.asarray(OXYGEN_PERCENT * (1 - np.asarray(co2_share, dtype=np.float64)), dtype=np.float64)
