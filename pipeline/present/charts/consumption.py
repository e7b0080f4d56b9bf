"""Charts of what jobs take: pellets by class, zone and soil; the cost of one quote."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.present.charts.canvas import (
    BLUE,
    GREEN,
    INK,
    MUTED,
    ORANGE,
    PAPER,
    SKY,
    SOIL_LOOKS,
    Drawing,
    cut,
    drawing_rules,
    legend_above,
    sheet,
)
from pipeline.present.figures import KG_PER_LB, percent, words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from pipeline.answers.reporting_pellets import Cell
    from pipeline.present.figures import Style


def weight_of(style: Style) -> tuple[float, str]:
    """Return the factor from lb and the unit that a chart's axis carries."""
    return (1.0, "lb") if style.units == "us" else (KG_PER_LB, "kg")


def pellets_chart(cells: Sequence[Cell], style: Style) -> Drawing:
    """Return pellets of a single zone by class and soil, one panel a zone, with intervals.

    Parameters
    ----------
    cells : sequence of Cell
        At least one.
    """
    zones = list(dict.fromkeys(c.zone for c in cells))
    classes = list(dict.fromkeys(c.vehicle_class for c in cells))
    factor, unit = weight_of(style)
    level = percent(cells[0].pellets_lb.interval.level)
    with drawing_rules():
        rows = 0.52 * len(classes) + 0.42
        figure, axes = sheet(0.75 + rows * len(zones), len(zones), sharex=True, squeeze=False)
        for panel, zone in zip(axes[:, 0], zones, strict=True):
            panel.set_title(words(zone))
            _zone_panel(panel, [c for c in cells if c.zone == zone], classes, factor)
        axes[-1, 0].set_xlabel(f"Pellets a vehicle, {unit} (mark: middle; line: {level} between)")
        axes[-1, 0].set_xlim(left=0)
        legend_above(figure, axes[0, 0], n_columns=4)
    told = "; ".join(
        f"{words(c.vehicle_class)} {words(c.zone)} {c.soil_level} {style.weight(c.pellets_lb.quantiles[0.5])} "
        f"({style.weight_range(c.pellets_lb.interval.low, c.pellets_lb.interval.high)})"
        for c in cells[:12]
    )
    more = f"; and {len(cells) - 12} more" if len(cells) > 12 else ""
    return Drawing("pellets", "Pellets by vehicle, zone and soil",
                   f"Expected pellets with {level} intervals: {told}{more}.", figure)  # fmt: skip


def _zone_panel(panel: Axes, cells: Sequence[Cell], classes: Sequence[str], factor: float) -> None:
    place = {name: i for i, name in enumerate(classes)}
    shift = dict(zip(SOIL_LOOKS, (-0.27, -0.09, 0.09, 0.27), strict=True))
    for soil, (colour, marker) in SOIL_LOOKS.items():
        chosen = [c for c in cells if c.soil_level == soil]
        if not chosen:
            continue
        at = np.array([place[c.vehicle_class] + shift[soil] for c in chosen])
        low, middle, high = (
            factor
            * np.array(
                [(c.pellets_lb.interval.low, c.pellets_lb.quantiles[0.5], c.pellets_lb.interval.high) for c in chosen]
            ).T
        )
        panel.hlines(at, low, high, color=colour, linewidth=2)
        panel.plot(middle, at, marker, color=colour, markeredgecolor=PAPER, markersize=6.5, label=soil)
    panel.set_yticks(range(len(classes)), [cut(words(c), 14) for c in classes])
    panel.set_ylim(len(classes) - 0.5, -0.5)
    panel.grid(axis="y", visible=False)


def cost_chart(
    cost_usd: NDArray[np.float64],
    *,
    price_usd: float,
    for_margin_usd: float,
    for_risk_usd: float,
    level: float,
    style: Style,
    job: str,
) -> Drawing:
    """Return the distribution of one job's cost with the marks of its prices.

    Parameters
    ----------
    cost_usd : float64 array (n_draws,)
        Cost under each scenario.
    """
    low, middle, high = np.quantile(cost_usd, [0.5 - level / 2, 0.5, 0.5 + level / 2])
    most = max(float(np.quantile(cost_usd, 0.995)), price_usd * 1.05)
    with drawing_rules():
        figure, axes = sheet(3.1)
        kept = cost_usd[cost_usd <= most]
        counts, edges, bars = axes.hist(kept, bins=36, color=SKY, edgecolor=PAPER, linewidth=0.6,
                                        weights=np.full(len(kept), 100 / len(cost_usd)))  # fmt: skip
        del edges
        for bar in bars:
            if bar.get_x() + bar.get_width() / 2 > price_usd:
                bar.set(facecolor=ORANGE, hatch="//")
        top = float(np.max(counts)) * 1.12
        axes.set_ylim(0, top * 1.12)
        axes.hlines(top, low, high, color=INK, linewidth=2)
        axes.plot([middle], [top], "o", color=INK, label=f"cost, {percent(level)} between")
        marks = (
            (for_risk_usd, GREEN, ":", "price for the risk"),
            (for_margin_usd, BLUE, "--", "price for the margin"),
            (price_usd, INK, "-", "price told"),
        )
        for value, colour, dash, name in marks:
            axes.axvline(value, color=colour, linestyle=dash, linewidth=2, label=f"{name} {style.money(value)}")
        axes.set_xlabel(f"Cost and price before tax, {style.currency}")
        axes.set_ylabel("Scenarios, %")
        axes.grid(axis="x", visible=False)
        axes.tick_params(colors=MUTED, labelcolor=INK)
        legend_above(figure, axes)
    loss = percent(float(np.mean(cost_usd > price_usd)))
    alt = (
        f"Cost of {job}: middle {style.money(middle)}, {percent(level)} between {style.money(low)} and "
        f"{style.money(high)}. At the price of {style.money(price_usd)} the chance of loss is {loss}."
    )
    return Drawing("cost", f"What {job} may cost the shop, and its price", alt, figure)
