"""Deliveries that are missing from the log though jobs went on, and the record of late that steps over them."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.ice.lapses import Lapse, find_lapses, silences
from pipeline.answers.log_gaps import delivery_days
from pipeline.book import tables

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.answer import Asking

#: Days of the record of deliveries that today's price of ice is taken from, lapses not counted.
RECORD_DAYS = 182


def delivery_lapses(asking: Asking, came: Sequence[tables.Delivery] | None = None) -> tuple[Lapse, ...]:
    """Return the times before `asking.today` in which ice was used whose deliveries nobody logged, in order.

    Parameters
    ----------
    asking : Asking
    came : sequence of Delivery, optional
        All deliveries before today, where the caller has read them already.
    """
    if came is None:
        came = tables.deliveries(asking.book, asking.today)
    came = [d for d in came if d.weight_lb > 0]
    days = delivery_days(came)
    quiet = silences(days, asking.today.toordinal())
    if not quiet:
        return ()
    uses = tables.logged_use(asking.book, asking.today, since=date.fromordinal(quiet[0].came))
    return find_lapses(
        quiet, days, np.array([d.weight_lb for d in came]),
        np.array([u.day.toordinal() for u in uses], dtype=np.int64), np.array([u.pellets_lb for u in uses]),
    )  # fmt: skip


def record_start(today: date, lapses: Sequence[Lapse]) -> date:
    """Return the first day of the record: half a year of days outside lapses lies between it and `today`.

    A log in which no delivery came for longer than half a year was given up, and begins anew after that: older prices
    tell nothing of today's. Where it is given up up to today, nothing is left of it and planning figures count.
    """
    day, left = today.toordinal(), RECORD_DAYS
    for lapse in reversed(lapses):
        logged = day - lapse.last - 1
        if logged >= left:
            break
        if lapse.last - lapse.came >= RECORD_DAYS:
            return date.fromordinal(lapse.last + 1)
        day, left = lapse.first, left - logged
    return date.fromordinal(day - left)
