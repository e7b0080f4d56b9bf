"""The coming days of a shop's ice under joint scenarios: what a plan of deliveries leads to, day by day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.ice.law import OPENING, USE_TIME, remaining_lb
from models.ice.price import order_usd

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

# From opening, when a delivery comes, to the work of the day, and from then to the next opening; in days.
_TO_USE = USE_TIME - OPENING
_TO_OPENING = 1.0 - _TO_USE


@dataclass(frozen=True)
class Outlook:
    """Joint scenarios of the coming days; column j of every array is one scenario.

    Attributes
    ----------
    stock_lb : float64 array (n_draws,)
        In store at the first opening, before a delivery.
    need_lb : float64 array (n_days, n_draws)
        Pellets that the work of a day needs.
    jobs : float64 array (n_days, n_draws)
        Jobs behind the need.
    rate_lb_day : float64 array (n_containers, n_draws)
        Loss of each container at `container_lb`, in the order in which they are filled.
    warmth : float64 array (n_days, n_draws)
        Factor on the loss by day: warmth of the air and chance.
    exponent : float64 array (n_draws,)
        p of the loss law.
    container_lb : float
        What one container holds.
    """

    stock_lb: NDArray[np.float64]
    need_lb: NDArray[np.float64]
    jobs: NDArray[np.float64]
    rate_lb_day: NDArray[np.float64]
    warmth: NDArray[np.float64]
    exponent: NDArray[np.float64]
    container_lb: float

    def __post_init__(self) -> None:
        n_days, n = self.need_lb.shape
        wanted = ((n,), (n_days, n), (n_days, n), (n,))
        if (self.stock_lb.shape, self.jobs.shape, self.warmth.shape, self.exponent.shape) != wanted:
            raise ValueError("stock_lb, jobs, warmth and exponent must match need_lb (n_days, n_draws)")
        if self.rate_lb_day.ndim != 2 or self.rate_lb_day.shape[0] < 1 or self.rate_lb_day.shape[1] != n:
            raise ValueError("rate_lb_day must have shape (n_containers >= 1, n_draws)")
        if not self.container_lb > 0:
            raise ValueError("container_lb must be > 0")

    @property
    def n_days(self) -> int:
        """Number of days."""
        return int(self.need_lb.shape[0])

    @property
    def n_draws(self) -> int:
        """Number of scenarios."""
        return int(self.need_lb.shape[1])

    @property
    def capacity_lb(self) -> float:
        """What all containers hold together."""
        return self.container_lb * len(self.rate_lb_day)

    def take(self, columns: NDArray[np.int64]) -> Outlook:
        """Return the outlook of some scenarios."""
        return Outlook(
            self.stock_lb[columns], self.need_lb[:, columns], self.jobs[:, columns], self.rate_lb_day[:, columns],
            self.warmth[:, columns], self.exponent[columns], self.container_lb,
        )  # fmt: skip


@dataclass(frozen=True)
class Terms:
    """What ice costs, when it can come, and what running short costs.

    Attributes
    ----------
    days : tuple of int
        Days of the outlook on which a delivery can come, increasing.
    breaks : tuple of (from_lb, usd_per_lb)
        A break holds for the whole order.
    fee_usd : float
        Per delivery.
    lot_lb, least_lb : float
        Orders are multiples of `lot_lb` and at least `least_lb`, or nothing.
    rush_usd_per_lb, rush_fee_usd : float
        Ice fetched at the counter on a day that runs short: per lb, and once a day.
    bumped_job_usd : float
        Cost of a job that cannot be done for want of ice; 0 where rush ice is bought.
    """

    days: tuple[int, ...]
    breaks: tuple[tuple[float, float], ...]
    fee_usd: float = 0.0
    lot_lb: float = 10.0
    least_lb: float = 0.0
    rush_usd_per_lb: float = 0.0
    rush_fee_usd: float = 0.0
    bumped_job_usd: float = 0.0

    def __post_init__(self) -> None:
        if list(self.days) != sorted(set(self.days)):
            raise ValueError("days must increase")
        if not self.lot_lb > 0 or not self.breaks:
            raise ValueError("lot_lb must be > 0 and there must be a price")

    def covers(self, n_days: int) -> NDArray[np.int64]:
        """Return the delivery whose ice serves each day, shape (n_days,); -1 before the first."""
        return np.searchsorted(np.array(self.days, dtype=np.int64), np.arange(n_days), side="right") - 1

    def ice_usd(self, orders: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what plans (..., n_deliveries) cost in ice and fees, shape (...)."""
        return np.asarray(order_usd(orders, self.breaks, self.fee_usd).sum(axis=-1), dtype=np.float64)

    def shortage_usd(
        self, short: NDArray[np.float64], need: NDArray[np.float64], jobs: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the cost of a day's shortage: rush ice and its fee, and whole jobs bumped in proportion."""
        cost = self.rush_usd_per_lb * short
        if self.rush_fee_usd:
            cost = cost + self.rush_fee_usd * (short > 0)
        if self.bumped_job_usd:
            cost = cost + self.bumped_job_usd * np.ceil(jobs * short / np.maximum(need, 1e-12) - 1e-9)
        return np.asarray(cost, dtype=np.float64)



def _after(outlook: Outlook, stock: NDArray[np.float64], days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the stock after warmth-weighted days; each container that holds ice leaks, the first is filled first."""
    rate, full = outlook.rate_lb_day[0], outlook.container_lb
    if len(outlook.rate_lb_day) == 1:
        return remaining_lb(stock, rate, days, outlook.exponent, full)
    in_use = np.clip(np.ceil(stock / full), 1, len(outlook.rate_lb_day))
    rates = np.broadcast_to(rate, stock.shape).copy()
    for more, extra in enumerate(outlook.rate_lb_day[1:], start=1):
        rates += np.where(in_use > more, extra, 0.0)
    return remaining_lb(stock, rates, days, outlook.exponent, full * in_use)


def follow(
    outlook: Outlook,
    terms: Terms,
    orders: NDArray[np.float64],
    visit: Callable[[int, NDArray[np.float64], NDArray[np.float64]], None],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Follow plans through all days and scenarios.

    A delivery comes at opening, up to what the containers hold (the rest is lost); ice is lost all day and night by
    the exact law; the work of a day takes its need around noon, and what is missing is bought or bumped.

    Parameters
    ----------
    orders : float64 array (n_plans, n_deliveries)
    visit : called with (day, stock before the day's work, shortage), arrays (n_plans, n_draws)

    Returns
    -------
    (left, turned_away) : float64 arrays (n_plans, n_draws)
        Stock at the opening after the last day, and delivered ice that no container could hold.
    """
    arriving = {day: orders[:, [k]] for k, day in enumerate(terms.days)}
    stock = np.broadcast_to(outlook.stock_lb, (len(orders), outlook.n_draws))
    turned_away = np.zeros(stock.shape)
    waiting = np.zeros(outlook.n_draws)
    for day in range(outlook.n_days):
        if day in arriving:
            stock = _after(outlook, stock, waiting) + arriving[day]
            over = np.maximum(stock - np.maximum(outlook.capacity_lb, stock - arriving[day]), 0.0)
            stock, turned_away, waiting = stock - over, turned_away + over, np.zeros(outlook.n_draws)
        stock = _after(outlook, stock, waiting + _TO_USE * outlook.warmth[day])
        short = np.maximum(outlook.need_lb[day] - stock, 0.0)
        visit(day, stock, short)
        stock = np.maximum(stock - outlook.need_lb[day], 0.0)
        waiting = _TO_OPENING * outlook.warmth[day]
    return _after(outlook, stock, waiting), turned_away


@dataclass(frozen=True)
class Course:
    """What one plan leads to; scenarios are the last axis.

    Attributes
    ----------
    orders_lb : float64 array (n_deliveries,)
    stock_lb, short_lb : float64 arrays (n_days, n_draws)
        Before the work of each day, and what the day lacks.
    left_lb, lost_lb : float64 arrays (n_draws,)
        At the end, and turned to gas (or turned away) on the way.
    ice_usd : float
        Ice and fees.
    cost_usd : float64 array (n_draws,)
        Ice, fees and shortages.
    """

    orders_lb: NDArray[np.float64]
    stock_lb: NDArray[np.float64]
    short_lb: NDArray[np.float64]
    left_lb: NDArray[np.float64]
    lost_lb: NDArray[np.float64]
    ice_usd: float
    cost_usd: NDArray[np.float64]

    def chance_short(self, days: NDArray[np.bool_] | None = None) -> float:
        """Return the share of scenarios in which some day (of a mask) needs more than there is."""
        chosen = self.short_lb if days is None else self.short_lb[days]
        return float((chosen > 0).any(axis=0).mean()) if len(chosen) else 0.0


def course_of(outlook: Outlook, terms: Terms, orders_lb: NDArray[np.float64]) -> Course:
    """Return what a plan (n_deliveries,) leads to."""
    plan = np.asarray(orders_lb, dtype=np.float64)
    stock, short = np.zeros(outlook.need_lb.shape), np.zeros(outlook.need_lb.shape)

    def note(day: int, before: NDArray[np.float64], lacking: NDArray[np.float64]) -> None:
        stock[day], short[day] = before[0], lacking[0]

    left, _ = follow(outlook, terms, plan[None, :], note)
    used = outlook.need_lb.sum(axis=0) - short.sum(axis=0)
    lost = np.maximum(outlook.stock_lb + plan.sum() - used - left[0], 0.0)
    ice = float(terms.ice_usd(plan))
    cost = ice + terms.shortage_usd(short, outlook.need_lb, outlook.jobs).sum(axis=0)
    return Course(plan, stock, short, left[0], lost, ice, cost)
