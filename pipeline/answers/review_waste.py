"""What a technique effect costs a month, in pounds and money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.answer import summarise
from shared.units import DAYS_PER_MONTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.technique.review import Review
    from models.technique.shrinkage import Shrunk
    from pipeline.answers.answer import QuantitySummary

#: The time that stands for today's months, days, and the least it is reckoned over.
WINDOW_DAYS = 91
LEAST_DAYS = 28
N_DRAWS = 2000


@dataclass(frozen=True)
class Waste:
    """Pounds and money a month beyond what like jobs need."""

    pellets_lb_month: QuantitySummary
    usd_month: QuantitySummary


@dataclass(frozen=True)
class Window:
    """Which recorded pounds count, and over how many days they were blasted.

    Attributes
    ----------
    share : float64 array (n_rows,)
        Share of each recorded row that belongs to the operator, machine or setting.
    days : float
    """

    share: NDArray[np.float64]
    days: float


def window_of(
    review: Review, today: int, share: NDArray[np.float64], *, since: int | None = None, until: int | None = None
) -> Window:
    """Return the last three months' rows of a share, or those of a stretch that ended before them.

    Where the last three months hold none, the whole record counts.
    """
    day = review.table.day[review.fit.rows.job]
    end = today if until is None else min(until, today)
    start = max(end - WINDOW_DAYS, since if since is not None else end - WINDOW_DAYS, int(day.min()))
    inside = (day >= start) & (day < end)
    if not (share[inside] > 0).any():
        start, inside = int(day.min()), np.ones(len(day), dtype=np.bool_)
    return Window(np.where(inside, share, 0.0), float(max(end - start, LEAST_DAYS)))


def monthly_waste(
    review: Review, effect: Shrunk, window: Window, usd_per_lb: float, *, level: float, n_jobs: int, seed: int
) -> Waste:
    """Return the waste of an effect a month.

    The pounds of the window times 1 - 1/ratio, over its months; the ratio is drawn from its posterior, and draws below
    1 waste nothing.

    Parameters
    ----------
    effect : Shrunk
        Posterior of the log ratio, one effect.
    usd_per_lb : float
        Landed price of a pound used.
    n_jobs : int
        Jobs behind the effect.
    """
    rng = np.random.default_rng(seed)
    log_ratio = effect.draws(N_DRAWS, rng)[0]
    pounds = float(np.exp(review.fit.rows.log_value) @ window.share)
    lb = np.maximum(pounds * -np.expm1(-log_ratio), 0.0) * DAYS_PER_MONTH / window.days
    return Waste(summarise(lb, level=level, n_scores=n_jobs), summarise(lb * usd_per_lb, level=level, n_scores=n_jobs))
