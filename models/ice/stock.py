"""Ice in store now: draws by container from the last known amount, and what the log cannot account for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.ice.law import remaining_lb
from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED
from models.ice.stretches import Exposure

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.ice.law import Climate, LossLaw
    from models.ice.loss import LossFit
    from models.ice.record import IceLog


@dataclass(frozen=True)
class StockNow:
    """What is in store at one moment.

    Attributes
    ----------
    containers : tuple of str (n_containers,)
        Those delivered to or weighed in the log.
    now_lb : float64 array (n_containers, n_draws)
        Column j goes with column j of the loss law.
    size_lb : float64 array (n_containers,)
        What each can hold, see `sizes_lb`.
    no_room_lb : float64 array (n_containers, n_draws)
        What by the log still stood in a container and had to be out of it for the deliveries since `room_since`.
    """

    containers: tuple[str, ...]
    now_lb: NDArray[np.float64]
    size_lb: NDArray[np.float64]
    no_room_lb: NDArray[np.float64]

    def total_lb(self) -> NDArray[np.float64]:
        """Return the draws of all containers together, shape (n_draws,)."""
        return np.asarray(self.now_lb.sum(axis=0), dtype=np.float64)


def sizes_lb(log: IceLog, container_lb: float) -> dict[str, float]:
    """Return what each container of a log can hold, lb.

    It is `container_lb`, or more where more ever came into it on one day or was weighed in it.
    """
    sizes = dict.fromkeys(log.names(), container_lb)
    came: dict[tuple[str, int], float] = {}
    for at, kind, name, lb in zip(log.at.tolist(), log.kind.tolist(), log.container, log.lb.tolist(), strict=True):
        if kind == DELIVERED:
            lb = came[name, int(at)] = came.get((name, int(at)), 0.0) + lb
        if kind != USED:
            sizes[name] = max(sizes[name], lb)
    return sizes


def stock_now(
    log: IceLog, law: LossLaw, climate: Climate, *, moment: float, seed: int,
    container_lb: float = np.inf, room_since: float = -np.inf,
) -> StockNow:  # fmt: skip
    """Return draws of what each container holds at a moment.

    Each container is followed from its last weighing (or the last time it was emptied, or its first delivery)
    through what was delivered, used and lost since. Events at or after the moment are not looked at.

    A delivery is taken to have found room: where what stood in the container and what came are together more than it
    can hold, what is over had gone before, used without being logged or thrown out. So each draw is cut there, and
    since what went so need not have stopped at what was over, up to as much again is taken to have gone with it. It
    is no evidence of a faster loss: heat leak is not what empties a container that is filled too soon.

    Parameters
    ----------
    log : IceLog
        Uses name their container.
    law : LossLaw
    moment : float
        Days as in the log.
    seed : int
    container_lb : float
        What one container holds where the log does not show that it holds more.
    room_since : float
        Moment from which deliveries count in `no_room_lb`.
    """
    past = log.before(moment)
    names = past.names()
    exposure = Exposure(climate, float(past.at[0]) if past.n else moment, moment)
    rng = np.random.default_rng(seed)
    now, no_room = np.zeros((len(names), law.n_draws)), np.zeros((len(names), law.n_draws))
    sizes = sizes_lb(past, container_lb)
    for i, name in enumerate(names):
        own = past.take(np.array([c == name for c in past.container]))
        now[i], over = _follow(own, name, sizes[name], law, exposure, moment, rng)
        no_room[i] = sum((lb for at, lb in over if at >= room_since), np.zeros(law.n_draws))
    return StockNow(names, now, np.array([sizes[name] for name in names]), no_room)


def _follow(
    own: IceLog, name: str, size_lb: float, law: LossLaw, exposure: Exposure, moment: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], list[tuple[float, NDArray[np.float64]]]]:
    """Follow one container from its last known amount to the moment.

    Returns what it holds then, (n_draws,), and the moment of each delivery with what found no room, (n_draws,).
    """
    anchors = np.flatnonzero((own.kind == WEIGHED) | (own.kind == EMPTIED))
    arrivals = np.flatnonzero(own.kind != USED)
    first = int(anchors[-1]) if len(anchors) else int(arrivals[0])
    n = law.n_draws
    sd = law.weigh_sd_lb if own.kind[first] == WEIGHED else 0.01 * own.lb[first]
    held = np.maximum(own.lb[first] + sd * rng.standard_normal(n), 0.0) if own.lb[first] > 0 else np.zeros(n)
    rate = law.rate_of(name)
    over: list[tuple[float, NDArray[np.float64]]] = []
    at = np.append(own.at[first:], moment)
    lasted, season, air = exposure.between(at[:-1], at[1:])
    for step in range(len(lasted)):
        days = np.maximum(lasted[step] + season[step] * law.season + air[step] * law.air_share, 0.0)
        # The sum of independent days scatters by the square root of their number.
        around = 1 + law.scatter * rng.standard_normal(n) / np.sqrt(max(lasted[step], 1e-6))
        held = remaining_lb(held, rate, days * np.maximum(around, 0.0), law.exponent, law.full_lb)
        event = first + step + 1
        if event < own.n:
            lb = own.lb[event] * (1 + 0.01 * rng.standard_normal(n))
            if own.kind[event] == USED:
                held = np.maximum(held - lb * (1 + law.unlogged_share), 0.0)
            else:
                room = max(size_lb - float(own.lb[event]), 0.0)
                too_much = np.maximum(held - room, 0.0)
                over.append((float(own.at[event]), too_much))
                stood = np.minimum(held, room)
                if too_much.any():
                    stood = stood - np.minimum(too_much, stood) * rng.random(n)
                held = stood + lb
    return held, over


def unlogged_lb(fit: LossFit, log: IceLog, *, since: float, until: float) -> NDArray[np.float64]:
    """Return draws of the ice used but not logged between two moments, lb, shape (n_draws,).

    It is the learned share of logged use, and the jumps of stretches that ended in between: what went and that heat
    leak, which grows with time and warmth, does not explain. Jumps of all containers are added before a negative sum
    counts as nothing, so that ice logged out of the wrong container cancels.
    """
    inside = (log.at >= since) & (log.at < until) & (log.kind == USED)
    ended = (fit.stretches.end_at >= since) & (fit.stretches.end_at < until)
    jumps = np.maximum(fit.jump_lb[ended].sum(axis=0), 0.0)
    return np.asarray(log.lb[inside].sum() * fit.law.unlogged_share + jumps, dtype=np.float64)
