"""A shop's working order: in which order it works the zones of a visit.

The order is a place per zone, from 0. The first line of a visit is that of the zone with the least place; of lines in
one zone (two vehicles, a second pass) the first as `learn.in_order` puts them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


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
