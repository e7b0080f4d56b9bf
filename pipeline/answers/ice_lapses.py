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

#: The record of deliveries that today's price of ice is taken from; lapses that lie farther back do not touch it.
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


def running_lapse(lapses: Sequence[Lapse], today: date) -> Lapse | None:
    """Return the lapse that lasts up to today, None where deliveries are logged."""
    return lapses[-1] if lapses and lapses[-1].last == today.toordinal() - 1 else None


def record_end(today: date, lapses: Sequence[Lapse]) -> date:
    """Return the day before which the deliveries of late are looked for: today, else where a lapse up to it begins.

    A log in which none came for so long as is looked at was given up: planning figures then count.
    """
    lapse = running_lapse(lapses, today)
    return date.fromordinal(lapse.first) if lapse is not None and not given_up(lapse, today) else today


def given_up(lapse: Lapse, today: date) -> bool:
    """Return whether the last delivery before a lapse lies farther back than the record that is looked at."""
    return lapse.came < today.toordinal() - RECORD_DAYS


def lapses_told(asking: Asking, lapses: Sequence[Lapse]) -> Iterator[str]:
    """Yield what each lapse of late leaves out and what to do."""
    units, today = asking.book.settings.shop.units, asking.today.toordinal()
    running = running_lapse(lapses, asking.today)
    for lapse in [lapse for lapse in lapses if lapse.last >= today - RECORD_DAYS][-_MOST_TOLD:]:
        used, came = weight(lapse.used_lb, units), date.fromordinal(lapse.came).isoformat()
        if lapse is not running:
            yield (
                f"{used} were used from {came} to {date.fromordinal(lapse.last).isoformat()} and no delivery is "
                "logged between: import those that came. Until then ice counts at the price and loss of the logged "
                "time."
            )
            continue
        counts = "ice counts at the price and loss of the logged time"
        if given_up(lapse, asking.today):
            counts = (
                "coming jobs count ice at planning figures ([ice] in book.toml), finished ones at the price and loss "
                "of the logged time"
            )
        yield (
            f"{used} were used since the last logged delivery of {came}: import the deliveries since. Until then "
            f"{counts}, and `order` knows of none that came since."
        )
