"""What else could explain a finding, and one thing to try: in the shop's words."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.technique.effects import LEAST_STANDOFF_IN
from shared.units import IN_PER_CM, LB_KG, PSI_PER_BAR

if TYPE_CHECKING:
    from models.consumption.jobs import Factor
    from models.technique.design import Step
    from models.technique.effects import Effect
    from models.technique.review import Drift, Review

SETTING_WORDS = {
    "standoff_in": ("standoff", "in"),
    "feed_lb_min": ("feed", "lb/min"),
    "pressure_psi": ("pressure", "psi"),
    "ice_on_share": ("share of time with the ice on", ""),
    "ice_age_days": ("age of the ice", "days"),
}
#: In a metric book: the unit of a setting, and what one of the book's columns is in it.
_METRIC = {
    "standoff_in": ("cm", 1 / IN_PER_CM), "feed_lb_min": ("kg/min", LB_KG), "pressure_psi": ("bar", 1 / PSI_PER_BAR)
}  # fmt: skip
#: A setting that moved by this many of its usual spreads at the same time is named as a likely way.
MOVED = 1.0
_FEWEST_RECORDED = 4
#: The nearest standoff that is advised, in the round figures of each book's units.
_NEAREST_IN = {"us": 8.0, "metric": LEAST_STANDOFF_IN}
_PRESSURE_OFF = "air shut off, pressure let out"
NOT_GROUNDS = (
    "Findings are about settings, equipment and conditions. They are a reason to look and to help, "
    "and by themselves no ground for discipline."
)


def plain_day(ordinal: int) -> str:
    """Return a day as text, ISO 8601."""
    return date.fromordinal(ordinal).isoformat()


def setting_name(name: str) -> str:
    """Return a setting in words."""
    return SETTING_WORDS.get(name, (name.replace("_", " "), ""))[0]


def setting_value(name: str, value: float, units: str) -> str:
    """Return a value of a setting with its unit in the book's `units`; shares as percentages."""
    if name.endswith("_share"):
        return f"{value * 100:.0f} %"
    unit, factor = SETTING_WORDS.get(name, ("", ""))[1], 1.0
    if units == "metric":
        unit, factor = _METRIC.get(name, (unit, factor))
    digits = 2 if unit == "kg/min" else 1
    return f"{value * factor:.{digits}f} {unit}".strip()


def settings_moved(review: Review, inside: np.ndarray) -> list[tuple[str, float, float]]:
    """Return settings whose median differs between marked lines and the rest (name, inside, outside), largest first.

    Parameters
    ----------
    inside : bool array (n_lines,)
    """
    moved = []
    for scale in review.fit.design.settings:
        values = review.table.settings[scale.name]
        known = ~np.isnan(values)
        here, there = values[known & inside], values[known & ~inside]
        if min(len(here), len(there)) < _FEWEST_RECORDED:
            continue
        usual = float(np.subtract(*np.quantile(there, [0.75, 0.25]))) / 1.349 or scale.spread
        middle, other = float(np.median(here)), float(np.median(there))
        if abs(middle - other) > MOVED * usual:
            moved.append((abs(middle - other) / usual, scale.name, middle, other))
    return [(name, middle, other) for _, name, middle, other in sorted(moved, reverse=True)]


def lines_of(review: Review, kind: str, name: str) -> np.ndarray:
    """Return the mask of an operator's or a machine's lines."""
    factor = review.table.machine if kind == "machine" else review.table.operator
    code = factor.names.index(name) if name in factor.names else -2
    return np.asarray(factor.codes == code)


def _nearest(name: str, units: str) -> float:
    """Return the lowest value of a setting that is advised."""
    return _NEAREST_IN[units] if name == "standoff_in" else -np.inf


def no_nearer(units: str) -> str:
    """Return why no nearer standoff is advised."""
    nearest = setting_value("standoff_in", _NEAREST_IN[units], units)
    return f"nearer than {nearest} is not one to try: it can harm paint, wiring and trim (common practice)"


def _bound_words(name: str, value: float, units: str) -> str:
    """Return a sentence on the bound of a setting where `value` is not above it, else ''."""
    if value > _nearest(name, units):
        return ""
    told = no_nearer(units)
    return f" {told[0].upper()}{told[1:]}."


def _way_of(moved: list[tuple[str, float, float]], where: str, units: str) -> str:
    """Return the setting to set back, the one that moved most; '' where none may be advised."""
    for name, here, there in moved:
        nearest = _nearest(name, units)
        if max(here, there) > nearest:
            return (
                f"Set the {setting_name(name)} back to about {setting_value(name, max(there, nearest), units)} on the "
                f"next jobs: it ran at {setting_value(name, here, units)} {where}."
                f"{_bound_words(name, there, units)}"
            )
    return ""


def drift_words(review: Review, drift: Drift, units: str) -> tuple[tuple[str, ...], str]:
    """Return what else could explain a drift and one thing to try, in the book's `units`."""
    step = drift.step
    day = review.table.day[review.table.line_job]
    own = lines_of(review, step.kind, step.name)
    moved = settings_moved(review, own & step.holds(day))
    others = [f"another change around {plain_day(step.since)} that only these jobs share"]
    if step.kind == "operator":
        graded = drift.grading is not None and drift.grading.explains(drift.raw)
        shown = "minutes did not rise with it" if graded else "grades on like vehicles show no clear change"
        others.append(f"soil graded differently than before ({shown})")
    else:
        other = "easier" if drift.raw < 0 else "harder"
        others.append(f"{other} work sent to this machine that class, zone and soil do not show")
    if moved:
        others.insert(0, f"the {setting_name(moved[0][0])}, which ran differently in that time")
    if drift.raw < 0:
        return tuple(others), "See what was changed then and keep it, if the result is as clean."
    way = _way_of(moved, "in that time", units)
    if way:
        return tuple(others), way
    if step.kind == "machine":
        ended = " It has ended; note what was done then under changes in book.toml." if step.until is not None else ""
        return tuple(others), (
            f"Check nozzle wear, hose and seals on {step.name} ({_PRESSURE_OFF}), then note the change in book.toml."
            f"{ended}"
        )
    return tuple(others), "Work two or three like jobs side by side and compare feed, standoff and passes."


def effect_words(review: Review, effect: Effect, units: str) -> tuple[tuple[str, ...], str]:
    """Return what else could explain an effect and one thing to try, in the book's `units`."""
    if effect.kind == "setting":
        return _setting_words(effect, units)
    own = lines_of(review, effect.kind.removesuffix("_zone"), effect.name)
    moved = settings_moved(review, own)
    less = effect.raw < 0
    harder, lighter = ("easier", "heavier") if less else ("harder", "lighter")
    if effect.kind == "operator":
        others = [
            f"work that is {harder} than class, zone and soil grade show",
            f"soil graded {lighter} than colleagues would (grades on like vehicles show no clear difference)",
        ]
        advice = "Work two or three like jobs side by side and compare feed, standoff and passes."
    else:
        others = [f"work sent to this machine that is {harder} than class, zone and soil grade show"]
        where = f" in {effect.zone.replace('_', ' ')}" if effect.zone else ""
        advice = (
            f"Run one like job{where} on another machine with the same settings, and check nozzle and feed "
            f"({_PRESSURE_OFF})."
        )
    if less:
        wasteful = [e.name for e in review.wasteful() if e.kind == effect.kind]
        if wasteful:
            named = ", ".join(f"{effect.kind} {name}" for name in wasteful)
            others.insert(0, f"that the others, {named} among them, take more than is needed")
        advice = "See what is done differently here and try it on like jobs of the others, if the result is as clean."
    if moved:
        others.insert(0, f"the {setting_name(moved[0][0])}, which runs differently here")
        advice = advice if less else _way_of(moved, "here", units) or advice
    return tuple(others), advice


def over_words(kind: str) -> str:
    """Return what to do about the waste of an operator or a machine that is over."""
    if kind == "operator":
        return "Nothing now, since it is over."
    return f"Check nozzle and feed ({_PRESSURE_OFF}) before the machine works again; it is over by now."


def _setting_words(effect: Effect, units: str) -> tuple[tuple[str, ...], str]:
    name = setting_name(effect.name)
    if effect.name == "ice_age_days":
        others = ("harder work on the days with old ice",)
        return others, "Order smaller lots more often and use the oldest ice first: fresh ice takes the fewest pellets."
    best = effect.best if effect.best is not None else 0.0
    shown = setting_value(effect.name, max(best, _nearest(effect.name, units)), units)
    others = (f"harder work on the jobs that ran at another {name}",)
    side = {"high": "lower", "low": "higher"}.get(effect.worse, "closer to the middle")
    return others, (
        f"Set the {name} {side}, at about {shown}, for two weeks and compare with `--change`."
        f"{_bound_words(effect.name, best, units)}"
    )


def shop_words(review: Review, step: Step, *, rise: bool) -> tuple[str, str]:
    """Return what a change of the whole shop may be, by who and what the log of that time names, and what to try.

    There is one thing to try where a rise may be that of the only machine, else ''.
    """
    table = review.table
    inside = step.holds(table.day[table.line_job])
    machines, operators = (_named_in(factor, inside) for factor in (table.machine, table.operator))
    if min(len(machines), len(operators)) > 1:
        return "the whole shop changed alike, no single machine or operator (ice, weather, kind of work)", ""
    causes, lone, several = [], [], []
    for kind, names, parts in (("machine", machines, " (nozzle, hose, seals)"), ("operator", operators, "")):
        if len(names) > 1:
            several.append(f", and all {kind}s changed alike")
            continue
        lone.append(f"only one {kind}" if names else f"no {kind}")
        causes.append((f"{kind} {names[0]}" if names else f"the {kind}") + parts)
    try_ = f"Check the nozzle first ({_PRESSURE_OFF})." if rise and len(machines) < 2 else ""
    return (
        f"the log of that time names {' and '.join(lone)}{''.join(several)}: it may be {', '.join(causes)}, the ice, "
        "the weather or the kind of work, which the log cannot tell apart"
    ), try_


def _named_in(factor: Factor, inside: np.ndarray) -> list[str]:
    """Return the names of a factor on marked lines."""
    return [factor.names[code] for code in np.unique(factor.codes[inside]).tolist() if code >= 0]
