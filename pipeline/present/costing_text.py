"""Costing as text: what was earned, where money was lost, how quotes held; the refined list, a machine's payback."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

from pipeline.answers.costing_ice import LOSS_DAYS, WEEK_DAYS
from pipeline.present.figures import few, money_range, percent, words
from pipeline.present.terminal import Column, paragraph, section, table
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.costing import CostingGroup, CostingResult
    from pipeline.answers.payback import MachinePayback
    from pipeline.answers.price_list import PriceList
    from pipeline.answers.quotes_held import FollowedQuote, QuotesHeld
    from pipeline.present.figures import Style

_HEADS = {"class": "Class", "zone": "Zone", "soil": "Soil", "customer": "Customer", "month": "Month"}
#: Rows told of each grouping; JSON has them all.
_MOST_ROWS = 12


def render_costing(answer: Answer[CostingResult], style: Style) -> str:
    """Return the whole of a costing."""
    result = answer.result
    if not result.jobs:
        return paragraph(
            "No finished job has both a price and a known cost: log `price_usd`, pellets and minutes with the jobs, "
            "and run `rimebook learn`."
        )
    jobs = counted(result.jobs, "finished job")
    blocks = [
        paragraph(
            f"{_margin(result.margin_share)}: {jobs} brought {style.money(result.revenue_usd)} and cost "
            f"{style.money(result.cost_usd)}. {result.losing_jobs:,} cost more than was charged."
        )
    ]
    if result.worst:
        blocks.append(_worst(result, style))
    blocks += [_groups([g for g in result.by if g.by == by], head, style) for by, head in _HEADS.items()]
    blocks.append(paragraph("A visit counts in a class, zone or soil level with its lines' share of price and cost."))
    if result.ice_usd_per_lb is not None:
        blocks.append(paragraph(_ice(result.ice_usd_per_lb, result.ice_basis, style)))
    if result.quotes.saved:
        blocks.append(_quotes(result.quotes, result.followed, style))
    if result.price_list:
        blocks.append(_price_list(result.price_list, style))
    if result.payback:
        blocks.append(_payback(result.payback, style))
    return "\n\n".join(block for block in blocks if block)


def _margin(share: float | None) -> str:
    return "Nothing was charged" if share is None else f"Margin {percent(share)}"


def _ice(usd_per_lb: float, basis: str, style: Style) -> str:
    """Return at what price ice counts, and by which weeks: a quote goes by others, so that the two may differ."""
    ground = "planning figures"
    if basis != "planning":
        ground = (
            f"for each job the deliveries of the {WEEK_DAYS} days before it and what was lost in the {2 * LOSS_DAYS} "
            "days around it"
        )
    return f"Ice counts at {style.price_of_weight(usd_per_lb)} on average, delivery and lost ice included ({ground})."


def _worst(result: CostingResult, style: Style) -> str:
    rows = [
        [w.job_id, style.money(w.price_usd), style.money(w.cost_usd),
         "-" if w.expected_cost_usd is None else style.money(w.expected_cost_usd), w.because]
        for w in result.worst
    ]  # fmt: skip
    columns = [Column("Lost most"), Column("Charged", "number"), Column("Cost", "number"),
               Column("Expected", "number"), Column("Because")]  # fmt: skip
    return table(columns, rows)


def _earned(group: CostingGroup) -> float:
    """Return a group's margin, below all others where nothing was charged."""
    return -inf if group.margin_share is None else group.margin_share


def _groups(groups: list[CostingGroup], head: str, style: Style) -> str:
    if not groups:
        return ""
    ordered = groups if head in ("Month", "Soil") else sorted(groups, key=_earned)
    shown = ordered[-_MOST_ROWS:] if head == "Month" else ordered[:_MOST_ROWS]
    rows = [
        [words(g.name) or "(none)", f"{g.jobs:,}", style.money(g.revenue_usd), style.money(g.cost_usd),
         "-" if g.margin_share is None else percent(g.margin_share)]
        for g in shown
    ]  # fmt: skip
    grid = table([Column(head), Column("Jobs", "number"), Column("Charged", "number"), Column("Cost", "number"),
                  Column("Margin", "number")], rows)  # fmt: skip
    left = len(ordered) - len(shown)
    return grid + (f"\n{left:,} more in --json." if left else "")


def _times(n: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(n, f"{n} times")


def _quotes(held: QuotesHeld, quotes: tuple[FollowedQuote, ...], style: Style) -> str:
    told = (
        f"{counted(held.saved, 'saved quote')}: {held.won} won, {held.lost} lost, {held.open} open"
        + (f", {held.unclear} unclear" if held.unclear else "")
        + "."
    )
    if any(q.cost_usd is not None for q in quotes):
        told += (
            f" Cost ended above the told interval {_times(held.above_interval)}, below it "
            f"{_times(held.below_interval)}."
        )
    if held.above_by_usd is not None:
        told += f" Above it, it was by {style.money(held.above_by_usd)} on average."
    if held.risk_held is not None and held.told_risk_share is not None:
        verdict = "that may well happen" if held.risk_held else "that is more than was told"
        told += (
            f" {held.cost_above_price} of the won cost more than quoted, told was a chance of "
            f"{percent(held.told_risk_share)} each: {verdict}."
        )
    rows = [
        [str(q.number), q.customer or "(none)", q.state, ", ".join(q.jobs), style.charged(q.price_usd),
         "-" if q.charged_usd is None else style.charged(q.charged_usd),
         f"{style.money(q.cost_low_usd)} to {style.money(q.cost_high_usd)}",
         "-" if q.cost_usd is None else style.money(q.cost_usd)]
        for q in quotes[-_MOST_ROWS:]
    ]  # fmt: skip
    grid = table(
        [Column("Quote"), Column("Customer"), Column("State"), Column("Jobs"), Column("Quoted", "number"),
         Column("Charged", "number"), Column("Cost told", "number"), Column("Cost", "number")], rows,
    )  # fmt: skip
    return paragraph(told) + "\n\n" + grid


def _price_list(prices: PriceList, style: Style) -> str:
    level = percent(prices.level)
    rows = [
        [words(p.vehicle_class) or "call-out", words(p.zone), f"{p.lines:,}", style.money(p.price_usd),
         money_range(p.low_usd, p.high_usd, style.money) + ("" if p.supported else " (few)"),
         style.money(p.charged_usd)]
        for p in (prices.call_out, *prices.prices)
    ]  # fmt: skip
    grid = table(
        [Column("Class"), Column("Zone"), Column("Lines", "number"), Column("Price", "number"),
         Column(f"{level} between", "number"), Column("Now", "number")], rows,
    )  # fmt: skip
    factors = table(
        [Column("Times"), Column("Factor", "number"), Column("Now", "number")],
        [[words(f.name), f"{f.factor:.2f}", f"{f.charged_factor:.2f}"] for f in prices.factors],
    )
    told = (
        f"A visit's price is the call-out plus its zones at moderate soil, each times its soil factor. On the past "
        f"{prices.visits:,} visits this list would have earned {percent(prices.margin_share)} ({level} between "
        f"{percent(prices.margin_low)} and {percent(prices.margin_high)} on visits alike); "
        f"{percent(prices.charged_margin_share)} was earned. Before tax; the least charge of "
        f"{style.money(prices.minimum_usd)} stays. A `quote` may differ: it goes by what jobs take now, today's "
        "ice, the customer and the wanted risk, and not by a mean of the past."
    )
    return section("Refined price list").strip() + "\n" + paragraph(told) + "\n\n" + grid + "\n\n" + factors


def _payback(payback: MachinePayback, style: Style) -> str:
    earned = payback.earned_usd_month
    told = (
        f"{payback.machine} earns {style.money(earned.interval.low)} to {style.money(earned.interval.high)} a month "
        f"({percent(earned.interval.level)}), its own cost not taken off, from {payback.visits:,} visits in "
        f"{few(payback.months_seen)} months. "
    )
    if payback.unpriced_visits:
        told += (
            f"{payback.unpriced_visits:,} of them have no price above 0 or no known cost, and count as earning what "
            "the others do. "
        )
    if payback.months is not None and payback.months_median is not None:
        told += (
            f"It pays back its {style.money(payback.bought_usd)} in {few(payback.months.low)} to "
            f"{few(payback.months.high)} months, likely {few(payback.months_median)}."
        )
    else:
        told += f"It may never pay back its {style.money(payback.bought_usd)}: at this margin the chance of that is "
        told += f"{percent(payback.never_share)}."
    told += f" It runs {few(payback.trigger_hours_month)} trigger hours a month"
    if payback.straight_line_usd_per_hour is not None:
        told += (
            f"; straight-line cost is {style.money(payback.straight_line_usd_per_hour, cents=True)} a trigger hour, "
            f"costs count {style.money(payback.equipment_usd_per_hour, cents=True)}"
        )
    return paragraph(told + ".")
