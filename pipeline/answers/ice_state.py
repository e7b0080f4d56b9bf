"""What the ice record tells on a morning: how containers lose ice, what they hold, what went without a word."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

import numpy as np

from models.ice.law import CLOSING, OPENING, USE_TIME, Climate
from models.ice.loss import LossFit, learn_loss
from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED, IceLog, Walk, walk
from models.ice.stock import StockNow, stock_now, unlogged_lb
from models.ice.stretches import cut, rough_rate
from pipeline.answers.amounts import weight
from pipeline.book import tables

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from pipeline.answers.answer import Asking
    from pipeline.book.settings import Ice

#: Span over which unlogged use is told, and over which a container counts as in use.
UNLOGGED_DAYS = 28
IN_USE_DAYS = 42
#: A plan follows so many of the containers in use where their names do not tell that there are more.
LEAST_FOLLOWED = 3
#: The record that is learned from.
_RECORD_DAYS = 500
#: Probability from which a stretch that the law cannot explain is told.
_ODD_SHARE = 0.9
_ODD_LB = 15.0
#: A container that held more than so many times `container_lb` is told: less is a full scoop.
_LARGER = 1.05
_NO_NAME = "the container"


@dataclass(frozen=True)
class IceRecords:
    """The rows of the book that tell of ice, all from before a morning.

    `jobs_without_pellets` are days of finished visits whose pellets nobody wrote down; `air_c` is the air by day.
    """

    deliveries: Sequence[tables.Delivery]
    weighings: Sequence[tables.Weighing]
    uses: Sequence[tables.Use]
    jobs_without_pellets: Sequence[date] = ()
    air_c: tuple[tuple[date, float], ...] = ()


@dataclass(frozen=True)
class IceState:
    """What is known of the ice on a morning.

    Attributes
    ----------
    walked : Walk
    fit : LossFit
    stock : StockNow
    unlogged : float64 array (n_draws,)
        Ice of the last four weeks that was used without being logged, lb.
    climate : Climate
    in_use : tuple of str
        Containers in use, the one filled longest ago first, at most three.
    warnings : tuple of str
    """

    walked: Walk
    fit: LossFit
    stock: StockNow
    unlogged: NDArray[np.float64]
    climate: Climate
    in_use: tuple[str, ...]
    warnings: tuple[str, ...]

    def held_lb(self) -> NDArray[np.float64]:
        """Return what the containers in use hold, (max(1, n_in_use), n_draws); other ice counts to the first."""
        n_draws = self.fit.law.n_draws
        if not self.in_use:
            return np.zeros((1, n_draws))
        held = np.zeros((len(self.in_use), n_draws))
        for name, draws in zip(self.stock.containers, self.stock.now_lb, strict=True):
            held[self.in_use.index(name) if name in self.in_use else 0] += draws
        return held

    def rates_lb_day(self) -> NDArray[np.float64]:
        """Return the loss of the containers in use at a warmth of 1, (max(1, n_in_use), n_draws)."""
        law = self.fit.law
        return np.array([law.rate_of(name) for name in self.in_use]) if self.in_use else law.other_lb_day[None, :]


def records_of(asking: Asking) -> IceRecords:
    """Read the ice records known on the morning of `asking.today` from the book."""
    visits = tables.visits(asking.book, asking.today)
    uses = tables.logged_use(asking.book, asking.today)
    logged = {use.job_id for use in uses}
    by_day: dict[date, list[float]] = {}
    for visit in visits:
        if visit.ambient_f is not None:
            by_day.setdefault(visit.day, []).append((visit.ambient_f - 32) / 1.8)
    return IceRecords(
        tables.deliveries(asking.book, asking.today),
        tables.weighings(asking.book, asking.today),
        uses,
        tuple(visit.day for visit in visits if visit.job_id not in logged),
        tuple((day, float(np.mean(air))) for day, air in sorted(by_day.items())),
    )


def _moment(day: date, stamped: datetime | None, usual: float, today: date) -> float:
    """Return when something happened, in days; of today's stamps only those before opening are read."""
    if stamped is None:
        return day.toordinal() + usual
    share = (stamped.hour + stamped.minute / 60 + stamped.second / 3600) / 24
    return day.toordinal() + (min(share, OPENING - 1e-6) if day >= today else share)


def ice_log(records: IceRecords, today: date) -> tuple[IceLog, list[str]]:
    """Return the log of the record's last 500 days, and what must be said about it.

    Deliveries count at opening, use around noon, weighings at close, unless stamped. A visit whose pellets
    nobody wrote down counts as the shop's median visit that used any. A container nobody named is one container.
    """
    since = date.fromordinal(max(today.toordinal() - _RECORD_DAYS, 1))
    said: list[str] = []
    events: list[tuple[float, int, str, float]] = []
    for d in records.deliveries:
        kind = EMPTIED if d.emptied else DELIVERED
        events.append((_moment(d.day, d.stamped, OPENING, today), kind, d.container or _NO_NAME, d.weight_lb))
    for w in records.weighings:
        events.append((_moment(w.day, w.stamped, CLOSING, today), WEIGHED, w.container or _NO_NAME, w.net_lb))
    known = {name for _, _, name, _ in events}
    strange = sorted({u.container for u in records.uses if u.container and u.container not in known})
    if strange:
        said.append(
            f"Jobs took ice from {', '.join(strange[:5])}, which no delivery or weighing names; it is counted to the "
            "container with the oldest ice."
        )
    for u in records.uses:
        events.append((u.day.toordinal() + USE_TIME, USED, u.container if u.container in known else "", u.pellets_lb))
    used_lb = [u.pellets_lb for u in records.uses if u.pellets_lb > 0]
    if records.jobs_without_pellets and used_lb:
        usual = float(np.median(used_lb))
        events += [(day.toordinal() + USE_TIME, USED, "", usual) for day in records.jobs_without_pellets]
    kept = [event for event in events if event[0] >= since.toordinal()]
    at, kinds, containers, pounds = (list(part) for part in zip(*kept, strict=True)) if kept else ([], [], [], [])
    return IceLog.of(at, kinds, containers, pounds), said


def ice_state(records: IceRecords, ice: Ice, today: date, *, seed: int, n_draws: int, units: str = "us") -> IceState:
    """Return what the record tells on the morning of a day.

    Parameters
    ----------
    records : IceRecords
        From before that morning.
    ice : Ice
        [ice] of `book.toml`: planning loss and size of a container.
    units : str
        "us" or "metric", for the weights in warnings.
    """
    log, said = ice_log(records, today)
    moment = today.toordinal() + OPENING
    climate = Climate(
        np.array([day.toordinal() for day, _ in records.air_c], dtype=np.int64),
        np.array([air for _, air in records.air_c], dtype=np.float64),
    )
    past = log.before(moment)
    planning = max(ice.sublimation_lb_per_day, 0.1)
    rate = rough_rate(cut(walk(past, planning).log, climate), planning)
    walked = walk(past, rate)
    fit = learn_loss(
        walked.log, climate, seed=seed, planning_lb_day=planning,
        full_lb=ice.container_lb, n_draws=n_draws,
    )  # fmt: skip
    stock = stock_now(
        walked.log, fit.law, climate, moment=moment, seed=seed + 1,
        container_lb=ice.container_lb, room_since=moment - UNLOGGED_DAYS,
    )  # fmt: skip
    unlogged = unlogged_lb(fit, walked.log, since=moment - UNLOGGED_DAYS, until=moment)
    in_use = _in_use(walked.log, stock, moment)
    warnings = (*said, *_odd(fit, walked.log, units), *_too_full(stock, ice.container_lb, in_use, units))
    return IceState(walked, fit, stock, unlogged, climate, in_use, warnings)


def _in_use(log: IceLog, stock: StockNow, moment: float) -> tuple[str, ...]:
    """Return the containers that a plan follows, of those filled in the last six weeks or holding ice, oldest first.

    They are all whose name comes again and again or that were filled on one day, but `LEAST_FOLLOWED` at least: a name
    that was given to one delivery is no container more.
    """
    filled: dict[str, float] = {}
    fills: dict[str, int] = {}
    by_day: dict[int, set[str]] = {}
    for at, kind, name in zip(log.at.tolist(), log.kind.tolist(), log.container, strict=True):
        if kind == WEIGHED:
            filled.setdefault(name, at)
        elif kind != USED:
            filled[name] = at
            fills[name] = fills.get(name, 0) + 1
            if at >= moment - IN_USE_DAYS:
                by_day.setdefault(int(at), set()).add(name)
    holding = {n for n, lb in zip(stock.containers, stock.now_lb, strict=True) if lb.mean() > 5.0}
    names = [n for n, at in filled.items() if at >= moment - IN_USE_DAYS or n in holding]
    recurring = sum(fills.get(name, 0) > 1 for name in names)
    followed = max(LEAST_FOLLOWED, recurring, *map(len, by_day.values()))
    return tuple(sorted(names, key=lambda n: filled[n])[-followed:])


def _too_full(stock: StockNow, container_lb: float, in_use: Sequence[str], units: str) -> Iterator[str]:
    """Tell of containers that by the log would hold, or have held, more than they can."""
    for name, size, no_room in zip(stock.containers, stock.size_lb, stock.no_room_lb, strict=True):
        if size > _LARGER * container_lb and name in in_use:
            yield (
                f"{name} held {weight(float(size), units)} at once, more than container_lb in [ice] "
                f"({weight(container_lb, units)}), by which orders are planned. Set container_lb to what one container "
                "holds; where a name stands for several, log each by a name of its own."
            )
        over = float(np.median(no_room))
        if over > _ODD_LB:
            most = "the most it was ever seen to hold" if size > container_lb else "container_lb in [ice]"
            yield (
                f"{name} cannot hold all that the log leaves in it: when ice came in the last four weeks, about "
                f"{weight(over, units)} too much was still in it for the {weight(float(size), units)} that it holds "
                f"({most}). So much counts as used without being logged, or thrown out. Weigh it, or log what was "
                "thrown out (`emptied`); if it holds more, set container_lb."
            )


def _odd(fit: LossFit, log: IceLog, units: str) -> list[str]:
    """Tell what the record lacks or contradicts."""
    said: list[str] = []
    if not log.names():
        return ["No delivery or weighing is known: the store counts as empty and the loss is a planning figure."]
    if fit.law.n_intervals == 0:
        said.append(
            "No weighing tells how the ice vanishes: stock and loss rest on the planning value "
            "(sublimation_lb_per_day). Weighing a container now and then narrows both."
        )
    delivered = {c for c, k in zip(log.container, log.kind, strict=True) if k in (DELIVERED, EMPTIED)}
    only_weighed = [name for name in log.names() if name not in delivered]
    if only_weighed:
        said.append(f"Weighed but never delivered to: {', '.join(only_weighed[:5])}; known from its first weighing.")
    mean = fit.jump_lb.mean(axis=1) if len(fit.jump_lb) else np.zeros(0)
    more = np.flatnonzero((fit.jump_share > _ODD_SHARE) & (mean < -_ODD_LB))
    for i in more[np.argsort(fit.stretches.end_at[more])][-3:].tolist():
        day = date.fromordinal(int(fit.stretches.end_at[i])).isoformat()
        name = fit.stretches.names[int(fit.stretches.container[i])]
        said.append(
            f"On {day} {name} held about {weight(float(-mean[i]), units)} more than was delivered and left over: "
            "a delivery is missing from the log, or the weighing is wrong. It does not count for the loss."
        )
    return said
