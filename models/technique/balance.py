"""Mass balance of each container: delivered = logged + left + sublimated + unlogged, between two weighings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.ice.record import IceLog


@dataclass(frozen=True)
class Span:
    """What was written down of a container between its first and its last weighing.

    Attributes
    ----------
    container : str
    since, until : float
        Moments of the two weighings (ordinal days with fraction).
    delivered_lb, logged_lb : float
        In between.
    start_lb, left_lb : float
        What the two weighings found.
    """

    container: str
    since: float
    until: float
    delivered_lb: float
    logged_lb: float
    start_lb: float
    left_lb: float

    @property
    def gone_lb(self) -> float:
        """What went without being logged: start + delivered - logged - left; negative where more was logged."""
        return self.start_lb + self.delivered_lb - self.logged_lb - self.left_lb


@dataclass(frozen=True)
class Balance:
    """A container's span with what went split in two.

    Attributes
    ----------
    span : Span
    sublimated_lb, unlogged_lb : float64 arrays (n_draws,)
        Draws that add up to `span.gone_lb`, scenario by scenario; sublimated is negative where more was logged than
        went: then the log, a weight or a container is wrong.
    """

    span: Span
    sublimated_lb: NDArray[np.float64]
    unlogged_lb: NDArray[np.float64]


def spans(log: IceLog, *, since: float = -np.inf) -> list[Span]:
    """Return each container's span between its first weighing from `since` on and its last one.

    A delivery into an emptied container throws an unknown rest away, so a span starts after the last of these. Uses
    must carry their container (`models.ice.record.walk` fills them in).
    """
    found = []
    for name in log.names():
        own = log.take(np.array([c == name for c in log.container], dtype=np.bool_))
        emptied = np.flatnonzero(own.kind == EMPTIED)
        usable = np.flatnonzero((own.kind == WEIGHED) & (own.at >= since))
        if len(emptied):
            usable = usable[usable > emptied[-1]]
        if len(usable) < 2:
            continue
        first, last = int(usable[0]), int(usable[-1])
        between = own.kind[first:last]
        lb = own.lb[first:last]
        found.append(
            Span(
                name, float(own.at[first]), float(own.at[last]), float(lb[between == DELIVERED].sum()),
                float(lb[between == USED].sum()), float(own.lb[first]), float(own.lb[last]),
            )
        )  # fmt: skip
    return found


def split(span: Span, unlogged_lb: NDArray[np.float64]) -> Balance:
    """Return the balance of a span: what went, less what was used without a ticket, turned to gas.

    Parameters
    ----------
    unlogged_lb : float64 array (n_draws,), >= 0
        Draws of the use that was not logged, from the loss law; no more of it can be than went at all.
    """
    unlogged = np.minimum(unlogged_lb, max(span.gone_lb, 0.0))
    return Balance(span, span.gone_lb - unlogged, unlogged)
