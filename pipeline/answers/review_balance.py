"""The ice balance of each container from the book's logs."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import TYPE_CHECKING

import numpy as np

from models.ice.law import Climate
from models.ice.loss import learn_loss
from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED, IceLog, walk
from models.technique.balance import spans, split
from pipeline.book import tables

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.ice.loss import LossFit
    from models.technique.balance import Balance, Span
    from pipeline.answers.answer import Asking

#: Order of one day: deliveries at opening, use, weighings at close; a time stamp overrides.
OPENING, MIDDAY, CLOSE = 0.3, 0.5, 0.75
#: Days of the record that the balance looks at.
BALANCE_DAYS = 182


def _moment(day: date, stamped: datetime | None, usual: float) -> float:
    if stamped is None:
        return day.toordinal() + usual
    midnight = datetime.combine(stamped.date(), time(), stamped.tzinfo)
    return stamped.toordinal() + (stamped - midnight).total_seconds() / 86_400


def ice_log(asking: Asking) -> IceLog:
    """Return what was known of the ice on the morning of today, each use with its container."""
    at: list[float] = []
    kind: list[int] = []
    container: list[str] = []
    lb: list[float] = []
    for d in tables.deliveries(asking.book, asking.today):
        at.append(_moment(d.day, d.stamped, OPENING))
        kind.append(EMPTIED if d.emptied else DELIVERED)
        container.append(d.container)
        lb.append(d.weight_lb)
    for w in tables.weighings(asking.book, asking.today):
        at.append(_moment(w.day, w.stamped, CLOSE))
        kind.append(WEIGHED)
        container.append(w.container)
        lb.append(w.net_lb)
    for u in tables.logged_use(asking.book, asking.today):
        at.append(u.day.toordinal() + MIDDAY)
        kind.append(USED)
        container.append(u.container)
        lb.append(u.pellets_lb)
    log = IceLog.of(at, kind, container, lb)
    # A balance is of what the tickets say: only a use whose ticket names no container is looked for.
    return walk(log, asking.book.settings.ice.sublimation_lb_per_day, named_whole=True).log


def _unlogged(fit: LossFit, span: Span) -> NDArray[np.float64]:
    """Return draws of the use without a ticket in a span: the learned share of logged use, and jumps that took ice."""
    index = fit.stretches.names.index(span.container)
    inside = (
        (fit.stretches.container == index) & (fit.stretches.end_at > span.since) & (fit.stretches.end_at <= span.until)
    )
    jumps = np.maximum(fit.jump_lb[inside], 0.0).sum(axis=0)
    return np.asarray(span.logged_lb * fit.law.unlogged_share + jumps, dtype=np.float64)


def container_balances(asking: Asking) -> list[Balance]:
    """Return the balance of each container over the last half year between its first and last weighing."""
    log = ice_log(asking)
    found = spans(log, since=asking.today.toordinal() - BALANCE_DAYS)
    if not found:
        return []
    ice = asking.book.settings.ice
    n_containers = max(1, len(log.names()))
    fit = learn_loss(
        log, Climate(), seed=asking.seed, planning_lb_day=ice.sublimation_lb_per_day,
        full_lb=ice.container_lb / n_containers, n_draws=1000,
    )  # fmt: skip
    return [split(span, _unlogged(fit, span)) for span in found if span.container in fit.stretches.names]
