"""What must be bought for what is used, and what it costs: lost ice, price and fees of coming months."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.demand.calendar import logged_days, outside
from models.demand.gaps import without_gap
from models.demand.lost_ice import IceMonth, LostIce, learn_lost
from models.ice.price import held_share
from pipeline.answers.ice_lapse_notes import lapses_told
from pipeline.answers.ice_lapses import RECORD_DAYS, record_start
from pipeline.answers.ice_paid import paid
from pipeline.answers.ice_state import IceState, ice_state, records_of
from pipeline.answers.landed import LEAST_DELIVERIES, deliveries_a_week, landed_price, weekly_volume
from pipeline.answers.log_gaps import calendar_of, delivery_days

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.demand.calendar import Calendar, Gap, Month, Stretch
    from models.demand.record import Actual
    from models.ice.lapses import Lapse
    from pipeline.answers.answer import Asking
    from pipeline.answers.landed import Volume
    from pipeline.book.tables import Delivery

LostBasis = Literal["balance", "weighings", "planning"]

#: Sd of the share of the time in which a container holds ice, as a share of its mean (from memory, no source).
_HOLDS_SD = 0.2
#: A month in which less was delivered than this share of what was used lacks deliveries in the log.
_LEAST_DELIVERED = 0.8
#: From so many balanced months on they tell what is lost without the weighings; at most so many are looked at.
_ENOUGH_MONTHS, _MOST_MONTHS = 6, 12


@dataclass(frozen=True)
class IceTerms:
    """How much ice is lost and what ice costs.

    Attributes
    ----------
    lost : LostIce
    lost_basis : {"balance", "weighings", "planning"}
        What `lost` is learned from: what was delivered and not used, weighings, or nothing.
    state : IceState
    usd_per_lb : float
        Price without fees.
    fee_usd : float
        Of one delivery.
    deliveries_per_day : float
        As of late; where the record is too short: as many as an ordinary week needs (`deliveries_a_week`).
    calendar : Calendar
    warnings : tuple of str
    """

    lost: LostIce
    lost_basis: LostBasis
    state: IceState
    usd_per_lb: float
    fee_usd: float
    deliveries_per_day: float
    calendar: Calendar
    warnings: tuple[str, ...]

    def supplied(self, month: Month) -> tuple[int, float]:
        """Return for how many of a month's days ice is bought, and their mean warmth over that at 20 °C.

        All of them but those that closures leave without ice (`Calendar.without_ice`): what a delivery lasts is the
        time to the next one. A month that closures shorten has one delivery's days at least, since ice comes for its
        work all the same.
        """
        days, lasts = month.days(), _lasts(self.deliveries_per_day)
        dry = self.calendar.without_ice(days, lasts)
        days = days[np.argsort(dry, kind="stable")][: max(int((~dry).sum()), lasts)] if dry.any() else days
        return len(days), _warmth(self.state, days)


def ice_terms(
    asking: Asking, actual: Sequence[Actual], gaps: Sequence[Gap], *, usd_per_lb: float | None, n_draws: int
) -> IceTerms:
    """Learn what is lost from the balance of past months, else from weighings, else from planning figures.

    Parameters
    ----------
    actual : sequence of Actual
        Past whole months outside gaps.
    usd_per_lb : float, optional
        What-if price of ice in place of that of the record.
    """
    records, calendar = records_of(asking), calendar_of(asking.book.settings.shop)
    week = weekly_volume(asking)
    landed = landed_price(asking, week)
    fee, per_day, planned = _delivery_terms(asking, records.deliveries, gaps, week, landed.lapses)
    found, short = _balances(records.deliveries, actual, (*gaps, *landed.lapses))
    # Days that a closure left without ice say nothing of what vanishes a day.
    held = [(m.days()[~calendar.without_ice(m.days(), _lasts(per_day))], used, came) for m, used, came in found]
    balances = [balance for balance in held if len(balance[0])]
    weighed = records
    if len(balances) >= _ENOUGH_MONTHS:
        # Balances tell the level by themselves; only the air is still asked for its warmth.
        weighed = replace(records, deliveries=(), weighings=(), uses=(), jobs_without_pellets=())
    settings = asking.book.settings
    state = ice_state(weighed, settings.ice, asking.today, seed=asking.seed, n_draws=n_draws, units=settings.shop.units)
    months = [
        IceMonth(len(days), _warmth(state, days), used, delivered) for days, used, delivered in balances[-_MOST_MONTHS:]
    ]
    rng = np.random.default_rng([asking.seed, 0x1CE])
    share = held_share(week.jobs)
    holds = np.clip(rng.normal(share, _HOLDS_SD * share, n_draws), 0.2 * share, 1.0)
    prior = np.maximum(state.rates_lb_day().sum(axis=0) * holds, 0.01)
    lost = learn_lost(months, prior, seed=asking.seed, n_draws=n_draws)
    said = (*lapses_told(asking, landed), *(_missing(short) if short else ()))
    price = landed.bought_usd_per_lb if usd_per_lb is None else usd_per_lb
    basis: LostBasis = "balance" if months else "weighings" if state.fit.law.n_intervals else "planning"
    return IceTerms(lost, basis, state, price, fee, per_day, calendar, (*said, *planned))


def _lasts(deliveries_per_day: float) -> int:
    """Return how many days a delivery lasts: those to the next one."""
    return math.ceil(1.0 / deliveries_per_day - 1e-9)


def _warmth(state: IceState, days: NDArray[np.int64]) -> float:
    return float(state.fit.law.warmth_of(state.climate, days).mean())


def _balances(
    deliveries: Sequence[Delivery], actual: Sequence[Actual], gaps: Sequence[Stretch]
) -> tuple[list[tuple[Month, float, float]], list[str]]:
    """Return the months whose pellets used and delivered are both on record, and those that lack deliveries."""
    came: dict[str, float] = {}
    for d in deliveries:
        came[f"{d.day:%Y-%m}"] = came.get(f"{d.day:%Y-%m}", 0.0) + d.weight_lb
    days = [d.day.toordinal() for d in deliveries]
    found: list[tuple[Month, float, float]] = []
    short: list[str] = []
    for a in actual:
        logged = days and min(days) <= a.month.first + 7 and max(days) >= a.month.last - 14
        if not logged or not without_gap(gaps, a.month.first, a.month.last) or not np.isfinite(a.pellets_lb):
            continue
        delivered = came.get(a.month.name, 0.0)
        if delivered < _LEAST_DELIVERED * a.pellets_lb:
            short.append(a.month.name)
        else:
            found.append((a.month, a.pellets_lb, delivered))
    return found, short


def _missing(short: Sequence[str]) -> tuple[str, ...]:
    named = ", ".join(short[-5:])
    return (
        f"More pellets were used than delivered in {named}: deliveries are missing from the log. What is lost was "
        "learned from the other months.",
    )


def _delivery_terms(
    asking: Asking, deliveries: Sequence[Delivery], gaps: Sequence[Gap], week: Volume, lapses: Sequence[Lapse]
) -> tuple[float, float, tuple[str, ...]]:
    """Return the usual fee of a delivery, the deliveries a day as of late, and what to say where they are planned.

    Days on which no ice was to come are left out: those of gaps without ice, and those that closures leave without it;
    so are those of deliveries that nobody logged.
    """
    since = record_start(asking.today, lapses)
    dry: list[Stretch] = [*(gap for gap in gaps if gap.kind != "not logged"), *lapses]
    late = [d for d in deliveries if d.day >= since]
    recent = [d for d, kept in zip(late, outside(delivery_days(late), dry).tolist(), strict=True) if kept]
    ice = asking.book.settings.ice
    bill = paid(recent, ice)
    if bill.n_deliveries < LEAST_DELIVERIES:
        weekly = deliveries_a_week(asking.book.settings, week)
        return ice.delivery_fee_usd, weekly / 7.0, (_planned(weekly, bill.n_deliveries),)
    start, stop, n = since.toordinal(), asking.today.toordinal(), bill.n_deliveries
    if len(late) == len(deliveries):
        # A log that begins inside the time looked at begins with a delivery: that one ends no interval.
        came = delivery_days(recent)
        start, stop, n = int(came.min()), int(came.max()), n - 1
    days = logged_days(start, stop, dry)
    closed = calendar_of(asking.book.settings.shop).without_ice(days, _lasts(n / max(len(days), 1)))
    return float(bill.fee_usd.sum()) / bill.n_deliveries, n / max(int((~closed).sum()), 1), ()


def _planned(weekly: float, n_logged: int) -> str:
    logged = "No delivery of the last half year is logged"
    if n_logged:
        # The half year looked at reaches farther back where deliveries are missing in it.
        times = f"{n_logged} deliver{'y' if n_logged == 1 else 'ies'}"
        logged = f"Only {times} came in the last {RECORD_DAYS // 7} logged weeks"
    return (
        f"{logged}: price, fee and number of deliveries in the ice bill are planning figures ([ice] in book.toml). "
        f"It counts {weekly:.2g} a week, as often as one container must be filled for what an ordinary week uses and "
        "loses."
    )


def bought_and_spent(
    terms: IceTerms, months: Sequence[Month], used_lb: NDArray[np.float64], asking: Asking
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return draws of the ice lost (lb) and of what all ice costs (USD), each (n_months, n_draws).

    What is bought is used + lost; its cost is the price a lb and the usual number of deliveries with their fee, both
    for the days for which ice is bought (`IceTerms.supplied`): closures take no deliveries and lose nothing.
    """
    rng = np.random.default_rng([asking.seed, 0x5EED])
    supplied = [terms.supplied(month) for month in months]
    n_days, warmth = np.array([n for n, _ in supplied]), np.array([warm for _, warm in supplied])
    # No ice comes for a month without a job, so none of it is lost.
    lost = np.where(used_lb > 0, terms.lost.draws(used_lb, n_days, warmth, rng), 0.0)
    expected = terms.deliveries_per_day * n_days[:, None]
    fees = terms.fee_usd * np.where(used_lb + lost > 0, expected, 0.0)
    return lost, (used_lb + lost) * terms.usd_per_lb + fees
