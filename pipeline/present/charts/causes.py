"""Charts of technique and air: effects with their intervals, and CO2 through a working day with the limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.present.charts.canvas import (
    AMBER,
    BLUE,
    GREEN,
    MUTED,
    ORANGE,
    PAPER,
    PURPLE,
    SKY,
    Drawing,
    cut,
    drawing_rules,
    legend_above,
    sheet,
)
from pipeline.present.figures import change_words, percent, words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.review_effects import EffectTold
    from pipeline.answers.safety_answer import SafetyResult

_LIMIT_LOOKS = ((GREEN, "--"), (AMBER, "-."), (ORANGE, ":"), (PURPLE, (0, (6, 2, 1, 2, 1, 2))))
#: Settings as a narrow axis names them; without units, as no value of theirs is drawn.
_SETTINGS = {
    "standoff_in": "nozzle distance",
    "feed_lb_min": "feed",
    "pressure_psi": "pressure",
    "ice_on_share": "ice on, share of time",
    "ice_age_days": "age of the ice",
}
_MOST_EFFECTS = 18
_HOUR = 60


def effects_chart(effects: Sequence[EffectTold], found: frozenset[tuple[str, str]]) -> Drawing:
    """Return ratios of pellets to what like jobs need, by operator, machine and setting, with intervals.

    Parameters
    ----------
    effects : sequence of EffectTold
        At least one.
    found : frozenset of (kind, name)
        Those that surely take more.
    """
    shown = sorted(effects, key=lambda e: -e.ratio.estimate)[:_MOST_EFFECTS]
    with drawing_rules():
        figure, axes = sheet(1.2 + 0.34 * len(shown))
        for told, colour, marker, name in (
            (False, BLUE, "o", "not surely more"), (True, ORANGE, "D", "stands out"),
        ):  # fmt: skip
            rows = [i for i, e in enumerate(shown) if ((e.kind, e.name) in found) is told]
            if not rows:
                continue
            ratios = [shown[i].ratio for i in rows]
            axes.hlines(rows, [100 * (r.low - 1) for r in ratios], [100 * (r.high - 1) for r in ratios], color=colour,
                        linewidth=2)  # fmt: skip
            axes.plot([100 * (r.estimate - 1) for r in ratios], rows, marker, color=colour, markeredgecolor=PAPER,
                      markersize=8, label=name)  # fmt: skip
        axes.axvline(0, color=MUTED, linewidth=1, linestyle="--")
        axes.set_yticks(range(len(shown)), [_label(e) for e in shown])
        axes.set_ylim(len(shown) - 0.4, -0.6)
        level = percent(shown[0].ratio.level)
        # Beside long names the axis is narrower than its label, which then ends with it and begins under the names.
        axes.set_xlabel(f"Pellets against like, % ({level} between)", loc="right")
        reach = max(5.0, *(100 * abs(v - 1) for e in shown for v in (e.ratio.low, e.ratio.high)))
        axes.set_xlim(-1.1 * reach, 1.1 * reach)
        axes.grid(axis="y", visible=False)
        legend_above(figure, axes)
    told_text = "; ".join(f"{_label(e)} {change_words(e.ratio.estimate)}" for e in shown)
    return Drawing("effects", "Operators, machines and settings against like jobs", f"Pellets: {told_text}.", figure)


def _label(effect: EffectTold) -> str:
    if effect.kind == "setting":
        what = _SETTINGS.get(effect.name, words(effect.name))
        return what + (f", {words(effect.zone)}" if effect.zone else "")
    name = effect.name
    if effect.kind != "operator" or not effect.name.startswith("Operator "):
        name = f"{effect.kind} {name}"
    return cut(name + (f", {words(effect.zone)}" if effect.zone else ""), 30)


def air_chart(result: SafetyResult, *, place: str) -> Drawing:
    """Return CO2 in the mixed air over the day with its interval, and each limit drawn and named."""
    hours = np.array([p.minute for p in result.curve]) / _HOUR
    level = percent(result.curve[0].ppm.interval.level)
    with drawing_rules():
        figure, axes = sheet(3.9)
        low, high = ([getattr(p.ppm.interval, end) for p in result.curve] for end in ("low", "high"))
        axes.fill_between(hours, low, high, color=SKY, linewidth=0, label=f"{level} between")
        axes.plot(hours, [p.ppm.quantiles[0.5] for p in result.curve], color=BLUE, linewidth=2, label="CO2, middle")
        looks = iter(_LIMIT_LOOKS * 3)
        for limit in sorted(result.limits, key=lambda one: one.value):
            colour, dash = next(looks)
            axes.axhline(limit.value, color=colour, linestyle=dash, linewidth=1.8,
                         label=f"{limit.value:,.0f} {limit.unit}: {cut(limit.name, 34)}")  # fmt: skip
        top = max(*(limit.value for limit in result.limits), *(p.ppm.interval.high for p in result.curve))
        axes.set(xlabel="Hours after the first job starts", ylabel="CO2 in the mixed air, ppm", ylim=(0, 1.06 * top),
                 xlim=(0, float(hours[-1]) or 1.0))  # fmt: skip
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
        legend_above(figure, axes, n_columns=1)
    peak = result.co2_ppm.peak
    alt = (
        f"CO2 in {place}: highest moment {peak.quantiles[0.5]:,.0f} ppm in the middle, {level} between "
        f"{peak.interval.low:,.0f} and {peak.interval.high:,.0f}; limits at "
        f"{', '.join(f'{limit.value:,.0f} ppm ({limit.name})' for limit in result.limits)}."
    )
    return Drawing("air", f"CO2 in {place} through the day, were the air well mixed", alt, figure)
