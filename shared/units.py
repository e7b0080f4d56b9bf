"""Exact unit factors.

Source: NIST Special Publication 811 (2008), Appendix B: the pound, the inch, the foot and the standard gravity are
exact by definition; every other factor here is derived from them or from the definition of its unit.
"""

from __future__ import annotations

from typing import Final

LB_KG: Final = 0.45359237
G_KG: Final = 0.001
IN_M: Final = 0.0254
CM_M: Final = 0.01
MM_M: Final = 0.001
FT_M: Final = 0.3048
FT3_M3: Final = FT_M**3
STANDARD_GRAVITY_M_S2: Final = 9.80665

LB_PER_KG: Final = 1 / LB_KG
LB_PER_G: Final = G_KG / LB_KG
IN_PER_CM: Final = CM_M / IN_M
IN_PER_MM: Final = MM_M / IN_M

#: A pound-force on a square inch, in kilopascal.
PSI_KPA: Final = LB_KG * STANDARD_GRAVITY_M_S2 / IN_M**2 / 1000
KPA_PER_BAR: Final = 100.0
PSI_PER_KPA: Final = 1 / PSI_KPA
PSI_PER_BAR: Final = KPA_PER_BAR / PSI_KPA
#: The standard atmosphere.
ATM_PA: Final = 101325.0

#: A cubic foot a minute.
CFM_M3_H: Final = FT3_M3 * 60
CFM_L_S: Final = FT3_M3 * 1000 / 60
#: The mechanical horsepower, 550 foot-pounds-force a second, in watt.
HP_W: Final = 550 * FT_M * LB_KG * STANDARD_GRAVITY_M_S2

MIN_PER_HOUR: Final = 60.0
MIN_PER_DAY: Final = 24 * MIN_PER_HOUR
#: The mean year and month of the Gregorian calendar: 146,097 days in 400 years.
DAYS_PER_YEAR: Final = 146_097 / 400
DAYS_PER_MONTH: Final = DAYS_PER_YEAR / 12
ZERO_CELSIUS_K: Final = 273.15


def celsius_of_fahrenheit(degrees_f: float) -> float:
    """Return a temperature in °C: (F - 32) / 1.8 (NIST SP 811, B.8)."""
    return (degrees_f - 32.0) / 1.8


def fahrenheit_of_celsius(degrees_c: float) -> float:
    """Return a temperature in °F: 1.8 C + 32 (NIST SP 811, B.8)."""
    return 1.8 * degrees_c + 32.0


def kelvin_of_fahrenheit(degrees_f: float) -> float:
    """Return a temperature in kelvin: (F + 459.67) / 1.8 (NIST SP 811, B.8)."""
    return (degrees_f + 459.67) / 1.8
