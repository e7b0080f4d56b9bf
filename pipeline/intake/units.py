"""The units a shop writes, as exact factors to the book's own.

lb, in and ft are exact by definition; the pound-force per square inch follows from lb, in and the standard
acceleration 9.80665 m/s2 (NIST Special Publication 811, appendix B). No general unit library reads user text here: one
that was tried took '12,5 kg' for 125 kg.
"""

from __future__ import annotations

from typing import Final, Literal

from shared.units import (
    IN_PER_CM,
    IN_PER_MM,
    LB_PER_G,
    LB_PER_KG,
    MIN_PER_HOUR,
    PSI_PER_BAR,
    PSI_PER_KPA,
)

Kind = Literal[
    "mass", "duration", "pressure", "length", "temperature", "money", "money_per_mass", "rate", "share", "number",
    "days", "whole",
]  # fmt: skip
Units = Literal["us", "metric"]

_MASS: Final = {"lb": 1.0, "kg": LB_PER_KG, "g": LB_PER_G, "oz": 1.0 / 16.0}
_DURATION: Final = {"min": 1.0, "h": MIN_PER_HOUR, "s": 1.0 / 60.0}
#: Factor of each canonical unit to the unit of the book's columns: lb, min, psi, in, days, lb/min, money per lb.
FACTORS: Final[dict[str, dict[str, float]]] = {
    "mass": _MASS,
    "duration": _DURATION | {"h:mm": 1.0},
    "pressure": {"psi": 1.0, "bar": PSI_PER_BAR, "kpa": PSI_PER_KPA, "mpa": 10.0 * PSI_PER_BAR},
    "length": {"in": 1.0, "cm": IN_PER_CM, "mm": IN_PER_MM, "ft": 12.0, "m": 100.0 * IN_PER_CM},
    "days": {"d": 1.0, "h": 1.0 / 24.0},
    "rate": {f"{m}/{t}": f / s for m, f in _MASS.items() for t, s in _DURATION.items()},
    "money_per_mass": {f"/{m}": 1.0 / f for m, f in _MASS.items()},
    "share": {"share": 1.0, "%": 0.01},
    "temperature": {"f": 1.0, "c": 1.0},  # affine: see `to_book`
    "money": {},
    "number": {},
    "whole": {},
}
#: Spellings of a unit (lower case, no dots, no spaces) to the canonical one, by kind.
SPELLINGS: Final[dict[str, dict[str, str]]] = {
    "mass": {"lb": "lb", "lbs": "lb", "#": "lb", "pound": "lb", "pounds": "lb", "lbm": "lb"}
    | {"kg": "kg", "kgs": "kg", "kilo": "kg", "kilos": "kg", "kilogram": "kg", "kilograms": "kg"}
    | {"g": "g", "gr": "g", "gram": "g", "grams": "g", "oz": "oz", "ounce": "oz", "ounces": "oz"},
    "duration": {"min": "min", "mins": "min", "minute": "min", "minutes": "min", "m": "min", "mn": "min"}
    | {"h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "hh:mm": "h:mm", "h:mm": "h:mm", "hhmm": "h:mm"}
    | {"s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s"},
    "pressure": {"psi": "psi", "psig": "psi", "lb/in2": "psi", "bar": "bar", "bars": "bar", "barg": "bar"}
    | {"kpa": "kpa", "mpa": "mpa"},
    "length": {"in": "in", "ins": "in", "inch": "in", "inches": "in", '"': "in", "″": "in", "”": "in", "''": "in"}
    | {"cm": "cm", "mm": "mm", "ft": "ft", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft", "m": "m"},
    "temperature": {"f": "f", "°f": "f", "degf": "f", "degreesf": "f", "fahrenheit": "f"}
    | {"c": "c", "°c": "c", "degc": "c", "degreesc": "c", "celsius": "c"},
    "days": {"d": "d", "day": "d", "days": "d", "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h"},
    "share": {"%": "%", "percent": "%", "pct": "%", "share": "share"},
    "money": {},
    "number": {},
    "whole": {},
}
_BOOK_UNITS: Final[dict[str, dict[str, str]]] = {
    "us": {
        "mass": "lb",
        "pressure": "psi",
        "length": "in",
        "temperature": "f",
        "rate": "lb/min",
        "money_per_mass": "/lb",
    },
    "metric": {"mass": "kg", "pressure": "bar", "length": "cm", "temperature": "c", "rate": "kg/min"}
    | {"money_per_mass": "/kg"},
}
_CURRENCY_SIGNS: Final[dict[str, frozenset[str]]] = {
    "$": frozenset({"USD", "CAD", "AUD", "NZD", "SGD", "HKD", "MXN", "CLP", "COP", "ARS"}),
    "€": frozenset({"EUR"}),
    "£": frozenset({"GBP"}),
    "¥": frozenset({"JPY", "CNY"}),
    "₹": frozenset({"INR"}),
    "₩": frozenset({"KRW"}),
    "zł": frozenset({"PLN"}),
    "kr": frozenset({"SEK", "NOK", "DKK", "ISK"}),
    "r$": frozenset({"BRL"}),
    "us$": frozenset({"USD"}),
    "c$": frozenset({"CAD"}),
    "ca$": frozenset({"CAD"}),
    "a$": frozenset({"AUD"}),
    "au$": frozenset({"AUD"}),
    "nz$": frozenset({"NZD"}),
    "fr": frozenset({"CHF"}),
}
_CURRENCY_CODES: Final = frozenset().union(*_CURRENCY_SIGNS.values()) | {"CHF", "ZAR", "CZK", "HUF", "TRY", "ILS"}
_CURRENCY_NAMES: Final = {"dollar": "$", "dollars": "$", "bucks": "$", "euro": "€", "euros": "€"}


def book_unit(kind: str, units: Units) -> str:
    """Return the unit in which bare numbers of a kind stand in a book: lb or kg, psi or bar, in or cm, F or C.

    Durations are minutes and ages days in either; kinds without units give ''.
    """
    common = {"duration": "min", "days": "d", "share": "share"}
    return _BOOK_UNITS[units].get(kind, common.get(kind, ""))


def book_measure(kind: str, units: Units) -> tuple[str, float]:
    """Return the book's unit of a kind of figure, and how much of the stored unit is in one of it.

    Degrees, which do not start at one zero, have the factor 1.
    """
    name = book_unit(kind, units)
    return name, FACTORS.get(kind, {}).get(name, 1.0)


def unit_of(kind: str, text: str) -> str | None:
    """Return the canonical unit that a text names for a kind of quantity, or None.

    Rates are a mass over a time ('lb/min', 'kg per h', 'lb_min'); prices of ice are money over a mass ('/lb',
    'usd_per_lb'): for these only the mass is returned, as '/lb'. Currencies are judged by `currency_fits`.
    """
    plain = text.casefold().replace(" ", "").replace("_", "").replace(".", "").strip("()[]")
    if kind not in ("rate", "money_per_mass"):
        return SPELLINGS[kind].get(plain)
    parts = (
        text.casefold()
        .replace(".", "")
        .replace("per", "/")
        .replace("_", "/")
        .replace(" ", "/")
        .strip("()[]")
        .split("/")
    )
    parts = [p for p in parts if p]
    if kind == "rate" and len(parts) == 2:
        mass, time = SPELLINGS["mass"].get(parts[0]), SPELLINGS["duration"].get(parts[1])
        return f"{mass}/{time}" if mass and time and time != "h:mm" else None
    if kind == "money_per_mass" and parts and (len(parts) == 1 or is_currency(parts[0])) and len(parts) <= 2:
        mass = SPELLINGS["mass"].get(parts[-1])
        return f"/{mass}" if mass else None
    return None


def to_book(kind: str, value: float, unit: str) -> float:
    """Return a value given in a canonical unit in that of the book's columns (lb, min, psi, in, F, days, shares)."""
    if kind == "temperature":
        return value * 9.0 / 5.0 + 32.0 if unit == "c" else value
    return value * FACTORS[kind][unit] if unit else value


def is_currency(text: str) -> bool:
    """Tell whether a text is a currency's sign, code or name."""
    plain = text.casefold().strip(" .")
    return plain in _CURRENCY_SIGNS or plain.upper() in _CURRENCY_CODES or plain in _CURRENCY_NAMES


def currency_fits(text: str, currency: str) -> bool:
    """Tell whether a currency's sign, code or name can mean the book's currency (an ISO 4217 code)."""
    plain = text.casefold().strip(" .")
    plain = _CURRENCY_NAMES.get(plain, plain)
    return currency.upper() in _CURRENCY_SIGNS.get(plain, frozenset({plain.upper()}))
