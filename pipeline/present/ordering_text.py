"""Orders as text: what to order first, then the days, the cost, and what simple rules would cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.figures import percent
from pipeline.present.terminal import Column, paragraph, section, table
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from pipeline.answers.answer import Answer, QuantitySummary
    from pipeline.answers.ice_answer import DeliveryPlan, OrderResult, StockTold
    from pipeline.answers.ice_fitting import FitResult
    from pipeline.present.figures import Style

#: Chance of running short from which days are told that no order can help yet, or that the plan leaves without ice.
SHORT = 0.3
#: Less than this in store is nothing.
_NOTHING_LB = 0.5
#: Less than this in the balance of the days is not told.
_BALANCE_LB = 1.0
#: A smaller effect of the day's warmth is not told.
_TOLD_WARMTH = 0.01
_BUMPED_FROM = {
    "book.toml": "bumped_job_usd",
    "usual price": "what jobs are usually charged here, as bumped_job_usd is not set",
    "planning figure": "what a usual job would be quoted, as neither bumped_job_usd nor any job's price is known",
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
        none = "No delivery is possible in these days."
        return paragraph(f"{none} {on_its_way_words(result, style, _day)}".strip())
    rows = [
        [_day(d.date), style.weight(d.order_lb) if d.order_lb else "nothing", style.money(d.cost_usd),
         _day(d.order_by), decided(d, result.days[0].date)]
        for d in result.deliveries
    ]  # fmt: skip
    deliveries = table(
        [
            Column("Delivery"),
            Column("Order", "number"),
            Column("Cost", "number"),
            Column("Order by"),
            Column("Decided"),
        ],
        rows,
    )
    below = [on_its_way_words(result, style, _day), firm_words(result, _day)]
    return "\n".join([deliveries, *(paragraph(words) for words in below if words)])


def decided(delivery: DeliveryPlan, today: date) -> str:
    """Return whether a delivery must be decided before the next decision day, and whether today."""
    if delivery.order_by == today:
        return "firm, due today"
    return "firm" if delivery.firm else "open until then"


def firm_words(result: OrderResult, write: Callable[[date], str]) -> str:
    """Return what a firm delivery is."""
    if result.decide_on is None:
        return "Firm: to be decided by the day named, with no decision day before it."
    return f"Firm: to be decided before {write(result.decide_on)}, the next decision day; the others may change."


def on_its_way_words(result: OrderResult, style: Style, write: Callable[[date], str]) -> str:
    """Return what is bought already and not counted, so that nobody buys it twice; nothing where there is none."""
    if not result.on_its_way:
        return ""
    today = result.days[0].date
    ice = ", ".join(f"{style.weight(d.weight_lb)} on {write(d.date)}" for d in result.on_its_way)
    said = f"Not counted, as by the log it is still to come: {ice}. Order that much less."
    if any(d.date == today for d in result.on_its_way):
        said += (
            f" Where today's has come, undo its import and give it the time, such as {today.isoformat()} 07:30: it "
            "then counts."
        )
    return said


def _risk(result: OrderResult, style: Style, level: str) -> str:
    cost = result.total_cost_usd
    return (
        f"{_chances(result)}\n"
        f"Ice, fees and shortages cost {style.money(cost.mean)} on average, {level} within "
        f"{_between(cost, style.money)}. {_shortage(result, style)}\n"
        f"{_balance(result, style)} `rimebook forecast` tells more ice: whole months, all jobs still to be booked in "
        "them, and all that is lost in store, none of it taken from what is in store now."
    )


def _balance(result: OrderResult, style: Style) -> str:
    """Return where the ice of these days goes and where it is from: both sides are the same."""
    goes = [
        f"Work needs about {style.weight(sum(d.need_lb.mean for d in result.days))} in these {len(result.days)} days",
        *_told([(result.unlogged_lb.mean, "go beside the logged use")], style),
        f"{style.weight(result.sublimated_lb.mean)} turn to gas",
        *_told([(result.turned_away_lb.mean, "are delivered and find no room in the containers")], style),
    ]
    ordered = sum(d.order_lb for d in result.deliveries)
    parts = [(result.stock.now_lb.mean, "in store now"), (ordered, "ordered"), (result.short_lb_mean, "short")]
    sides = _told(parts, style)
    total = f": in all the {', '.join(sides[:-1])}{' and ' if sides[1:] else ''}{sides[-1]}" if sides else ""
    return f"{', '.join(goes)} and {style.weight(result.left_over_lb.mean)} are left at the end{total}."


def _told(amounts: Sequence[tuple[float, str]], style: Style) -> list[str]:
    """Return the amounts (lb) that are worth telling, each with its words."""
    return [f"{style.weight(lb)} {words}" for lb, words in amounts if lb >= _BALANCE_LB]


def _chances(result: OrderResult) -> str:
    """Return the chance of running short: where no order can help yet apart from where the plan decides."""
    before, after = result.chance_short_before, result.chance_short_after
    if after is None:
        return f"No delivery can arrive in these days: the chance of running short is {percent(result.chance_short)}."
    cover = result.chance_short_cover
    each = f", at most {percent(cover)} from one delivery to the next" if cover is not None and cover < after else ""
    if before is None:
        return f"The chance of running short on some day is {percent(after)}{each}.{left_short(result, _day)}"
    return (
        f"{waiting_words(result, before, _day)} From then on it is {percent(after)} for some day with this plan{each}."
        f"{left_short(result, _day)}"
    )


def waiting_words(result: OrderResult, chance: float, write: Callable[[date], str]) -> str:
    """Return the chance of running short before a delivery can arrive."""
    return (
        f"Before a delivery can arrive ({write(result.deliveries[0].date)}) the chance of running short is "
        f"{percent(chance)}, whatever is ordered."
    )


#: Why a shortage is left as it is, by how it is counted, and what to set in book.toml where that is not so.
_CHEAPER = {
    "rush": ("fetching what is short at the counter costs less than a delivery", "rush_usd_per_lb or rush_fee_usd"),
    "bumped": ("putting these jobs off costs less than their ice and its delivery", "bumped_job_usd"),
    "nothing": ("running short costs nothing as entered", "rush_usd_per_lb or bumped_job_usd"),
}


def left_short(result: OrderResult, write: Callable[[date], str]) -> str:
    """Return why days are left without ice that could be ordered for them, and how to have them served; or ''."""
    chance = result.chance_short_unordered
    if chance is None or chance < SHORT or not result.shortage.weighed:
        return ""
    first, filled = result.deliveries[0], next((d for d in result.deliveries if d.order_lb), None)
    why, what = _CHEAPER[result.shortage.counted_as]
    if filled is None:
        said = f" Nothing is ordered because {why}: "
    else:
        said = (
            f" Ice ordered by {write(first.order_by)} could come on {write(first.date)}; the plan orders none before "
            f"{write(filled.date)} and accepts a chance of {percent(chance)} of running short in between, because "
            f"{why}: "
        )
    return f"{said}set {what} higher under [ice] in book.toml if that is not so, or ask `rimebook order --service 0.9`."


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
    return f"Day by day: means; stock about noon, less the loss of {each}"


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
