"""What a technique effect costs a month, in pounds and money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.technique.effects import setting_excess
from models.technique.shrinkage import shrink_alone
from pipeline.answers.answer import summarise
from shared.units import DAYS_PER_MONTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.technique.effects import Effect
    from models.technique.review import Review
    from models.technique.shrinkage import Shrunk
    from pipeline.answers.answer import QuantitySummary

#: The time that stands for today's months, days, and the least it is reckoned over.
WINDOW_DAYS = 91
LEAST_DAYS = 28
#: An operator or a machine has left that had no job for so many days in which the shop logged at least so many jobs.
AWAY_DAYS = 28
AWAY_JOBS = 10
N_DRAWS = 2000


@dataclass(frozen=True)
class Waste:
    """Pounds and money a month beyond what like jobs need, and the first day on which that was over."""

    pellets_lb_month: QuantitySummary
    usd_month: QuantitySummary
    until: int | None


@dataclass(frozen=True)
class Window:
    """Which recorded pounds count, and over how many days they were blasted.

    Attributes
    ----------
    share : float64 array (n_rows,)
        Share of each recorded row that belongs to the operator, machine or setting.
    days : float
    until : int or None
        First day on which it was over; None where it goes on.
    """

    share: NDArray[np.float64]
    days: float
    until: int | None


def window_of(
    review: Review,
    today: int,
    share: NDArray[np.float64],
    *,
    since: int | None = None,
    until: int | None = None,
    away_days: int = AWAY_DAYS,
) -> Window:
    """Return the last three months' rows of a share, or those of a stretch that ended before them.

    What has no row in the three months before today, or none in `away_days` while the shop logged `AWAY_JOBS` jobs, was
    over with its last one, and is reckoned over the three months before that.
    """
    day = review.table.day[review.fit.rows.job]
    end = today if until is None else min(until, today)
    first = int(day.min()) if since is None else max(since, int(day.min()))
    last = int(day[(share > 0) & (day >= first) & (day < end)].max(initial=first))
    since_then = len(np.unique(review.fit.rows.job[(day > last) & (day < end)]))
    if last < end - WINDOW_DAYS or (last < end - away_days and since_then >= AWAY_JOBS):
        end = last + 1
        until = end if until is None else until
    start = max(end - WINDOW_DAYS, first)
    inside = (day >= start) & (day < end)
    return Window(np.where(inside, share, 0.0), float(max(end - start, LEAST_DAYS)), until)


def posterior_inside(review: Review, effect: Effect, window: Window) -> Shrunk:
    """Return the posterior of an effect on the jobs of a window.

    That of a setting is its mean excess over the best value on the window's lines, by their pounds: the whole record,
    of which the effect itself tells, may have run at other values.
    """
    if effect.kind != "setting":
        return effect.posterior
    rows = review.fit.rows
    size = np.diff([*rows.first, len(rows.order)])
    values = review.table.settings[effect.name][rows.order]
    inside = np.repeat(window.share > 0, size) & ~np.isnan(values)
    if effect.best is None or not inside.any():
        return effect.posterior
    pounds = np.repeat(np.exp(rows.log_value) / size, size)
    return shrink_alone(*setting_excess(review.fit, effect.name, effect.best, values[inside], pounds[inside]))


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
    pounds_told, usd_told = (summarise(v, level=level, n_scores=n_jobs) for v in (lb, lb * usd_per_lb))
    return Waste(pounds_told, usd_told, window.until)
