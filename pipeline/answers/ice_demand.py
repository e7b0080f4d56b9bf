"""What the coming days will need: booked jobs, expected walk-ins, and never more hours than the shop has."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.predicting import predict
from models.demand.calendar import WEEK
from models.demand.forecast import Known, learn_rate, season_of
from models.demand.gaps import find_gaps
from pipeline.answers.bookings import KEPT, LOST, Booking, cancelled_draws, coming
from pipeline.answers.ice_arrivals import HISTORY_WEEKS, arrivals, is_working
from pipeline.answers.log_gaps import calendar_of, gaps_told
from pipeline.answers.requests import JobAsked, LineAsked, request_table
from shared.vocabulary import SOILS, WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.consumption.fitted import FittedModel
    from models.consumption.jobs import JobTable
    from models.demand.calendar import Gap
    from pipeline.answers.ice_arrivals import Arrivals, Season
    from pipeline.answers.known_customers import KnownCustomers
    from pipeline.book.settings import Settings, Shop

#: Bookings on days without work that are named.
_MOST_NAMED = 3
#: Weeks on record that tell a season.
_YEAR_WEEKS = 52


@dataclass(frozen=True)
class Demand:
    """Joint draws of the coming days' work; column j is one scenario, the same as in the draws of the booked jobs.

    Attributes
    ----------
    days : tuple of date (n_days,)
        From today on.
    need_lb, jobs : float64 arrays (n_days, n_draws)
        Pellets and number of jobs of each day.
    booked : tuple of Booking
        Bookings that may still come in these days, by day.
    booked_lb, booked_min : float64 arrays (n_booked, n_draws)
        What each takes if it comes; minutes are hands-on.
    comes : bool array (n_booked, n_draws)
        Whether it comes.
    unbooked_jobs : float64 array (n_days,)
        Jobs expected beside the booked ones.
    unbooked_lb, unbooked_min : float64 arrays (n_like,)
        What jobs like those are expected to take, each as likely; minutes are hands-on.
    n_calibration : int
        Past answers behind the intervals of the draws.
    gaps : tuple of Gap
        Times that the log passes over, of the weeks that arrivals are learned from.
    warnings : tuple of str
    """

    days: tuple[date, ...]
    need_lb: NDArray[np.float64]
    jobs: NDArray[np.float64]
    booked: tuple[Booking, ...]
    booked_lb: NDArray[np.float64]
    booked_min: NDArray[np.float64]
    comes: NDArray[np.bool_]
    unbooked_jobs: NDArray[np.float64]
    unbooked_lb: NDArray[np.float64]
    unbooked_min: NDArray[np.float64]
    n_calibration: int
    gaps: tuple[Gap, ...]
    warnings: tuple[str, ...]


def asked_again(history: JobTable, job: int) -> JobAsked:
    """Return a past job as one that is asked about, with the shop's usual machine, operator and settings."""
    rows = np.flatnonzero(history.line_job == job)
    vehicle, zone = history.vehicle_class, history.zone
    lines = tuple(
        LineAsked(
            vehicle.names[vehicle.codes[i]],
            zone.names[zone.codes[i]],
            SOILS[history.soil[i]] if history.soil[i] >= 0 else "",
            bool(history.coating_removed[i]),
        )
        for i in rows.tolist()
    )
    return JobAsked(f"like {history.job_id[job]}", date.fromordinal(int(history.day[job])), lines)


#: What walk-ins look like before there is a history (from memory, no source).
_PLANNING_MIX = (
    (("undercarriage",), "sedan"), (("undercarriage", "wheel_wells"), "suv"), (("engine_bay",), "sedan"),
    (("undercarriage",), "pickup"), (("wheel_wells", "suspension"), "van"), (("interior",), "suv"),
)  # fmt: skip


def _planning_mix(day: date) -> list[JobAsked]:
    return [
        JobAsked(f"like planning {i}", day, tuple(LineAsked(vehicle, zone) for zone in zones))
        for i, (zones, vehicle) in enumerate(_PLANNING_MIX)
    ]


@dataclass(frozen=True)
class DemandGround:
    """What the demand is drawn from; everything in it is from before `today`, bookings by their date of taking.

    `beside_min` are set-up and clean-up minutes of a visit; `statuses_known` is false where an answer of a past day is
    made again (see `coming`). `delivered` are the days on which ice came, as ordinals, shape (n_deliveries,). With
    `customers` booked jobs take what those of their customers do.
    """

    today: date
    history: JobTable
    bookings: Sequence[Booking]
    fitted: FittedModel
    settings: Settings
    beside_min: float
    delivered: NDArray[np.int64]
    statuses_known: bool = True
    customers: KnownCustomers | None = None


def demand(ground: DemandGround, n_days: int, *, seed: int, n_draws: int) -> Demand:
    """Return joint draws of the work of the coming days, from `ground.today` on.

    Booked jobs come unless cancelled; unbooked ones come by chance around the learned rate and look like recent ones.
    All of them take what the consumption model draws in that scenario. A day sells no more than crew x hours: booked
    work beyond that goes on the next working day, walk-ins beyond it are not taken.
    """
    rng = np.random.default_rng([seed, 0x1CE])
    shop, keys = ground.settings.shop, ground.settings.planning_keys
    days = tuple(ground.today + timedelta(days=i) for i in range(n_days))
    done = {name.casefold() for name in ground.history.job_id}
    booked = coming(ground.bookings, days, done, statuses_known=ground.statuses_known)
    share = cancelled_draws(ground.bookings, done, ground.today, keys.cancelled_share, n_draws, rng)
    comes = rng.random((len(booked), n_draws)) >= share
    place = np.array([(b.day - ground.today).days for b in booked], dtype=np.int64)
    gaps = _recent_gaps(ground)
    kept = np.bincount(place, comes.mean(axis=1), minlength=n_days).astype(np.float64)
    season = _season(ground, seed, n_draws)
    expected = arrivals(ground.history, ground.bookings, kept, days, shop, keys, gaps, season)
    # Dated after every booking: like jobs take turns by day, so that booked jobs draw what their quotes drew.
    after = ground.today + timedelta(days=n_days)
    mix = [replace(asked_again(ground.history, j), day=after) for j in expected.mix] or _planning_mix(after)
    asked = [b.asked for b in booked]
    consumption = predict(ground.fitted, request_table([*asked, *mix]), seed=seed, n_draws=n_draws)
    if ground.customers is not None:
        consumption = ground.customers.applied(asked, consumption)
    lb, minutes = consumption.jobs("pellets_lb").draws, consumption.jobs("minutes").draws
    n_booked = len(booked)
    day_hours = _Hours(shop, days, ground.beside_min, expected.rate > 0)
    need, jobs, room_min = day_hours.booked(place, lb[:n_booked] * comes, minutes[:n_booked], comes)
    _add_unbooked(expected, lb[n_booked:], minutes[n_booked:] + ground.beside_min, need, jobs, room_min, rng)
    return Demand(
        days, need, jobs, tuple(booked), lb[:n_booked], minutes[:n_booked], comes,
        expected.rate, lb[n_booked:].mean(axis=1), minutes[n_booked:].mean(axis=1),
        int(consumption.n_calibration[0].min()), tuple(gaps),
        (*_unclear(ground, done), *_off_days(booked, shop), *expected.told(), *gaps_told(gaps)),
    )  # fmt: skip


def _recent_gaps(ground: DemandGround) -> list[Gap]:
    """Return the log's gaps in the weeks that arrivals are learned from."""
    today = ground.today.toordinal()
    found = find_gaps(ground.history.day, ground.delivered, calendar_of(ground.settings.shop), today)
    return [gap for gap in found if gap.last >= today - 7 * HISTORY_WEEKS]


def _season(ground: DemandGround, seed: int, n_draws: int) -> Season | None:
    """Return the season as `forecast` learns it from the same log, None where less than a year of weeks is logged."""
    job_days, today = np.sort(ground.history.day), ground.today.toordinal()
    if not len(job_days) or today - job_days[0] < WEEK * _YEAR_WEEKS:
        return None
    keys = ground.settings.planning_keys
    known = Known(job_days, np.full(len(job_days), -1), None, ground.delivered, today,
                  calendar_of(ground.settings.shop), keys.jobs_per_week, keys.walk_in_share)  # fmt: skip
    rate = learn_rate(known, seed=seed, n_draws=n_draws)
    return partial(season_of, rate) if rate.rows.n >= _YEAR_WEEKS else None


class _Hours:
    """The hours a shop has, day by day."""

    def __init__(self, shop: Shop, days: Sequence[date], beside_min: float, walk_ins: NDArray[np.bool_]) -> None:
        self._open = [is_working(day, shop) for day in days]
        self._taken = walk_ins | np.array(self._open)
        self._day_min = 60.0 * shop.crew * shop.hours_per_day
        self._beside = beside_min

    def booked(
        self, place: NDArray[np.int64], lb: NDArray[np.float64], minutes: NDArray[np.float64], comes: NDArray[np.bool_]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return pellets and jobs of the booked work by day and the minutes left, each (n_days, n_draws).

        Work beyond a day's minutes is carried to the next day on which the shop works. A booking on a day without
        work counts as a day opened for it.
        """
        n_days, n_draws = len(self._open), lb.shape[1]
        need, jobs, room = (np.zeros((n_days, n_draws)) for _ in range(3))
        late = np.zeros((3, n_draws))
        for d in range(n_days):
            own = place == d
            work = late + np.array([
                lb[own].sum(axis=0), comes[own].sum(axis=0), ((minutes[own] + self._beside) * comes[own]).sum(axis=0)
            ])  # fmt: skip
            if not self._open[d] and not own.any():
                late = work
                room[d] = self._day_min if self._taken[d] else 0.0
                continue
            part = np.minimum(1.0, self._day_min / np.maximum(work[2], 1e-9))
            need[d], jobs[d] = work[0] * part, work[1] * part
            room[d] = np.maximum(self._day_min - work[2], 0.0) if self._taken[d] else 0.0
            late = work * (1 - part)
        return need, jobs, room


def _add_unbooked(
    expected: Arrivals, lb: NDArray[np.float64], minutes: NDArray[np.float64], need: NDArray[np.float64],
    jobs: NDArray[np.float64], room_min: NDArray[np.float64], rng: np.random.Generator,
) -> None:  # fmt: skip
    """Add unbooked jobs to need and jobs (n_days, n_draws) while there are minutes left; `lb` is of the mix."""
    n_days, n_draws = need.shape
    level = rng.gamma(expected.shape, 1 / expected.shape, n_draws)
    spread = max(expected.week_variance, 1e-4)
    weeks = rng.gamma(1 / spread, spread, ((n_days + 6) // 7, n_draws))
    count = rng.poisson(expected.rate[:, None] * expected.season * level * weeks[np.arange(n_days) // 7])
    for turn in range(int(count.max(initial=0))):
        day, column = np.nonzero(count > turn)
        which = rng.integers(0, len(lb), len(day))
        took = minutes[which, column]
        fits = took <= room_min[day, column]
        day, column, which = day[fits], column[fits], which[fits]
        need[day, column] += lb[which, column]
        jobs[day, column] += 1
        room_min[day, column] -= took[fits]


def _off_days(booked: Sequence[Booking], shop: Shop) -> list[str]:
    """Name the bookings on days on which the shop does not work by its settings: a slip of a date, or of them."""
    off = [b for b in booked if not is_working(b.day, shop)]
    if not off:
        return []
    named = ", ".join(f"{b.booking_id} on {WEEKDAYS[b.day.weekday()]} {b.day}" for b in off[:_MOST_NAMED])
    more = f" and {len(off) - _MOST_NAMED} more" if len(off) > _MOST_NAMED else ""
    return [
        f"Booked on days that are no working days in book.toml: {named}{more}. Their ice is planned for those days; "
        "correct the booking, or working_days or closed in [shop], if that is wrong."
    ]


def _unclear(ground: DemandGround, done: set[str]) -> list[str]:
    unclear = sum(
        b.day < ground.today and b.status not in LOST + KEPT and b.job_id.casefold() not in done
        for b in ground.bookings
    )
    if not unclear:
        return []
    return [
        f"{unclear} booking{'s' if unclear > 1 else ''} of past days without a job {'are' if unclear > 1 else 'is'} "
        "unclear: neither done nor cancelled. They are left out; give them a status or log their jobs."
    ]
