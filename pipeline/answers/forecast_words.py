"""What must be said beside a forecast: gaps, short records, odd dates, what a what-if does not cover."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.amounts import money
from pipeline.answers.bookings import LOST
from pipeline.answers.log_gaps import gaps_told
from pipeline.book.forecast_rows import jobs_from
from shared.counting import counted
from shared.units import DAYS_PER_YEAR, LB_KG

if TYPE_CHECKING:
    from collections.abc import Iterator

    from models.consumption.fitted import FittedModel
    from models.demand.forecast import Rate
    from models.demand.record import ForecastRecord
    from pipeline.answers.answer import Asking
    from pipeline.answers.forecast_ground import Ground
    from pipeline.book.settings import Shop

_HALF_YEAR_WEEKS, _YEAR_WEEKS = 26, 52


def forecast_warnings(
    ground: Ground, rate: Rate, machine: str, fitted: FittedModel, record: ForecastRecord
) -> tuple[str, ...]:
    """Return what must be said beside a forecast, the weightiest first."""
    return (*_about_jobs(ground, rate), *_undated(ground), *gaps_told(rate.gaps), *_about_machine(machine, fitted),
                  *_about_record(ground, record))  # fmt: skip


def what_if(jobs_change: float, usd_per_lb: float | None, shop: Shop) -> Iterator[str]:
    """Tell what was supposed: figures of a what-if must not be taken for the forecast."""
    if jobs_change:
        change = f"{100 * abs(jobs_change):.3g} %"
        yield f"What-if: {change} {'more' if jobs_change > 0 else 'fewer'} jobs than the log lets expect."
    if usd_per_lb is not None:
        metric = shop.units == "metric"
        price = money(usd_per_lb / LB_KG if metric else usd_per_lb, shop.currency, cents=True)
        yield f"What-if: ice at {price} a {'kg' if metric else 'lb'}, fees beside it."


def _about_jobs(ground: Ground, rate: Rate) -> Iterator[str]:
    n, days = ground.table.n_jobs, len(np.unique(ground.table.day))
    weekly = f"{ground.known.jobs_per_week:g} a week (jobs_per_week in book.toml)"
    if not n:
        yield f"No job before this day: the number of jobs is a planning figure, {weekly}."
        return
    if n > 1 and days == 1:
        day = date.fromordinal(int(ground.table.day[0])).isoformat()
        yield (
            f"All {n} jobs bear the date {day}. That tells nothing of how many come in a month, so their number is a "
            f"planning figure, {weekly}. Check the dates in the log."
        )
        return
    weeks = rate.rows.n
    if weeks < _HALF_YEAR_WEEKS:
        yield (
            f"The log holds {counted(n, 'job')} over {counted(max(weeks, 1), 'week')}: too "
            "short to know the season or a trend, so the ranges are wide. They narrow with each logged month."
        )
    elif weeks < _YEAR_WEEKS:
        short = ground.known.today - int(ground.table.day.min()) < DAYS_PER_YEAR
        why = "The log is shorter than a year" if short else "Less than a year of weeks is logged"
        yield f"{why}: months that were never logged are partly a guess, so ranges are wide."


def _undated(ground: Ground) -> Iterator[str]:
    """Tell of coming bookings that count among the usual jobs, since nobody wrote down when they were taken."""
    n = sum(b.taken_on is None and b.status not in LOST and b.day.toordinal() >= ground.known.today
            for b in ground.bookings)  # fmt: skip
    if n:
        yield (
            f"{counted(n, 'booking')} to come {'has' if n == 1 else 'have'} no taken_on, the day of booking: in these "
            "months they count as part of the usual jobs and not on top of them, however many they are. Add taken_on; "
            "`rimebook order` plans for each of them."
        )


def _about_machine(machine: str, fitted: FittedModel) -> Iterator[str]:
    if machine:
        yield (
            f"What-if: {machine} takes an even share of the jobs. It brings no jobs by itself; add --jobs-change "
            "where it will."
        )
        if machine not in fitted.columns.blocks["machine"]:
            yield f"{machine} has no job in the log: what it takes is drawn from how much this shop's machines differ."


def _about_record(ground: Ground, record: ForecastRecord) -> Iterator[str]:
    if ground.table.n_jobs and not record.forecasts:
        yield "No past month could be tested yet: the ranges have no record of their own."


def future_jobs(asking: Asking) -> tuple[str, ...]:
    """Return a note where the log holds jobs dated after today; for answers of the present day.

    Today's own are as they should be: logged when they were done, and counted from tomorrow on.
    """
    tomorrow = asking.today + timedelta(days=1)
    later = jobs_from(asking.book, tomorrow)
    if later is None:
        return ()
    n = later.n_jobs
    return (
        f"{n} job{'s are' if n > 1 else ' is'} dated {tomorrow.isoformat()} or later ({later.first.isoformat()} to "
        f"{later.last.isoformat()}) and left out: a job belongs in the log when it is done. Check the dates, or enter "
        "work to come as bookings.",
    )
