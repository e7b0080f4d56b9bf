"""Bookings as jobs that are asked about: which of them may come, and how many are cancelled."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.book import tables
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import numpy as np
    from numpy.typing import NDArray

    from pipeline.answers.answer import Asking
    from pipeline.book.tables import BookingZone

#: What the planning figure for cancelled bookings weighs, in bookings.
_CANCEL_WEIGHT = 20.0
_MOST_NAMED = 5
KEPT, LOST = ("done",), ("cancelled", "no_show")


@dataclass(frozen=True)
class Booking:
    """One booking with its zones as a job that is asked about; `taken_on` None where nobody wrote it down."""

    booking_id: str
    taken_on: date | None
    day: date
    status: str
    job_id: str
    asked: JobAsked


def gather_bookings(rows: Sequence[BookingZone]) -> list[Booking]:
    """Return the bookings of their zones, in the order of the rows."""
    zones: dict[str, list[BookingZone]] = {}
    for row in rows:
        zones.setdefault(row.booking_id, []).append(row)
    found = []
    for booking_id, own in zones.items():
        first = own[0]
        lines = tuple(LineAsked(z.vehicle_class, z.zone, z.soil_level, z.coating_removed) for z in own)
        asked = JobAsked(booking_id, first.day, lines, first.customer)
        found.append(Booking(booking_id, first.taken_on, first.day, first.status, first.job_id or booking_id, asked))
    return found


def believes_statuses(asking: Asking, stated: bool | None = None) -> bool:
    """Return whether today's status of bookings may be believed.

    As stated; else not where today lies in the past of both the computer and the book (`as_of`): the answer of that day
    is made again.
    """
    return not asking.again if stated is None else stated


def taken_today_note(asking: Asking, first: date, last: date, *, stated: bool | None = None) -> tuple[str, ...]:
    """Return that bookings taken today for the days that are answered are not counted: an answer is of the morning.

    Parameters
    ----------
    first, last : date
        The days that are answered, both counted.
    stated : bool, optional
        As `believes_statuses`; nothing is told where a past day's answer is made again.
    """
    if not believes_statuses(asking, stated):
        return ()
    tomorrow = asking.today + timedelta(days=1)
    rows = tables.bookings(asking.book, tomorrow)
    taken = (b for b in rows if b.taken_on == asking.today and b.status not in LOST)
    late = {b.booking_id for b in taken if first <= b.day <= last}
    if not late:
        return ()
    named = ", ".join(sorted(late)[:_MOST_NAMED]) + (" and more" if len(late) > _MOST_NAMED else "")
    were = "was" if len(late) == 1 else "were"
    return (
        f"{counted(len(late), 'booking')} ({named}) {were} taken today, {asking.today.isoformat()}, and {were} not "
        f"counted: this is the answer of the morning. --today {tomorrow} knows all of today.",
    )


def coming(bookings: Sequence[Booking], days: Sequence[date], done: set[str], *, statuses_known: bool) -> list[Booking]:
    """Return the bookings that may come in these days; `done` are the jobs (case-folded) that came already.

    A booking that is cancelled today does not come. Where an answer of a past day is made again
    (`statuses_known` false), nobody knew yet what would become of it, so that all of them may.
    """
    wanted = set(days)
    gone = LOST if statuses_known else ()
    return [b for b in bookings if b.day in wanted and b.status not in gone and b.job_id.casefold() not in done]


def cancelled_draws(
    bookings: Sequence[Booking], done: set[str], today: date, planning_share: float, n_draws: int,
    rng: np.random.Generator,
) -> NDArray[np.float64]:  # fmt: skip
    """Return draws of the share of bookings that are cancelled or not kept, shape (n_draws,).

    Beta-binomial: the planning share counts as 20 bookings; a past booking without a job whose status is still
    `booked` is unclear and left out.
    """
    past = [b for b in bookings if b.day < today]
    lost = sum(b.status in LOST for b in past)
    kept = sum(b.status in KEPT or (b.status not in LOST and b.job_id.casefold() in done) for b in past)
    return rng.beta(
        max(_CANCEL_WEIGHT * planning_share, 0.02) + lost, max(_CANCEL_WEIGHT * (1 - planning_share), 0.02) + kept,
        n_draws,
    )  # fmt: skip
