"""Options that carry their unit in their name, such as --length-ft: a figure in that unit, or told in which it was."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import typer

from shared.errors import UsageError
from shared.units import CFM_L_S, CFM_M3_H

if TYPE_CHECKING:
    from collections.abc import Callable


class _Unit(NamedTuple):
    shown: str
    names: frozenset[str]
    #: Kind of quantity (`pipeline.intake.units.Kind`) whose other units are told in this one, and what one of
    #: it is in the unit of the book's columns.
    kind: str = ""
    size: float = 1.0


_UNITS: Final = {
    "ft": _Unit("ft", frozenset(("ft", "feet", "foot", "'")), "length", 12.0),
    "f": _Unit("F", frozenset(("f", "°f", "degf", "fahrenheit")), "temperature"),
    "min": _Unit("min", frozenset(("min", "mins", "minute", "minutes")), "duration"),
    "lb": _Unit("lb", frozenset(("lb", "lbs", "pound", "pounds")), "mass"),
    "lb-day": _Unit("lb a day", frozenset(("lb", "lbs", "lb/day", "lbs/day", "lb/d", "lbaday", "lbperday"))),
    "days": _Unit("days", frozenset(("d", "day", "days")), "days"),
    "cfm": _Unit("cfm", frozenset(("cfm", "ft3/min", "cuft/min"))),
    "dba": _Unit("dBA", frozenset(("dba", "db(a)", "db"))),
}
#: Flows in cfm, by their spelling.
_CFM: Final = {"m3/h": 1 / CFM_M3_H, "m³/h": 1 / CFM_M3_H, "l/s": 1 / CFM_L_S, "m3/s": 3600 / CFM_M3_H}
_FIGURE: Final = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?)\s*([^\s\d:].*?)?\s*", re.IGNORECASE)


def measure_option(name: str, unit: str, help_text: str, *, low: float = -math.inf, high: float = math.inf) -> Any:
    """Return the declaration of an option that is read by `measured`."""
    shown = unit.split("-")[0].upper()
    return typer.Option(name, metavar=shown, parser=measured(name, unit, low=low, high=high), help=help_text)


def measured(
    option: str, unit: str, *, low: float = -math.inf, high: float = math.inf
) -> Callable[[str | float], float]:
    """Return a reader of one option's text as a figure in the unit of its name; that unit may be written behind it.

    Another unit is not converted without a word: the name of the option says what its figure is, and one of both is a
    slip. What it would be is told.
    """
    own = _UNITS[unit]

    def read(text: str | float) -> float:
        if isinstance(text, float):  # a default, which stands as it is
            return text
        match = _FIGURE.fullmatch(text)
        named = (match[2] or "") if match else ""
        if not match or math.isinf(float(match[1])) or (named and named.casefold().replace(" ", "") not in own.names):
            figure = _converted(text, own) if match or ":" in text else None
            found = f"`{text}`, in {named}" if named else f"`{text}`"
            do = f"Write {option} {figure:.4g}." if figure is not None else f"Write the figure alone, in {own.shown}."
            raise UsageError("other-unit" if named else "no-number", where=option, found=found,
                             expected=f"a figure in {own.shown}", do=do)  # fmt: skip
        value = float(match[1])
        if not low <= value <= high:
            raise UsageError("out-of-range", where=option, found=f"`{text}`",
                             expected=f"{low:g} to {high:g} {own.shown}", do="Check the figure.")  # fmt: skip
        return value

    return read


def _converted(text: str, own: _Unit) -> float | None:
    """Return what a text in another unit is in an option's own, None where it is none of that kind."""
    match = _FIGURE.fullmatch(text)
    if own.shown == "cfm" and match:
        factor = _CFM.get((match[2] or "").casefold().replace(" ", ""))
        return float(match[1]) * factor if factor else None
    if not own.kind:
        return None
    from pipeline.intake.quantities import parse_quantity

    value, _ = parse_quantity(text, own.kind)  # type: ignore[arg-type]  # kinds are texts here
    return value / own.size if isinstance(value, float) and math.isfinite(value) else None
