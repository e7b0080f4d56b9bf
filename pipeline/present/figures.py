"""How numbers are written for people: few digits, units always, the shop's units and currency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

#: Exact: 1 lb = 0.45359237 kg (NIST SP 811, appendix B.8).
KG_PER_LB: Final = 0.45359237
_SIGNS: Final = {"USD": "$", "EUR": "€", "GBP": "£"}


@dataclass(frozen=True)
class Style:
    """The shop's way of writing: units and currency of its `book.toml`."""

    units: Literal["us", "metric"] = "us"
    currency: str = "USD"

    def weight(self, lb: float) -> str:
        """Return a weight: whole pounds or kilograms, one decimal below 10."""
        value, unit = (lb, "lb") if self.units == "us" else (lb * KG_PER_LB, "kg")
        return f"{few(value)} {unit}"

    def weight_range(self, low_lb: float, high_lb: float) -> str:
        """Return two weights with one unit, such as '39 to 86 lb'."""
        return f"{self.weight(low_lb).rsplit(' ', 1)[0]} to {self.weight(high_lb)}"

    def money(self, usd: float, *, cents: bool = False) -> str:
        """Return an amount of money, whole unless `cents`; other currencies carry their code."""
        sign = _SIGNS.get(self.currency)
        digits = f"{abs(usd):,.2f}" if cents else f"{abs(usd):,.0f}"
        minus = "-" if usd < 0 and digits.strip("0.,") else ""
        return f"{minus}{sign}{digits}" if sign else f"{minus}{digits} {self.currency}"

    def price_of_weight(self, usd_per_lb: float) -> str:
        """Return a price a pound or a kilogram."""
        if self.units == "us":
            return f"{self.money(usd_per_lb, cents=True)}/lb"
        return f"{self.money(usd_per_lb / KG_PER_LB, cents=True)}/kg"


def few(value: float) -> str:
    """Return a number with the digits a person needs: 0.4, 7.5, 61, 1,240."""
    return f"{value:,.1f}" if 0 < abs(value) < 9.95 else f"{value:,.0f}"


def minutes(value: float) -> str:
    """Return person-minutes: '45 min' up to two hours, '3 h 10 min' beyond."""
    whole = round(value)
    return f"{whole} min" if whole < 120 else f"{whole // 60} h {whole % 60:02d} min"


def minutes_range(low: float, high: float) -> str:
    """Return two times in one unit, such as '70 to 145 min' or '1:10 to 5:36 h' (hours and minutes)."""
    if high < 300:
        return f"{low:.0f} to {high:.0f} min"
    return f"{_clock(low)} to {_clock(high)} h"


def _clock(value: float) -> str:
    whole = round(value)
    return f"{whole // 60}:{whole % 60:02d}"


def percent(share: float) -> str:
    """Return a share of 1 as a percentage; small ones as '< 1 %'."""
    if 0 < share < 0.005:
        return "< 1 %"
    if 0.995 < share < 1:
        return "> 99 %"
    return f"{share * 100:.0f} %"


def words(code: str) -> str:
    """Return a code as words: 'engine_bay' -> 'engine bay'."""
    return code.replace("_", " ")
