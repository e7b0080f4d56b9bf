"""Amounts inside sentences: in the shop's currency and units, as answers that carry sentences tell them."""

from __future__ import annotations

from math import ceil
from typing import Final

from shared.units import CFM_M3_H, LB_KG

SIGNS: Final = {"USD": "$", "EUR": "€", "GBP": "£"}
#: Flows from here on are told to the ten.
TENS_FROM: Final = 100


def money(usd: float, currency: str, *, cents: bool = False) -> str:
    """Return an amount of money, whole unless `cents`; currencies without a common sign carry their code."""
    sign = SIGNS.get(currency)
    digits = f"{abs(usd):,.2f}" if cents else f"{abs(usd):,.0f}"
    minus = "-" if usd < 0 and digits.strip("0.,") else ""
    return f"{minus}{sign}{digits}" if sign else f"{minus}{digits} {currency}"


def charged(usd: float, currency: str) -> str:
    """Return an amount as it is charged: with its cents, where it has any."""
    return money(usd, currency, cents=abs(usd - round(usd)) >= 0.005)


def weight(lb: float, units: str, more: int = 0) -> str:
    """Return a weight: whole pounds or kilograms, one decimal below 10, and so many decimals more."""
    value, unit = (lb * LB_KG, "kg") if units == "metric" else (lb, "lb")
    # A half is rounded alike whatever residue its way through logarithms and units left.
    return f"{few(round(value, 9), more)} {unit}"


def flow(cfm: float, units: str) -> str:
    """Return a flow of air that was entered or measured: cfm or m3/h, to the ten from 100 on."""
    value, unit = (cfm * CFM_M3_H, "m3/h") if units == "metric" else (cfm, "cfm")
    return f"{value if value < TENS_FROM else round(value, -1):,.0f} {unit}"


def careful(value: float) -> str:
    """Return gas in the air, or the air that it takes, never rounded to the side that flatters: 13, 410, 5,000."""
    step = 1 if value < TENS_FROM else 10 if value < 10 * TENS_FROM else 100
    return f"{ceil(value / step - 1e-9) * step:,}"


def flow_needed(cfm: float, units: str) -> str:
    """Return a flow of air that is needed, rounded to the careful side."""
    return f"{careful(cfm * CFM_M3_H)} m3/h" if units == "metric" else f"{careful(cfm)} cfm"


def percent(share: float) -> str:
    """Return a share of 1 as a percentage; small ones as '< 1 %'."""
    if 0 < share < 0.005:
        return "< 1 %"
    if 0.995 < share < 1:
        return "> 99 %"
    return f"{share * 100:z.0f} %"


def loss_chance(share: float) -> str:
    """Return the chance that a job costs more than its price: scenarios without such a one do not show that none is."""
    return percent(share) if share else "< 1 %"


def change_words(share: float) -> str:
    """Return a change against 1 as words, such as '+7 %'; '0 %' where it rounds to none."""
    change = round((share - 1) * 100)
    return f"{change:+d} %" if change else "0 %"


def few(value: float, more: int = 0) -> str:
    """Return a number with the digits a person needs: 0.4, 7.5, 61, 1,240; with so many decimals more."""
    return f"{value:,.{more + (0 < abs(value) < 9.95)}f}"
