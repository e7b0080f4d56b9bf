"""The coming days of a shop's ice under joint scenarios: what a plan of deliveries leads to, day by day."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING

import numpy as np

from models.ice.law import OPENING, USE_TIME
from models.ice.price import order_usd

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

# From opening, when a delivery comes, to the work of the day, and from then to the next opening; in days.
_TO_USE = USE_TIME - OPENING
_TO_OPENING = 1.0 - _TO_USE
# 1 - p is kept above this: a first-order loss is then exact to six digits.
_LEAST_R = 1e-6


def containers_filled(lb: float, container_lb: float) -> int:
    """Return how many containers of a size so many pounds fill, the last one in part."""
    return ceil(lb / container_lb - 1e-9)


@dataclass(frozen=True)
class Outlook:
    """Joint scenarios of the coming days; column j of every array is one scenario.

    Attributes
    ----------
    stock_lb : float64 array (n_containers, n_draws)
        In each container at the first opening, before a delivery; the container that was filled longest ago first.
    need_lb : float64 array (n_days, n_draws)
        Pellets that the work of a day needs.
    jobs : float64 array (n_days, n_draws)
        Jobs behind the need.
    rate_lb_day : float64 array (n_containers, n_draws)
        Loss of each container that holds `full_lb`, at a warmth of 1.
    warmth : float64 array (n_days, n_draws)
        Factor on the loss by day: warmth of the air and chance.
    exponent : float64 array (n_draws,)
        p of the loss law.
    unlogged_share : float64 array (n_draws,)
        Ice that goes beside the logged use, as a share of it.
    container_lb : float
        What one container can hold.
    full_lb : float
        m0 of the loss law.
    """

    stock_lb: NDArray[np.float64]
    need_lb: NDArray[np.float64]
    jobs: NDArray[np.float64]
    rate_lb_day: NDArray[np.float64]
    warmth: NDArray[np.float64]
    exponent: NDArray[np.float64]
    unlogged_share: NDArray[np.float64]
    container_lb: float
    full_lb: float

    def __post_init__(self) -> None:
        n_days, n = self.need_lb.shape
        if self.jobs.shape != (n_days, n) or self.warmth.shape != (n_days, n):
            raise ValueError("jobs and warmth must match need_lb (n_days, n_draws)")
        if self.exponent.shape != (n,) or self.unlogged_share.shape != (n,):
            raise ValueError("exponent and unlogged_share must have shape (n_draws,)")
        if self.stock_lb.shape != self.rate_lb_day.shape or len(self.stock_lb) < 1 or self.stock_lb.shape[1] != n:
            raise ValueError("stock_lb and rate_lb_day must have shape (n_containers >= 1, n_draws)")
        if not self.container_lb > 0 or not self.full_lb > 0:
            raise ValueError("container_lb and full_lb must be > 0")

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
            self.stock_lb[:, columns], self.need_lb[:, columns], self.jobs[:, columns], self.rate_lb_day[:, columns],
            self.warmth[:, columns], self.exponent[columns], self.unlogged_share[columns],
            self.container_lb, self.full_lb,
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
        Cost of a usual job that cannot be done for want of ice; 0 where rush ice is bought.
    job_worth : tuple of float (n_days,)
        What a job of each day is worth in usual ones; empty where all count the same.
    """

    days: tuple[int, ...]
    breaks: tuple[tuple[float, float], ...]
    fee_usd: float = 0.0
    lot_lb: float = 10.0
    least_lb: float = 0.0
    rush_usd_per_lb: float = 0.0
    rush_fee_usd: float = 0.0
    bumped_job_usd: float = 0.0
    job_worth: tuple[float, ...] = ()

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

    def worth(self, day: int) -> float:
        """Return what a job of a day is worth in usual ones."""
        return self.job_worth[day] if self.job_worth else 1.0

    def shortage_usd(
        self, day: int, short: NDArray[np.float64], need: NDArray[np.float64], jobs: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the cost of a day's shortage: rush ice and its fee, and whole jobs bumped in proportion."""
        cost = self.rush_usd_per_lb * short
        if self.rush_fee_usd:
            cost = cost + self.rush_fee_usd * (short > 0)
        if self.bumped_job_usd:
            bumped = np.ceil(jobs * short / np.maximum(need, 1e-12) - 1e-9)
            cost = cost + self.bumped_job_usd * self.worth(day) * bumped
        return np.asarray(cost, dtype=np.float64)


def _moved_up(arrays: list[NDArray[np.float64]], came: NDArray[np.bool_]) -> list[NDArray[np.float64]]:
    """Return the arrays with the first put last in the plans where `came` (n_plans, 1) holds."""
    return [np.where(came, after, before) for before, after in zip(arrays, [*arrays[1:], arrays[0]], strict=True)]


class _Store:
    """What the containers hold in every plan and scenario, arrays (n_plans, n_draws), longest filled first."""

    def __init__(self, outlook: Outlook, n_plans: int) -> None:
        self._outlook = outlook
        shape = (n_plans, outlook.n_draws)
        self._held = [np.broadcast_to(lb, shape) for lb in outlook.stock_lb]
        # The exact law of `remaining_lb`, with what does not change from day to day worked out once.
        self._curved = bool(outlook.exponent.any())
        self._r = np.maximum(1.0 - outlook.exponent, _LEAST_R)
        self._inverse = 1 / self._r
        scale = self._r / outlook.full_lb if self._curved else np.ones(outlook.n_draws)
        self._rates = [rate * scale for rate in outlook.rate_lb_day]

    def total(self) -> NDArray[np.float64]:
        """Return what all containers hold together."""
        return self._held[0] if len(self._held) == 1 else np.asarray(np.sum(self._held, axis=0), dtype=np.float64)

    def lose(self, days: NDArray[np.float64]) -> None:
        """Lose ice over warmth-weighted days."""
        self._held = [self._lost(held, rate * days) for held, rate in zip(self._held, self._rates, strict=True)]

    def _lost(self, held: NDArray[np.float64], gone: NDArray[np.float64]) -> NDArray[np.float64]:
        if not self._curved:
            return np.maximum(held - gone, 0.0)
        full = self._outlook.full_lb
        with np.errstate(divide="ignore"):
            power = np.log(held * (1 / full))
            power *= self._r
            np.exp(power, out=power)
            power -= gone
            np.maximum(power, 0.0, out=power)
            np.log(power, out=power)
        power *= self._inverse
        np.exp(power, out=power)
        power *= full
        return power

    def fill(self, lb: NDArray[np.float64]) -> NDArray[np.float64]:
        """Fill the container that was filled longest ago, then the others; return what no container could hold."""
        rest = np.broadcast_to(lb, self._held[0].shape)
        for i, held in enumerate(self._held):
            part = np.minimum(rest, np.maximum(self._outlook.container_lb - held, 0.0))
            self._held[i], rest = held + part, rest - part
        if len(self._held) > 1:
            came = lb > 0  # by plan: where nothing comes, the order in which containers are filled and used stays
            self._held = _moved_up(self._held, came)
            self._rates = _moved_up(self._rates, came)
        return rest

    def take(self, lb: NDArray[np.float64]) -> None:
        """Take pounds, from the container that was filled longest ago first."""
        rest = np.broadcast_to(lb, self._held[0].shape)
        for i, held in enumerate(self._held):
            part = np.minimum(rest, held)
            self._held[i], rest = held - part, rest - part


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
    store = _Store(outlook, len(orders))
    turned_away = np.zeros((len(orders), outlook.n_draws))
    waiting = np.zeros(outlook.n_draws)
    for day in range(outlook.n_days):
        if day in arriving:
            store.lose(waiting)
            turned_away = turned_away + store.fill(arriving[day])
            waiting = np.zeros(outlook.n_draws)
        store.lose(waiting + _TO_USE * outlook.warmth[day])
        stock = store.total()
        visit(day, stock, np.maximum(outlook.need_lb[day] - stock, 0.0))
        store.take(outlook.need_lb[day] * (1 + outlook.unlogged_share))
        waiting = _TO_OPENING * outlook.warmth[day]
    store.lose(waiting)
    return store.total(), turned_away


@dataclass(frozen=True)
class Course:
    """What one plan leads to; scenarios are the last axis.

    Attributes
    ----------
    orders_lb : float64 array (n_deliveries,)
    stock_lb, short_lb : float64 arrays (n_days, n_draws)
        Before the work of each day, and what the day lacks.
    left_lb, sublimated_lb : float64 arrays (n_draws,)
        At the end, and turned to gas on the way.
    unlogged_lb, turned_away_lb : float64 arrays (n_draws,)
        Taken beside the work's need, and delivered ice that no container could hold. Stock at first, orders and what
        is short are the work's need, these two, what turned to gas and what is left.
    ice_usd : float
        Ice and fees.
    cost_usd : float64 array (n_draws,)
        Ice, fees and shortages.
    """

    orders_lb: NDArray[np.float64]
    stock_lb: NDArray[np.float64]
    short_lb: NDArray[np.float64]
    left_lb: NDArray[np.float64]
    sublimated_lb: NDArray[np.float64]
    unlogged_lb: NDArray[np.float64]
    turned_away_lb: NDArray[np.float64]
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

    left, turned_away = follow(outlook, terms, plan[None, :], note)
    taken = np.minimum(outlook.need_lb * (1 + outlook.unlogged_share), stock).sum(axis=0)
    gone = outlook.stock_lb.sum(axis=0) + plan.sum() - taken - turned_away[0] - left[0]
    unlogged = np.maximum(taken - (outlook.need_lb - short).sum(axis=0), 0.0)
    ice = float(terms.ice_usd(plan))
    days = zip(short, outlook.need_lb, outlook.jobs, strict=True)
    cost = ice + np.sum([terms.shortage_usd(i, *day) for i, day in enumerate(days)], axis=0)
    return Course(plan, stock, short, left[0], np.maximum(gone, 0.0), unlogged, turned_away[0], ice, cost)
