"""Which limit keeps a plan from serving the jobs, however much is ordered, and in which words that is told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.ice.ordering import allowed_lb, binding_limits
from models.ice.outlook import course_of
from pipeline.answers.amounts import weight
from pipeline.answers.ice_state import IN_USE_DAYS
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from models.ice.ordering import Limit, Plan
    from models.ice.outlook import Outlook, Terms
    from pipeline.answers.ice_answer import IceGround

#: Chance of running short from which a limit is named, where no service level was asked for.
HIGH_CHANCE = 0.3
_MOST_NAMED = 3


def limit_words(limit: Limit, ground: IceGround) -> str:
    """Return what a limit is and where it is set."""
    if limit == "container":
        return (
            f"what the containers hold binds ({_containers(ground)}), as even full they do not last until the next "
            "delivery"
        )
    if limit == "sublimation":
        return (
            "sublimation binds: full containers would do, but too much turns to gas before the next delivery "
            f"({_containers(ground)})"
        )
    return (
        "the first possible delivery day binds (delivery_days and notice_days in [ice]): what is in store does not "
        "last until then"
    )


def _containers(ground: IceGround) -> str:
    each = weight(ground.settings.ice.container_lb, ground.settings.shop.units)
    if ground.state.in_use:
        return f"{counted(len(ground.state.in_use), 'container')} of {each}: container_lb in [ice]"
    known = ground.state.stock.containers
    why = f"as none was filled in the last {IN_USE_DAYS // 7} weeks" if known else "as no delivery is logged"
    return f"one container of {each} is assumed, container_lb in [ice], {why}"


def limits_told(ground: IceGround, outlook: Outlook, terms: Terms, plan: Plan, dates: Sequence[date]) -> Iterator[str]:
    """Yield the limit behind each delivery after which jobs are likely to lack ice even where it fills the containers.

    A chance that a larger order would lower is none of a limit's: there a shortage costs less than its ice. `dates`
    are the deliveries of `terms`.
    """
    chances = np.zeros(len(dates))
    for k in np.flatnonzero(plan.cover_chance_short > HIGH_CHANCE).tolist():
        orders = plan.course.orders_lb.copy()
        orders[k] = allowed_lb(outlook, terms, k)[-1]
        chances[k] = course_of(outlook, terms, orders).chance_short(terms.covers(outlook.n_days) == k)
    found = [(k, limit) for k, limit in binding_limits(outlook, terms, chances, HIGH_CHANCE) if k >= 0]
    for limit in dict.fromkeys(limit for _, limit in found):
        after = [f"{dates[k]} ({100 * chances[k]:.0f} %)" for k, other in found if other == limit]
        named = ", ".join(after[:_MOST_NAMED]) + (" and later ones" if len(after) > _MOST_NAMED else "")
        yield (
            f"However much is ordered, jobs are likely to run short of ice after the delivery of {named}: "
            f"{limit_words(limit, ground)}."
        )
