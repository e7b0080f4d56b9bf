"""A shop's working order: in which order it works the zones of a visit.

The order is a place per zone, from 0. The first line of a visit is that of the zone with the least place; of lines in
one zone (two vehicles, a second pass) the first as `learn.in_order` puts them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption.priors import SWITCHED_OFF

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.sampler import States


def worked_later(job: NDArray[np.int64], place: NDArray[np.float64] | NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which lines come after the first of their visit, (n_lines,).

    Parameters
    ----------
    job : (n_lines,) increasing
    place : (n_lines,)
        Place of each line's zone in the order.
    """
    by_place = np.lexsort((place, job))
    later = np.ones(len(job), dtype=bool)
    later[by_place[np.flatnonzero(np.diff(job[by_place], prepend=-1))]] = False
    return later


def has_order(states: States, columns: Columns) -> NDArray[np.bool_]:
    """Return in which states lines after the first of a visit take less, (n_states,)."""
    at = columns.keyed().get(("after", "after"))
    if at is None:
        return np.zeros(states.n, dtype=bool)
    return np.asarray((np.abs(states.b[:, :, at]) > SWITCHED_OFF).any(axis=1))


def usual_order(states: States, columns: Columns, some: NDArray[np.bool_] | None = None) -> tuple[str, ...]:
    """Return the zones by their mean place over some states; none where these are not most of all states.

    `some` (n_states,) are those of `has_order` where it is not given.
    """
    some = has_order(states, columns) if some is None else some
    if not some.any() or some.mean() <= 0.5:
        return ()
    zones = columns.blocks["zone"]
    return tuple(zones[k] for k in np.argsort(states.place[some].mean(axis=0), kind="stable").tolist())


def later_share(states: States, columns: Columns) -> NDArray[np.float64]:
    """Return what lines after the first take of what they take alone, (2,): medians over the states with an order.

    There must be one.
    """
    at = columns.start("after")
    return np.asarray(np.exp(np.median(states.b[has_order(states, columns)][:, :, at], axis=0)))
