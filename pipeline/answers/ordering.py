"""What ice to order for which delivery day."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.demand.calendar import logged_days
from models.ice.ordering import Plan, allowed_lb, best_plan, mean_demand_plan, standing_plan
from models.ice.outlook import Outlook, Terms, containers_filled, course_of
from models.ice.record import USED
from pipeline.answers.amounts import weight
from pipeline.answers.answer import Answer, Asking
from pipeline.answers.bookings import believes_statuses, gather_bookings, taken_today_note
from pipeline.answers.bumped_jobs import bumped_job, put_off
from pipeline.answers.fitting import current_fit
from pipeline.answers.history import history
from pipeline.answers.ice_answer import IceGround, OnItsWay, OrderResult, RuleOfThumb, order_result
from pipeline.answers.ice_cautions import order_cautions
from pipeline.answers.ice_demand import DemandGround, demand
from pipeline.answers.ice_lapse_notes import lapses_told
from pipeline.answers.ice_state import ice_state, records_of
from pipeline.answers.known_customers import KnownCustomers
from pipeline.answers.landed import landed_price
from pipeline.answers.log_gaps import delivery_days
from pipeline.answers.order_limits import limit_words, limits_told
from pipeline.answers.order_prices import other_prices
from pipeline.book import tables
from pipeline.book.settings import Ice
from shared.errors import UsageError
from shared.units import LB_KG
from shared.vocabulary import WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.answers.fitting import CurrentFit
    from pipeline.book.settings import Settings

N_DRAWS = 4000
#: Span after which the next order can be decided, and the longest horizon.
DECIDE_DAYS, MOST_DAYS = 7, 42
#: The trade's rule of thumb, lb a week (common practice, no source).
WEEKLY_LB = 200.0
_FOUR_WEEKS, _MORE = 28, 1.25
#: The lot that a metric book is told of where its own is the default of 50 lb.
_METRIC_LOT_KG = 20.0


@dataclass(frozen=True)
class OrderQuestion:
    """What is asked; None stands for what `book.toml` says.

    Attributes
    ----------
    start : date, optional
        First day wanted (`--from`); today where not given.
    n_days : int
        Days from `start` on (`--days`).
    deliver : tuple of weekday words, optional
        Days on which ice can come (`--deliver`).
    service : float, optional
        Wanted chance in (0, 1) of not running short in each delivery's cover, in place of a shortage cost.
    statuses_known : bool, optional
        Whether the status of bookings from today on may be believed. By default not where today lies in the past of
        both the computer and the book (`as_of`): the answer of that day is made again.
    """

    start: date | None = None
    n_days: int = 14
    deliver: tuple[str, ...] | None = None
    service: float | None = None
    statuses_known: bool | None = None


def ice_ground(asking: Asking, fit: CurrentFit, n_days: int, *, statuses_known: bool | None, seed: int) -> IceGround:
    """Gather stock, loss and demand from the book as of `asking.today`."""
    settings = asking.book.settings
    records, units = records_of(asking), settings.shop.units
    state = ice_state(records, settings.ice, asking.today, seed=seed, n_draws=N_DRAWS, units=units)
    ground = DemandGround(
        today=asking.today,
        history=history(asking.book, asking.today),
        bookings=gather_bookings(tables.bookings(asking.book, asking.today)),
        fitted=fit.fitted,
        settings=settings,
        beside_min=settings.costs.setup_min + settings.costs.cleanup_min,
        delivered=delivery_days(records.deliveries),
        statuses_known=believes_statuses(asking, statuses_known),
        customers=KnownCustomers(asking),
    )
    return IceGround(asking.today, settings, state, demand(ground, n_days, seed=seed, n_draws=N_DRAWS))


def outlook_of(ground: IceGround, *, seed: int) -> Outlook:
    """Return the coming days as joint scenarios: stock, loss and need of the same column."""
    law = ground.state.fit.law
    ordinals = np.array([d.toordinal() for d in ground.demand.days], dtype=np.int64)
    rng = np.random.default_rng([seed, 0xDA7])
    chance = np.maximum(1 + law.scatter * rng.standard_normal((len(ordinals), law.n_draws)), 0.0)
    return Outlook(
        stock_lb=ground.state.held_lb(),
        need_lb=ground.demand.need_lb,
        jobs=ground.demand.jobs,
        rate_lb_day=ground.state.rates_lb_day(),
        warmth=law.warmth_of(ground.state.climate, ordinals) * chance,
        exponent=law.exponent,
        unlogged_share=law.unlogged_share,
        container_lb=ground.settings.ice.container_lb,
        full_lb=law.full_lb,
    )


def delivery_dates(question: OrderQuestion, today: date, settings: Settings) -> tuple[list[date], date | None]:
    """Return the days on which ice can come and be ordered in time, and the next decision day (None: beyond them).

    Where the days asked for begin later, what must come until then is planned too: the shop works in the meantime. A
    closed day takes no delivery. The next decision day is the first delivery day at least seven days on.

    Raises
    ------
    UsageError
        When the days, the horizon or the first day make no sense.
    """
    start = question.start or today
    if start < today:
        raise UsageError("from-before-today", where="--from", found=start.isoformat(),
                         expected=f"{today.isoformat()} or later",
                         do="Give --today as well, or leave it out: an earlier --from implies it.")  # fmt: skip
    if not 1 <= question.n_days <= MOST_DAYS:
        raise UsageError("bad-days", where="--days", found=str(question.n_days), expected=f"1 to {MOST_DAYS}",
                         do="Leave it out for 14 days.")  # fmt: skip
    if (start - today).days > MOST_DAYS:
        raise UsageError("from-too-late", where="--from", found=start.isoformat(),
                         expected=f"at most {MOST_DAYS} days from {today.isoformat()}",
                         do="Ask nearer to that day; `rimebook forecast` looks further ahead.")  # fmt: skip
    wanted = question.deliver if question.deliver is not None else settings.ice.delivery_days
    unknown = [word for word in wanted if word not in WEEKDAYS]
    if unknown:
        raise UsageError("bad-weekday", where="--deliver", found=f"`{unknown[0]}`",
                         expected=f"weekdays ({', '.join(WEEKDAYS)})", do="Write for example mon,thu.")  # fmt: skip
    closed = set(settings.shop.closed)
    last = start + timedelta(days=question.n_days - 1)
    every = [today + timedelta(days=i) for i in range((last - today).days + DECIDE_DAYS + 8)]
    can = [d for d in every if WEEKDAYS[d.weekday()] in wanted and d not in closed]
    decide = next((d for d in can if d >= today + timedelta(days=DECIDE_DAYS)), None)
    notice = timedelta(days=settings.ice.notice_days)
    return [d for d in can if d <= last and d - notice >= today], decide


def terms_of(
    ice: Ice, days: Sequence[int], bumped_job_usd: float, *, worth: tuple[float, ...] = (),
    service: float | None = None,
) -> Terms:  # fmt: skip
    """Return the terms of `book.toml` for deliveries on these days; with a service level a shortage costs nothing.

    Where rush ice is to be had (`rush_usd_per_lb`), a shortage is bought; else its jobs are bumped.
    """
    rush = ice.rush_usd_per_lb is not None
    priced = service is None
    return Terms(
        days=tuple(days),
        breaks=tuple((b.from_lb, b.usd_per_lb) for b in ice.price_breaks),
        fee_usd=ice.delivery_fee_usd,
        lot_lb=ice.lot_lb,
        least_lb=ice.least_lb,
        rush_usd_per_lb=ice.rush_usd_per_lb or 0.0 if priced and rush else 0.0,
        rush_fee_usd=ice.rush_fee_usd if priced and rush else 0.0,
        bumped_job_usd=bumped_job_usd if priced and not rush else 0.0,
        job_worth=worth,
    )


def order_ice(asking: Asking, question: OrderQuestion) -> Answer[OrderResult]:
    """Return what to order for each possible delivery, day by day stock, cost and risk, and rules of thumb.

    Raises
    ------
    UsageError
        When the question makes no sense (see `delivery_dates`; `service` outside (0, 1)).
    """
    if question.service is not None and not 0.0 < question.service < 1.0:
        raise UsageError("bad-service", where="--service", found=f"{question.service:g}",
                         expected="a share between 0 and 1", do="Write for example 0.95.")  # fmt: skip
    settings = asking.book.settings
    dates, decide = delivery_dates(question, asking.today, settings)
    start = question.start or asking.today
    n_days = (start - asking.today).days + question.n_days
    fit = current_fit(asking)
    ground = ice_ground(asking, fit, n_days, statuses_known=question.statuses_known, seed=asking.seed)
    places = [(d - asking.today).days for d in dates]
    landed = landed_price(asking)
    bumped = bumped_job(asking, ground.demand, landed.usd_per_lb)
    terms = terms_of(settings.ice, places, bumped.usd, worth=bumped.worth, service=question.service)
    outlook = outlook_of(ground, seed=asking.seed)
    plan = best_plan(outlook, terms, service=question.service)
    # A service level replaces the shortage's price in the search only: what the plan costs counts shortages as ever.
    priced = terms_of(settings.ice, places, bumped.usd, worth=bumped.worth)
    if question.service is not None:
        plan = replace(plan, course=course_of(outlook, priced, plan.course.orders_lb))
    rules = rules_of_thumb(ground, outlook, priced)
    can_order = any(len(allowed_lb(outlook, terms, k)) > 1 for k in range(len(dates)))
    result = order_result(
        ground, outlook, priced, plan, dates, decide, rules, bumped.from_,
        level=asking.level, weighed=can_order and question.service is None,
    )  # fmt: skip
    last = asking.today + timedelta(days=n_days - 1)
    result = replace(result, on_its_way=_on_its_way(asking, last, question.statuses_known))
    late = taken_today_note(asking, asking.today, last, stated=question.statuses_known)
    warnings = (
        *fit.warnings,
        *_of_today(asking, "weighings", question.statuses_known),
        *late,
        *lapses_told(asking, landed),
        *ground.state.warnings,
        *ground.demand.warnings,
        *other_prices(tables.deliveries(asking.book, asking.today), settings, asking.today),
        *_warnings(ground, outlook, terms, plan, dates, question, can_order=can_order),
        *put_off(ground.demand, terms, plan.course),
    )
    most = max((d.stock_lb.quantiles[0.95] for d in result.days), default=0.0)
    largest = max((d.order_lb for d in result.deliveries), default=0.0)
    metric = settings.shop.units == "metric"
    gassing = max(result.stock.loss_lb_day.quantiles[0.95], _most_loss(outlook, most))
    altitude = max((bay.altitude_ft for bay in settings.bays.values()), default=0.0)
    cautions = order_cautions(largest, most, gassing, altitude_ft=altitude, metric=metric)
    return Answer(result, warnings, tuple(cautions))


def _most_loss(outlook: Outlook, most_lb: float) -> float:
    """Return what the containers that hold so much may give off on the worst of the days, in lb (95th percentile)."""
    filled = containers_filled(most_lb, outlook.container_lb)
    fastest = np.argsort(outlook.rate_lb_day.mean(axis=1))[::-1][:filled]
    day = outlook.rate_lb_day[fastest].sum(axis=0) * outlook.warmth
    return float(np.quantile(day, 0.95, axis=1).max())


def of_today(asking: Asking, statuses_known: bool | None) -> Iterator[str]:
    """Tell of ice dated today without a time before noon: whether it came before this morning nobody knows."""
    for what in ("deliveries", "weighings"):
        yield from _of_today(asking, what, statuses_known)


def _of_today(asking: Asking, what: Literal["deliveries", "weighings"], statuses_known: bool | None) -> Iterator[str]:
    if not believes_statuses(asking, statuses_known):
        return
    rows = tables.deliveries if what == "deliveries" else tables.weighings
    tomorrow = asking.today + timedelta(days=1)
    late, known = (sum(r.day == asking.today for r in rows(asking.book, day)) for day in (tomorrow, asking.today))
    if late > known:
        day = asking.today.isoformat()
        yield (
            f"Dated today, {day}, without a time before noon, and so not counted: {late - known} of the {what}. "
            f"To count them, undo their import and give them the time, such as {day} 07:30."
        )


def _on_its_way(asking: Asking, last: date, statuses_known: bool | None) -> tuple[OnItsWay, ...]:
    """Return the ice that is logged for today or later: the plan is made as if it were not on its way."""
    if not believes_statuses(asking, statuses_known):
        return ()
    known = Counter(tables.deliveries(asking.book, asking.today))
    late = Counter(tables.deliveries(asking.book, last + timedelta(days=1))) - known
    return tuple(OnItsWay(d.day, d.weight_lb) for d in late.elements() if d.day >= asking.today and d.weight_lb > 0)


def rules_of_thumb(ground: IceGround, outlook: Outlook, terms: Terms) -> tuple[RuleOfThumb, ...]:
    """Price the simple rules over the same scenarios: expected cost and chance of running short."""
    plans = {f"{weight(WEEKLY_LB, ground.settings.shop.units)} a week": standing_plan(outlook, terms, WEEKLY_LB)}
    recent = four_weeks_use(ground)
    if recent is not None:
        weeks, used_lb = recent
        plans[f"{weeks} use and a quarter more"] = standing_plan(outlook, terms, used_lb / 4 * _MORE)
    plans["mean need of each cover"] = mean_demand_plan(outlook, terms)
    found = []
    for name, plan in plans.items():
        course = course_of(outlook, terms, plan)
        found.append(RuleOfThumb(name, float(course.cost_usd.mean()), course.chance_short()))
    return tuple(found)


def four_weeks_use(ground: IceGround) -> tuple[str, float] | None:
    """Return which four weeks' use is the latest that was logged, in words, and its pounds; None where there is none.

    Nobody would order by weeks that the log passes over. A log that is younger than four weeks tells no such use.
    """
    log, today = ground.state.walked.log, ground.today.toordinal()
    used = log.kind == USED
    at, lb = np.floor(log.at[used]).astype(np.int64), log.lb[used]
    if not len(at):
        return None
    days = logged_days(int(at.min()), today, ground.demand.gaps)[-_FOUR_WEEKS:]
    used_lb = float(lb[np.isin(at, days)].sum())
    if len(days) < _FOUR_WEEKS or not used_lb:
        return None
    return "last four weeks'" if days[0] == today - _FOUR_WEEKS else "last four logged weeks'", used_lb


def _warnings(
    ground: IceGround, outlook: Outlook, terms: Terms, plan: Plan, dates: Sequence[date], question: OrderQuestion, *,
    can_order: bool,
) -> list[str]:  # fmt: skip
    """Tell what limits the plan."""
    said: list[str] = []
    ice = ground.settings.ice
    if not dates:
        said.append("No delivery is possible in these days: no delivery day that is open and can still be ordered for.")
    elif not can_order:
        least, what = max((ice.least_lb, "least order"), (ice.lot_lb, "smallest lot"))
        said.append(
            f"Nothing can be ordered: the {what} ({weight(least, ground.settings.shop.units)}) is more than the "
            "containers hold."
        )
    if question.service is None and can_order:
        said += limits_told(ground, outlook, terms, plan, dates)
    if question.service is not None:
        for delivery, limit in plan.unmet:
            which = "Before the first delivery" if delivery < 0 else f"After the delivery of {dates[delivery]}"
            chance = plan.course.chance_short(terms.covers(outlook.n_days) == delivery)
            said.append(
                f"{which} the chance of running short is {chance:.2f}, above {1 - question.service:.2f}: "
                f"{limit_words(limit, ground)}."
            )
    elif ice.rush_usd_per_lb is None and ice.bumped_job_usd == 0:
        said.append("Running short costs nothing by book.toml (rush_usd_per_lb, bumped_job_usd): nothing is ordered "
                    "on its account. Set one of them or ask with --service.")  # fmt: skip
    elif ice.rush_usd_per_lb is not None and ice.rush_usd_per_lb <= min(b.usd_per_lb for b in ice.price_breaks):
        said.append("Ice at the counter costs no more than delivered ice by book.toml (rush_usd_per_lb).")
    if ground.settings.shop.units == "metric" and ice.lot_lb == Ice().lot_lb and plan.course.orders_lb.any():
        said.append(
            f"Ice is planned in lots of {ice.lot_lb * LB_KG:.1f} kg ({ice.lot_lb:g} lb), the default of lot_lb; "
            f"`lot_lb = {_METRIC_LOT_KG / LB_KG:.1f}` under [ice] plans by {_METRIC_LOT_KG:g} kg."
        )
    if not outlook.need_lb.any():
        said.append("No work is expected in these days: nothing is booked, and past walk-ins give no reason for any.")
    return said
