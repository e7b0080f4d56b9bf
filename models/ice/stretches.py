"""Stretches of a container's log between two known amounts, padded to arrays that are walked side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.ice.law import Climate
    from models.ice.record import IceLog

# A stretch without a weighing is cut at the next delivery after this many events: by then its start is forgotten.
_LONGEST = 30
#: Most recent stretches that are learned from.
MOST_STRETCHES = 140


@dataclass(frozen=True)
class Stretches:
    """Padded stretches: from a known start through deliveries and use to a weighing or an open end.

    Attributes
    ----------
    container : int64 array (n,)
        Index into `names`.
    names : tuple of str
    start_lb, start_sd_lb : float64 arrays (n,)
        Amount at the start; sd of it where it was delivered, NaN where it was weighed (the weighing's sd holds).
    days, season, air : float64 arrays (n, n_steps)
        Days of each step, and the integrals of `Climate.factors` over it; 0 in the padding.
    change_lb : float64 array (n, n_steps)
        What happened at the end of the step: + delivered, - used (logged), 0.
    end_lb : float64 array (n,)
        Weighing at the end, NaN where open.
    end_at : float64 array (n,)
    """

    container: NDArray[np.int64]
    names: tuple[str, ...]
    start_lb: NDArray[np.float64]
    start_sd_lb: NDArray[np.float64]
    days: NDArray[np.float64]
    season: NDArray[np.float64]
    air: NDArray[np.float64]
    change_lb: NDArray[np.float64]
    end_lb: NDArray[np.float64]
    end_at: NDArray[np.float64]

    @property
    def n(self) -> int:
        """Number of stretches."""
        return len(self.start_lb)

    @property
    def n_weighed(self) -> int:
        """Number of stretches that end with a weighing."""
        return int(np.isfinite(self.end_lb).sum())


@dataclass
class _Open:
    """A stretch being gathered."""

    container: int
    start_lb: float
    start_sd_lb: float
    at: list[float]
    change_lb: list[float]
    end_lb: float = np.nan


class Exposure:
    """Integrals of the warmth's parts between moments, by day."""

    def __init__(self, climate: Climate, first: float, last: float) -> None:
        self._days = np.arange(int(np.floor(first)), int(np.floor(last)) + 2, dtype=np.int64)
        self._totals = [np.concatenate([[0.0], np.cumsum(part)]) for part in climate.factors(self._days[:-1])]

    def between(
        self, start: NDArray[np.float64], end: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return the days from start to end and the integrals of season and air over them; same shape."""
        season, air = (
            np.interp(end, self._days, total) - np.interp(start, self._days, total) for total in self._totals
        )
        return np.asarray(end - start), season, air


def _gather(log: IceLog, names: tuple[str, ...]) -> list[_Open]:
    """Cut a log whose uses all name their container into stretches, in order of their end."""
    running: dict[str, _Open] = {}
    done: list[_Open] = []
    for at, kind, name, lb in zip(log.at.tolist(), log.kind.tolist(), log.container, log.lb.tolist(), strict=True):
        here = running.get(name)
        if here is None and kind == USED:
            continue  # nothing is known yet of what this container held
        if kind == WEIGHED:
            if here is not None:
                here.at.append(at)
                here.change_lb.append(0.0)
                here.end_lb = lb
                done.append(here)
            running[name] = _Open(names.index(name), lb, np.nan, [at], [])
        elif kind == EMPTIED or here is None or (kind == DELIVERED and len(here.change_lb) >= _LONGEST):
            if here is not None and here.change_lb:
                done.append(here)
            forgotten = kind == DELIVERED and here is not None
            running[name] = _Open(names.index(name), lb, 0.01 * lb + (30.0 if forgotten else 0.0), [at], [])
        else:
            here.at.append(at)
            here.change_lb.append(lb if kind == DELIVERED else -lb)
    done.extend(s for s in running.values() if s.change_lb)
    return sorted(done, key=lambda s: s.at[-1])[-MOST_STRETCHES:]


def cut(log: IceLog, climate: Climate) -> Stretches:
    """Return the most recent stretches (at most 140) of a log whose uses name their container.

    A stretch starts at a weighing, at a first delivery (the container is taken to be empty before) or where a
    container was emptied, and ends at the next weighing; without one it stays open and tells only that there was
    enough for what was used.
    """
    names = log.names()
    parts = _gather(log, names)
    n_steps = max((len(p.change_lb) for p in parts), default=0)
    days, season, air, change = (np.zeros((len(parts), n_steps)) for _ in range(4))
    if parts:
        exposure = Exposure(climate, min(p.at[0] for p in parts), max(p.at[-1] for p in parts))
        for i, part in enumerate(parts):
            moments = np.array(part.at)
            n = len(moments) - 1
            days[i, :n], season[i, :n], air[i, :n] = exposure.between(moments[:-1], moments[1:])
            change[i, : len(part.change_lb)] = part.change_lb
    return Stretches(
        container=np.array([p.container for p in parts], dtype=np.int64),
        names=names,
        start_lb=np.array([p.start_lb for p in parts]),
        start_sd_lb=np.array([p.start_sd_lb for p in parts]),
        days=days,
        season=season,
        air=air,
        change_lb=change,
        end_lb=np.array([p.end_lb for p in parts]),
        end_at=np.array([p.at[-1] for p in parts]),
    )


def rough_rate(stretches: Stretches, planning_lb_day: float) -> float:
    """Return a first idea of a container's loss, lb a day: the median over stretches that end with ice left.

    The planning value where fewer than five stretches tell; never outside a fifth to five times of it.
    """
    lasted = stretches.days.sum(axis=1)
    told = np.isfinite(stretches.end_lb) & (np.nan_to_num(stretches.end_lb) > 20.0) & (lasted > 0.5)
    if told.sum() < 5:
        return planning_lb_day
    gone = stretches.start_lb[told] + stretches.change_lb[told].sum(axis=1) - stretches.end_lb[told]
    return float(np.clip(np.median(gone / lasted[told]), planning_lb_day / 5, 5 * planning_lb_day))
