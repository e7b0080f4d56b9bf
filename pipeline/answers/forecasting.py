"""Jobs, pellets, minutes and the ice bill of the coming months."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.demand.calendar import months_ahead
from models.demand.examples import Examples
from models.demand.forecast import MonthDraws, Rate, counts_ahead, learn_rate, month_draws
from models.demand.record import (
    LEVELS,
    Actual,
    ForecastRecord,
    actual_months,
    calibrated,
    rolling_forecasts,
    rule_scores,
)
from pipeline.answers.answer import Answer, Asking, QuantitySummary, summarise
from pipeline.answers.bookings import believes_statuses, taken_today_note
from pipeline.answers.fitting import current_fit
from pipeline.answers.forecast_ground import (
    N_DRAWS,
    Ground,
    PastBookings,
    booked_ahead,
    examples_on,
    gather,
    taken_by,
)
from pipeline.answers.forecast_ice import bought_and_spent, ice_terms
from pipeline.answers.forecast_reasons import Against, Because, Compared, reasons
from pipeline.answers.forecast_words import forecast_warnings, what_if
from pipeline.answers.requests import as_logged, spellings
from shared.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.demand.calendar import Month
    from pipeline.answers.fitting import CurrentFit
    from shared.vocabulary import Basis

MOST_MONTHS = 6
#: Levels whose intervals are checked on the record.
HELD_LEVELS = (0.5, 0.8, 0.95)
#: Level of the intervals that are told of past months.
_SHOWN_LEVEL = 0.8
#: From so many weeks of log on the arrivals count as learned.
_LEARNED_WEEKS = 8
_MOST_CHANGE = 3.0


@dataclass(frozen=True)
class ForecastQuestion:
    """What is asked; None and '' stand for what the record says.

    Attributes
    ----------
    n_months : int
        Whole months, 1 to 6.
    jobs_change : float
        What-if: 0.1 for a tenth more jobs than expected.
    ice_price_usd : float, optional
        What-if: price of a lb of ice, without fees.
    machine : str
        What-if: a further machine that takes an even share of the jobs.
    statuses_known : bool, optional
        Whether the status of bookings from today on may be believed. By default not where today lies in the past of
        both the computer and the book (`as_of`): the answer of that day is made again.
    """

    n_months: int = 3
    jobs_change: float = 0.0
    ice_price_usd: float | None = None
    machine: str = ""
    statuses_known: bool | None = None


@dataclass(frozen=True)
class ForecastMonth:
    """One month, or what is left of the running one (`part`); `booked` of its jobs are booked, kept or not."""

    month: str
    from_: datetime.date
    to: datetime.date
    part: bool
    jobs: QuantitySummary
    pellets_used_lb: QuantitySummary
    pellets_bought_lb: QuantitySummary
    lost_lb: QuantitySummary
    minutes: QuantitySummary
    spend_usd: QuantitySummary
    basis: Basis
    booked: int


@dataclass(frozen=True)
class PastRange:
    """A figure as it was forecast (mean and 80 % interval) and what came; None where it was not written down."""

    mean: float
    low: float
    high: float
    actual: float | None


@dataclass(frozen=True)
class PastMonth:
    """A past month as it was forecast on the morning it began."""

    month: str
    made_on: datetime.date
    jobs: PastRange
    pellets_used_lb: PastRange


@dataclass(frozen=True)
class ForecastScore:
    """Mean interval score of a month's pellets at 0.8, lb; smaller is better."""

    name: str
    pellets_lb: float


@dataclass(frozen=True)
class ForecastBacktest:
    """The forecast's own record: months tested, share held by level, scores, and past months beside their forecast.

    `held` is of pellets, over all `forecasts`: each month was told up to three times, from three months ahead on.
    `begun` counts those of `past` alone, made on the morning their month began, and `begun_held` those of them whose
    80 % interval held.
    """

    months: int
    held: dict[str, float]
    scores: tuple[ForecastScore, ...]
    past: tuple[PastMonth, ...]
    forecasts: int = 0
    begun: int = 0
    begun_held: int = 0


@dataclass(frozen=True)
class ForecastResult:
    """The coming months, why the first whole one differs from the last month, and the record.

    `against` is the last whole month on record, None where there is none outside a gap. `learned_jobs` are those
    behind what a job takes: with 0 that is a planning figure, while the backtest learns anew before each past month.
    """

    months: tuple[ForecastMonth, ...]
    because: tuple[Because, ...]
    against: Against | None
    backtest: ForecastBacktest
    learned_jobs: int


def forecast(asking: Asking, question: ForecastQuestion) -> Answer[ForecastResult]:
    """Return the forecast of the coming months as of the morning of `asking.today`.

    Raises
    ------
    UsageError
        When the question makes no sense.
    """
    _check(question)
    fit, ground = current_fit(asking), gather(asking)
    machines = (*ground.table.machine.names, *fit.fitted.columns.blocks["machine"])
    question = replace(question, machine=as_logged(question.machine.strip(), spellings(machines)))
    rate = learn_rate(ground.known, seed=asking.seed, n_draws=N_DRAWS)
    months = months_ahead(ground.known.today, question.n_months)
    actual = _actual(ground, rate)
    record = rolling_forecasts(
        ground.table, ground.known, asking.book.settings.planning(), seed=asking.seed, booked_at=PastBookings(ground)
    )
    drawn = _Drawn(asking, question, fit, ground, rate, months, record)
    terms = ice_terms(asking, actual, rate.gaps, usd_per_lb=question.ice_price_usd, n_draws=N_DRAWS)
    lost, spend = bought_and_spent(terms, months, drawn.totals.pellets_lb, asking)
    told = _told(drawn, lost, spend)
    first = next(i for i, month in enumerate(months) if not month.part)
    totals = drawn.totals
    compared = Compared(months[first], totals.jobs[first], totals.pellets_lb[first], lost[first], drawn.like(first))
    because, against = reasons(ground, fit.fitted, actual, terms, compared)
    result = ForecastResult(told, because, against, backtest_of(record, actual), fit.fitted.n_jobs)
    warnings = forecast_warnings(ground, rate, question.machine, fit.fitted, record)
    supposed = what_if(question.jobs_change, question.ice_price_usd, asking.book.settings.shop)
    last = date.fromordinal(months[-1].last)
    late = taken_today_note(asking, asking.today, last, stated=question.statuses_known)
    return Answer(result, (*supposed, *late, *fit.warnings, *warnings, *terms.warnings))


def _check(question: ForecastQuestion) -> None:
    if not 1 <= question.n_months <= MOST_MONTHS:
        raise UsageError("bad-months", where="--months", found=str(question.n_months), expected="1 to 6",
                         do="Leave it out for 3 months.")  # fmt: skip
    if not -1.0 <= question.jobs_change <= _MOST_CHANGE:
        do = "Write for example 0.10 for a tenth more, -0.25 for a quarter less."
        raise UsageError("bad-change", where="--jobs-change", found=f"{question.jobs_change:g}",
                         expected=f"a share between -1 and {_MOST_CHANGE:g}", do=do)  # fmt: skip
    if question.ice_price_usd is not None and not 0 < question.ice_price_usd < 1e4:
        raise UsageError("bad-price", where="--ice-price", found=f"{question.ice_price_usd:g}",
                         expected="a price a lb above 0", do="Write for example 1.20.")  # fmt: skip


def _actual(ground: Ground, rate: Rate) -> tuple[Actual, ...]:
    if not ground.table.n_jobs:
        return ()
    return actual_months(ground.table, int(ground.table.day.min()), ground.known.today, rate.gaps)


class _Drawn:
    """The joint draws of the coming months with what they rest on."""

    def __init__(
        self, asking: Asking, question: ForecastQuestion, fit: CurrentFit, ground: Ground, rate: Rate,
        months: Sequence[Month], record: ForecastRecord,
    ) -> None:  # fmt: skip
        self.asking, self.fit, self.ground, self.rate = asking, fit, ground, rate
        self.months, self.record, self.machine = months, record, question.machine
        known = believes_statuses(asking, question.statuses_known)
        # Bookings of all months that could be asked about: how many are shall not move what one of them draws.
        last = months_ahead(ground.known.today, MOST_MONTHS)[-1].last
        self._booked = booked = booked_ahead(ground, asking, fit.fitted, last, statuses_known=known)
        counts = counts_ahead(rate, months, ground.known.today, booked=None if booked is None else booked.ahead,
                              change=question.jobs_change, seed=asking.seed)  # fmt: skip
        self._fresh = counts[0]
        taken = (taken_by(self.examples(month), asking, fit.fitted) for month in months)
        raw = month_draws(counts, taken, months, booked=booked, seed=asking.seed)
        self.totals: MonthDraws = calibrated(raw, record.maps())

    def examples(self, month: Month) -> list[Examples]:
        """Return the jobs to be like as asked about in a month: past ones, and planning ones where those are few."""
        return examples_on(self.ground, month.middle, self.machine)

    def booked(self, i: int) -> NDArray[np.bool_]:
        """Return which of the bookings are for a month, (n_booked,)."""
        if self._booked is None:
            return np.empty(0, dtype=np.bool_)
        days = self._booked.ahead.day
        return np.asarray((days >= self.months[i].first) & (days <= self.months[i].last))

    def like(self, i: int) -> list[Examples]:
        """Return what a month's jobs are like, by jobs: past ones for what is not booked yet, and what is."""
        (past, *_) = self.examples(self.months[i])
        taken = self._booked
        if taken is None or taken.request is None or not (inside := self.booked(i)).any():
            return [past]
        fresh = float(self._fresh[i].mean()) * past.weight / past.weight.sum()
        comes = taken.ahead.comes[inside].mean(axis=1)
        return [Examples(past.request, fresh), Examples(taken.request.take_jobs(inside), comes)]

    def basis(self) -> Basis:
        """Return what the months rest on."""
        fitted = self.fit.fitted
        if not fitted.n_jobs and not self.ground.table.n_jobs:
            return "planning"
        learned = self.fit.fitted.n_jobs >= 30 and self.rate.rows.n >= _LEARNED_WEEKS
        return "learned" if learned else "mixed"


def _told(drawn: _Drawn, lost: NDArray[np.float64], spend: NDArray[np.float64]) -> tuple[ForecastMonth, ...]:
    n_scores, level, totals = len(drawn.record.months()), drawn.asking.level, drawn.totals

    def told(draws: NDArray[np.float64]) -> QuantitySummary:
        return summarise(draws, level=level, n_scores=n_scores)

    return tuple(
        ForecastMonth(
            month=month.name,
            from_=date.fromordinal(month.first),
            to=date.fromordinal(month.last),
            part=month.part,
            jobs=told(totals.jobs[i]),
            pellets_used_lb=told(totals.pellets_lb[i]),
            pellets_bought_lb=told(totals.pellets_lb[i] + lost[i]),
            lost_lb=told(lost[i]),
            minutes=told(totals.minutes[i]),
            spend_usd=told(spend[i]),
            basis=drawn.basis(),
            booked=int(drawn.booked(i).sum()),
        )
        for i, month in enumerate(drawn.months)
    )


def backtest_of(record: ForecastRecord, actual: Sequence[Actual]) -> ForecastBacktest:
    """Return the record as it is told: coverage and scores over all horizons, months as seen when they began."""
    held = {f"{level:g}": share for level in HELD_LEVELS if (share := record.held(level)) is not None}
    scores = tuple(ForecastScore(s.name, s.pellets_lb) for s in rule_scores(record, actual))
    low, high = LEVELS.index(0.1), LEVELS.index(0.9)

    def ranged(mean: float, quantiles: NDArray[np.float64], came: float) -> PastRange:
        return PastRange(float(mean), float(quantiles[low]), float(quantiles[high]),
                         float(came) if np.isfinite(came) else None)  # fmt: skip

    past = tuple(
        PastMonth(f.month.name, date.fromordinal(f.origin), ranged(f.mean[0], f.quantiles[0], f.actual[0]),
                  ranged(f.mean[1], f.quantiles[1], f.actual[1]))
        for f in record.forecasts
        if f.ahead == 0
    )  # fmt: skip
    begun_held, begun = record.counted(_SHOWN_LEVEL, ahead=0)
    return ForecastBacktest(len(record.months()), held, scores, past, record.counted(_SHOWN_LEVEL)[1], begun,
                            begun_held)  # fmt: skip
