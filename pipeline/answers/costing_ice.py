"""What a pound of ice through the hose cost on the day of each visit: its delivery, the fee, the loss of the time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.demand.calendar import outside
from models.demand.gaps import find_gaps
from models.ice.price import landed_usd_per_lb
from pipeline.answers.ice_paid import paid
from pipeline.answers.landed import LEAST_DELIVERIES, MOST_LOST_SHARE, in_store_from
from pipeline.answers.log_gaps import calendar_of, delivery_days

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.ice.lapses import Lapse
    from pipeline.answers.landed import Landed
    from pipeline.book.settings import Settings
    from pipeline.book.tables import Delivery

#: Ice used on a day came with the deliveries of the week before it, weighed by their pounds.
WEEK_DAYS = 7
#: The loss of a time is that of so many days around it.
LOSS_DAYS = 45


def ice_prices(
    settings: Settings,
    came: Sequence[Delivery],
    planning: Landed,
    *,
    day: NDArray[np.int64],
    container: Sequence[str],
    used_lb: NDArray[np.float64],
    lapses: Sequence[Lapse] = (),
) -> NDArray[np.float64]:
    """Return the landed price of the ice that each visit used, USD per lb, shape (n_visits,).

    Price and fee are those of the deliveries into the visit's container in the week before it (the last one before it
    where none came in that week, earlier ones too where these brought less than was used on the day; any container
    where it names none or nothing came into it). They are divided by the
    share that was not lost around that day, from what was delivered and what was logged as used. A visit before the
    first delivery counts at the planning price; one whose delivery nobody logged (`lapses`) at the price of the
    deliveries before.

    Parameters
    ----------
    came : sequence of Delivery
        In order of day.
    planning : Landed
        See `planning_price`.
    day : int64 array (n_visits,)
        Ordinals.
    container : sequence of str (n_visits,)
    used_lb : float64 array (n_visits,)
        Pellets as logged, or as expected where they were not; 0 where neither is known.
    lapses : sequence of Lapse
        Times whose deliveries nobody logged: what was used in them says nothing of what was lost.
    """
    if not came or not len(day):
        return np.full(len(day), planning.usd_per_lb)
    lb, bill = np.array([d.weight_lb for d in came]), paid(came, settings.ice)
    came_day = delivery_days(came)
    usd = bill.bought_usd + bill.fee_usd
    bought = _of_week(came_day, lb, usd, day, used_lb)
    into, named = np.array([d.container for d in came]), np.array(container)
    for name in sorted(set(container) - {""}):
        mine, rows = into == name, named == name
        own = _of_week(came_day[mine], lb[mine], usd[mine], day[rows], used_lb[rows])
        bought[rows] = np.where(np.isfinite(own), own, bought[rows])
    for lapse in lapses:
        # Its own deliveries are not known: the price is that of those before it, not of the very last one alone.
        late = (came_day > lapse.came - 2 * LOSS_DAYS) & (came_day <= lapse.came)
        bought[(day >= lapse.first) & (day <= lapse.last)] = usd[late].sum() / max(float(lb[late].sum()), 1e-9)
    # Ice that came while no job was logged was not lost.
    told = outside(came_day, find_gaps(day, came_day, calendar_of(settings.shop), int(day.max()) + 1))
    of_logged = np.where(outside(day, lapses), used_lb, 0.0)
    last = lapses[-1].first - 1 if lapses and lapses[-1].last >= day[-1] else int(day[-1])
    if told.any():
        last = min(last, in_store_from(came_day[told]) - 1)
    lost = _lost_share(came_day[told], lb[told], bill.begins[told], day, of_logged, planning.lost_share, last)
    landed = landed_usd_per_lb(np.nan_to_num(bought), 1.0, lost)
    return np.where(np.isfinite(bought), landed, planning.usd_per_lb)


def _of_week(
    came_day: NDArray[np.int64],
    lb: NDArray[np.float64],
    usd: NDArray[np.float64],
    day: NDArray[np.int64],
    used_lb: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return USD per lb of the deliveries in the week up to each day, of the last one where none; NaN before any.

    Where the week brought less than was used on the day, ice of before was used too: the time looked at begins earlier.
    """
    stop = np.searchsorted(came_day, day, side="right")
    start = np.minimum(np.searchsorted(came_day, day - WEEK_DAYS, side="right"), np.maximum(stop - 1, 0))
    sums = [np.concatenate([[0.0], np.cumsum(x)]) for x in (usd, lb)]
    _, of_day = np.unique(day, return_inverse=True)
    needed = np.bincount(of_day, used_lb)[of_day]
    held = np.searchsorted(sums[1], sums[1][stop] - needed, side="right") - 1
    start = np.minimum(start, np.maximum(held, 0))
    paid, got = (s[stop] - s[start] for s in sums)
    return np.where(stop > 0, paid / np.where(got > 0, got, 1.0), np.nan)


def _lost_share(
    came_day: NDArray[np.int64],
    lb: NDArray[np.float64],
    begins: NDArray[np.bool_],
    day: NDArray[np.int64],
    used_lb: NDArray[np.float64],
    planning_share: float,
    last: int,
) -> NDArray[np.float64]:
    """Return the share of ice lost around each day, where enough deliveries tell it: else of all, else the planning.

    `last` is the last day of which both deliveries and use were logged and count.
    """
    if not len(came_day):
        return np.full(len(day), planning_share)
    sums = [np.concatenate([[0.0], np.cumsum(x)]) for x in (lb, begins.astype(np.float64), used_lb)]

    def between(days: NDArray[np.int64], total: NDArray[np.float64], low: NDArray[np.int64]) -> NDArray[np.float64]:
        return np.asarray(total[np.searchsorted(days, np.minimum(low + 2 * LOSS_DAYS, last), side="right")]
                          - total[np.searchsorted(days, low)])  # fmt: skip

    # The window stays inside the time in which both deliveries and use were logged: the first visit used what came last
    # before it.
    first = int(came_day[max(int(np.searchsorted(came_day, day[0], side="right")) - 1, 0)])
    low = np.clip(day - LOSS_DAYS, first, max(first, last - 2 * LOSS_DAYS))
    came, n_came, used = between(came_day, sums[0], low), between(came_day, sums[1], low), between(day, sums[2], low)
    logged = (came_day >= first) & (came_day <= last)
    of_all = planning_share
    if begins[logged].sum() >= LEAST_DELIVERIES:
        of_all = 1.0 - float(used_lb[(day >= first) & (day <= last)].sum()) / float(lb[logged].sum())
    share = np.where(n_came >= LEAST_DELIVERIES, 1.0 - used / np.maximum(came, 1e-9), of_all)
    return np.clip(share, 0.0, MOST_LOST_SHARE)
