"""Masses, times, pressures, lengths, temperatures, money and shares as people write them: text -> value or fault.

A unit in the cell wins over the header's, and the header's over the book's. The grammar is strict: what does not fit
is a fault with a hint, never a guess.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.intake.faults import Fault
from pipeline.intake.numbers import NO_CENTS, NUMBER, read_number, screen, two_readings, without_habit
from pipeline.intake.texts import is_blank
from pipeline.intake.units import FACTORS, SPELLINGS, currency_fits, is_currency, to_book, unit_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.intake.units import Kind

#: Distinct cells of one column that are remembered between chunks; beyond it the memory starts anew.
_REMEMBERED: Final = 200_000
_PLAIN: Final = re.compile(r"\d+(?:\.\d+)?")
_WITH_UNIT: Final = re.compile(rf"(?P<sign>[-+−]?)\s?(?P<number>{NUMBER})\s*(?P<unit>[^\d]*)")
_CLOCK: Final = re.compile(r"(\d{1,4}):(\d{2})(?::(\d{2})(?:\.0+)?)?\s*(\D*)")
_HOURS_AND_MINUTES: Final = re.compile(
    rf"(?P<h>{NUMBER})\s*(?:h|hr|hrs|hour|hours)\.?,?\s*(?:and|&|\+)?\s*(?P<m>{NUMBER})\s*(?P<unit>[a-z]*)\.?", re.I
)
_MONEY: Final = re.compile(
    rf"(?P<open>\()?(?P<sign>[-−]?)\s?(?P<before>[^\d\s(.,½¼¾-]{{0,4}})\s?(?P<sign2>[-−]?)(?P<number>{NUMBER})"
    r"(?P<sign3>[-−]?)\s?(?P<after>[^\d\s)/−–—-]{0,7}?)\s?(?P<per>(?:/|per )\s?[a-z#]+\.?)?(?P<close>\))?",
    re.I,
)
_WHOLE: Final = re.compile(r"(?:pass|no\.?|nr\.?|#)?\s*#?\s*(\d{1,6})(?:\.0+)?(?:st|nd|rd|th)?(?:\s*pass)?", re.I)


@dataclass(frozen=True)
class Parsed:
    """One column's cells as numbers.

    Attributes
    ----------
    values : float64 array (n_cells,)
        In the unit of the book's columns; NaN where the cell is blank or faulty.
    faults : dict of int to Fault
        Faulty cells by position.
    approximate : tuple of int
        Positions of cells such as '~60', which were read as 60.
    """

    values: NDArray[np.float64]
    faults: dict[int, Fault] = field(default_factory=dict)
    approximate: tuple[int, ...] = ()


class ColumnParser:
    """Reads the cells of one column chunk by chunk; each distinct cell is parsed once.

    Parameters
    ----------
    kind : Kind
        What the column holds, see `units.Kind`.
    unit : str
        Canonical unit of bare numbers (the header's, else `units.book_unit`); '' for kinds without units.
    decimal_comma : bool or None
        Whether the column proves decimal commas (`numbers.proves_decimal_comma`).
    currency : str
        The book's currency, an ISO 4217 code; a cell in another is a fault.
    unclear : bool
        Whether the file proves decimal commas, but not in this column: figures that could be two are faults.
    """

    def __init__(
        self,
        kind: Kind,
        unit: str = "",
        *,
        decimal_comma: bool | None = None,
        currency: str = "USD",
        unclear: bool = False,
    ) -> None:
        if unit and unit not in FACTORS[kind]:
            raise ValueError(f"{unit!r} is no unit of {kind}")
        self._how = (kind, unit, decimal_comma, currency)
        self._unclear = unclear
        self._known: dict[str, float] = {}
        self._odd: dict[str, Fault | None] = {}  # faults, and None for approximate cells

    def parse(self, cells: Sequence[str]) -> Parsed:
        """Return the cells of one chunk as numbers, faults by position, and positions of approximate cells."""
        if len(self._known) > _REMEMBERED:
            self._known.clear()
            self._odd.clear()
        known, odd = self._known, self._odd
        for text in set(cells).difference(known):
            value, approximate = parse_quantity(text, *self._how)
            readings = two_readings(text) if self._unclear and not isinstance(value, Fault) else None
            if readings and not parts_thousands(self._how[0], text):
                sign = -1.0 if isinstance(value, float) and value < 0 else 1.0
                value = _could_be_two(sign * readings[0], sign * readings[1])
            known[text] = math.nan if isinstance(value, Fault) else value
            if isinstance(value, Fault) or approximate:
                odd[text] = value if isinstance(value, Fault) else None
        values = np.fromiter(map(known.__getitem__, cells), dtype=np.float64, count=len(cells))
        if not odd:
            return Parsed(values)
        where = [(i, odd[text]) for i, text in enumerate(cells) if text in odd]
        faults = {i: fault for i, fault in where if fault is not None}
        return Parsed(values, faults, tuple(i for i, fault in where if fault is None))


def parts_thousands(kind: Kind, text: str) -> bool:
    """Tell whether the comma of a figure that could be two is a thousands sign: amounts have at most two decimals."""
    return kind == "money" and "," in text


def parse_column(
    cells: Sequence[str], kind: Kind, unit: str = "", decimal_comma: bool | None = None, *, currency: str = "USD"
) -> Parsed:
    """Return a whole column at once; see `ColumnParser` for the parameters."""
    return ColumnParser(kind, unit, decimal_comma=decimal_comma, currency=currency).parse(cells)


def parse_quantity(
    text: str, kind: Kind, unit: str = "", decimal_comma: bool | None = None, currency: str = "USD"
) -> tuple[float | Fault, bool]:
    """Return (value, whether it was written as approximate) of one cell; NaN where it is blank.

    Masses come in lb, durations in min, pressures in psi, lengths in in, temperatures in F, ages in days, rates in
    lb/min, prices of ice in money per lb, shares in 0..1. A negative is a value here: refusing it is the log's rule.
    """
    if kind not in ("temperature", "whole", "share", "money_per_mass") and not decimal_comma and _PLAIN.fullmatch(text):
        return (to_book(kind, float(text), unit) if unit != "h:mm" else _clock_wanted(text)), False
    if is_blank(text):
        return math.nan, False
    screened = screen(text, decimal_comma)
    if isinstance(screened, Fault):
        return screened, False
    plain = screened.text
    value: float | Fault
    if kind == "duration":
        value = _duration(plain, unit, decimal_comma)
    elif kind in ("money", "money_per_mass"):
        value = _money(plain, kind, unit, decimal_comma, currency)
    elif kind == "whole":
        whole = _WHOLE.fullmatch(plain)
        value = float(whole[1]) if whole else Fault("not-whole", "write a whole number, for example 1")
    else:
        value = _measure(plain, kind, unit, decimal_comma)
    if not isinstance(value, Fault) and not math.isfinite(value):
        return Fault("not-a-number", "write a finite number"), False
    return value, screened.approximate and not isinstance(value, Fault)


def _measure(text: str, kind: str, unit: str, decimal_comma: bool | None) -> float | Fault:
    match = _WITH_UNIT.fullmatch(text)
    if not match and kind == "mass" and text.startswith("#"):
        match = _WITH_UNIT.fullmatch(text[1:].lstrip() + " #")
    if not match:
        return _no_number(kind)
    named = match["unit"].strip(" .,;°") if kind == "temperature" else match["unit"].strip(" .,;")
    value = read_number(match["number"], decimal_comma) * (-1.0 if match["sign"] in "-−" and match["sign"] else 1.0)
    chosen = unit
    if named:
        found = unit_of(kind, named)
        if found is None:
            return _unknown_unit(kind, named)
        chosen = found
    bare_share = kind == "share" and not named and chosen == "%" and 0.0 < value <= 1.0
    if bare_share or (kind == "share" and chosen != "%" and not 0.0 <= value <= 1.0):
        percent = 100 * value if bare_share else value
        return Fault(
            "share-or-percent", f"write {percent:g} % or {percent / 100:g}, so that it is clear which is meant"
        )
    return to_book(kind, value, chosen)


def _duration(text: str, unit: str, decimal_comma: bool | None) -> float | Fault:
    clock = _CLOCK.fullmatch(text)
    if clock:
        return _clock(clock)
    both = _HOURS_AND_MINUTES.fullmatch(text)
    if both and unit_of("duration", both["unit"] or "min") == "min":
        return read_number(both["h"], decimal_comma) * 60.0 + read_number(both["m"], decimal_comma)
    if unit == "h:mm" and not re.search(r"[a-z]", text, re.I):
        return _clock_wanted(text)
    return _measure(text, "duration", unit, decimal_comma)


def _clock(match: re.Match[str]) -> float | Fault:
    """Return the minutes of h:mm or h:mm:ss."""
    hours, minutes, seconds, tail = match.groups()
    named = tail.strip(" .").casefold()
    if named in ("am", "pm", "a.m", "p.m"):
        return Fault("time-of-day", "this is a time of day; write how long it took, for example 1:30 or 90 min")
    if named and unit_of("duration", named) not in ("h", "h:mm"):
        return Fault("two-readings", f"h:mm is hours and minutes; write {hours}:{minutes}, or minutes as a decimal")
    if int(minutes) > 59 or int(seconds or 0) > 59:
        return Fault("bad-minutes", "after the colon stand minutes 00 to 59; write for example 1:30 or 90 min")
    return int(hours) * 60.0 + int(minutes) + int(seconds or 0) / 60.0


def _clock_wanted(text: str) -> Fault:
    return Fault("two-readings", f"the head says hh:mm; write {text} min, {text} h or h:mm")


def _money(text: str, kind: Kind, unit: str, decimal_comma: bool | None, currency: str) -> float | Fault:
    no_cents = NO_CENTS.search(text)
    if no_cents:
        text, decimal_comma = text[: no_cents.start()] + text[no_cents.end() :], no_cents[1] == ","
    match = _MONEY.fullmatch(text)
    if not match or bool(match["open"]) != bool(match["close"]):
        return _no_number(kind)
    if no_cents and no_cents[1] in match["number"]:
        return _no_number(kind)  # '12,50,-'
    for named in (match["before"], match["after"].strip(". ")):
        if not named:
            continue
        if not is_currency(named):
            return Fault("unknown-unit", f"{named!r} is no currency; write the amount alone or with {currency}")
        if not currency_fits(named, currency):
            return Fault("other-currency", f"the book's currency is {currency}; write the amount in it")
    # An amount has at most two decimals: '1,150' is none of cents, whatever its column shows.
    value = read_number(match["number"], None if parts_thousands(kind, match["number"]) else decimal_comma)
    if match["open"] or match["sign"] or match["sign2"] or match["sign3"]:
        value = -value
    if kind == "money":
        return Fault("unknown-unit", "this column wants an amount, not a price per unit") if match["per"] else value
    chosen: str | None = unit or "/lb"
    if match["per"]:
        chosen = unit_of("money_per_mass", match["per"])
        if chosen is None:
            return _unknown_unit("mass", match["per"])
    return to_book(kind, value, chosen or "/lb")


def _could_be_two(whole: float, part: float) -> Fault:
    decimal = without_habit(f"{part:g}".replace(".", ","))
    hint = f"other columns have decimal commas, so this is {whole:g} or {part:g}; write {whole:g} or {decimal}"
    return Fault("figure-could-be-two", hint)


def _no_number(kind: str) -> Fault:
    examples = {
        "mass": "45, 45 lb or 20 kg",
        "duration": "90, 90 min, 1.5 h or 1:30",
        "pressure": "90, 90 psi or 6 bar",
        "length": "8, 8 in or 20 cm",
        "temperature": "68, 68 F or 20 C",
        "money": "1234.50",
        "money_per_mass": "1.30 or 1.30/lb",
        "rate": "2.5 or 2.5 lb/min",
        "share": "60 % or 0.6",
        "days": "3 or 3 days",
    }
    return Fault("not-a-number", f"write one figure, for example {examples.get(kind, '12.5')}")


def _unknown_unit(kind: str, named: str) -> Fault:
    known = sorted(set(SPELLINGS[kind].values())) if SPELLINGS.get(kind) else sorted(FACTORS[kind])
    expected = ", ".join(known) if known else "none"
    return Fault("unknown-unit", f"{named!r} is no unit of this column; known: {expected}")
