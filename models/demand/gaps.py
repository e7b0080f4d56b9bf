"""Stretches without a job in the log: a shop that was closed, or a log that was not kept?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.demand.calendar import Calendar, Gap, Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.demand.calendar import Stretch


#: Chance of so long a silence at the rate around it, below which it is no chance; with ice coming less proof will do.
_NO_CHANCE, _WITH_ICE = 1e-5, 0.02
#: Open days a gap has at least, and how far on either side the rate is taken from.
_LEAST_DAYS, _AROUND_DAYS = 8.0, 120
#: Deliveries in a gap over those usual in so many days, from which on ice counts as coming.
_ICE_SHARE = 0.4


def find_gaps(
    job_days: NDArray[np.int64], deliveries: NDArray[np.int64], calendar: Calendar, today: int
) -> tuple[Gap, ...]:
    """Return the gaps of a log before `today`.

    With e open days between two jobs and a rate r around them, so long a silence has the chance exp(-r e).

    Parameters
    ----------
    job_days : int64 array (n_jobs,)
    deliveries : int64 array (n_deliveries,)
        Days on which ice came; empty where the shop keeps no such log.
    """
    days = np.sort(job_days[job_days < today])
    came = np.sort(deliveries[deliveries < today])
    if len(days) < 2:
        return ()
    edges = np.append(days, today)
    found = []
    for k in np.flatnonzero(np.diff(edges) > _LEAST_DAYS).tolist():
        gap = _judge(days, came, calendar, int(edges[k]) + 1, int(edges[k + 1]) - 1)
        if gap is not None:
            found.append(gap)
    return tuple(found)


def _judge(days: NDArray[np.int64], came: NDArray[np.int64], calendar: Calendar, first: int, last: int) -> Gap | None:
    """Return the gap of a silence from `first` to `last`, None where it may well be chance."""
    silent = float(calendar.exposure(np.arange(first, last + 1)).sum())
    if silent < _LEAST_DAYS:
        return None
    start = max(int(days[0]), first - _AROUND_DAYS)
    stop = min(int(days[-1]), last + _AROUND_DAYS)
    around = np.concatenate([np.arange(start, first), np.arange(last + 1, stop + 1)])
    exposure = max(float(calendar.exposure(around).sum()), 1.0)
    near = int(((days >= start) & (days <= stop)).sum())
    # One job less: the silence is chosen to lie between two of them.
    rate = max(near - 1, 0) / exposure
    chance = float(np.exp(-rate * silent))
    kind = _kind(came, first, last)
    limit = _WITH_ICE if kind == "not logged" else _NO_CHANCE
    return Gap(first, last, kind) if chance < limit else None


def _kind(came: NDArray[np.int64], first: int, last: int) -> Kind:
    outside = came[(came < first) | (came > last)]
    # Ice log kept before the gap: without it nothing can be told.
    if not len(outside) or int(came[0]) > first:
        return "unclear" if not ((came >= first) & (came <= last)).any() else "not logged"
    spread = max(int(outside[-1]) - int(outside[0]) + 1 - max(min(last, int(outside[-1])) - first + 1, 0), 7)
    usual = len(outside) / spread * (last - first + 1)
    # Ice ordered before a silence may still come in its first days.
    inside = int(((came >= first + 3) & (came <= last)).sum())
    return "not logged" if inside >= max(_ICE_SHARE * usual, 1.0) else "closed"


def without_gap(gaps: Sequence[Stretch], first: int, last: int) -> bool:
    """Return whether a stretch of days lies outside all gaps."""
    return all(gap.last < first or gap.first > last for gap in gaps)
