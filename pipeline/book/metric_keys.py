"""What a metric key of `book.toml` would be: its keys are in pounds and feet whatever units the shop reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from shared.units import CFM_M3_H, FT_M, LB_KG

if TYPE_CHECKING:
    from collections.abc import Collection

#: Metric units in names, the unit that the program's own names have, and how many of these one of those is.
_UNITS: Final = (
    ("m3_h", "cfm", 1 / CFM_M3_H), ("kg", "lb", 1 / LB_KG), ("cm", "ft", 0.01 / FT_M), ("m", "ft", 1 / FT_M),
)  # fmt: skip
#: A figure beyond this is no weight, price or length.
_MOST: Final = 1e9
_SO: Final = "book.toml is in pounds and feet (lb, ft, cfm), in a metric book too"
_BREAKS, _PRICE, _FROM = "price_breaks", "usd_per_lb", "from_lb"


def metric_advice(key: str, found: Any, known: Collection[str]) -> str:
    """Return what to write in place of a key in metric units, with its figure; '' where it is no such key."""
    if key == _BREAKS and isinstance(found, list) and all(isinstance(one, dict) for one in found):
        return _of_breaks(found)
    translated = _translated(key)
    if translated is None:
        return ""
    name, factor = translated
    told = _figure(found, factor)
    if name == _PRICE and _BREAKS in known and told:
        return f"{_SO}: write `{_BREAKS} = [{{{_FROM} = 0, {_PRICE} = {told}}}]`."
    if name not in known:
        return ""
    return f"{_SO}: write `{name} = {told}`." if told else f"{_SO}: write `{name}`."


def _of_breaks(breaks: list[dict[str, Any]]) -> str:
    """Return price breaks whose keys are metric as they would stand; '' where none is, or something else is wrong."""
    rows, metric = [], False
    for one in breaks:
        row = []
        for key, value in one.items():
            translated = _translated(key)
            metric = metric or translated is not None
            name, factor = translated or (key, 1.0)
            told = _figure(value, factor)
            if not told:
                return ""
            row.append(f"{name} = {told}")
        rows.append(f"{{{', '.join(row)}}}")
    return f"{_SO}: write `{_BREAKS} = [{', '.join(rows)}]`." if metric else ""


def _translated(key: str) -> tuple[str, float] | None:
    """Return the key in the program's units, and what its figure is multiplied by; None where it names no such unit."""
    for metric, own, factor in _UNITS:
        whole = f"_{key}_"
        if f"_{metric}_" in whole:
            name = whole.replace(f"_{metric}_", f"_{own}_").strip("_")
            return name, 1 / factor if f"_per_{metric}_" in whole else factor
    return None


def _figure(found: Any, factor: float) -> str:
    """Return the figure in the program's unit with four digits that count, '' where it is none."""
    if isinstance(found, bool) or not isinstance(found, int | float) or not abs(found) < _MOST:
        return ""
    value = found * factor
    return f"{value:.4g}" if abs(value) < 10_000 else f"{value:.0f}"
