"""Which booked or waiting jobs fit in the ice that is left before it is gone, and for how little they are worth it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.predicting import predict
from models.ice.outlook import Outlook, Terms, follow
from pipeline.answers.answer import Answer, Asking, QuantitySummary
from pipeline.answers.bookings import taken_today_note
from pipeline.answers.estimating import short_record
from pipeline.answers.fitting import current_fit
from pipeline.answers.ice_answer import IceGround, Teller
from pipeline.answers.ice_arrivals import is_working
from pipeline.answers.ice_lapse_notes import lapses_told
from pipeline.answers.known_customers import KnownCustomers
from pipeline.answers.landed import landed_price
from pipeline.answers.ordering import N_DRAWS, ice_ground, of_today, outlook_of
from pipeline.answers.pricing import job_cost
from pipeline.answers.request_notes import request_notes
from pipeline.answers.requests import JobAsked, asked_table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.answers.fitting import CurrentFit

_HORIZON_DAYS = 14


@dataclass(frozen=True)
class FitJob:
    """One job, each by itself: the others that are booked come first.

    Attributes
    ----------
    booking_id : str
        Of the booking, or the job id of a waiting job.
    pellets_lb : QuantitySummary
    chance_fits : float
        That on its day (a waiting job: the first working day it can be done) there is enough of what is in store now,
        without taking ice that later bookings would have had.
    last_day : date or None
        Last working day of the next 14 on which it would fit with the asked level's chance, were it done then; of a
        waiting job not before its date. None where on none.
    least_usd : float
        Expected cost of doing it with the ice paid for already: the lowest price worth taking.
    """

    booking_id: str
    pellets_lb: QuantitySummary
    chance_fits: float
    last_day: date | None
    least_usd: float


@dataclass(frozen=True)
class FitResult:
    """Booked jobs by day, then waiting ones in the order given."""

    fits: tuple[FitJob, ...]


def fit_jobs(
    asking: Asking, waiting: Sequence[JobAsked] = (), *, statuses_known: bool | None = None
) -> Answer[FitResult]:
    """Return which booked and waiting jobs fit in what is left, with no further delivery.

    Parameters
    ----------
    waiting : sequence of JobAsked
        Jobs without a booking that could be taken in; one dated later is not done before its day.
    statuses_known : bool, optional
        As in `OrderQuestion`.
    """
    fit = current_fit(asking)
    ground = ice_ground(asking, fit, _HORIZON_DAYS, statuses_known=statuses_known, seed=asking.seed)
    outlook = outlook_of(ground, seed=asking.seed)
    told = Teller(ground, asking.level)
    days = ground.demand.days
    booked = ground.demand.booked
    place = np.array([(b.day - days[0]).days for b in booked], dtype=np.int64)
    coming_lb = ground.demand.booked_lb * ground.demand.comes
    fits = []
    for i, booking in enumerate(booked):
        others = np.arange(len(booked)) != i
        free = free_lb(outlook, place[others], coming_lb[others])
        lb, minutes = ground.demand.booked_lb[i], ground.demand.booked_min[i]
        # A booked job may be moved to a day before its own.
        fits.append(_fit_job(ground, told, booking.booking_id, lb, minutes, free, int(place[i]), 0, asking.level))
    if waiting:
        drawn = predict(fit.fitted, asked_table(fit.fitted, waiting), seed=asking.seed, n_draws=N_DRAWS)
        consumption = KnownCustomers(asking).applied(waiting, drawn)
        free = free_lb(outlook, place, coming_lb)
        for job, lb, minutes in zip(
            waiting, consumption.jobs("pellets_lb").draws, consumption.jobs("minutes").draws, strict=True
        ):
            first = _first_day(days, job.day, ground)
            fits.append(_fit_job(ground, told, job.job_id, lb, minutes, free, first, first, asking.level))
    said = [
        *fit.warnings,
        *of_today(asking, statuses_known),
        *taken_today_note(asking, days[0], days[-1], stated=statuses_known),
        *lapses_told(asking, landed_price(asking)),
        *ground.state.warnings,
        *ground.demand.warnings,
        *request_notes(fit, waiting, asking.today),
        *_short_record(fit, fits, asking.level),
    ]
    if not fits:
        said.append("Nothing is booked in the next 14 days and no waiting jobs were given (--jobs FILE).")
    return Answer(FitResult(tuple(fits)), tuple(said))


def _short_record(fit: CurrentFit, fits: Sequence[FitJob], level: float) -> Iterator[str]:
    """Tell that the ranges of the jobs rest on too few past ones, as beside an estimate."""
    if fit.unlearned or all(f.pellets_lb.interval.supported for f in fits):
        return
    if not fit.fitted.n_jobs:
        yield "There is no usable history yet: pellets and minutes of these jobs are planning figures from book.toml."
    else:
        yield short_record("pellets", level)


def _first_day(days: Sequence[date], wanted: date, ground: IceGround) -> int | None:
    shop = ground.settings.shop
    return next((i for i, day in enumerate(days) if day >= wanted and is_working(day, shop)), None)


def free_lb(outlook: Outlook, place: NDArray[np.int64], need_lb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what a further job could take on each day, (n_days, n_draws), with no further delivery.

    That is what the work booked for that day leaves, and no more than leaves enough for later booked days that would
    have had enough; ice taken earlier costs those at most as much.

    Parameters
    ----------
    outlook : Outlook
        Its needs are not looked at.
    place : int64 array (n_jobs,)
        Day of each booked job.
    need_lb : float64 array (n_jobs, n_draws)
    """
    need = np.zeros((outlook.n_days, outlook.n_draws))
    np.add.at(need, place, need_lb)
    spare = np.zeros_like(need)

    def note(day: int, stock: NDArray[np.float64], _short: NDArray[np.float64]) -> None:
        spare[day] = stock[0] - need[day] * (1 + outlook.unlogged_share)

    none = Terms(days=(), breaks=((0.0, 0.0),))
    follow(replace(outlook, need_lb=need), none, np.zeros((1, 0)), note)
    later = np.full(outlook.n_draws, np.inf)
    free = np.zeros_like(spare)
    for day in range(outlook.n_days - 1, -1, -1):
        free[day] = np.clip(spare[day], 0.0, later)
        if need[day].any():
            later = np.where((need[day] > 0) & (spare[day] >= 0), np.minimum(later, spare[day]), later)
    return free


def _fit_job(
    ground: IceGround, told: Teller, name: str, lb: NDArray[np.float64], minutes: NDArray[np.float64],
    free: NDArray[np.float64], day: int | None, earliest: int | None, level: float,
) -> FitJob:  # fmt: skip
    """Return what is told of one job that is to be done on a day and can be from `earliest` on (None: not in time)."""
    costs, shop = ground.settings.costs, ground.settings.shop
    chances = (free >= lb).mean(axis=1)
    days = ground.demand.days
    first = len(days) if earliest is None else earliest
    able = [i for i in range(first, len(days)) if is_working(days[i], shop) and chances[i] >= level]
    cost = job_cost(lb, minutes, beside_min=costs.setup_min + costs.cleanup_min, landed_usd_per_lb=0.0, costs=costs)
    return FitJob(
        name,
        told.work(lb),
        float(chances[day]) if day is not None else 0.0,
        days[able[-1]] if able else None,
        round(float(cost.total().mean()), 2),
    )
