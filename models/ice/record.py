"""The ice log of a shop as arrays: deliveries, use and weighings by container, oldest ice first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: What happened, in the order in which things of one moment count.
DELIVERED, EMPTIED, USED, WEIGHED = 0, 1, 2, 3


@dataclass(frozen=True)
class IceLog:
    """Everything that happened to a shop's ice, in order of time.

    Attributes
    ----------
    at : float64 array (n,)
        Days as proleptic ordinals with the time of day as fraction; non-decreasing.
    kind : int64 array (n,)
        `DELIVERED` (added to what is there), `EMPTIED` (delivered after what was left was thrown out), `USED`,
        `WEIGHED` (net).
    container : tuple of str (n,)
        '' where a use does not say; deliveries and weighings always do.
    lb : float64 array (n,), >= 0
    """

    at: NDArray[np.float64]
    kind: NDArray[np.int64]
    container: tuple[str, ...]
    lb: NDArray[np.float64]

    @classmethod
    def of(cls, at: list[float], kind: list[int], container: list[str], lb: list[float]) -> IceLog:
        """Build a log from unsorted events; those of one moment are ordered deliveries, use, weighings."""
        order = sorted(range(len(at)), key=lambda i: (at[i], kind[i]))
        return cls(
            np.array([at[i] for i in order], dtype=np.float64),
            np.array([kind[i] for i in order], dtype=np.int64),
            tuple(container[i] for i in order),
            np.array([lb[i] for i in order], dtype=np.float64),
        )

    @property
    def n(self) -> int:
        """Number of events."""
        return len(self.at)

    def names(self) -> tuple[str, ...]:
        """Return the containers that were delivered to or weighed, in order of first appearance."""
        return tuple(dict.fromkeys(c for c, k in zip(self.container, self.kind, strict=True) if c and k != USED))

    def before(self, moment: float) -> IceLog:
        """Return what happened before a moment."""
        return self.take(self.at < moment)

    def take(self, rows: NDArray[np.bool_]) -> IceLog:
        """Return the events of a mask."""
        kept = np.flatnonzero(rows)
        return IceLog(self.at[kept], self.kind[kept], tuple(self.container[i] for i in kept.tolist()), self.lb[kept])


@dataclass(frozen=True)
class Walk:
    """A log walked through once with a planning rate of loss.

    Attributes
    ----------
    log : IceLog
        With the container of every use filled in; uses before any delivery or weighing keep ''.
    age_days : float64 array (n,)
        Age of the ice of each use, weighted by pounds; NaN for other events and where no ice was known.
    lots : dict container -> list of (arrived, lb)
        What would be left after the last event, oldest first.
    """

    log: IceLog
    age_days: NDArray[np.float64]
    lots: dict[str, list[tuple[float, float]]]


def _take_oldest(lots: list[tuple[float, float]], lb: float) -> tuple[list[tuple[float, float]], float, float]:
    """Take pounds from the oldest lots; return the rest, the pounds found and their sum of pounds x arrival."""
    rest, found, moment = list(lots), 0.0, 0.0
    while rest and lb > 1e-12:
        arrived, there = rest[0]
        part = min(there, lb)
        found, moment, lb = found + part, moment + part * arrived, lb - part
        rest = rest[1:] if part >= there else [(arrived, there - part), *rest[1:]]
    return rest, found, moment


def walk(log: IceLog, rate_lb_day: float) -> Walk:
    """Walk through a log, oldest ice first, with a constant loss per container that holds ice.

    A use without a container takes from the one with the oldest ice, and where none holds ice, from the one that
    was delivered to last. A weighing corrects what is there: less is taken off the oldest ice, more is added to the
    newest.

    Parameters
    ----------
    log : IceLog
    rate_lb_day : float
        Planning loss of one container, lb a day.
    """
    lots: dict[str, list[tuple[float, float]]] = {}
    seen_at: dict[str, float] = {}
    latest = ""
    containers = list(log.container)
    age = np.full(log.n, np.nan)
    for i, (at, kind, lb) in enumerate(zip(log.at.tolist(), log.kind.tolist(), log.lb.tolist(), strict=True)):
        for name in lots:
            lots[name] = _take_oldest(lots[name], rate_lb_day * (at - seen_at[name]))[0]
            seen_at[name] = at
        name = containers[i]
        if kind == USED and not name:
            holding = [c for c in lots if lots[c]]
            name = containers[i] = min(holding, key=lambda c: lots[c][0][0]) if holding else latest
        if kind == USED:
            if name in lots:
                lots[name], found, moment = _take_oldest(lots[name], lb)
                age[i] = at - moment / found if found > 0 else np.nan
            continue
        before = [] if kind == EMPTIED else lots.get(name, [])
        held = sum(part for _, part in before)
        if kind == WEIGHED and lb <= held:
            lots[name] = _take_oldest(before, held - lb)[0]
        elif kind == WEIGHED:
            arrived = before[-1][0] if before else at
            lots[name] = [*before[:-1], (arrived, lb - held + (before[-1][1] if before else 0.0))]
        else:
            lots[name], latest = [*before, (at, lb)], name
        seen_at[name] = at
    return Walk(IceLog(log.at, log.kind, tuple(containers), log.lb), age, lots)
