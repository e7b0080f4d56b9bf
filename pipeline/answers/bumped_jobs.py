"""What a job costs that is put off for want of ice, and which booked ones a plan puts off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.pricing import job_cost
from pipeline.book.costing_rows import usual_price_usd

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from models.ice.outlook import Course, Terms
    from pipeline.answers.answer import Asking
    from pipeline.answers.ice_answer import BumpedFrom
    from pipeline.answers.ice_demand import Demand

#: Chance of running short from which the bookings of a day are named.
_LIKELY = 0.5
_MOST_NAMED = 5


@dataclass(frozen=True)
class BumpedJob:
    """What a job costs that is put off, USD, where that is from, and each day's jobs beside it.

    `worth` are, by day, what the day's jobs are expected to bring over what a usual job does; empty where every job
    counts the same.
    """

    usd: float
    from_: BumpedFrom
    worth: tuple[float, ...] = ()


def bumped_job(asking: Asking, demand: Demand, landed_usd_per_lb: float) -> BumpedJob:
    """Return what a job costs that is put off for want of ice.

    As entered (`bumped_job_usd`). Else such a job may be lost, with what it would have been charged: the usual price on
    record, or where no price is known what the usual job of the coming days would be quoted for the wanted margin. A
    job larger than the usual one counts as many times more as it would be quoted more, so that a day's only large job
    is not given up for the price of a small one.
    """
    entered = asking.book.settings.ice.bumped_job_usd
    if entered is not None:
        return BumpedJob(entered, "book.toml")
    of_mix = _quoted_usd(asking, demand.unbooked_lb, demand.unbooked_min, landed_usd_per_lb)
    booked = _quoted_usd(asking, demand.booked_lb.mean(axis=1), demand.booked_min.mean(axis=1), landed_usd_per_lb)
    usual = float(np.median(of_mix))
    count, value = demand.unbooked_jobs.copy(), demand.unbooked_jobs * of_mix.mean()
    for booking, comes, price in zip(demand.booked, demand.comes.mean(axis=1), booked, strict=True):
        day = (booking.day - demand.days[0]).days
        count[day] += comes
        value[day] += comes * price
    worth = np.divide(value, count * usual, out=np.ones_like(value), where=count > 0)
    charged = usual_price_usd(asking.book, asking.today)
    if charged is None:
        return BumpedJob(usual, "planning figure", tuple(worth.tolist()))
    return BumpedJob(charged, "usual price", tuple(worth.tolist()))


def _quoted_usd(
    asking: Asking, lb: NDArray[np.float64], minutes: NDArray[np.float64], landed_usd_per_lb: float
) -> NDArray[np.float64]:
    """Return the prices for the wanted margin of jobs with these expected pellets and minutes, (n,)."""
    costs, pricing = asking.book.settings.costs, asking.book.settings.pricing
    cost = job_cost(lb, minutes, beside_min=costs.setup_min + costs.cleanup_min,
                    landed_usd_per_lb=landed_usd_per_lb, costs=costs)  # fmt: skip
    return np.asarray(np.maximum(cost.total() / (1.0 - pricing.margin_share), pricing.minimum_usd))


def put_off(demand: Demand, terms: Terms, course: Course) -> Iterator[str]:
    """Tell which bookings a plan is likely to leave without ice though a delivery could have brought it."""
    likely = (course.short_lb > 0).mean(axis=1) >= _LIKELY
    reached = terms.covers(len(demand.days)) >= 0
    left = [b for b in demand.booked if likely[i := (b.day - demand.days[0]).days] and reached[i]]
    if not left or not terms.bumped_job_usd:
        return
    named = ", ".join(f"{b.booking_id} on {b.day.isoformat()}" for b in left[:_MOST_NAMED])
    more = " and more" if len(left) > _MOST_NAMED else ""
    yield (
        f"By this plan booked work is likely to lack ice: {named}{more}. Its ice would cost more than putting a job "
        "off does (bumped_job_usd under [ice] in book.toml), or no container holds it."
    )
