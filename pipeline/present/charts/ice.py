"""Charts of the ice: stock day by day with its deliveries, and the coming months beside past forecasts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.present.charts.canvas import (
    BLUE,
    GRID,
    INK,
    MUTED,
    ORANGE,
    PAPER,
    SKY,
    Drawing,
    drawing_rules,
    legend_above,
    sheet,
)
from pipeline.present.charts.consumption import weight_of
from pipeline.present.figures import percent

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from pipeline.answers.forecasting import ForecastResult
    from pipeline.answers.ice_answer import OrderResult
    from pipeline.present.figures import Style

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
#: Past months drawn beside the coming ones.
_MOST_PAST = 9
#: Share of the panel's height up to which stock is drawn; above it stand the deliveries, at which the marks are.
_DRAWN, _MARKED = 0.76, 0.85


def stock_chart(order: OrderResult, style: Style) -> Drawing:
    """Return the stock of each morning with its interval, what each day needs, and the deliveries of the plan."""
    factor, unit = weight_of(style)
    days = [d.date for d in order.days]
    level = percent(order.days[0].stock_lb.interval.level)
    came = {d.date: d.order_lb for d in order.deliveries if d.order_lb}
    with drawing_rules():
        figure, (above, below) = sheet(4.6, 2, sharex=True, height_ratios=(3, 2))
        at = np.arange(len(days))
        _banded(above, at, order, factor, level)
        firm = {d.date for d in order.deliveries if d.firm}
        for i, day in enumerate(days):
            if day in came:
                above.annotate(
                    f"+{came[day] * factor:,.0f}", (i, 1), xycoords=("data", "axes fraction"), ha="center", va="top",
                    color=ORANGE, fontsize=9, fontweight="bold" if day in firm else "normal",
                )  # fmt: skip
                above.plot([i], [_MARKED], "v", color=ORANGE, markersize=8, transform=above.get_xaxis_transform())
        if came:
            above.plot([], [], "v", color=ORANGE, markersize=8, label=f"delivery ordered, {unit}")
        need = [d.need_lb for d in order.days]
        below.bar(at, [n.mean * factor for n in need], width=0.6, color=SKY, label="needed, mean")
        below.vlines(at, [n.interval.low * factor for n in need], [n.interval.high * factor for n in need], color=INK,
                     linewidth=1.6, label=f"needed, {level} between")  # fmt: skip
        top = max(10.0, *(d.stock_lb.interval.high for d in order.days), *came.values()) * factor
        above.set(ylabel=f"In store, {unit}", ylim=(0, top / (_DRAWN if came else 0.93)))
        below.set(ylabel=f"Needed, {unit}", xlabel="Day", ylim=(0, None))
        below.set_xticks(at, [_tick(day, i == 0) for i, day in enumerate(days)], fontsize=9)
        for panel in (above, below):
            panel.grid(axis="x", visible=False)
        legend_above(figure, above, below)
    told = ", ".join(f"{style.weight(lb)} on {day.isoformat()}" for day, lb in came.items()) or "no delivery"
    alt = (
        f"Stock over {len(days)} days with deliveries of {told}; needed are "
        f"{style.weight(sum(n.mean for n in need))} in all on average."
    )
    return Drawing("stock", "Ice in store, and what each day needs", alt, figure)


def _tick(day: date, first: bool) -> str:
    month = f"\n{_MONTHS[day.month - 1]}" if first or day.day == 1 else ""
    return f"{'MTWTFSS'[day.weekday()]}\n{day.day}{month}"


def _banded(panel: Axes, at: np.ndarray, order: OrderResult, factor: float, level: str) -> None:
    stock = [d.stock_lb for d in order.days]
    panel.vlines(at, [s.interval.low * factor for s in stock], [s.interval.high * factor for s in stock], color=SKY,
                 linewidth=7, label=f"in store, {level} between")  # fmt: skip
    panel.plot(at, [s.mean * factor for s in stock], "o-", color=BLUE, markeredgecolor=PAPER, linewidth=1.2,
               label="in store before work, mean")  # fmt: skip


def forecast_chart(forecast: ForecastResult, style: Style) -> Drawing:
    """Return past months as they were forecast beside what came, and the coming months as a fan."""
    factor, unit = weight_of(style)
    past, months = forecast.backtest.past[-_MOST_PAST:], forecast.months
    level = percent(months[0].pellets_used_lb.interval.level)
    with drawing_rules():
        figure, axes = sheet(3.5)
        names = [*(p.month for p in past), *(m.month for m in months)]
        places = _places(names)
        at, ahead = places[: len(past)], places[len(past) :]
        told = [p.pellets_used_lb for p in past]
        axes.vlines(at, [t.low * factor for t in told], [t.high * factor for t in told], color=SKY, linewidth=7)
        axes.plot(at, [t.mean * factor for t in told], "_", color=BLUE, markersize=12, markeredgewidth=2)
        came = np.array([np.nan if t.actual is None else t.actual * factor for t in told])
        if past:
            axes.plot(at, came, "D", color=ORANGE, markeredgecolor=PAPER, markersize=7, label="what came")
        used = [m.pellets_used_lb for m in months]
        for low, high, width in ((0.05, 0.95, 3), (0.1, 0.9, 7), (0.25, 0.75, 12)):
            axes.vlines(ahead, [u.quantiles[low] * factor for u in used], [u.quantiles[high] * factor for u in used],
                        color=SKY, linewidth=width, label="forecast, 80 % between" if width == 7 else None)  # fmt: skip
        axes.plot(ahead, [u.mean * factor for u in used], "_", color=BLUE, markersize=14, markeredgewidth=2.4,
                  label="forecast, mean")  # fmt: skip
        if past:
            axes.axvline(float(ahead[0]) - 0.5, color=MUTED, linewidth=1, linestyle="--")
        gaps = sorted(set(range(int(places[-1]))) - set(places.tolist()))
        for i, gap in enumerate(gaps):
            axes.axvspan(gap - 0.4, gap + 0.4, facecolor=GRID, linewidth=0, label=None if i else "months left out")
        labels = [
            _month(name, "" if i == 0 else names[i - 1], i >= len(past) and months[i - len(past)].part)
            for i, name in enumerate(names)
        ]
        axes.set_xticks([*places, *gaps], [*labels, *("…" for _ in gaps)], fontsize=9.5)
        axes.set(ylabel=f"Pellets used a month, {unit}", xlabel="Month", ylim=(0, None),
                 xlim=(-0.6, float(places[-1]) + 0.6))  # fmt: skip
        axes.grid(axis="x", visible=False)
        legend_above(figure, axes)
    first = used[0]
    alt = (
        f"{months[0].month}: {style.weight(first.mean)} used on average, {level} between "
        f"{style.weight_range(first.interval.low, first.interval.high)}; {len(past)} past months beside what came."
    )
    return Drawing("forecast", "Pellets used: past forecasts, what came, and the months ahead", alt, figure)


def _places(names: Sequence[str]) -> NDArray[np.int64]:
    """Return where each month stands, with one place left free wherever months are skipped, however many."""
    number = np.array([12 * int(name[:4]) + int(name[5:7]) for name in names])
    return np.cumsum([0, *np.where(np.diff(number) > 1, 2, 1)])


def _month(name: str, before: str, part: bool) -> str:
    """Return a month's label, with its year where that is another than the one of the month before."""
    year = "" if name[:4] == before[:4] else f"\n{name[:4]}"
    return f"{_MONTHS[int(name[5:7]) - 1]}{year}" + ("\n(rest)" if part else "")
