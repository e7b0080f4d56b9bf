"""A shop's working order: in which order it works the zones of a visit.

The order is a place per zone, from 0. The first line of a visit is that of the zone with the least place; of lines in
one zone (two vehicles, a second pass) the first as the lines stand.
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


def in_order(states: States, columns: Columns) -> NDArray[np.bool_]:
    """Return in which states lines after the first of a visit take less, (n_states,)."""
    at = columns.keyed().get(("after", "after"))
    return np.zeros(states.n, dtype=bool) if at is None else np.abs(states.b[:, 0, at]) > SWITCHED_OFF


def usual_order(states: States, columns: Columns) -> tuple[str, ...]:
    """Return the zones by their mean place over the states that have an order; none where few have."""
    some, zones = in_order(states, columns), columns.blocks["zone"]
    if not some.any() or some.mean() <= 0.5:
        return ()
    return tuple(zones[k] for k in np.argsort(states.place[some].mean(axis=0), kind="stable").tolist())


def later_share(states: States, columns: Columns) -> NDArray[np.float64]:
    """Return what lines after the first take of what they take alone, (2,) medians over the states with an order."""
    at = columns.start("after")
    return np.asarray(np.exp(np.median(states.b[in_order(states, columns)][:, :, at], axis=0)))
