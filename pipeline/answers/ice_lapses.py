"""Deliveries that are missing from the log though jobs went on: found by one rule, told in one way."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.ice.lapses import Lapse, find_lapses, silences
from pipeline.answers.amounts import weight
from pipeline.answers.log_gaps import delivery_days
from pipeline.book import tables

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.answers.answer import Asking
    from pipeline.answers.landed import Landed

#: Days of the record of deliveries that today's price of ice is taken from, lapses not counted.
RECORD_DAYS = 182
_MOST_TOLD = 3


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


def lapses_told(asking: Asking, landed: Landed) -> Iterator[str]:
    """Yield what each lapse that today's price of ice leaves out means for it, and what to do.

    Parameters
    ----------
    asking : Asking
    landed : Landed
        The price that coming jobs count, which tells the lapses.
    """
    units, start = asking.book.settings.shop.units, record_start(asking.today, landed.lapses).toordinal()
    counts = "ice counts at the price and loss of the logged time"
    if landed.basis == "planning":
        counts = (
            "coming jobs count ice at planning figures ([ice] in book.toml), finished ones at the price and loss of "
            "the logged time"
        )
    for lapse in [lapse for lapse in landed.lapses if lapse.last + 1 >= start][-_MOST_TOLD:]:
        used, came = weight(lapse.used_lb, units), date.fromordinal(lapse.came).isoformat()
        if lapse.running:
            yield (
                f"{used} were used since the last logged delivery of {came}: import the deliveries since. Until then "
                f"{counts}, and `order` knows of none that came since."
            )
        else:
            yield (
                f"{used} were used from {came} to {date.fromordinal(lapse.last).isoformat()} and no delivery is "
                f"logged between: import those that came. Until then {counts}."
            )
