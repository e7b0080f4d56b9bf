"""What a forecast rests on: jobs, bookings, calendar and the fit, all as of one morning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.predicting import predict
from models.demand.examples import Examples, examples_of, with_machine
from models.demand.forecast import BookedAhead, BookedTaken, Consumed, Known
from pipeline.answers.bookings import cancelled_draws, coming, gather_bookings
from pipeline.answers.history import history
from pipeline.answers.known_customers import KnownCustomers
from pipeline.answers.log_gaps import calendar_of, delivery_days
from pipeline.answers.requests import JobAsked, LineAsked, request_table
from pipeline.book import tables

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.consumption.fitted import FittedModel
    from models.consumption.jobs import JobTable
    from pipeline.answers.answer import Asking
    from pipeline.answers.bookings import Booking
    from pipeline.book.settings import Settings

N_DRAWS = 2000
#: With fewer past jobs than this, planning jobs are examples too, together worth three jobs.
_FEW_JOBS, _PLANNING_WEIGHT = 20, 3.0
#: What jobs look like before there is a history (from memory, no source).
_PLANNING_JOBS = (
    ("sedan", ("undercarriage",)), ("suv", ("undercarriage", "wheel_wells")), ("pickup", ("undercarriage",)),
    ("sedan", ("engine_bay",)), ("van", ("wheel_wells", "suspension")), ("suv", ("interior",)),
)  # fmt: skip


@dataclass(frozen=True)
class Ground:
    """What was known on the morning of a day.

    Attributes
    ----------
    table : JobTable
        Finished jobs.
    known : Known
        Days of jobs, bookings' leads, deliveries, calendar.
    bookings : tuple of Booking
        Taken before that day.
    done : set of str
        Case-folded ids of finished jobs.
    settings : Settings
    """

    table: JobTable
    known: Known
    bookings: tuple[Booking, ...]
    done: set[str]
    settings: Settings


def gather(asking: Asking) -> Ground:
    """Read from the book what was known on the morning of `asking.today`."""
    settings, today = asking.book.settings, asking.today
    table = history(asking.book, today)
    bookings = tuple(gather_bookings(tables.bookings(asking.book, today)))
    lead = _leads(table, bookings)
    dated = [b.day.toordinal() for b in bookings if b.day < today]
    known = Known(
        job_days=table.day,
        lead_days=lead,
        booking_since=min(dated) if dated else None,
        deliveries=delivery_days(tables.deliveries(asking.book, today)),
        today=today.toordinal(),
        calendar=calendar_of(settings.shop),
        jobs_per_week=settings.planning_keys.jobs_per_week,
        walk_in_share=settings.planning_keys.walk_in_share,
    )
    return Ground(table, known, bookings, {job.casefold() for job in table.job_id}, settings)


def _leads(table: JobTable, bookings: Sequence[Booking]) -> NDArray[np.int64]:
    """Return the days from booking to job, -1 where nobody booked it; 0 where the day of booking is unknown."""
    taken = {b.job_id.casefold(): b.taken_on for b in bookings}
    lead = np.full(table.n_jobs, -1, dtype=np.int64)
    for i, job in enumerate(table.job_id):
        if job.casefold() in taken:
            when = taken[job.casefold()]
            lead[i] = 0 if when is None else max(int(table.day[i]) - when.toordinal(), 0)
    return lead


def booked_ahead(
    ground: Ground, asking: Asking, fitted: FittedModel, last: int, *, statuses_known: bool
) -> BookedTaken | None:
    """Return the bookings from today to a last day, what each takes and whether it comes.

    None where the book holds no dated booking at all: nothing is known ahead then. An empty list says that nobody has
    booked. A booking whose own day is not known tells nothing of how far ahead this shop is booked, so its job stays
    among those that come at the usual rate: it must not come twice.
    """
    days = [date.fromordinal(d) for d in range(ground.known.today, last + 1)]
    dated = [b for b in ground.bookings if b.taken_on is not None]
    booked = coming(dated, days, ground.done, statuses_known=statuses_known)
    if not booked:
        nothing = np.empty((0, N_DRAWS))
        ahead = BookedAhead(np.empty(0, dtype=np.int64), np.empty((0, N_DRAWS), dtype=np.bool_))
        return BookedTaken(ahead, nothing, nothing) if dated else None
    rng = np.random.default_rng([asking.seed, 0xB00])
    share = cancelled_draws(ground.bookings, ground.done, asking.today,
                            ground.settings.planning_keys.cancelled_share, N_DRAWS, rng)  # fmt: skip
    comes = rng.random((len(booked), N_DRAWS)) >= share
    asked = [b.asked for b in booked]
    request = request_table(asked)
    drawn = predict(fitted, request, seed=asking.seed, n_draws=N_DRAWS)
    drawn = KnownCustomers(asking).applied(asked, drawn)
    ahead = BookedAhead(np.array([b.day.toordinal() for b in booked], dtype=np.int64), comes)
    return BookedTaken(ahead, drawn.jobs("pellets_lb").draws, drawn.jobs("minutes").draws, request)


class PastBookings:
    """Bookings as they stood on past mornings, for the record: nobody knew then what would become of them."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground

    def __call__(self, origin: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return the days of bookings taken before a morning for days from it on, and each one's chance to come."""
        ground, morning = self._ground, date.fromordinal(origin)
        taken = [b for b in ground.bookings if b.taken_on is not None and b.taken_on < morning]
        days = np.array([b.day.toordinal() for b in taken if b.day >= morning], dtype=np.int64)
        planning = ground.settings.planning_keys.cancelled_share
        share = cancelled_draws(taken, ground.done, morning, planning, 200, np.random.default_rng(origin)).mean()
        return days, np.full(len(days), 1.0 - float(share))


def examples_on(ground: Ground, day: int, machine: str) -> list[Examples]:
    """Return jobs like the past ones as asked about on a day ahead; few past jobs are joined by planning ones.

    Parameters
    ----------
    day : int
        Ordinal; in the middle of the month that is asked about.
    machine : str
        What-if: a further machine that takes its even share; '' for none.
    """
    sets = [examples_of(ground.table, ground.known.today, day)] if ground.table.n_jobs else []
    if ground.table.n_jobs < _FEW_JOBS:
        sets.append(_planning_examples(date.fromordinal(day)))
    return [Examples(with_machine(s.request, machine), s.weight) for s in sets] if machine else sets


def taken_by(sets: Sequence[Examples], asking: Asking, fitted: FittedModel) -> Consumed:
    """Return what examples will take on their day."""
    drawn = [predict(fitted, s.request, seed=asking.seed, n_draws=N_DRAWS) for s in sets]
    return Consumed(
        np.concatenate([d.jobs("pellets_lb").draws for d in drawn]),
        np.concatenate([d.jobs("minutes").draws for d in drawn]),
        np.concatenate([s.weight for s in sets]),
    )


def _planning_examples(day: date) -> Examples:
    jobs = [
        JobAsked(f"planning {k}-{i}", day, tuple(LineAsked(vehicle, zone) for zone in zones))
        for k in range(12)
        for i, (vehicle, zones) in enumerate(_PLANNING_JOBS)
    ]
    return Examples(request_table(jobs), np.full(len(jobs), _PLANNING_WEIGHT / len(jobs)))
