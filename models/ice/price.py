"""What a pound of ice that reaches the nozzle costs, with the delivery fee and what turned to gas."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray


#: Days that the ice of a job is in its container before it is used or gone (from memory, no source).
HELD_DAYS = 1.5


def held_share(jobs_per_week: float) -> float:
    """Return the share of the time in which a container holds ice, where no record tells: 0..1.

    Ice comes for the jobs and each job's is there for h = `HELD_DAYS`. Where jobs come by chance at n a week, a moment
    finds none with the chance exp(-n h / 7) (the empty state of a queue with many servers, M/G/inf: Kleinrock 1975,
    Queueing Systems I, from memory), so that a shop with few jobs does not pay for ice that it never had.
    """
    return 1.0 - math.exp(-jobs_per_week * HELD_DAYS / 7.0)


def price_per_lb(order_lb: ArrayLike, breaks: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
    """Return the price per lb of an order, where a break holds for the whole order (all-units discount).

    Parameters
    ----------
    order_lb : array, lb
    breaks : sequence of (from_lb, usd_per_lb), from_lb increasing
        Below the first break its price holds too.
    """
    starts = np.array([b[0] for b in breaks])
    prices = np.array([b[1] for b in breaks])
    place = np.clip(np.searchsorted(starts, np.asarray(order_lb, dtype=np.float64), side="right") - 1, 0, None)
    return np.asarray(prices[place], dtype=np.float64)


def order_usd(order_lb: ArrayLike, breaks: Sequence[tuple[float, float]], fee_usd: float) -> NDArray[np.float64]:
    """Return the cost of orders: pounds times price, and the fee where anything is ordered; same shape, USD."""
    order = np.asarray(order_lb, dtype=np.float64)
    return np.asarray(order * price_per_lb(order, breaks) + fee_usd * (order > 0), dtype=np.float64)


def landed_usd_per_lb(spent_usd: ArrayLike, delivered_lb: ArrayLike, lost_lb: ArrayLike) -> NDArray[np.float64]:
    """Return what a used pound cost: all that was paid over what was delivered and not lost.

    With price c, fee K per delivery of Q lb and lost share l this is (c + K / Q) / (1 - l). Arguments broadcast.
    At least a hundredth of the delivery counts as used, so that a tote which all turned to gas gives a finite figure.

    Raises
    ------
    ValueError
        When nothing was delivered or more was lost than delivered.
    """
    delivered, lost = np.asarray(delivered_lb, dtype=np.float64), np.asarray(lost_lb, dtype=np.float64)
    if (delivered <= 0).any():
        raise ValueError("delivered_lb must be > 0")
    if (lost > delivered).any() or (lost < 0).any():
        raise ValueError("lost_lb must lie between 0 and delivered_lb")
    return np.asarray(spent_usd / np.maximum(delivered - lost, 0.01 * delivered), dtype=np.float64)
