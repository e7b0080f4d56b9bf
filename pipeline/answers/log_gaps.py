"""Times without a job in a log that say nothing of how many jobs come: found by one rule, told in one way."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.demand.calendar import Calendar
from shared.vocabulary import WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from models.demand.calendar import Gap
    from pipeline.book.settings import Shop
    from pipeline.book.tables import Delivery

_MOST_TOLD = 5


def calendar_of(shop: Shop) -> Calendar:
    """Return the shop's working days and closed days."""
    return Calendar.of([WEEKDAYS.index(day) for day in shop.working_days], [day.toordinal() for day in shop.closed])


def delivery_days(came: Sequence[Delivery]) -> NDArray[np.int64]:
    """Return the days on which ice came as ordinals, (n_deliveries,)."""
    return np.array([d.day.toordinal() for d in came], dtype=np.int64)


def gaps_told(gaps: Sequence[Gap]) -> Iterator[str]:
    """Yield what each of the latest gaps is taken for, and what to do where that is wrong."""
    for gap in gaps[-_MOST_TOLD:]:
        first, last = date.fromordinal(gap.first).isoformat(), date.fromordinal(gap.last).isoformat()
        if gap.kind == "not logged":
            yield (
                f"No job is logged from {first} to {last}, but ice came: taken as not logged, not as a time without "
                "jobs. Import those jobs if there were any."
            )
        elif gap.kind == "closed":
            yield (
                f"Neither jobs nor ice from {first} to {last}: taken as closed, and not expected to come again. "
                "Coming closures belong under `closed` in book.toml."
            )
        else:
            yield (
                f"No job is logged from {first} to {last}, and no delivery log tells whether the shop worked. It is "
                "left out of the rate. If the shop was closed, that is right; if not, import those jobs."
            )
