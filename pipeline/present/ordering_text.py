"""Orders as text: what to order first, then the days, the cost, and what simple rules would cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.figures import percent
from pipeline.present.terminal import Column, paragraph, section, table
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from pipeline.answers.answer import Answer, QuantitySummary
    from pipeline.answers.ice_answer import OrderResult, StockTold
    from pipeline.answers.ice_fitting import FitResult
    from pipeline.present.figures import Style

#: Chance of running short from which an order of nothing is explained.
_SHORT = 0.3
#: Less than this in store is nothing.
_NOTHING_LB = 0.5
#: A smaller effect of the day's warmth is not told.
_TOLD_WARMTH = 0.01
_BUMPED_FROM = {
    "book.toml": "bumped_job_usd",
    "usual price": "what jobs are usually charged here, as bumped_job_usd is not set",
    "planning figure": "a planning figure, as neither bumped_job_usd nor any job's price is known",
}


def render_order(answer: Answer[OrderResult], style: Style) -> str:
    """Return the plan as text: the deliveries, the risk and cost, the stock, the days, the rules of thumb."""
    result = answer.result
    level = percent(result.total_cost_usd.interval.level)
    blocks = [
        _deliveries(result, style),
        paragraph(_risk(result, style, level)),
        paragraph(_store(result, style, level)),
        section(_day_title(result.stock)),
        _days(result, style, level),
        section("Beside simple rules, over the same scenarios and all of these days"),
        _rules(result, style),
    ]
    return "\n".join(blocks)


def _day(day: date) -> str:
    return day.strftime("%a %Y-%m-%d")


def _between(figure: QuantitySummary, write: Callable[[float], str]) -> str:
    return f"{write(figure.interval.low)} to {write(figure.interval.high)}"


def _deliveries(result: OrderResult, style: Style) -> str:
    if not result.deliveries:
        return "No delivery is possible in these days."
    rows = [
        [_day(d.date), style.weight(d.order_lb) if d.order_lb else "nothing", style.money(d.cost_usd),
         _day(d.order_by), "firm" if d.firm else "open until then"]
        for d in result.deliveries
    ]  # fmt: skip
    return table(
        [
            Column("Delivery"),
            Column("Order", "number"),
            Column("Cost", "number"),
            Column("Order by"),
            Column("Decided"),
        ],
        rows,
    )


def _risk(result: OrderResult, style: Style, level: str) -> str:
    cost = result.total_cost_usd
    return (
        f"{_chances(result)}\n"
        f"Ice, fees and shortages cost {style.money(cost.mean)} on average, {level} within "
        f"{_between(cost, style.money)}. {_shortage(result, style)}\n"
        f"Work needs about {style.weight(sum(d.need_lb.mean for d in result.days))} in these {len(result.days)} days, "
        f"{style.weight(result.sublimated_lb.mean)} turn to gas, {style.weight(result.left_over_lb.mean)} are left at "
        "the end. `rimebook forecast` tells more ice: whole months, all jobs still to be booked in them, and all "
        "that is lost in store, none of it taken from what is in store now."
    )


def _chances(result: OrderResult) -> str:
    """Return the chance of running short: where no order can help yet apart from where the plan decides."""
    before, after = result.chance_short_before, result.chance_short_after
    if after is None:
        return f"No delivery can arrive in these days: the chance of running short is {percent(result.chance_short)}."
    cover = result.chance_short_cover
    each = f", at most {percent(cover)} from one delivery to the next" if cover is not None and cover < after else ""
    if before is None:
        return f"The chance of running short on some day is {percent(after)}{each}."
    first = _day(result.deliveries[0].date)
    return (
        f"Before a delivery can arrive ({first}) the chance of running short is {percent(before)}, whatever is "
        f"ordered. From then on it is {percent(after)} for some day with this plan{each}."
    )


def _none_ordered(result: OrderResult) -> str:
    """Return why nothing is ordered although jobs will want for ice, and how to have them served."""
    ordered = any(d.order_lb for d in result.deliveries)
    if ordered or not result.shortage.weighed or result.chance_short < _SHORT:
        return ""
    return (
        " Nothing is ordered because putting these jobs off costs less than their ice: set bumped_job_usd higher under "
        "[ice] in book.toml if that is not so, or ask with --service 0.9."
    )


def _shortage(result: OrderResult, style: Style) -> str:
    """Return what a shortage was counted as: the plan weighs it against the price of more ice."""
    short, lacking = result.shortage, style.weight(result.short_lb_mean)
    if short.counted_as == "nothing":
        return f"The {lacking} short on average cost nothing as entered (rush_usd_per_lb, bumped_job_usd)."
    share = f"{lacking} on average, {style.money(short.mean_usd)} of that cost"
    if short.counted_as == "bumped":
        return (
            f"What is short ({share}) counts as jobs bumped at {style.money(short.bumped_job_usd)} each "
            f"({_BUMPED_FROM[short.bumped_job_from]}); no ice is bought in a rush, as no rush_usd_per_lb is set."
            f"{_none_ordered(result)}"
        )
    fee = f" and {style.money(short.rush_fee_usd)} a trip" if short.rush_fee_usd else ""
    left = ": the plan leaves to it what would cost more to store" if short.weighed else ""
    return (
        f"What is short ({share}) is counted as fetched at the counter, at "
        f"{style.price_of_weight(short.rush_usd_per_lb)}{fee}{left}."
    )


def _store(result: OrderResult, style: Style, level: str) -> str:
    stock = result.stock
    held = f"{style.weight(stock.now_lb.mean)} ({level} within {_between(stock.now_lb, style.weight)})"
    losing = f"{style.weight(stock.loss_lb_day.mean)} a day ({_between(stock.loss_lb_day, style.weight)}). "
    said = f"In store now: {held}, losing {losing}"
    if stock.now_lb.mean < _NOTHING_LB:
        said = f"In store now: {style.weight(0.0)}. A filled container loses {losing}"
    said += _loss_from(stock, style)
    if stock.weighed:
        said += f"Used but not logged in the last four weeks: about {style.weight(stock.unlogged_lb.mean)}."
    else:
        said += "Whether ice was used and not logged cannot be known: no container was ever weighed."
    for c in stock.containers:
        age = f", oldest ice {counted(c.oldest_days, 'day')}" if c.oldest_days is not None else ""
        said += f"\n{c.container}: {style.weight(c.now_lb.mean)}, loses {style.weight(c.loss_lb_day.mean)} a day{age}."
    return said


def _loss_from(stock: StockTold, style: Style) -> str:
    """Return what stands behind a loss that nobody weighed: the planning value, its range and the warmth."""
    if stock.weighed:
        return ""
    warm = f", times {stock.warmth:.2f} for the warmth of today" if abs(stock.warmth - 1.0) >= _TOLD_WARMTH else ""
    return (
        f"That is the mean of a wide range for each container that holds ice; its middle is sublimation_lb_per_day "
        f"({style.weight(stock.planning_lb_day)} at 20 °C){warm}. "
    )


def _day_title(stock: StockTold) -> str:
    each = f"each of the {stock.n_containers} containers" if stock.n_containers > 1 else "one container"
    return f"Day by day: means; stock when work starts, less the loss of {each} while it holds ice"


def _days(result: OrderResult, style: Style, level: str) -> str:
    rows = [
        [_day(d.date), style.weight(d.stock_lb.mean), _between(d.stock_lb, style.weight),
         style.weight(d.need_lb.mean), _between(d.need_lb, style.weight), percent(d.chance_short)]
        for d in result.days
    ]  # fmt: skip
    return table(
        [Column("Day"), Column("Stock", "number"), Column(level, "number"), Column("Need", "number"),
         Column(level, "number"), Column("Short", "number")],
        rows,
    )  # fmt: skip


def _rules(result: OrderResult, style: Style) -> str:
    rows = [["this plan", style.money(result.total_cost_usd.mean), percent(result.chance_short)]]
    rows += [[r.name, style.money(r.cost_usd), percent(r.chance_short)] for r in result.rule_of_thumb]
    return table([Column("Rule"), Column("Cost", "number"), Column("Runs short", "number")], rows)


def render_fit(answer: Answer[FitResult], style: Style) -> str:
    """Return which jobs fit in the ice that is left, as a table."""
    if not answer.result.fits:
        return "No job to fit in."
    level = percent(answer.result.fits[0].pellets_lb.interval.level)
    rows = [
        [f.booking_id, style.weight(f.pellets_lb.quantiles[0.5]), _between(f.pellets_lb, style.weight),
         percent(f.chance_fits), _day(f.last_day) if f.last_day else f"none at {level}", style.money(f.least_usd)]
        for f in answer.result.fits
    ]  # fmt: skip
    head = [Column("Job"), Column("Pellets", "number"), Column(level, "number"), Column("Fits", "number"),
            Column("Last day"), Column("Least price", "number")]  # fmt: skip
    note = (
        "Each job by itself, after the others that are booked, with no further delivery. Least price: what the job "
        "costs with the ice paid for already."
    )
    rules = (
        "Fits: on the day it is booked for; a waiting job on the first working day from its date. Last day: the last "
        f"working day of the next 14 on which it would fit with a chance of {level}, were it done then, earlier than "
        "booked or later."
    )
    return "\n".join([table(head, rows), paragraph(note), paragraph(rules)])
