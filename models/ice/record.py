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
        The same events with the container of every use filled in; a use that took from several containers is split.
        Uses before any delivery or weighing keep ''.
    age_days : float64 array (n,)
        For each event of the log that was walked (unsplit): age of the ice of a use, weighted by pounds; NaN for
        other events and where no ice was known.
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


class _Walker:
    """The lots of each container on the way through a log."""

    def __init__(self, rate_lb_day: float) -> None:
        self._rate = rate_lb_day
        self._now = -np.inf
        self._latest = ""
        self.lots: dict[str, list[tuple[float, float]]] = {}

    def wait(self, at: float) -> None:
        """Lose ice until a moment."""
        for name, lots in self.lots.items():
            if lots and at > self._now:
                self.lots[name] = _take_oldest(lots, self._rate * (at - self._now))[0]
        self._now = at

    def take(self, name: str, lb: float, *, whole: bool = False) -> tuple[list[tuple[str, float]], float]:
        """Take a use, oldest ice first; return the parts by container and the moment of arrival of its ice.

        The named container comes first, and is the only one where the use is its `whole`. What was not found anywhere
        counts to the first part.
        """
        holding = sorted((c for c in self.lots if self.lots[c]), key=lambda c: self.lots[c][0][0])
        others = [] if whole else [c for c in holding if c != name]
        order = ([name] if name in self.lots else []) + others
        parts: dict[str, float] = {}
        total, moment = 0.0, 0.0
        for container in order:
            self.lots[container], found, weighted = _take_oldest(self.lots[container], lb - total)
            if found > 0:
                parts[container], total, moment = found, total + found, moment + weighted
            if total >= lb - 1e-9:
                break
        first = name if whole or name in self.lots else next(iter(parts), self._latest)
        parts[first] = parts.get(first, 0.0) + lb - total
        return [(c, part) for c, part in parts.items() if part > 0], moment / total if total > 0 else np.nan

    def deliver(self, name: str, at: float, lb: float, *, emptied: bool) -> None:
        """Put new ice into a container."""
        before = [] if emptied else self.lots.get(name, [])
        self.lots[name], self._latest = [*before, (at, lb)], name

    def weigh(self, name: str, at: float, lb: float) -> None:
        """Correct what a container holds: less is taken off the oldest ice, more is added to the newest."""
        before = self.lots.get(name, [])
        held = sum(part for _, part in before)
        if lb <= held:
            self.lots[name] = _take_oldest(before, held - lb)[0]
        else:
            arrived = before[-1][0] if before else at
            self.lots[name] = [*before[:-1], (arrived, lb - held + (before[-1][1] if before else 0.0))]
        self._latest = self._latest or name


def walk(log: IceLog, rate_lb_day: float, *, named_whole: bool = False) -> Walk:
    """Walk through a log, oldest ice first, with a constant loss per container that holds ice.

    A use takes from the container it names, else from the one with the oldest ice; what that does not hold comes from
    the others, oldest ice first. A weighing corrects what is there.

    Parameters
    ----------
    log : IceLog
    rate_lb_day : float
        Loss of one container, lb a day.
    named_whole : bool
        Whether a use stays whole on the container it names, however little that would hold at this rate: for what
        was written down, where the rate is in question. A name that is no container of the log counts as blank.
    """
    whole = set(log.names()) if named_whole else set()
    walker = _Walker(rate_lb_day)
    age = np.full(log.n, np.nan)
    events: list[tuple[float, int, str, float]] = []
    for i, (at, kind, name, lb) in enumerate(
        zip(log.at.tolist(), log.kind.tolist(), log.container, log.lb.tolist(), strict=True)
    ):
        walker.wait(at)
        if kind == USED:
            parts, arrived = walker.take(name, lb, whole=name in whole)
            age[i] = at - arrived
            events.extend((at, USED, container, part) for container, part in parts)
            continue
        if kind == WEIGHED:
            walker.weigh(name, at, lb)
        else:
            walker.deliver(name, at, lb, emptied=kind == EMPTIED)
        events.append((at, kind, name, lb))
    columns = list(zip(*events, strict=True)) if events else [(), (), (), ()]
    split = IceLog(
        np.array(columns[0], dtype=np.float64), np.array(columns[1], dtype=np.int64), tuple(columns[2]),
        np.array(columns[3], dtype=np.float64),
    )  # fmt: skip
    return Walk(split, age, walker.lots)
