"""Charts of the record: stated against held, where outcomes fell, and jobs against expectation over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.verdict import FEW_JOBS
from pipeline.present.charts.canvas import (
    BLUE,
    INK,
    MUTED,
    ORANGE,
    PAPER,
    PURPLE,
    SKY,
    Drawing,
    drawing_rules,
    legend_above,
    sheet,
)
from pipeline.present.figures import percent

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pipeline.answers.calibrating import ShiftFound
    from pipeline.answers.reporting_jobs import JobRow
    from pipeline.answers.verdict import Held
    from shared.vocabulary import Quantity

#: Level of the band that chance alone leaves outcomes in.
_BAND = 0.95
_ROLL = 20
#: Ratios below and above these are drawn at the edge, so that one slip of the pen does not flatten all others.
_LEAST_DRAWN, _MOST_DRAWN = 0.2, 5.0


def _chance_band(n: int, shares: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return between which shares of n outcomes chance alone leaves those that should be `shares` (binomial)."""
    from scipy.stats import binom

    tail = (1 - _BAND) / 2
    low, high = (np.asarray(binom.ppf(q, n, shares), dtype=np.float64) / n for q in (tail, 1 - tail))
    return low, high


def calibration_chart(levels: Sequence[Held]) -> Drawing:
    """Return stated against held coverage with the band that chance alone allows for so many jobs.

    A quantity of fewer jobs than it takes to say how often its ranges hold (`FEW_JOBS`) is left out.
    """
    jobs = levels[0].jobs
    stated = np.array([h.level for h in levels]) * 100
    with drawing_rules():
        figure, axes = sheet(3.7)
        at = np.linspace(0.02, 0.98, 49)
        low, high = _chance_band(jobs, at)
        axes.fill_between(at * 100, low * 100, high * 100, color=SKY, linewidth=0,
                          label=f"chance alone, {percent(_BAND)} of the time")  # fmt: skip
        axes.plot([0, 100], [0, 100], color=MUTED, linewidth=1, linestyle="--", label="exactly as stated")
        looks: tuple[tuple[Quantity, str, str], ...] = (("pellets_lb", BLUE, "o"), ("minutes", ORANGE, "s"))
        for name, colour, marker in looks:
            told = [h.of(name) for h in levels]
            if told[0][1] < FEW_JOBS:
                continue
            held = np.array([np.nan if share is None else share for share, _ in told]) * 100
            axes.plot(stated, held, marker + "-", color=colour, markeredgecolor=PAPER, markersize=8, linewidth=1.5,
                      label=name.removesuffix("_lb"))  # fmt: skip
        axes.set(xlim=(40, 100), ylim=(30, 101), xlabel="Stated: interval of so many %", ylabel="Held, % of jobs")
        legend_above(figure, axes)
    words = "; ".join(f"{percent(h.level)} held {percent(h.held)}" for h in levels)
    return Drawing("calibration", "Stated against held", f"Of {jobs:,} past jobs: {words}.", figure)


def pit_chart(pit: Mapping[str, Sequence[int]]) -> Drawing:
    """Return where past outcomes fell in their predictive, tenth by tenth; even bars are honest."""
    shown = {name: counts for name, counts in pit.items() if sum(counts)}
    with drawing_rules():
        figure, axes = sheet(2.1 * len(shown) + 0.5, len(shown), sharex=True, squeeze=False)
        for panel, (name, counts) in zip(axes[:, 0], shown.items(), strict=True):
            n, tenths = sum(counts), np.arange(len(counts)) * 10
            low, high = _chance_band(n, np.array([1 / len(counts)]))
            panel.axhspan(low[0] * 100, high[0] * 100, color=SKY, linewidth=0, alpha=0.7, label="chance alone")
            panel.axhline(100 / len(counts), color=MUTED, linestyle="--", linewidth=1, label="even")
            panel.bar(tenths, np.array(counts) / n * 100, width=8.6, align="edge", color=BLUE, alpha=0.85)
            panel.set(title=f"{name.removesuffix('_lb')}, {n:,} jobs", ylabel="Jobs, %", xlim=(0, 100))
            panel.grid(axis="x", visible=False)
        axes[-1, 0].set_xlabel("Where it fell: % of its predicted range, low to high")
        legend_above(figure, axes[0, 0])
    worst = "; ".join(f"{k.removesuffix('_lb')} tenths hold {min(c)} to {max(c)} jobs" for k, c in shown.items())
    return Drawing("pit", "Where past jobs fell in their range", f"Even bars are honest: {worst}.", figure)


def ratio_chart(rows: Sequence[JobRow], shift: ShiftFound | None) -> Drawing:
    """Return each job's pellets over what was expected, with the usual limits and a running middle, over time.

    Parameters
    ----------
    rows : sequence of JobRow
        Jobs with pellets and an expectation, in order of day; at least one.
    """
    days = [r.day for r in rows]
    ratio = np.array([(r.pellets_lb or np.nan) / (r.expected_lb or np.nan) for r in rows])
    low = float(np.median([(r.low_lb or np.nan) / (r.expected_lb or np.nan) for r in rows]))
    high = float(np.median([(r.high_lb or np.nan) / (r.expected_lb or np.nan) for r in rows]))
    with drawing_rules():
        figure, axes = sheet(3.3)
        axes.axhspan(low, high, color=SKY, alpha=0.6, linewidth=0, label="usual limits, 80 %")
        axes.axhline(1, color=MUTED, linewidth=1, linestyle="--")
        bottom = max(_LEAST_DRAWN, 0.9 * float(np.nanmin(ratio)))
        top = min(_MOST_DRAWN, max(1.1 * float(np.nanmax(ratio)), 1.5))
        inside = (ratio >= bottom) & (ratio <= top)
        axes.plot(np.array(days)[inside], ratio[inside], ".", color=BLUE, markersize=5, alpha=0.75, label="one job")
        for there, edge, marker, name in (
            (ratio > top, top, "^", f"above {_MOST_DRAWN:g}x"),
            (ratio < bottom, bottom, "v", f"below {_LEAST_DRAWN:g}x"),
        ):
            if there.any():
                axes.plot(np.array(days)[there], np.full(there.sum(), edge), marker, color=PURPLE, markersize=8,
                          clip_on=False, label=f"one job {name}, at the edge")  # fmt: skip
        if len(rows) >= _ROLL:
            middle = [float(np.median(ratio[max(0, i - _ROLL + 1) : i + 1])) for i in range(_ROLL - 1, len(rows))]
            axes.plot(days[_ROLL - 1 :], middle, color=INK, linewidth=1.8, label=f"middle of the last {_ROLL}")
        if shift is not None:
            axes.axvline(shift.date, color=ORANGE, linewidth=1.8, label=f"shift, {shift.date.isoformat()}")
        axes.set_yscale("log", base=2)
        marks = [0.25, 0.5, 0.75, 1, 1.5, 2, 3, 4]
        axes.set_yticks(marks, [f"{m:g}x" for m in marks])
        axes.set_ylim(bottom, top)
        axes.minorticks_off()
        axes.set(ylabel="Pellets over expected", xlabel="Day of the job")
        axes.margins(x=0.02)
        legend_above(figure, axes)
    beyond = int(np.sum((ratio < bottom) | (ratio > top)))
    out = int(np.sum((ratio < low) | (ratio > high)))
    alt = f"{len(rows):,} jobs over time, {out} outside the usual limits of {low:.2f} to {high:.2f} times expected."
    if beyond:
        alt += f" {beyond:,} beyond {_LEAST_DRAWN:g} to {_MOST_DRAWN:g} times stand at the edge."
    return Drawing("drift", "Pellets against expectation over time", alt, figure)
