"""How numbers are written for people: few digits, units always, the shop's units and currency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from pipeline.answers import amounts
from pipeline.answers.amounts import careful, few, loss_chance, percent
from shared.units import CFM_M3_H
from shared.units import LB_KG as KG_PER_LB

__all__ = [
    "KG_PER_LB",
    "Style",
    "careful",
    "few",
    "loss_chance",
    "minutes",
    "minutes_range",
    "money_range",
    "percent",
    "words",
]


@dataclass(frozen=True)
class Style:
    """The shop's way of writing: units and currency of its `book.toml`."""

    units: Literal["us", "metric"] = "us"
    currency: str = "USD"

    def weight(self, lb: float, more: int = 0) -> str:
        """Return a weight: whole pounds or kilograms, one decimal below 10, and so many decimals more."""
        return amounts.weight(lb, self.units, more)

    def weight_range(self, low_lb: float, high_lb: float, more: int = 0) -> str:
        """Return two weights with one unit, such as '39 to 86 lb'."""
        return f"{self.weight(low_lb, more).rsplit(' ', 1)[0]} to {self.weight(high_lb, more)}"

    def scores(self, name: str) -> tuple[str, float]:
        """Return the head of a column of weights without units, such as 'pellets, kg', and what a pound is in it."""
        return (f"{name}, lb", 1.0) if self.units == "us" else (f"{name}, kg", KG_PER_LB)

    def money(self, usd: float, *, cents: bool = False) -> str:
        """Return an amount of money, whole unless `cents`; other currencies carry their code."""
        return amounts.money(usd, self.currency, cents=cents)

    def charged(self, usd: float) -> str:
        """Return an amount as it is charged: with its cents, where it has any."""
        return amounts.charged(usd, self.currency)

    @property
    def flow_unit(self) -> tuple[str, float]:
        """The unit of flowing air, and what a cubic foot a minute is in it."""
        return ("cfm", 1.0) if self.units == "us" else ("m3/h", CFM_M3_H)

    def flow(self, cfm: float) -> str:
        """Return a flow of air that was entered or measured."""
        return amounts.flow(cfm, self.units)

    def flow_needed(self, cfm: float) -> str:
        """Return a flow of air that is needed, rounded to the careful side."""
        return amounts.flow_needed(cfm, self.units)

    def price_of_weight(self, usd_per_lb: float) -> str:
        """Return a price a pound or a kilogram."""
        if self.units == "us":
            return f"{self.money(usd_per_lb, cents=True)}/lb"
        return f"{self.money(usd_per_lb / KG_PER_LB, cents=True)}/kg"


class _WritesMoney(Protocol):
    def __call__(self, usd: float, *, cents: bool = False) -> str: ...


def money_range(low_usd: float, high_usd: float, write: _WritesMoney) -> str:
    """Return a range of money, with cents where its ends are alike without, and 'fixed' where there is none."""
    low, high = write(low_usd), write(high_usd)
    if low != high:
        return f"{low} to {high}"
    cents = write(low_usd, cents=True), write(high_usd, cents=True)
    return "fixed" if cents[0] == cents[1] else f"{cents[0]} to {cents[1]}"


def minutes(value: float) -> str:
    """Return person-minutes: '45 min' up to two hours, '3:10 h' (hours and minutes) beyond."""
    whole = round(value)
    return f"{whole} min" if whole < _HOURS_FROM else f"{_clock(value)} h"


def minutes_range(low: float, high: float, beside: float) -> str:
    """Return two times in the unit of the time they stand beside: '70 to 145 min' or '1:10 to 5:36 h'."""
    if round(beside) < _HOURS_FROM:
        return f"{low:.0f} to {high:.0f} min"
    return f"{_clock(low)} to {_clock(high)} h"


#: Times from this many minutes on are told in hours and minutes.
_HOURS_FROM = 120


def _clock(value: float) -> str:
    whole = round(value)
    return f"{whole // 60}:{whole % 60:02d}"


def words(code: str) -> str:
    """Return a code as words: 'engine_bay' -> 'engine bay'."""
    return code.replace("_", " ")
