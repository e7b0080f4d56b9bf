"""The shop's ice as one log of events, and the age of the ice each job used where nobody wrote it down."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.ice.law import CLOSING, OPENING, USE_TIME
from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED, IceLog, walk
from pipeline.book.tables import deliveries, logged_use, weighings

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from pipeline.book.store import Book
    from pipeline.book.tables import Delivery, Use, Weighing


def ice_log(came: Sequence[Delivery], used: Sequence[Use], weighed: Sequence[Weighing]) -> IceLog:
    """Return deliveries, use and weighings as one log: at opening, at noon and at close where no time was stamped."""
    events = [
        *(
            (_moment(d.day, d.stamped, OPENING), EMPTIED if d.emptied else DELIVERED, d.container, d.weight_lb)
            for d in came
        ),
        *((_moment(u.day, None, USE_TIME), USED, u.container, u.pellets_lb) for u in used),
        *((_moment(w.day, w.stamped, CLOSING), WEIGHED, w.container, w.net_lb) for w in weighed),
    ]
    at, kind, container, lb = (list(column) for column in zip(*events, strict=True)) if events else ([], [], [], [])
    return IceLog.of(at, kind, container, lb)


def _moment(day: date, stamped: datetime | None, share: float) -> float:
    if stamped is None:
        return day.toordinal() + share
    return stamped.toordinal() + (stamped.hour + stamped.minute / 60) / 24


def derived_ice_age(
    came: Sequence[Delivery], used: Sequence[Use], weighed: Sequence[Weighing], loss_lb_day: float
) -> dict[str, float]:
    """Return the age in days of the ice each job used, oldest ice first; jobs for which no ice was known are left out.

    Parameters
    ----------
    came, used, weighed : sequences of records
        Of one shop, up to one moment.
    loss_lb_day : float
        Planning loss of one container.
    """
    log = ice_log(came, used, weighed)
    walked = walk(log, loss_lb_day)
    # `IceLog.of` keeps the order of uses of one day, and uses come in the order of `used`.
    in_order = sorted(range(len(used)), key=lambda i: used[i].day)
    uses = np.flatnonzero(log.kind == USED)
    # Ice delivered at opening and used at noon of one day is new ice.
    age = np.maximum(walked.age_days[uses] - (USE_TIME - OPENING), 0.0)
    return {
        used[i].job_id: float(a)
        for i, a in zip(in_order, age.tolist(), strict=True) if not np.isnan(a)
    }  # fmt: skip


def ice_age_before(book: Book, before: date) -> dict[str, float]:
    """Return `derived_ice_age` of the jobs dated before a day, from what was known on its morning."""
    came = deliveries(book, before)
    if not came:
        return {}
    loss = book.settings.ice.sublimation_lb_per_day
    return derived_ice_age(came, logged_use(book, before), weighings(book, before), loss)
