"""Charts of technique and air: effects with their intervals, and CO2 through a working day with the limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.amounts import change_words
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
from pipeline.present.figures import percent, words

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from pipeline.answers.review_effects import EffectTold
    from pipeline.answers.review_findings import Finding, Improvement, Ratio
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
_NOT_SURE, _STANDS_OUT, _FOR_A_TIME, _FEWER = (
    "not surely more",
    "stands out",
    "stands out for a time",
    "fewer since then",
)
_EFFECT_LOOKS = {
    _NOT_SURE: (BLUE, "o"), _STANDS_OUT: (ORANGE, "D"), _FOR_A_TIME: (PURPLE, "s"), _FEWER: (GREEN, "v")
}  # fmt: skip
_HOUR = 60


@dataclass(frozen=True)
class _Row:
    """A line of the chart: its name, its ratio, and which look it has."""

    label: str
    ratio: Ratio
    look: str


def effects_chart(
    effects: Sequence[EffectTold], findings: Sequence[Finding], improvements: Sequence[Improvement] = ()
) -> Drawing:
    """Return ratios of pellets to what like jobs need, by operator, machine and setting, with intervals.

    A finding that holds for a time or in one zone alone, and an improvement, has a row of its own beside the one that
    its operator or machine has.

    Parameters
    ----------
    effects : sequence of EffectTold
    findings : sequence of Finding
        What surely takes more.
    improvements : sequence of Improvement
        At least one row in the three together.
    """
    rows = _rows(effects, findings, improvements)
    most_lines = max(len(row.label.splitlines()) for row in rows)
    with drawing_rules():
        figure, axes = sheet(1.3 + (0.18 + 0.14 * most_lines) * len(rows))
        for look, (colour, marker) in _EFFECT_LOOKS.items():
            at = [i for i, row in enumerate(rows) if row.look == look]
            if not at:
                continue
            ratios = [rows[i].ratio for i in at]
            axes.hlines(at, [100 * (r.low - 1) for r in ratios], [100 * (r.high - 1) for r in ratios], color=colour,
                        linewidth=2)  # fmt: skip
            axes.plot([100 * (r.estimate - 1) for r in ratios], at, marker, color=colour, markeredgecolor=PAPER,
                      markersize=8, label=look)  # fmt: skip
        axes.axvline(0, color=MUTED, linewidth=1, linestyle="--")
        axes.set_yticks(range(len(rows)), [row.label for row in rows], linespacing=1.05)
        axes.set_ylim(len(rows) - 0.4, -0.6)
        # Beside long names the axis is narrower than its label, which then ends with it and begins under the names.
        axes.set_xlabel("\n".join(_axis_lines(effects, rows[0].ratio.level)), loc="right")
        reach = max(5.0, *(100 * abs(v - 1) for row in rows for v in (row.ratio.low, row.ratio.high)))
        axes.set_xlim(-1.1 * reach, 1.1 * reach)
        axes.grid(axis="y", visible=False)
        legend_above(figure, axes)
    told = "; ".join(
        f"{', '.join(row.label.splitlines())} {change_words(row.ratio.estimate)}"
        + ("" if row.look == _NOT_SURE else f" ({row.look})")
        for row in rows
    )
    return Drawing("effects", "Operators, machines and settings against like jobs", f"Pellets: {told}.", figure)


def _axis_lines(effects: Sequence[EffectTold], level: float) -> list[str]:
    lines = [f"Pellets against like jobs, % ({percent(level)} between)"]
    if any(e.kind == "setting" for e in effects):
        lines.append("a setting: as it was run, against its best value")
    return lines


def _rows(
    effects: Sequence[EffectTold], findings: Sequence[Finding], improvements: Sequence[Improvement]
) -> list[_Row]:
    """Return the rows to draw, the most pellets first; where there are too many, what stands out stays."""
    found = [
        _Row(_label(f.of or f.kind, f.name, words(f.zone), _when(f.since, f.until)), f.ratio,
             _FOR_A_TIME if f.kind == "drift" else _STANDS_OUT)
        for f in findings
    ]  # fmt: skip
    better = [_Row(_label(b.of, b.name, _when(b.since, None)), b.ratio, _FEWER) for b in improvements]
    marked = {(f.kind, f.name, f.zone) for f in findings}
    drifted = {(f.of, f.name) for f in findings if f.kind == "drift"}
    rest = sorted((e for e in effects if (e.kind, e.name, e.zone) not in marked), key=lambda e: -e.ratio.estimate)
    usual = [
        # Whoever has a row for a time is compared by the level that held for most of the jobs.
        _Row(_label(e.kind, e.name, words(e.zone), "most of the time" if (e.kind, e.name) in drifted else ""), e.ratio,
             _NOT_SURE)
        for e in rest
    ]  # fmt: skip
    rows = [*found, *better, *usual]
    return sorted(rows[:_MOST_EFFECTS], key=lambda row: -row.ratio.estimate)


def _when(since: date | None, until: date | None) -> str:
    if since is None:
        return "" if until is None else f"until {until}"
    return f"since {since}" if until is None else f"{since} to {until}"


def _label(kind: str, name: str, *more: str) -> str:
    """Return a row's name, and below it where and when it holds alone."""
    if kind == "setting":
        shown = _SETTINGS.get(name, words(name))
    else:
        shown = cut(name if kind == "operator" and name.startswith("Operator ") else f"{kind} {name}", 30)
    return "\n".join([shown, *(cut(part, 30) for part in more if part)])


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
