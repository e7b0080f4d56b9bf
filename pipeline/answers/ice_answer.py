"""The answer of an order: stock, deliveries, days and rules of thumb as they are told."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from pipeline.answers.answer import QuantitySummary, summarise
from pipeline.answers.ice_arrivals import is_working

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.ice.ordering import Plan
    from models.ice.outlook import Course, Outlook, Terms
    from pipeline.answers.ice_demand import Demand
    from pipeline.answers.ice_state import IceState
    from pipeline.book.settings import Settings

#: Where the cost of a bumped job is from: as entered, what the shop usually charges, or a figure for want of both.
BumpedFrom = Literal["book.toml", "usual price", "planning figure"]
#: A container that is likely to hold less gives off nothing worth telling.
_HOLDS_LB = 5.0


@dataclass(frozen=True)
class ContainerTold:
    """One container: what it holds, what it loses a day as long as it holds enough, and the age of its oldest ice."""

    container: str
    now_lb: QuantitySummary
    loss_lb_day: QuantitySummary
    oldest_days: int | None


@dataclass(frozen=True)
class StockTold:
    """What is in store this morning and what goes from it.

    `unlogged_lb` is of the last four weeks; `weighed` counts the weighings behind it: with none it is a guess.
    `warmth` is today's loss over that at 20 °C, and `planning_lb_day` the loss of one container in `book.toml`, which
    is the middle of its range where `weighed` is 0. A plan counts the loss of `n_containers`, each while it holds ice.
    """

    now_lb: QuantitySummary
    loss_lb_day: QuantitySummary
    unlogged_lb: QuantitySummary
    containers: tuple[ContainerTold, ...]
    weighed: int
    warmth: float
    planning_lb_day: float
    n_containers: int


@dataclass(frozen=True)
class DeliveryPlan:
    """One possible delivery; `firm` where it must be decided before the next decision day.

    `order_by` is the last day that the shop works and that leaves the notice, today where none from today on is.
    """

    date: datetime.date
    order_by: datetime.date
    firm: bool
    order_lb: float
    cost_usd: float


@dataclass(frozen=True)
class DayPlan:
    """One day: stock before its work, what the work needs, and the chance that it needs more."""

    date: datetime.date
    stock_lb: QuantitySummary
    need_lb: QuantitySummary
    chance_short: float


@dataclass(frozen=True)
class RuleOfThumb:
    """A simple rule over the same scenarios."""

    name: str
    cost_usd: float
    chance_short: float


@dataclass(frozen=True)
class ShortageTold:
    """How a shortage is counted: "rush" (fetched at the counter), "bumped" (jobs not done) or "nothing".

    `mean_usd` is its part of the plan's mean cost; `bumped_job_from` tells where the cost of a bumped job is from. The
    plan has weighed more ice against it where it is `weighed`: not where no ice can be ordered or by a service level.
    """

    counted_as: Literal["rush", "bumped", "nothing"]
    rush_usd_per_lb: float
    rush_fee_usd: float
    bumped_job_usd: float
    bumped_job_from: BumpedFrom
    mean_usd: float
    weighed: bool


@dataclass(frozen=True)
class OnItsWay:
    """Ice that the log has for today, without a time before noon, or for a day to come: no plan counts it."""

    date: datetime.date
    weight_lb: float


@dataclass(frozen=True)
class OrderResult:
    """The plan, day by day, and what it is likely to cost.

    `chance_short` is that of some day that needs more than there is. `chance_short_before` counts the days before a
    delivery can arrive, which no order changes (None without such days), `chance_short_after` those from then on (None
    where no delivery can arrive), `chance_short_cover` the worst of the stretches from one delivery to the next, which
    is what a service level is about (None where no delivery can arrive), `chance_short_unordered` the days on which ice
    could have come already, before the first delivery that the plan fills (None without such days). `decide_on` is the
    next day on which deliveries are decided (None: beyond them). `on_its_way` is ice that is bought already.

    What is in store, ordered and short on average are what the days need, `unlogged_lb` (used beside the logged need),
    `sublimated_lb`, `turned_away_lb` (delivered, and more than the containers could hold) and `left_over_lb`.
    """

    stock: StockTold
    deliveries: tuple[DeliveryPlan, ...]
    chance_short: float
    short_lb_mean: float
    left_over_lb: QuantitySummary
    sublimated_lb: QuantitySummary
    total_cost_usd: QuantitySummary
    days: tuple[DayPlan, ...]
    rule_of_thumb: tuple[RuleOfThumb, ...]
    chance_short_before: float | None
    chance_short_after: float | None
    shortage: ShortageTold
    unlogged_lb: QuantitySummary
    turned_away_lb: QuantitySummary
    chance_short_cover: float | None = None
    chance_short_unordered: float | None = None
    decide_on: datetime.date | None = None
    on_its_way: tuple[OnItsWay, ...] = ()


@dataclass(frozen=True)
class IceGround:
    """What an order and a fit of jobs rest on, all as of the same morning."""

    today: date
    settings: Settings
    state: IceState
    demand: Demand


class Teller:
    """Summaries of draws at one level, with the past answers that stand behind them."""

    def __init__(self, ground: IceGround, level: float) -> None:
        self._level = level
        self._weighed = ground.state.fit.law.n_intervals
        self._jobs = ground.demand.n_calibration

    def ice(self, draws: NDArray[np.float64]) -> QuantitySummary:
        """Return the summary of what weighings tell."""
        return summarise(draws, level=self._level, n_scores=self._weighed)

    def work(self, draws: NDArray[np.float64]) -> QuantitySummary:
        """Return the summary of what past jobs tell."""
        return summarise(draws, level=self._level, n_scores=self._jobs)

    def both(self, draws: NDArray[np.float64]) -> QuantitySummary:
        """Return the summary of what rests on weighings and jobs."""
        return summarise(draws, level=self._level, n_scores=min(self._weighed, self._jobs))


def order_result(
    ground: IceGround, outlook: Outlook, terms: Terms, plan: Plan, dates: Sequence[date], decide: date | None,
    rules: tuple[RuleOfThumb, ...], bumped_from: BumpedFrom, *, level: float, weighed: bool,
) -> OrderResult:  # fmt: skip
    """Return the answer of a plan; `dates` are its deliveries, `decide` the next decision day (None: beyond them)."""
    told, course = Teller(ground, level), plan.course
    covers = terms.covers(outlook.n_days)
    waiting = covers < 0
    filled = next((day for day, lb in zip(terms.days, course.orders_lb, strict=True) if lb), outlook.n_days)
    unordered = ~waiting & (np.arange(outlook.n_days) < filled)
    deadlines = [_order_by(day, ground.today, ground.settings) for day in dates]
    return OrderResult(
        stock=stock_told(ground, told),
        deliveries=tuple(
            DeliveryPlan(day, by, decide is None or by < decide, float(lb), float(terms.ice_usd(np.array([lb]))))
            for day, by, lb in zip(dates, deadlines, course.orders_lb, strict=True)
        ),
        chance_short=course.chance_short(),
        short_lb_mean=float(course.short_lb.sum(axis=0).mean()),
        left_over_lb=told.both(course.left_lb),
        sublimated_lb=told.both(course.sublimated_lb),
        total_cost_usd=told.both(course.cost_usd),
        days=tuple(
            DayPlan(day, told.both(course.stock_lb[i]), told.work(outlook.need_lb[i]),
                    float((course.short_lb[i] > 0).mean()))
            for i, day in enumerate(ground.demand.days)
        ),
        rule_of_thumb=rules,
        chance_short_before=course.chance_short(waiting) if waiting.any() else None,
        chance_short_after=course.chance_short(~waiting) if not waiting.all() else None,
        shortage=_shortage(terms, course, bumped_from, weighed=weighed),
        unlogged_lb=told.both(course.unlogged_lb),
        turned_away_lb=told.both(course.turned_away_lb),
        chance_short_cover=max((course.chance_short(covers == c) for c in set(covers[~waiting])), default=None),
        chance_short_unordered=course.chance_short(unordered) if unordered.any() else None,
        decide_on=decide,
    )  # fmt: skip


def _order_by(delivery: date, today: date, settings: Settings) -> date:
    """Return the last day on which the shop is open and the notice kept; today where no such day is left.

    On which days the supplier takes orders is not known.
    """
    latest = delivery - timedelta(days=settings.ice.notice_days)
    days = (latest - timedelta(days=i) for i in range((latest - today).days + 1))
    return next((d for d in days if is_working(d, settings.shop)), today)


def _shortage(terms: Terms, course: Course, bumped_from: BumpedFrom, *, weighed: bool) -> ShortageTold:
    rush = terms.rush_usd_per_lb > 0 or terms.rush_fee_usd > 0
    return ShortageTold(
        "rush" if rush else "bumped" if terms.bumped_job_usd > 0 else "nothing", terms.rush_usd_per_lb,
        terms.rush_fee_usd, terms.bumped_job_usd, bumped_from, float(course.cost_usd.mean() - course.ice_usd), weighed,
    )  # fmt: skip


def stock_told(ground: IceGround, told: Teller) -> StockTold:
    """Return what is in store, in all and by container.

    The loss is that of the containers that hold ice, in today's warmth; where none does, of the one that is filled
    next.
    """
    state = ground.state
    today = np.array([ground.today.toordinal()], dtype=np.int64)
    warmth = state.fit.law.warmth_of(state.climate, today)[0]
    containers, loss = [], np.zeros(state.fit.law.n_draws)
    for name, held in zip(state.stock.containers, state.stock.now_lb, strict=True):
        rate = state.fit.law.rate_of(name) * warmth
        holds = held.mean() > _HOLDS_LB
        if not holds and name not in state.in_use:
            continue
        loss = loss + rate * holds
        arrived = _oldest(state.walked.lots.get(name, []), float(held.mean()))
        oldest = int(ground.today.toordinal() + 1 - arrived) if arrived is not None and holds else None
        containers.append(ContainerTold(name, told.ice(held), told.ice(rate), oldest))
    if not loss.any():
        loss = state.rates_lb_day()[0] * warmth
    held = state.stock.total_lb() if state.stock.containers else np.zeros(len(loss))
    return StockTold(
        told.ice(held), told.ice(loss), told.ice(state.unlogged), tuple(containers), state.fit.law.n_intervals,
        float(np.mean(warmth)), ground.settings.ice.sublimation_lb_per_day, max(len(state.in_use), 1),
    )  # fmt: skip


def _oldest(lots: Sequence[tuple[float, float]], held_lb: float) -> float | None:
    """Return when the oldest ice of a container arrived, None where no lot is known.

    `lots` are (arrived, lb), oldest first. The oldest ice is used first: what is there is the newest that makes it up.
    """
    there = 0.0
    for arrived, lb in reversed(lots):
        there += lb
        if there >= held_lb:
            return arrived
    return lots[0][0] if lots else None
