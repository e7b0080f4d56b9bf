"""What a pound of ice through the hose really costs: price, delivery fees and the ice that turned to gas unused."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.demand.calendar import logged_days, outside
from models.demand.gaps import find_gaps
from models.ice.outlook import containers_filled
from models.ice.price import held_share, landed_usd_per_lb, order_usd, price_per_lb
from pipeline.answers.ice_lapses import RECORD_DAYS, delivery_lapses, record_start
from pipeline.answers.ice_paid import paid
from pipeline.answers.log_gaps import calendar_of, delivery_days
from pipeline.book import tables

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.ice.lapses import Lapse
    from pipeline.answers.answer import Asking
    from pipeline.answers.ice_paid import Paid
    from pipeline.book.settings import Settings
    from pipeline.book.tables import Delivery, Use

#: The least number of deliveries in the record looked at that counts as one.
LEAST_DELIVERIES = 6
#: At most this share of delivered ice is charged as lost: beyond it the log, not the tote, is what leaks.
MOST_LOST_SHARE = 0.75
#: A shop that hardly has a job still gets ice now and then.
_LEAST_DELIVERIES_A_WEEK = 0.05
#: Median pellets of a planning visit: an undercarriage at moderate soil (from memory, no source).
_PLANNING_VISIT_ZONE = "undercarriage"


@dataclass(frozen=True)
class Landed:
    """The landed price.

    Attributes
    ----------
    usd_per_lb : float
        Price, fees and lost ice, for a pound that was used.
    bought_usd_per_lb : float
        Price alone.
    lost_share : float
        Share of delivered ice that was never logged as used.
    basis : {"planning", "learned"}
    n_deliveries : int
    lapses : tuple of Lapse
        Times left out of it, whose deliveries nobody logged.
    """

    usd_per_lb: float
    bought_usd_per_lb: float
    lost_share: float
    basis: Literal["planning", "learned"]
    n_deliveries: int
    lapses: tuple[Lapse, ...] = ()


@dataclass(frozen=True)
class Volume:
    """An ordinary week: jobs that come and pellets that they use."""

    jobs: float
    used_lb: float


def weekly_volume(asking: Asking) -> Volume:
    """Return an ordinary week of the last half year's log, in which the planning figures count as one more week.

    Only jobs whose pellets were written down count; times in which the log was not kept are left out, and so is the
    work that `closed` days would have been.
    """
    settings, today = asking.book.settings, asking.today
    planned = settings.planning_keys.jobs_per_week
    planned_lb = planned * settings.planning().pellets_lb.zone[_PLANNING_VISIT_ZONE]
    uses = tables.logged_use(asking.book, today, since=today - timedelta(days=RECORD_DAYS))
    if not any(use.pellets_lb > 0 for use in uses):
        return Volume(planned, planned_lb)
    days = np.array([use.day.toordinal() for use in uses], dtype=np.int64)
    came = delivery_days(tables.deliveries(asking.book, today))
    calendar = calendar_of(settings.shop)
    logged = logged_days(int(days.min()), today.toordinal(), find_gaps(days, came, calendar, today.toordinal()))
    weeks = len(logged) / 7.0 - calendar.closed_weeks(logged)
    used_lb = sum(use.pellets_lb for use in uses)
    return Volume((len(uses) + planned) / (weeks + 1.0), (used_lb + planned_lb) / (weeks + 1.0))


def landed_price(asking: Asking, week: Volume | None = None) -> Landed:
    """Return the landed price from the deliveries and logged use of half a year, else of an ordinary week.

    The half year is the last one whose deliveries were logged: it reaches farther back where some were not
    (`record_start`).

    Parameters
    ----------
    asking : Asking
    week : Volume, optional
        What `weekly_volume` returns, where the caller has it already.
    """
    every = tables.deliveries(asking.book, asking.today)
    lapses = delivery_lapses(asking, every)
    start = record_start(asking.today, lapses)
    came = [d for d in every if d.day >= start]
    uses = tables.logged_use(asking.book, asking.today, since=min((d.day for d in came), default=asking.today))
    ice_days, use_days = delivery_days(came), np.array([u.day.toordinal() for u in uses], dtype=np.int64)
    # Ice that came while no job was logged was not lost, and what was used of deliveries that nobody logged saved none.
    gaps = find_gaps(use_days, ice_days, calendar_of(asking.book.settings.shop), asking.today.toordinal())
    came = [d for d, kept in zip(came, outside(ice_days, gaps).tolist(), strict=True) if kept]
    logged = [u for u, kept in zip(uses, outside(use_days, lapses).tolist(), strict=True) if kept]
    bill = paid(came, asking.book.settings.ice)
    lost_share = _lost_share(came, logged) if bill.n_deliveries >= LEAST_DELIVERIES else None
    if lost_share is not None:
        price = _from_record(sum(d.weight_lb for d in came), bill, lost_share)
    else:
        price = planning_price(asking.book.settings, weekly_volume(asking) if week is None else week)
    return replace(price, lapses=lapses)


def in_store_from(came_day: NDArray[np.int64]) -> int:
    """Return the day from which on what came may be in store still: the first delivery of the week up to the last one.

    Parameters
    ----------
    came_day : int64 array (n,)
        Ordinals in increasing order, one at least.
    """
    return int(came_day[came_day > came_day[-1] - 7][0])


def _lost_share(came: Sequence[Delivery], uses: Sequence[Use]) -> float | None:
    """Return the share of deliveries that was never logged as used, None where nothing tells it.

    From the first day of deliveries up to the last week of them, which is not counted: about as much ice is left in
    store before one delivery as before another, but what came last may be there still.
    """
    end = date.fromordinal(in_store_from(delivery_days(came)))
    delivered_lb = sum(d.weight_lb for d in came if d.day < end)
    used_lb = sum(u.pellets_lb for u in uses if u.day < end)
    return min(max(1.0 - used_lb / delivered_lb, 0.0), MOST_LOST_SHARE) if used_lb > 0 and delivered_lb > 0 else None


def _from_record(delivered_lb: float, bill: Paid, lost_share: float) -> Landed:
    bought_usd, fees_usd = float(bill.bought_usd.sum()), float(bill.fee_usd.sum())
    landed = float(landed_usd_per_lb(bought_usd + fees_usd, delivered_lb, lost_share * delivered_lb))
    return Landed(landed, bought_usd / delivered_lb, lost_share, "learned", bill.n_deliveries)


def planning_price(settings: Settings, week: Volume) -> Landed:
    """Return the landed price of an ordinary week by planning figures of ice, its need split over its deliveries."""
    ice, times = settings.ice, deliveries_a_week(settings, week)
    used_lb = max(week.used_lb, times * ice.lot_lb)
    lost_lb = _lost_lb_week(settings, week)
    lost_share = min(lost_lb / (used_lb + lost_lb), MOST_LOST_SHARE)
    order_lb = used_lb / (1.0 - lost_share) / times
    breaks = [(b.from_lb, b.usd_per_lb) for b in ice.price_breaks]
    spent = float(order_usd(order_lb, breaks, ice.delivery_fee_usd))
    landed = float(landed_usd_per_lb(spent, order_lb, lost_share * order_lb))
    return Landed(landed, float(price_per_lb(order_lb, breaks)), lost_share, "planning", 0)


def _lost_lb_week(settings: Settings, week: Volume) -> float:
    return settings.ice.sublimation_lb_per_day * 7.0 * held_share(week.jobs)


def deliveries_a_week(settings: Settings, week: Volume) -> float:
    """Return how often ice comes where no record tells: as often as one container must be filled for such a week.

    Not oftener than there are delivery days or jobs. Fewer deliveries, each larger, save fees and reach price breaks,
    and a container that jobs keep in use loses no more by them: so `order` plans too.
    """
    fills = containers_filled(week.used_lb + _lost_lb_week(settings, week), settings.ice.container_lb)
    return max(min(float(max(fills, 1)), float(len(settings.ice.delivery_days)), week.jobs), _LEAST_DELIVERIES_A_WEEK)
