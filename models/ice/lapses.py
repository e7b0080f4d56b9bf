"""Times in which deliveries were not logged although jobs went on: found by the ice that was used in them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

#: How far on either side of a silence its usual deliveries are looked for, and the least of them that are a habit.
_AROUND_DAYS, _LEAST_DELIVERIES = 182, 6
#: A silence is longer than so many usual times between deliveries, and has so many days at least.
_LONGER, _LEAST_DAYS = 3.0, 14
#: What came so many days before the last delivery, or within the usual time between two where that is longer, may still
#: have been in store beside it: a last small delivery tops up a container that is not empty. Older ice is used or gone.
STORE_DAYS = 7


@dataclass(frozen=True)
class Silence:
    """A stretch without a logged delivery, longer than usual: the day of the last one before it and its own last day.

    `lasts_days` is what ice of one delivery lasts: the usual time to the next one. `running` where the stretch goes on:
    no delivery of today is known either. Days are ordinals.
    """

    came: int
    last: int
    lasts_days: int
    running: bool


@dataclass(frozen=True)
class Lapse:
    """Days (ordinals, both included) whose jobs used ice of which no delivery was logged.

    Attributes
    ----------
    first, last : int
        From the day on which the ice of the last logged delivery was to be gone.
    came : int
        Day of that delivery.
    used_lb : float
        Used from that day on to `last`.
    running : bool
        Whether no delivery is known after it.
    """

    first: int
    last: int
    came: int
    used_lb: float
    running: bool


def silences(came_day: NDArray[np.int64], today: int) -> tuple[Silence, ...]:
    """Return the stretches without a delivery before `today`, the last one up to it, that are longer than usual.

    Usual is the median of the times between the deliveries of half a year on either side, where these are enough. A
    silence alone proves nothing: a shop that is closed gets no ice. `find_lapses` tells.

    Parameters
    ----------
    came_day : int64 array (n_containers,)
        Days on which ice came, ordinals. What came on `today` ends a stretch, later ones are not looked at.
    """
    days = np.unique(came_day[came_day < today])
    edges = np.append(days, today)
    came_today = bool((came_day == today).any())
    found = []
    for k in np.flatnonzero(np.diff(edges) >= _LEAST_DAYS).tolist():
        before = days[(days >= days[k] - _AROUND_DAYS) & (days <= days[k])]
        after = days[(days >= edges[k + 1]) & (days <= edges[k + 1] + _AROUND_DAYS)]
        if len(before) + len(after) < _LEAST_DELIVERIES:
            continue
        usual = float(np.median(np.concatenate([np.diff(before), np.diff(after)])))
        if edges[k + 1] - days[k] > _LONGER * usual:
            running = k == len(days) - 1 and not came_today
            found.append(Silence(int(days[k]), int(edges[k + 1]) - 1, math.ceil(usual), running))
    return tuple(found)


def find_lapses(
    found: Sequence[Silence],
    came_day: NDArray[np.int64],
    came_lb: NDArray[np.float64],
    use_day: NDArray[np.int64],
    use_lb: NDArray[np.float64],
) -> tuple[Lapse, ...]:
    """Return the silences in which more was used than was likely in store, and some of it after that was to be gone.

    In store counts all that came in the week up to the last delivery, or in the usual time between two where that is
    longer, as if nothing of it had been used before. Ice of a silence of two weeks or more turns to gas beside its use,
    so that a log which is kept hardly ever shows more use than that. Where all of it was used in the first days,
    before the next delivery was to come, the shop used up what it had: it stopped working, was closed or had less to
    do, and no delivery is missing.

    Parameters
    ----------
    came_day, came_lb : arrays (n_containers,)
        Days as ordinals, lb.
    use_day, use_lb : arrays (n_uses,)
        Days as ordinals, lb; since the first silence at least.
    """
    lapses = []
    for silence in found:
        first, since = silence.came + silence.lasts_days, silence.came - max(STORE_DAYS, silence.lasts_days)
        stored_lb = float(came_lb[(came_day >= since) & (came_day <= silence.came)].sum())
        used_lb = float(use_lb[(use_day >= silence.came) & (use_day <= silence.last)].sum())
        went_on = bool((use_lb[(use_day >= first) & (use_day <= silence.last)] > 0).any())
        if used_lb > stored_lb and went_on:
            lapses.append(Lapse(first, silence.last, silence.came, used_lb, silence.running))
    return tuple(lapses)
