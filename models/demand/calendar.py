"""The shop's calendar in ordinals: open days, weekdays, weeks that were counted and months to come."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

from models.demand.arrivals import CountRows
from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


WEEK = 7
#: Days by which a weekday's share of the work is shrunk towards an even week.
_EVEN_DAYS = 10.0
#: Work of a day that is not a working day, before any job was seen on one.
_OFF_DAY = 0.01
#: A day with this share of an even working day's work is a working day, and so many closed ones in a row a closure: one
#: alone is a holiday.
_WORKS, _CLOSURE_DAYS = 0.5, 2
#: A row with less open days than this is not counted.
_LEAST_EXPOSURE = 0.5
#: `not logged`: ice came all the while. `closed`: neither jobs nor ice, though deliveries are logged. `unclear`: no
#: delivery log that could tell.
Kind = Literal["not logged", "closed", "unclear"]


class Stretch(Protocol):
    """First and last day as ordinals, both included."""

    @property
    def first(self) -> int:
        """First day."""

    @property
    def last(self) -> int:
        """Last day."""


@dataclass(frozen=True)
class Gap:
    """A stretch that says nothing about how many jobs come: first and last day as ordinals, both included."""

    first: int
    last: int
    kind: Kind


@dataclass(frozen=True)
class Calendar:
    """Which days the shop works.

    Attributes
    ----------
    weight : float64 array (7,)
        Work of Monday to Sunday; an even working day is 1.
    closed : int64 array (n_closed,)
        Closed days as ordinals.
    """

    weight: NDArray[np.float64]
    closed: NDArray[np.int64]

    @classmethod
    def of(cls, working: Sequence[int], closed: Sequence[int]) -> Calendar:
        """Return the calendar of working weekdays (0 is Monday) and closed days, all working days alike."""
        weight = np.full(WEEK, _OFF_DAY)
        weight[list(working)] = 1.0
        return cls(weight, np.unique(np.array(closed, dtype=np.int64)))

    def exposure(self, days: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the work of each day in even working days, shape of `days`; 0 where closed."""
        return np.where(np.isin(days, self.closed), 0.0, self.weight[(days - 1) % WEEK])

    def without_ice(self, days: NDArray[np.int64], lasts_days: int) -> NDArray[np.bool_]:
        """Return on which days, ordinals (n,), closures leave the shop without ice.

        A closure is a stretch of closed and free days in a row of which two or more would else be worked. The last
        delivery before it lasts into it for `lasts_days`; from then on until the shop opens again no ice is there.
        Weekends and single holidays are no closures.
        """
        dry = np.zeros(len(days), dtype=np.bool_)
        if not len(self.closed):
            return dry
        around = np.arange(int(self.closed[0]) - WEEK, int(self.closed[-1]) + WEEK + 1)
        works = self._works(around)
        shut = ~works | np.isin(around, self.closed)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], shut, [False]])))
        for start, stop in edges.reshape(-1, 2).tolist():
            if int(works[start:stop].sum()) >= _CLOSURE_DAYS:
                dry |= (days >= around[0] + start + lasts_days) & (days < around[0] + stop)
        return dry

    def closed_weeks(self, days: NDArray[np.int64]) -> float:
        """Return how many weeks' work the closed ones among days, ordinals (n,), would have been."""
        closed = days[np.isin(days, self.closed)]
        return float(self._works(closed).sum()) / max(int(self._works(np.arange(WEEK)).sum()), 1)

    def _works(self, days: NDArray[np.int64]) -> NDArray[np.bool_]:
        return np.asarray(self.weight[(days - 1) % WEEK] >= _WORKS)

    def learned(self, job_days: NDArray[np.int64], first: int, today: int, gaps: Sequence[Gap]) -> Calendar:
        """Return the calendar with weekdays weighed by the jobs seen on them, shrunk towards an even week.

        Parameters
        ----------
        job_days : int64 array (n_jobs,)
            Only those from `first` to the day before `today` count.
        """
        days = logged_days(first, today, gaps)
        seen = job_days[np.isin(job_days, days)]
        if not len(seen):
            return self
        open_by = np.bincount((days - 1) % WEEK, ~np.isin(days, self.closed), WEEK)
        jobs_by = np.bincount((seen - 1) % WEEK, minlength=WEEK)
        rate = len(seen) / max(float(self.exposure(days).sum()), 1.0)
        weight = (jobs_by / rate + _EVEN_DAYS * self.weight) / (open_by + _EVEN_DAYS)
        even = self.weight >= 1.0
        scale = float(weight[even].mean()) if even.any() else 1.0
        return Calendar(np.asarray(weight / scale, dtype=np.float64), self.closed)


def logged_days(first: int, today: int, gaps: Sequence[Stretch]) -> NDArray[np.int64]:
    """Return the days from `first` to the day before `today` that lie in no gap."""
    days = np.arange(first, today, dtype=np.int64)
    return days[outside(days, gaps)]


def outside(days: NDArray[np.int64], gaps: Sequence[Stretch]) -> NDArray[np.bool_]:
    """Return which days, ordinals (n,), lie in no gap."""
    free = np.ones(len(days), dtype=np.bool_)
    for gap in gaps:
        free &= (days < gap.first) | (days > gap.last)
    return free


def phase_of(days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the share of the mean Gregorian year gone by on days given as ordinals, within a day and a half."""
    return np.asarray(((days - 0.5) / DAYS_PER_YEAR) % 1.0)


def weekly_rows(
    job_days: NDArray[np.int64], calendar: Calendar, first: int, today: int, gaps: Sequence[Gap]
) -> CountRows:
    """Return jobs by week, counted back from `today`; days in gaps and closed weeks are left out."""
    days = logged_days(first, today, gaps)
    week = (today - 1 - days) // WEEK
    n = int(week.max(initial=-1)) + 1
    exposure = np.bincount(week, calendar.exposure(days), n).astype(np.float64)
    seen = job_days[np.isin(job_days, days)]
    count = np.bincount((today - 1 - seen) // WEEK, minlength=n).astype(np.float64)
    n_days = np.bincount(week, minlength=n)
    middle = np.bincount(week, days, n) / np.maximum(n_days, 1)
    middle = middle.astype(np.float64)
    rows = np.flatnonzero(exposure >= _LEAST_EXPOSURE)[::-1]
    return CountRows(count[rows], exposure[rows], middle[rows], phase_of(middle[rows]))


@dataclass(frozen=True)
class Month:
    """A calendar month, or what is left of it: first and last day as ordinals, both included."""

    name: str
    first: int
    last: int
    part: bool

    @property
    def middle(self) -> int:
        """Day in its middle, as an ordinal."""
        return (self.first + self.last) // 2

    def days(self) -> NDArray[np.int64]:
        """Return its days."""
        return np.arange(self.first, self.last + 1, dtype=np.int64)


def month_of(year: int, month: int) -> Month:
    """Return a whole month; month 13 is next year's January."""
    year, month = year + (month - 1) // 12, (month - 1) % 12 + 1
    following = date(year + month // 12, month % 12 + 1, 1).toordinal()
    return Month(f"{year:04d}-{month:02d}", date(year, month, 1).toordinal(), following - 1, part=False)


def months_ahead(today: int, n: int) -> tuple[Month, ...]:
    """Return what is left of the running month (where it has begun) and the next `n` whole months."""
    day = date.fromordinal(today)
    running = month_of(day.year, day.month)
    if day.day == 1:
        return tuple(month_of(day.year, day.month + k) for k in range(n))
    rest = Month(running.name, today, running.last, part=True)
    return (rest, *(month_of(day.year, day.month + k) for k in range(1, n + 1)))


def months_between(first: int, last: int) -> tuple[Month, ...]:
    """Return the whole months that lie within two days, both included, in order."""
    start = date.fromordinal(first)
    found = []
    for k in range((last - first) // 28 + 2):
        month = month_of(start.year, start.month + k)
        if month.first >= first and month.last <= last:
            found.append(month)
    return tuple(found)
