"""Jobs, pellets and minutes of coming months as joint draws, from what was known on one morning."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from models.demand.arrivals import ArrivalFit, CountRows, centred, fit_arrivals, harmonics, log_rate
from models.demand.calendar import WEEK, Calendar, Gap, Month, phase_of, weekly_rows
from models.demand.compound import drawn_mix, resampled_totals
from models.demand.gaps import find_gaps

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable

#: Longest lead of a booking that is told apart, days.
MOST_LEAD = 120
#: Jobs by which the share of jobs known ahead is shrunk to what the list itself tells, and the half-life of old ones.
_LEAD_WEIGHT, _LEAD_HALF_LIFE = 5.0, 180.0
_YEAR_WEEKS = 52


@dataclass(frozen=True)
class Known:
    """What is known on a morning of how many jobs come.

    Attributes
    ----------
    job_days : int64 array (n_jobs,)
        Days of the jobs before `today`, increasing.
    lead_days : int64 array (n_jobs,)
        Days from booking to job, -1 for a job nobody had booked.
    booking_since : int or None
        Day from which bookings are logged; None where they never were.
    deliveries : int64 array (n_deliveries,)
        Days on which ice came.
    today : int
    calendar : Calendar
    jobs_per_week, walk_in_share : float
        Planning figures: jobs, and the share of them that nobody books.
    """

    job_days: NDArray[np.int64]
    lead_days: NDArray[np.int64]
    booking_since: int | None
    deliveries: NDArray[np.int64]
    today: int
    calendar: Calendar
    jobs_per_week: float
    walk_in_share: float = 0.3

    def before(self, day: int) -> Known:
        """Return what was known on an earlier morning."""
        past = self.job_days < day
        since = self.booking_since if self.booking_since is not None and self.booking_since < day else None
        return replace(
            self, job_days=self.job_days[past], lead_days=self.lead_days[past], booking_since=since,
            deliveries=self.deliveries[self.deliveries < day], today=day,
        )  # fmt: skip


@dataclass(frozen=True)
class Rate:
    """What was learned of the arrivals: the fit, weekdays, gaps, and the share of jobs known by lead.

    `known_share[k]` is the share of jobs that are booked k days ahead or earlier, (MOST_LEAD + 1,), shrunk to 0 by the
    share `lead_unknown` in [0, 1]: 1 where no job came since bookings are logged. `walk_in_share` is the planning share
    of jobs that nobody books.
    """

    fit: ArrivalFit
    calendar: Calendar
    gaps: tuple[Gap, ...]
    known_share: NDArray[np.float64]
    lead_unknown: float
    walk_in_share: float
    rows: CountRows


@dataclass(frozen=True)
class BookedAhead:
    """Bookings for coming days: their day (n_booked,) and whether each comes (n_booked, n_draws)."""

    day: NDArray[np.int64]
    comes: NDArray[np.bool_]


@dataclass(frozen=True)
class Consumed:
    """What the examples take: draws of pellets (lb) and minutes (n_examples, n_draws), and weights (n_examples,)."""

    pellets_lb: NDArray[np.float64]
    minutes: NDArray[np.float64]
    weight: NDArray[np.float64]


@dataclass(frozen=True)
class MonthDraws:
    """Joint draws of each month, every array (n_months, n_draws)."""

    jobs: NDArray[np.float64]
    pellets_lb: NDArray[np.float64]
    minutes: NDArray[np.float64]


@dataclass(frozen=True)
class BookedTaken:
    """Bookings whose content is known: what each takes if it comes, lb and min, (n_booked, n_draws).

    `request` holds the booked jobs in the order of `ahead`; None without one.
    """

    ahead: BookedAhead
    pellets_lb: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0)))
    minutes: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 0)))
    request: JobTable | None = None


def learn_rate(known: Known, *, seed: int, n_draws: int) -> Rate:
    """Learn how many jobs come, from weekly counts outside the log's gaps.

    Where all jobs bear one date their number tells nothing of a rate: the planning figure answers.
    """
    gaps = find_gaps(known.job_days, known.deliveries, known.calendar, known.today)
    spread = len(np.unique(known.job_days)) > 1 or len(known.job_days) == 1
    first = int(known.job_days.min()) if len(known.job_days) and spread else known.today
    calendar = known.calendar.learned(known.job_days, first, known.today, gaps) if spread else known.calendar
    rows = weekly_rows(known.job_days, calendar, first, known.today, gaps)
    open_days = max(float((known.calendar.weight >= 1.0).sum()), 1.0)
    planned = max(known.jobs_per_week, 0.05) / open_days
    fit = fit_arrivals(rows, prior_rate=planned, seed=seed, n_draws=n_draws, end=float(known.today))
    if not rows.n:
        fit = centred(fit, planned)
    return Rate(fit, calendar, gaps, *_known_share(known), known.walk_in_share, rows)


def season_of(rate: Rate, days: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return draws of what the season makes of each day's jobs, over the year's mean, shape (n_days, n_draws).

    That is exp(h(t) c) / mean over the year of exp(h c) with the harmonics h and their coefficients c.
    """
    year = (np.arange(_YEAR_WEEKS) + 0.5) / _YEAR_WEEKS
    mean = np.exp(harmonics(year) @ rate.fit.season).mean(axis=0)
    return np.asarray(np.exp(harmonics(phase_of(days.astype(np.float64))) @ rate.fit.season) / mean, dtype=np.float64)


def _known_share(known: Known) -> tuple[NDArray[np.float64], float]:
    """Return the share of jobs booked k days ahead or earlier, k = 0..MOST_LEAD, newer jobs weighing more.

    With it the share of prior weight in it, which is that of nothing known.
    """
    if known.booking_since is None:
        return np.zeros(MOST_LEAD + 1), 1.0
    told = known.job_days >= known.booking_since
    weight = 0.5 ** ((known.today - known.job_days[told]) / _LEAD_HALF_LIFE)
    lead = np.minimum(known.lead_days[told], MOST_LEAD)
    booked = np.bincount(lead[lead >= 0], weight[lead >= 0], MOST_LEAD + 1)
    whole = float(weight.sum()) + _LEAD_WEIGHT
    return np.asarray(booked[::-1].cumsum()[::-1] / whole, dtype=np.float64), _LEAD_WEIGHT / whole


def counts_ahead(
    rate: Rate, months: Sequence[Month], today: int, *, booked: BookedAhead | None = None, change: float = 0.0,
    seed: int = 1,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Return draws of the jobs of each month that are not yet booked, and of all, each (n_months, n_draws).

    With a booking list, empty or not, the jobs that past experience says are known by now are those in it that are
    kept, and only the rest come by the learned rate: bookings that are kept are a floor. As far as there is no such
    experience, with a list that has just been begun, those in it are of a week's usual jobs, and what is left of these
    still comes, at least the walk-ins of the planning figures. Without a list all come by the rate. A month's draws are
    the same whichever months follow it.

    Parameters
    ----------
    months : sequence of Month
        In order; days before `today` are not theirs.
    change : float
        What-if: 0.1 for a tenth more jobs than expected.
    """
    # A stream of its own for each kind of draw, taken week after week, so that later weeks move none before them.
    walks, around, coming = np.random.default_rng([seed % 2**63, 0xC0DE]).spawn(3)
    ahead = _weeks_ahead(rate, months, today)
    log_rates = np.minimum(log_rate(rate.fit, ahead.rows, walks), 12.0)
    mean = ahead.rows.exposure[:, None] * np.exp(log_rates)
    kept = np.zeros((len(months), rate.fit.n_draws))
    by_week = np.zeros(mean.shape)
    if booked is not None and len(booked.day):
        inside = (booked.day >= today) & (booked.day <= months[-1].last)
        np.add.at(by_week, np.searchsorted(ahead.last, booked.day[inside]), booked.comes[inside])
        np.add.at(kept, ahead.month, by_week)
    if booked is not None:
        listed = np.minimum(by_week / np.maximum(mean, 1e-12), 1 - rate.walk_in_share)
        mean = mean * (ahead.fresh_share[:, None] - rate.lead_unknown * listed)
    mean = np.maximum((1 + change) * mean + change * by_week.mean(axis=1)[:, None], 0.0)
    shape = 1.0 / np.maximum(rate.fit.over, 1e-8)
    drawn = coming.poisson(mean * around.standard_gamma(np.broadcast_to(shape, mean.shape)) / shape)
    fresh = np.zeros(kept.shape)
    np.add.at(fresh, ahead.month, drawn)
    return fresh, fresh + kept


@dataclass(frozen=True)
class _Weeks:
    """Weeks of the coming months, cut where a month ends: last day, share not yet booked, and month of each."""

    rows: CountRows
    last: NDArray[np.int64]
    fresh_share: NDArray[np.float64]
    month: NDArray[np.int64]


def _weeks_ahead(rate: Rate, months: Sequence[Month], today: int) -> _Weeks:
    parts = [(k, month.days()[i : i + WEEK]) for k, month in enumerate(months)
             for i in range(0, len(month.days()), WEEK)]  # fmt: skip
    exposure, share = np.zeros(len(parts)), np.ones(len(parts))
    for i, (_, days) in enumerate(parts):
        work = rate.calendar.exposure(days)
        exposure[i] = work.sum()
        if exposure[i] > 0:
            # Known this morning is what was booked before today, a day earlier than the days still to go.
            share[i] = work @ (1.0 - rate.known_share[np.clip(days - today + 1, 0, MOST_LEAD)]) / exposure[i]
    at = np.array([days.mean() for _, days in parts])
    rows = CountRows(np.zeros(len(parts)), exposure, at, phase_of(at))
    last = np.array([days[-1] for _, days in parts], dtype=np.int64)
    return _Weeks(rows, last, share, np.array([k for k, _ in parts], dtype=np.int64))


def month_draws(
    counts: tuple[NDArray[np.float64], NDArray[np.float64]], consumed: Iterable[Consumed], months: Sequence[Month], *,
    booked: BookedTaken | None = None, seed: int = 1,
) -> MonthDraws:  # fmt: skip
    """Return the totals of each month: resampled jobs that are not booked yet, and booked ones that come.

    A month's draws are the same whichever months follow it. In one scenario the mix of jobs is that of all months.

    Parameters
    ----------
    counts : (not yet booked, all) of `counts_ahead`
    consumed : iterable of Consumed
        What the examples take in each month, their weights the same in all.
    booked : BookedTaken, optional
        Where given the booked jobs take what they are; else they are like the others.
    """
    fresh, every = counts
    rng = np.random.default_rng([seed % 2**63, 0x101])
    pellets, minutes = np.zeros(every.shape), np.zeros(every.shape)
    for k, (n, taken) in enumerate(zip(fresh if booked is not None else every, consumed, strict=True)):
        mix = drawn_mix(taken.weight, len(n), np.random.default_rng([seed % 2**63, 0x313]))
        pellets[k], minutes[k] = resampled_totals(n, (taken.pellets_lb, taken.minutes), mix, rng)
    if booked is not None:
        for i, day in enumerate(booked.ahead.day.tolist()):
            for k, month in enumerate(months):
                if month.first <= day <= month.last:
                    pellets[k] += booked.pellets_lb[i] * booked.ahead.comes[i]
                    minutes[k] += booked.minutes[i] * booked.ahead.comes[i]
    return MonthDraws(every, pellets, minutes)
