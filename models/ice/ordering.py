"""What to order for which delivery: the plan of least expected cost over joint scenarios, found by search.

Every plan is judged by following it exactly through every scenario (no linearised loss, no averaged demand). The
search moves one delivery or two at once over all allowed quantities, from coarse steps on a part of the scenarios to
single lots on all of them, until no such move helps. With one delivery, no loss and no fee the result is the
newsvendor quantile (c_u / (c_u + c_o) of the demand, Arrow, Harris & Marschak 1951, Econometrica 19:250).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.ice.outlook import Course, Outlook, Terms, course_of, follow

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

#: Which limit keeps a wanted service level from being met.
Limit = Literal["container", "delivery day", "sublimation"]

_PART_DRAWS, _SERVICE_PART_DRAWS = 256, 1000
_COARSE_STEPS, _FEW_STEPS = 12, 7
# Elements (plans x scenarios) followed at once: small enough to stay in the processor's cache.
_CHUNK = 60_000
# One whole unit of missed service outweighs any bill.
_MISS_USD = 1e7
_EPSILON = 1e-9


@dataclass(frozen=True)
class Plan:
    """The chosen plan.

    Attributes
    ----------
    course : Course
    cover_chance_short : float64 array (n_deliveries,)
        Chance that some day of each delivery's cover runs short.
    unmet : tuple of (delivery, limit)
        Where a wanted service level cannot be met and which limit keeps it from being met; delivery -1 stands for
        the days before the first.
    """

    course: Course
    cover_chance_short: NDArray[np.float64]
    unmet: tuple[tuple[int, Limit], ...] = ()


def allowed_lb(outlook: Outlook, terms: Terms, delivery: int) -> NDArray[np.float64]:
    """Return the quantities that may be ordered for a delivery, increasing, 0 first.

    Multiples of the lot from the least order up to what the containers hold, cut where more than every scenario can
    use or lose until the end, but never below the last price break.
    """
    day = terms.days[delivery]
    work = outlook.need_lb[day:].sum(axis=0) * (1 + outlook.unlogged_share)
    usable = work + outlook.rate_lb_day.sum(axis=0) * outlook.warmth[day:].sum(axis=0)
    reach = max(float(usable.max(initial=0.0)), terms.breaks[-1][0] + terms.lot_lb, terms.least_lb)
    first = max(1, int(np.ceil(terms.least_lb / terms.lot_lb - _EPSILON)))
    last = int(np.floor(min(reach + terms.lot_lb, outlook.capacity_lb) / terms.lot_lb + _EPSILON))
    return np.concatenate([[0.0], terms.lot_lb * np.arange(first, last + 1)])


class _Judge:
    """Expected cost of plans (n_plans, n_deliveries) over the scenarios of an outlook."""

    def __init__(self, outlook: Outlook, terms: Terms, service: float | None) -> None:
        self._outlook, self._terms, self._service = outlook, terms, service
        self._covers = terms.covers(outlook.n_days)
        self._known: dict[bytes, float] = {}

    def __call__(self, plans: NDArray[np.float64]) -> NDArray[np.float64]:
        keys = [plan.tobytes() for plan in plans]
        fresh = {key: i for i, key in enumerate(keys) if key not in self._known}
        rows = plans[list(fresh.values())]
        size = max(1, _CHUNK // self._outlook.n_draws)
        costs = [self._judge(rows[i : i + size]) for i in range(0, len(rows), size)]
        self._known.update(zip(fresh, np.concatenate(costs).tolist() if costs else [], strict=True))
        return np.array([self._known[key] for key in keys])

    def _judge(self, plans: NDArray[np.float64]) -> NDArray[np.float64]:
        outlook, terms = self._outlook, self._terms
        total = terms.ice_usd(plans)
        if self._service is not None:
            chance = self.cover_chance_short(plans)
            missed = np.maximum(chance - (1 - self._service) - _EPSILON, 0.0).sum(axis=1)
            return np.asarray(total + _MISS_USD * missed)

        def add(day: int, _before: NDArray[np.float64], short: NDArray[np.float64]) -> None:
            total[:] += terms.shortage_usd(day, short, outlook.need_lb[day], outlook.jobs[day]).mean(axis=1)

        follow(outlook, terms, plans, add)
        return total

    def cover_chance_short(self, plans: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the chance of running short in each delivery's cover, shape (n_plans, n_deliveries)."""
        short_in = np.zeros((len(self._terms.days), len(plans), self._outlook.n_draws), dtype=bool)

        def note(day: int, _before: NDArray[np.float64], short: NDArray[np.float64]) -> None:
            if self._covers[day] >= 0:
                short_in[self._covers[day]] |= short > 0

        follow(self._outlook, self._terms, plans, note)
        return np.asarray(short_in.mean(axis=2).T, dtype=np.float64)


def _improve(
    judge: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    plan: NDArray[np.float64],
    menu: _Menu,
    choices: Callable[[int, float], NDArray[np.float64]],
    paired: Callable[[int, float], NDArray[np.float64]],
    *,
    merge: bool = True,
) -> tuple[NDArray[np.float64], float]:
    """Move one delivery or two at once, or merge and swap two, until no such move lowers the judged cost."""
    n = len(plan)
    near = 3 if n <= 6 else 1
    pairs = [pair for pair in combinations(range(n), 2) if pair[1] - pair[0] <= near]
    moves: list[tuple[int, ...]] = [*((k,) for k in range(n)), *pairs, *([()] if merge and n > 1 else [])]
    best, cost = plan.copy(), float(judge(plan[None, :])[0])
    unchanged = 0
    while unchanged < len(moves):
        for move in moves:
            tried = _moved(best, move, choices if len(move) == 1 else paired) if move else menu.merged(best)
            costs = judge(tried)
            i = int(np.argmin(costs))
            if costs[i] < cost - 1e-9 * max(1.0, abs(cost)):
                best, cost, unchanged = tried[i], float(costs[i]), 1
            else:
                unchanged += 1
            if unchanged >= len(moves):
                break
    return best, cost


def _moved(
    plan: NDArray[np.float64], move: tuple[int, ...], pick: Callable[[int, float], NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Return the plans in which the deliveries of a move take every combination of their choices."""
    grid = np.meshgrid(*[pick(k, plan[k]) for k in move], indexing="ij")
    tried = np.repeat(plan[None, :], grid[0].size, axis=0)
    for k, values in zip(move, grid, strict=True):
        tried[:, k] = values.ravel()
    return tried


class _Menu:
    """Quantities to try for each delivery at a step of so many lots: near the present one, at breaks, and none."""

    def __init__(self, allowed: list[NDArray[np.float64]], terms: Terms, n_coarse: int) -> None:
        self._allowed = allowed
        self._marks = []
        for quantities in allowed:
            places = np.searchsorted(quantities, [b[0] for b in terms.breaks])
            marks = {0, min(1, len(quantities) - 1), *(int(p) for p in places if p < len(quantities))}
            self._marks.append(np.array(sorted(marks), dtype=np.int64))
        self._n_coarse = n_coarse

    def coarse(self, k: int, _now: float) -> NDArray[np.float64]:
        """Return quantities spread over all that is allowed."""
        size = len(self._allowed[k])
        spread = np.linspace(0, size - 1, min(size, self._n_coarse)).round().astype(np.int64)
        return np.asarray(self._allowed[k][np.unique(np.concatenate([spread, self._marks[k]]))])

    def merged(self, plan: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the plans in which two deliveries come as one, on either day, or change places."""
        tried = [plan]
        for i, j in combinations(range(len(plan)), 2):
            both = plan[i] + plan[j]
            for first, second in ((both, 0.0), (0.0, both), (plan[j], plan[i])):
                other = plan.copy()
                other[i], other[j] = self._allow(i, first), self._allow(j, second)
                tried.append(other)
        return np.array(tried)

    def _allow(self, k: int, lb: float) -> float:
        """Return the allowed quantity at or above `lb`, or the largest."""
        place = int(np.searchsorted(self._allowed[k], lb - _EPSILON))
        return float(self._allowed[k][min(place, len(self._allowed[k]) - 1)])

    def near(self, stride: int, reach: int, *, marks: bool = True) -> Callable[[int, float], NDArray[np.float64]]:
        """Return a choice of quantities within `reach` strides of the present one, with the marks where wanted."""

        def pick(k: int, now: float) -> NDArray[np.float64]:
            quantities = self._allowed[k]
            here = int(np.searchsorted(quantities, now - _EPSILON))
            around = np.clip(here + stride * np.arange(-reach, reach + 1), 0, len(quantities) - 1)
            tried = np.concatenate([around, self._marks[k]]) if marks else around
            return np.asarray(quantities[np.unique(tried)])

        return pick


def _strides(first: int) -> list[int]:
    """Return strides that halve from `first` to 1."""
    strides = [max(1, first)]
    while strides[-1] > 1:
        strides.append((strides[-1] + 1) // 2)
    return strides


def mean_demand_plan(outlook: Outlook, terms: Terms) -> NDArray[np.float64]:
    """Return the plan of a careful owner without scenarios: means only, shape (n_deliveries,).

    Each delivery brings the mean need of its cover and the mean loss until its end, less the mean stock expected at
    that opening, rounded up to a lot and within the limits.
    """
    covers = terms.covers(outlook.n_days)
    need = (outlook.need_lb * (1 + outlook.unlogged_share)).mean(axis=1)
    loss = (outlook.rate_lb_day[0] * outlook.warmth).mean(axis=1)
    stock, plan = float(outlook.stock_lb.sum(axis=0).mean()), np.zeros(len(terms.days))
    for day in range(outlook.n_days):
        if day in terms.days:
            k = terms.days.index(day)
            # Ice for the last day of a cover need not outlast that day's work.
            lost = float(loss[covers == k][:-1].sum())
            wanted = float(need[covers == k].sum()) + lost - stock
            quantities = allowed_lb(outlook, terms, k)
            if wanted > 0 and len(quantities) > 1:
                plan[k] = quantities[min(int(np.searchsorted(quantities, wanted - _EPSILON)), len(quantities) - 1)]
            stock += plan[k]
        stock = max(stock - float(need[day]) - float(loss[day]), 0.0)
    return plan


def standing_plan(outlook: Outlook, terms: Terms, weekly_lb: float) -> NDArray[np.float64]:
    """Return a fixed weekly order brought by the first delivery of each seven days, shape (n_deliveries,).

    Rounded up to a lot and kept within the least order and what the containers hold.
    """
    lots = np.ceil(max(weekly_lb, terms.least_lb) / terms.lot_lb - _EPSILON)
    most = np.floor(outlook.capacity_lb / terms.lot_lb + _EPSILON)
    quantity = terms.lot_lb * min(lots, most) if weekly_lb > 0 else 0.0
    plan, served = np.zeros(len(terms.days)), set()
    for k, day in enumerate(terms.days):
        if day // 7 not in served:
            served.add(day // 7)
            plan[k] = quantity
    return plan


def best_plan(outlook: Outlook, terms: Terms, *, service: float | None = None) -> Plan:
    """Return the plan of least expected cost, or the cheapest that keeps a service level.

    Parameters
    ----------
    outlook : Outlook
    terms : Terms
    service : float in (0, 1), optional
        In place of shortage costs: the chance of running short in each delivery's cover must be at most 1 - service.
        Where that cannot be met, the plan that comes closest is returned and `unmet` names the limit that binds.
    """
    n = len(terms.days)
    if n:
        allowed = [allowed_lb(outlook, terms, k) for k in range(n)]
        n_part = _PART_DRAWS if service is None else _SERVICE_PART_DRAWS
        part = outlook
        if outlook.n_draws > n_part:
            part = outlook.take(np.linspace(0, outlook.n_draws - 1, n_part).round().astype(np.int64))
        menu = _Menu(allowed, terms, _COARSE_STEPS if n <= 2 else _FEW_STEPS)
        longest = max(len(a) for a in allowed)
        rough = _Judge(part, terms, service)
        starts = [np.zeros(n), mean_demand_plan(outlook, terms), np.array([a[-1] for a in allowed])]
        tried = [_improve(rough, start, menu, menu.coarse, menu.coarse) for start in starts]
        plan, _ = min(tried, key=lambda t: t[1])
        for stride in _strides(longest // _FEW_STEPS):
            plan, _ = _improve(rough, plan, menu, menu.near(stride, 2), menu.near(stride, 1))
        exact = _Judge(outlook, terms, service)
        for stride in _strides(longest // 40):
            plan, _ = _improve(exact, plan, menu, menu.near(stride, 2), menu.near(stride, 1, marks=False), merge=False)
    else:
        plan = np.zeros(0)
    chances = _Judge(outlook, terms, service).cover_chance_short(plan[None, :])[0] if n else np.zeros(0)
    unmet = () if service is None else binding_limits(outlook, terms, chances, 1 - service)
    return Plan(course_of(outlook, terms, plan), chances, unmet)


def binding_limits(
    outlook: Outlook, terms: Terms, chances: NDArray[np.float64], most: float
) -> tuple[tuple[int, Limit], ...]:
    """Return the limit that binds for each cover whose chance of running short stays above `most`, -1 for the wait.

    Parameters
    ----------
    chances : float64 array (n_deliveries,)
        Chance of running short in each delivery's cover, at its lowest.
    most : float
        In [0, 1].
    """
    found: list[tuple[int, Limit]] = []
    covers = terms.covers(outlook.n_days)
    before = course_of(outlook, terms, np.zeros(len(terms.days)))
    if before.chance_short(covers == -1) > most + _EPSILON:
        found.append((-1, "delivery day"))
    roomy = replace(outlook, rate_lb_day=np.zeros_like(outlook.rate_lb_day))
    for k in np.flatnonzero(chances > most + _EPSILON).tolist():
        full = np.array([allowed_lb(roomy, terms, i)[-1] if i == k else 0.0 for i in range(len(terms.days))])
        without_loss = course_of(roomy, terms, full).chance_short(covers == k)
        found.append((k, "sublimation" if without_loss <= most else "container"))
    return tuple(found)
