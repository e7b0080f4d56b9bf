"""How many jobs come beside those that are booked, learned from the days that were logged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from models.demand.calendar import logged_days
from shared.counting import counted
from shared.vocabulary import WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.demand.calendar import Gap
    from pipeline.answers.bookings import Booking
    from pipeline.book.settings import PlanningKeys, Shop

    #: Days as ordinals (n_days,) to the season of each by scenario, over the year's mean, (n_days, n_draws).
    Season = Callable[[NDArray[np.int64]], NDArray[np.float64]]

#: Weeks of history that expected walk-ins are learned from, and after how many weeks a day counts half.
HISTORY_WEEKS, _HALF_LIFE_WEEKS = 39, 13.0
#: What the planning figures weigh, in working days.
_PLANNING_DAYS = 5.0
#: Jobs by which the share of jobs not yet booked is shrunk to what the booking list itself tells.
_LEAD_WEIGHT = 5.0
#: Days of shrinkage of a weekday's share of the work towards an even week.
_WEEKDAY_WEIGHT = 6.0
#: Days without a job that count beside those seen of a weekday on which the shop does not work by its settings.
_OFF_DAY_WEIGHT = 1.0
#: Recent jobs that stand for those to come.
_MIX_JOBS = 80


def is_working(day: date, shop: Shop) -> bool:
    """Return whether jobs are done on a day."""
    return WEEKDAYS[day.weekday()] in shop.working_days and day not in shop.closed


@dataclass(frozen=True)
class Arrivals:
    """How many jobs come that are not yet booked.

    Attributes
    ----------
    rate : float64 array (n_days,)
        Expected number by day, 0 where the shop is closed.
    season : float64 array (n_days, n_draws), or (n_days, 1) without one
        What the season makes of each day's rate by scenario, with the mean 1.
    off_jobs : dict of weekday word to int
        Jobs behind it that were logged on weekdays on which the shop does not work by its settings.
    shape : float
        Gamma shape of the level's uncertainty: jobs behind it.
    week_variance : float
        Variance of a week's own factor around 1.
    mix : tuple of int
        Past jobs (rows of the history) that such jobs resemble.
    """

    rate: NDArray[np.float64]
    season: NDArray[np.float64]
    shape: float
    week_variance: float
    mix: tuple[int, ...]
    off_jobs: dict[str, int]

    def told(self) -> Iterator[str]:
        """Yield that jobs were logged on days that are no working days, and what becomes of it."""
        if not self.off_jobs:
            return
        each = ", ".join(f"{n} on a {day}" for day, n in self.off_jobs.items())
        days = ", ".join(f'"{day}"' for day in self.off_jobs)
        yield (
            f"{counted(sum(self.off_jobs.values()), 'job')} of the last {HISTORY_WEEKS} weeks stood on days that "
            f"are no working days in book.toml ({each}): as many are planned for such days as came on them. Add {days} "
            "to working_days in [shop] if the shop works then as on other days."
        )


def arrivals(
    history: JobTable, bookings: Sequence[Booking], booked: NDArray[np.float64], days: Sequence[date], shop: Shop,
    keys: PlanningKeys, gaps: Sequence[Gap] = (), season: Season | None = None,
) -> Arrivals:  # fmt: skip
    """Learn what comes beside the bookings known on the first of `days`.

    For a day k days ahead these are the jobs that k days before were not yet booked: walk-ins, and later bookings. Past
    working days weigh half after 13 weeks; a weekday's share is shrunk towards an even week; the planning figures
    count as five working days, in which bookings are taken evenly over the ten days before. Days in `gaps`, on which
    the log was not kept or the shop not open, are no days without work. A weekday that is no working day has the jobs
    that were logged on it: an owner who works on a Saturday needs ice on it, whatever the settings say.

    Jobs from before the first booked day may have been booked: nobody wrote it down. As far as no later job tells how
    far ahead this shop is booked, the bookings of a coming week are of its usual jobs, and only what is left of these
    comes beside them, at least the walk-ins of the planning figures.

    The recent weeks tell a level in their own season. With s_j(t) the season of day t in scenario j over the year's
    mean, w_d the weights of the past working days and p = 5 the planning days, which have no season, the rate of day t
    is multiplied by f_j(t) = s_j(t) (sum w_d + p) / (sum w_d s_j(d) + p): the same jobs over an exposure net of the
    season, in the season to come. The rate takes the mean of f over the scenarios, `Arrivals.season` the rest.

    Parameters
    ----------
    history : JobTable
    bookings : sequence of Booking
        Of past and coming days.
    booked : float64 array (n_days,)
        Bookings expected to be kept on each of `days`.
    days : sequence of date
    shop : Shop
    keys : PlanningKeys
    gaps : sequence of Gap
    season : callable days -> (n_days, n_draws), optional
        The season of days over the year's mean, days as ordinals; where it is not given there is none.
    """
    today = days[0]
    first = max(int(history.day.min()) if history.n_jobs else today.toordinal(), today.toordinal() - 7 * HISTORY_WEEKS)
    logged = logged_days(first, today.toordinal(), gaps).tolist()
    open_days = [d for d in logged if is_working(date.fromordinal(d), shop)]
    off_days = [d for d in logged if date.fromordinal(d) not in shop.closed and d not in set(open_days)]
    weight, off_weight = (
        {d: 0.5 ** ((today.toordinal() - d) / (7 * _HALF_LIFE_WEEKS)) for d in some} for some in (open_days, off_days)
    )
    taken = {b.job_id.casefold(): b for b in bookings}
    lead = np.full(history.n_jobs, -1, dtype=np.int64)
    for i, name in enumerate(history.job_id):
        booking = taken.get(name.casefold())
        if booking is not None:
            when = booking.taken_on
            lead[i] = int(history.day[i]) - when.toordinal() if when is not None else 365
    job_weight = np.array([weight.get(int(d), 0.0) for d in history.day])
    off_job_weight = np.array([off_weight.get(int(d), 0.0) for d in history.day])
    per_day = keys.jobs_per_week / max(len(shop.working_days), 1)
    total = sum(weight.values())
    factor = _weekday_factors(history, job_weight, weight)
    told = _lead_is_told(history, bookings)
    share = partial(_unbooked_share, lead[told], (job_weight + off_job_weight)[told])

    def rates(fresh: Callable[[int], NDArray[np.float64]], planned: Callable[[int], float]) -> NDArray[np.float64]:
        """Return the jobs of each day k days ahead, of which a past one is `fresh` and a planned one `planned`."""
        out = np.zeros(len(days))
        for k, day in enumerate(days):
            if is_working(day, shop):
                seen = float(job_weight @ fresh(k))
                level = (seen + _PLANNING_DAYS * per_day * planned(k)) / (total + _PLANNING_DAYS)
                out[k] = level * factor[day.weekday()]
            elif day not in shop.closed:
                seen = float((off_job_weight * fresh(k))[(history.day - 1) % 7 == day.weekday()].sum())
                logged_off = sum(w for d, w in off_weight.items() if (d - 1) % 7 == day.weekday())
                out[k] = seen / (logged_off + _OFF_DAY_WEIGHT)
        return out

    swing = _season_ahead(season, days, weight)
    mean_swing = swing.mean(axis=1)
    every = mean_swing * rates(lambda _: np.ones(history.n_jobs), lambda _: 1.0)
    left = _left_of_weeks(every, booked, keys.walk_in_share)
    rate = mean_swing * rates(
        lambda k: np.where(told, lead <= k, share(k, left[k])),
        lambda k: 1.0 - (1.0 - keys.walk_in_share) * (1.0 - min(k + 1, 10) / 10) if bookings else 1.0,
    )
    job_weight += off_job_weight
    behind = float(job_weight[lead <= len(days)].sum()) + _PLANNING_DAYS * per_day
    free = np.flatnonzero((job_weight > 0) & (lead <= 7))
    mix = free if len(free) >= 20 else np.flatnonzero(job_weight > 0)
    off_jobs = np.bincount((history.day[off_job_weight > 0] - 1) % 7, minlength=7)
    return Arrivals(
        rate, swing / mean_swing[:, None], max(behind, 0.5), _week_variance(history, lead, told, open_days, season),
        tuple(mix[-_MIX_JOBS:].tolist()),
        {WEEKDAYS[i]: int(n) for i, n in enumerate(off_jobs) if n},
    )  # fmt: skip


def _season_ahead(season: Season | None, days: Sequence[date], weight: dict[int, float]) -> NDArray[np.float64]:
    """Return f of `arrivals`, shape (n_days, n_draws), ones (n_days, 1) without a season."""
    if season is None:
        return np.ones((len(days), 1))
    past, w = np.array(list(weight), dtype=np.int64), np.array(list(weight.values()))
    behind = (w @ season(past) + _PLANNING_DAYS) / (w.sum() + _PLANNING_DAYS)
    return np.asarray(season(np.array([day.toordinal() for day in days], dtype=np.int64)) / behind)


def _lead_is_told(history: JobTable, bookings: Sequence[Booking]) -> NDArray[np.bool_]:
    """Return which past jobs say how far ahead they were booked, (n_jobs,): those since the first booked day.

    Where there is no booking list at all, nobody books.
    """
    if not bookings:
        return np.ones(history.n_jobs, dtype=np.bool_)
    since = min(b.day for b in bookings)
    return np.asarray(history.day >= since.toordinal(), dtype=np.bool_)


def _unbooked_share(lead: NDArray[np.int64], weight: NDArray[np.float64], k: int, listed: float) -> float:
    """Return the share of jobs that are not booked k days ahead, shrunk to what the booking list itself tells."""
    return float((weight @ (lead <= k) + _LEAD_WEIGHT * listed) / (weight.sum() + _LEAD_WEIGHT))


def _left_of_weeks(
    every: NDArray[np.float64], booked: NDArray[np.float64], walk_in_share: float
) -> NDArray[np.float64]:
    """Return the share of a coming week's usual jobs that is not booked, walk-ins at least, by day (n_days,)."""
    starts = np.arange(0, len(every), 7)
    usual, listed = (np.add.reduceat(a, starts)[np.arange(len(every)) // 7] for a in (every, booked))
    taken = np.divide(listed, usual, out=np.zeros_like(usual), where=usual > 0)
    return np.asarray(np.clip(1.0 - taken, walk_in_share, 1.0), dtype=np.float64)


def _weekday_factors(
    history: JobTable, job_weight: NDArray[np.float64], weight: dict[int, float]
) -> NDArray[np.float64]:
    """Return each weekday's jobs over an even day's, shape (7,)."""
    ordinals = np.array(list(weight), dtype=np.int64)
    open_by = np.bincount((ordinals - 1) % 7, np.array(list(weight.values())), 7) if len(ordinals) else np.zeros(7)
    jobs_by = np.bincount((history.day - 1) % 7, job_weight, 7) if history.n_jobs else np.zeros(7)
    if jobs_by.sum() <= 0:
        return np.ones(7)
    even = jobs_by.sum() / max(open_by.sum(), 1e-9)
    return np.asarray((jobs_by + _WEEKDAY_WEIGHT * even) / (open_by + _WEEKDAY_WEIGHT) / even)


def _week_variance(
    history: JobTable, lead: NDArray[np.int64], told: NDArray[np.bool_], open_days: Sequence[int],
    season: Season | None,
) -> float:  # fmt: skip
    """Return how much weeks of unbooked jobs scatter beyond chance and season, shrunk and at most 0.5.

    That is (V - M) / mean of m_i^2, with M the mean of the weeks, m_i = M s_i / mean of s what the season s_i of a week
    makes of it, and V the mean square of what they are off m_i. From the weeks whose jobs say whether they were booked;
    where these are few, from all jobs.
    """
    if len(open_days) < 20:
        return 0.05
    if not told.all():
        since = int(history.day[told].min()) if told.any() else open_days[-1] + 1
        later = [day for day in open_days if day >= since]
        if len(later) >= 20:
            open_days = later
        else:
            lead = np.full(history.n_jobs, -1)
    recent = history.day[(lead <= 7) & (history.day >= open_days[0])]
    start = (open_days[0] - 1) // 7
    weeks = np.bincount((recent - 1) // 7 - start, minlength=(open_days[-1] - 1) // 7 - start + 1)
    was_open = np.bincount((np.array(open_days) - 1) // 7 - start, minlength=len(weeks)) > 0
    inner = weeks[1:-1][was_open[1:-1]]
    if len(inner) < 4 or inner.mean() <= 0:
        return 0.05
    expected = np.full(len(inner), inner.mean())
    if season is not None:
        thursdays = 7 * (start + 1 + np.flatnonzero(was_open[1:-1])) + 4
        by_week = season(thursdays).mean(axis=1)
        expected *= by_week / by_week.mean()
    excess = (((inner - expected) ** 2).sum() / (len(inner) - 1) - inner.mean()) / (expected**2).mean()
    return float(np.clip((len(inner) * max(excess, 0.0) + 8 * 0.05) / (len(inner) + 8), 0.0, 0.5))
