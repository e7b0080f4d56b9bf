"""The forecast's own record: what it said of past months from what was known when they began, and what came."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.conformal import ProbitMap, fit_map, remapped
from models.consumption.learn import fit, in_order, usable_jobs
from models.consumption.predicting import predict
from models.demand.calendar import Month, months_ahead, months_between
from models.demand.examples import examples_of
from models.demand.forecast import BookedAhead, Consumed, MonthDraws, counts_ahead, learn_rate, month_draws
from models.demand.gaps import find_gaps, without_gap
from models.demand.rules import moving_average, seasonal_naive
from models.scores import interval_score, pit

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from models.consumption.fitted import FittedModel
    from models.consumption.jobs import JobTable
    from models.consumption.planning import Planning
    from models.demand.calendar import Gap
    from models.demand.forecast import Known
    from shared.vocabulary import Quantity

MEASURES = ("jobs", "pellets_lb", "minutes")
#: Quantile levels that are kept of every past forecast.
LEVELS = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
#: Origins looked back at, months told at each, and what a first origin needs behind it.
MOST_ORIGINS, HORIZON = 12, 3
_LEAST_DAYS, _LEAST_JOBS = 45, 8
#: The learner is fitted anew at every so many origins, small, on the newest jobs.
_REFIT_EVERY, _STATES, _BURN, _DRAWS, _NEWEST = 3, 24, 16, 300, 400
_LEAST_LOGGED = 0.7


@dataclass(frozen=True)
class Actual:
    """What a past month brought: jobs, lb, min; NaN where not enough of it was written down."""

    month: Month
    jobs: float
    pellets_lb: float
    minutes: float


@dataclass(frozen=True)
class PastForecast:
    """One month as it was forecast at the start of an earlier (or the same) month.

    Attributes
    ----------
    origin : int
        Day on whose morning it was made.
    month : Month
    ahead : int
        0 for the month that begins on that day, 1 for the next.
    mean, actual, pit : float64 arrays (3,)
        In the order of `MEASURES`.
    quantiles : float64 array (3, len(LEVELS))
    """

    origin: int
    month: Month
    ahead: int
    mean: NDArray[np.float64]
    quantiles: NDArray[np.float64]
    actual: NDArray[np.float64]
    pit: NDArray[np.float64]


@dataclass(frozen=True)
class ForecastRecord:
    """All past forecasts, by origin and month."""

    forecasts: tuple[PastForecast, ...]

    def months(self) -> tuple[str, ...]:
        """Return the names of the months that were tested, in order."""
        return tuple(sorted({f.month.name for f in self.forecasts}))

    def counted(self, level: float, measure: int = 1, *, ahead: int | None = None) -> tuple[int, int]:
        """Return how many central intervals of a level held what came, and how many were tested.

        Parameters
        ----------
        level : float
        measure : int
            Place in `MEASURES`; pellets where not given.
        ahead : int, optional
            Only forecasts so many months ahead, 0 for those made when their month began; all where not given.
        """
        found = np.array([f.pit[measure] for f in self.forecasts if ahead is None or f.ahead == ahead])
        found = found[np.isfinite(found)]
        return int((np.abs(found - 0.5) <= level / 2).sum()), len(found)

    def held(self, level: float, measure: int = 1) -> float | None:
        """Return how often central intervals of a level held what came, None without a test; see `counted`."""
        held, tested = self.counted(level, measure)
        return held / tested if tested else None

    def maps(self) -> tuple[ProbitMap, ...]:
        """Return the calibration of each measure, shrunk as the learner's own."""
        table = np.array([f.pit for f in self.forecasts]).reshape(-1, len(MEASURES))
        return tuple(fit_map(table[:, k]) for k in range(len(MEASURES)))


def calibrated(draws: MonthDraws, maps: Sequence[ProbitMap]) -> MonthDraws:
    """Return the draws mapped measure by measure; jobs stay whole numbers, and ranks stay as they are."""
    rows = np.arange(len(draws.jobs))

    def mapped(values: NDArray[np.float64], level_map: ProbitMap) -> NDArray[np.float64]:
        return np.where(values > 0, remapped(values, rows, len(rows), level_map), 0.0)

    return MonthDraws(np.rint(mapped(draws.jobs, maps[0])), mapped(draws.pellets_lb, maps[1]),
                      mapped(draws.minutes, maps[2]))  # fmt: skip


def actual_months(table: JobTable, first: int, today: int, gaps: Sequence[Gap]) -> tuple[Actual, ...]:
    """Return what each whole month before `today` brought, in order; months that touch a gap are left out.

    A visit without a figure counts as the mean of the month's others; where more than 30 % have none, the month's
    total is NaN.
    """
    found = []
    for month in months_between(first, today - 1):
        if not without_gap(gaps, month.first, month.last):
            continue
        inside = (table.day >= month.first) & (table.day <= month.last)
        totals = [_total(table, inside, q) for q in ("pellets_lb", "minutes")]
        found.append(Actual(month, float(inside.sum()), totals[0], totals[1]))
    return tuple(found)


def _total(table: JobTable, inside: NDArray[np.bool_], quantity: Quantity) -> float:
    figures = table.job_total(quantity)[inside]
    if not len(figures):
        return 0.0
    known = np.isfinite(figures)
    return float(figures[known].mean() * len(figures)) if known.mean() >= _LEAST_LOGGED else float("nan")


def consumed_by(fitted: FittedModel, table: JobTable, today: int, day: int, *, seed: int, n_draws: int,
                least_rows: int = 400) -> Consumed:  # fmt: skip
    """Return what jobs like those of a history take on a day ahead, by a fit."""
    examples = examples_of(table, today, day, least_rows=least_rows)
    drawn = predict(fitted, examples.request, seed=seed, n_draws=n_draws)
    return Consumed(drawn.jobs("pellets_lb").draws, drawn.jobs("minutes").draws, examples.weight)


def rolling_forecasts(
    table: JobTable,
    known: Known,
    planning: Planning,
    *,
    seed: int,
    booked_at: Callable[[int], tuple[NDArray[np.int64], NDArray[np.float64]]] | None = None,
    most_origins: int = MOST_ORIGINS,
) -> ForecastRecord:
    """Return the record of the last months: each forecast uses only what was known on its morning.

    Parameters
    ----------
    table : JobTable
        Jobs before `known.today`, in order of day.
    known : Known
    planning : Planning
        Prior of the learner, which is fitted small (24 states, newest 400 jobs) at every third origin.
    booked_at : callable origin -> (days, chance of coming), optional
        Bookings taken before that morning for days from it on.
    most_origins : int
    """
    if not table.n_jobs:
        return ForecastRecord(())
    first = int(known.job_days.min())
    gaps = find_gaps_of(known)
    actual = {a.month.name: a for a in actual_months(table, first, known.today, gaps)}
    origins = [
        m.first
        for m in months_between(first, known.today - 1)
        if m.first - first >= _LEAST_DAYS and int((table.day < m.first).sum()) >= _LEAST_JOBS
    ][-most_origins:]
    found: list[PastForecast] = []
    fitted: FittedModel | None = None
    for turn, origin in enumerate(origins):
        past = table.take_jobs(table.day < origin)
        months = months_ahead(origin, HORIZON)
        if fitted is None or turn % _REFIT_EVERY == 0:
            newest = past.take_jobs(np.arange(max(past.n_jobs - _NEWEST, 0), past.n_jobs))
            fitted = fit(in_order(usable_jobs(newest)), planning, seed=seed, n_states=_STATES, n_burn=_BURN)
        draws = _draws_at(past, known.before(origin), fitted, months, seed, booked_at)
        for ahead, month in enumerate(months):
            if month.name in actual:
                found.append(_scored(draws, ahead, origin, actual[month.name]))
    return ForecastRecord(tuple(found))


def find_gaps_of(known: Known) -> tuple[Gap, ...]:
    """Return the gaps of the log as they are seen today."""
    return find_gaps(known.job_days, known.deliveries, known.calendar, known.today)


def _draws_at(
    past: JobTable, known: Known, fitted: FittedModel, months: Sequence[Month], seed: int,
    booked_at: Callable[[int], tuple[NDArray[np.int64], NDArray[np.float64]]] | None,
) -> MonthDraws:  # fmt: skip
    rate = learn_rate(known, seed=seed, n_draws=_DRAWS)
    booked = None
    if booked_at is not None:
        days, chance = booked_at(known.today)
        rng = np.random.default_rng([seed % 2**63, known.today])
        booked = BookedAhead(days, rng.random((len(days), _DRAWS)) < chance[:, None])
    consumed = (consumed_by(fitted, past, known.today, month.middle, seed=seed, n_draws=_DRAWS, least_rows=200)
                for month in months)  # fmt: skip
    counts = counts_ahead(rate, months, known.today, booked=booked, seed=seed)
    return month_draws(counts, consumed, months, seed=seed)


def _scored(draws: MonthDraws, ahead: int, origin: int, actual: Actual) -> PastForecast:
    rows = np.stack([draws.jobs[ahead], draws.pellets_lb[ahead], draws.minutes[ahead]])
    came = np.array([actual.jobs, actual.pellets_lb, actual.minutes])
    place = np.where(np.isfinite(came), pit(rows, np.nan_to_num(came)), np.nan)
    return PastForecast(origin, actual.month, ahead, rows.mean(axis=1), np.quantile(rows, LEVELS, axis=1).T, came,
                        place)  # fmt: skip


@dataclass(frozen=True)
class RuleScore:
    """Mean interval score of 80 % intervals of a month's pellets, lb; smaller is better."""

    name: str
    pellets_lb: float


def rule_scores(record: ForecastRecord, months: Sequence[Actual]) -> tuple[RuleScore, ...]:
    """Return the score of the forecast and of simple rules over the same past months, none where untested.

    Parameters
    ----------
    months : sequence of Actual
        All whole months on record, in order; a rule sees those before the forecast was made.
    """
    low, high = LEVELS.index(0.1), LEVELS.index(0.9)
    names = ("this forecast", "the same month last year (else the last one)", "mean of the last three months")
    scores: dict[str, list[float]] = {name: [] for name in names}
    usable = [(a.month.first, a.pellets_lb) for a in months if np.isfinite(a.pellets_lb)]
    for f in record.forecasts:
        past = np.array([lb for first, lb in usable if first < f.origin])
        if len(past) < 2 or not np.isfinite(f.actual[1]):
            continue
        ends = {
            names[0]: f.quantiles[1, [low, high]],
            names[1]: seasonal_naive(past, f.ahead + 1, (0.1, 0.9))[-1],
            names[2]: moving_average(past, f.ahead + 1, (0.1, 0.9))[-1],
        }
        for name, (lower, upper) in ends.items():
            scores[name].append(float(interval_score(f.actual[1], lower, upper, 0.8)))
    return tuple(RuleScore(name, float(np.mean(values))) for name, values in scores.items() if values)
