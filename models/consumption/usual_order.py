"""The working order of a fitted shop: whether it has one, and which its states say most."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption.priors import SWITCHED_OFF

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.sampler import States


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
