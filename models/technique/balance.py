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
        Draws that add up to `span.gone_lb` but for weighing error, scenario by scenario; unlogged may be negative:
        then more was logged than went.
    """

    span: Span
    sublimated_lb: NDArray[np.float64]
    unlogged_lb: NDArray[np.float64]

    @property
    def chance_unlogged(self) -> float:
        """Chance that more went than was logged and turned to gas."""
        return float(np.mean(self.unlogged_lb > 0))


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


def split(span: Span, sublimated_lb: NDArray[np.float64], weigh_sd_lb: NDArray[np.float64], seed: int) -> Balance:
    """Return the balance of a span.

    Parameters
    ----------
    sublimated_lb : float64 array (n_draws,)
        Draws of what turned to gas in the span, from the loss law.
    weigh_sd_lb : float64 array (n_draws,)
        Standard deviation of one weighing; two of them bound the span.
    seed : int
    """
    rng = np.random.default_rng(seed)
    error = np.sqrt(2.0) * weigh_sd_lb * rng.standard_normal(len(sublimated_lb))
    return Balance(span, sublimated_lb, span.gone_lb + error - sublimated_lb)
