"""Learning from the book, and the fit that an answer as of a day rests on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.backtest import Record, stored_pits
from models.consumption.conformal import supported
from models.consumption.fitted import FittedModel
from models.consumption.learn import calibrated, fit, learn
from pipeline.answers.answer import Answer
from pipeline.answers.history import history
from pipeline.answers.new_words import new_words_told, with_new_words
from pipeline.answers.verdict import corrections, held_levels, narrow, verdicts
from pipeline.answers.workers import workers_beside
from pipeline.book import fits, tables
from shared.counting import counted
from shared.errors import RimebookError
from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.answers.answer import Asking
    from pipeline.book.fits import StoredFit

    Tell = Callable[[float, str], None]


@dataclass(frozen=True)
class CurrentFit:
    """The fit an answer rests on: stored under a version, or made for this answer alone (version None).

    `unlearned` tells that there is a history that no fit has learned from, which the warnings say already.
    """

    fitted: FittedModel
    version: int | None
    warnings: tuple[str, ...] = ()
    unlearned: bool = False


def current_fit(asking: Asking) -> CurrentFit:
    """Return the fit as of the morning of `asking.today`.

    The stored fit serves where it saw no job on or after that day. Where it did, the learner is fitted anew on the
    past, without storing it, and calibrated on the part of the stored record that lies before that day. Where there
    is no stored fit, planning figures answer. Classes and zones that are newer than the stored fit have today's.
    """
    stored = fits.newest_fit(asking.book)
    if stored is None:
        waiting = _never_learned(asking)
        return CurrentFit(_planned(asking, asking.seed), None, waiting, unlearned=bool(waiting))
    if stored.last_day is not None and stored.last_day >= asking.today:
        said = (
            f"The stored fit has seen jobs on or after {asking.today.isoformat()}; this answer was fitted anew on "
            "what happened before it and is not stored."
        )
        return CurrentFit(_fitted_anew(asking, stored.seed), None, (said,))
    try:
        fitted = FittedModel.from_json(stored.fitted)
    except RimebookError as error:
        if error.problem.code != "fit-version":
            raise
        said = (
            "The stored fit was made by another version of rimebook; this answer was fitted anew and is not stored. "
            "Run `rimebook learn` once to store it."
        )
        return CurrentFit(_fitted_anew(asking, stored.seed), None, (said,))
    said_of_jobs = _stale(asking, stored)
    planned_alike = fitted.planning == asking.book.settings.planning()
    if not stored.n_jobs:
        # Nothing was learned but the planning figures of that day: those of today answer.
        waiting = said_of_jobs and _never_learned(asking)
        now = fitted if planned_alike else _planned(asking, stored.seed)
        return CurrentFit(now, stored.version, waiting, unlearned=bool(waiting))
    if planned_alike:
        return CurrentFit(fitted, stored.version, said_of_jobs)
    fitted, new = with_new_words(fitted, asking.book.settings.planning())
    of_planning = [new_words_told(new)] if new else []
    if fitted.planning != asking.book.settings.planning():
        of_planning.append(
            f"{'Other' if new else 'The'} planning figures in book.toml have changed since the last `rimebook learn`; "
            "run it again to count them."
        )
    return CurrentFit(fitted, stored.version, (*said_of_jobs, *of_planning))


def _planned(asking: Asking, seed: int) -> FittedModel:
    """Return the fit of no job at all: it answers with today's planning figures."""
    return fit(history(asking.book, date.min), asking.book.settings.planning(), seed=seed)


def _fitted_anew(asking: Asking, seed: int) -> FittedModel:
    """Return a fit on what happened before `asking.today`, calibrated on the stored record before that day."""
    table = history(asking.book, asking.today)
    fitted = learn(table, asking.book.settings.planning(), seed=seed, backtest=False)
    kept = fits.stored_record(asking.book)
    record = (Record.from_json(kept[2]) if kept and kept[2] else Record.empty()).before(asking.today.toordinal())
    return calibrated(fitted, record, table, seed) if record.n else fitted


def _never_learned(asking: Asking) -> tuple[str, ...]:
    with asking.book.reading() as connection:
        found = fits.read_data_hash(connection, asking.today)
    if found.startswith("0-"):
        return ()
    return ("The history was never learned from: these are planning figures. Run `rimebook learn`.",)


def _stale(asking: Asking, stored: StoredFit) -> tuple[str, ...]:
    if fits.data_hash(asking.book, asking.today) == stored.data_hash:
        return ()
    return ("The history has changed since the last `rimebook learn`; run it again to count the new jobs.",)


def learned_since(asking: Asking) -> tuple[str, ...]:
    """Tell that the history has changed since the last fit, where there is one that an answer rests on."""
    stored = fits.newest_fit(asking.book)
    if stored is None or (stored.last_day is not None and stored.last_day >= asking.today):
        return ()
    return _stale(asking, stored)


def too_narrow(asking: Asking, fit: CurrentFit) -> tuple[str, ...]:
    """Tell, as `calibration` does, that past intervals were too narrow, where answers are not corrected for that."""
    maps = fit.fitted.maps
    kept = fits.stored_record(asking.book) if maps else None
    if kept is None or not kept[2]:
        return ()
    day, n_before, pit = stored_pits(kept[2])
    learned = (day < asking.today.toordinal()) & (n_before > 0)
    return narrow(held_levels(pit[:, learned]), [q for q, level_map in maps.items() if level_map.rule == "none"])


def of_today(asking: Asking) -> tuple[str, ...]:
    """Tell that jobs dated today are not counted yet: an answer is that of the morning.

    Nothing is told where a past day's answer is made again: nobody knew of that day's jobs on its morning.
    """
    if asking.again:
        return ()
    n = tables.n_visits_on(asking.book, asking.today)
    return (f"{counted(n, 'job')} dated today, {asking.today.isoformat()}: counted from tomorrow on.",) if n else ()


@dataclass(frozen=True)
class HeldLevel:
    """How often past intervals of one level held what happened; None where nothing was tested."""

    level: float
    held: float | None
    supported: bool


@dataclass(frozen=True)
class LearnBacktest:
    """The rolling record in figures: every expectation came from earlier jobs only, and from one at least."""

    jobs: int
    levels: dict[str, tuple[HeldLevel, ...]]


@dataclass(frozen=True)
class LearnResult:
    """What was learned and stored; `verdict` is what `calibration` says of the past intervals, empty without any."""

    version: int
    jobs: int
    lines: int
    backtest: LearnBacktest
    verdict: tuple[str, ...]


BACKTEST_LEVELS = (0.5, 0.8, 0.9)


def learn_book(asking: Asking, tell: Tell | None = None) -> Answer[LearnResult]:
    """Fit, backtest and calibrate on what happened before `asking.today`; store it and return what was stored."""
    book = asking.book
    hashed = fits.data_hash(book, asking.today)
    table = history(book, asking.today)
    with workers_beside(table.n_jobs) as workers:
        fitted = learn(table, book.settings.planning(), seed=asking.seed, progress=tell, workers=workers)
    record = fitted.record()
    version = fits.save_fit(
        book,
        fits.NewFit(
            today=asking.today, data_hash=hashed, seed=asking.seed, n_jobs=fitted.n_jobs, n_lines=fitted.n_lines,
            fitted=replace(fitted, record_text="").to_json(), record=fitted.record_text,
            expected=expected_columns(record),
        ),
    )  # fmt: skip
    warnings: list[str] = []
    left_out = table.n_jobs - fitted.n_jobs
    if not fitted.n_jobs:
        warnings.append(
            "No job with pellets or minutes before "
            f"{asking.today.isoformat()}: answers are planning figures from book.toml. Import a job log."
        )
    elif left_out:
        warnings.append(f"Left out, with neither pellets nor minutes above 0: {counted(left_out, 'job')}.")
    tested = record.take(record.n_before > 0)
    verdict = (*verdicts(held_levels(tested.pit)), *corrections(fitted.maps)) if tested.n else ()
    return Answer(
        LearnResult(version, fitted.n_jobs, fitted.n_lines, _backtest(tested), verdict),
        (*warnings, *of_today(asking)),
    )


def _backtest(record: Record) -> LearnBacktest:
    levels: dict[str, tuple[HeldLevel, ...]] = {}
    for t, quantity in enumerate(QUANTITIES):
        pit = record.pit[t][np.isfinite(record.pit[t])]
        levels[quantity] = tuple(
            HeldLevel(level, float(np.mean(np.abs(pit - 0.5) <= level / 2)) if len(pit) else None,
                      supported(len(pit), level))
            for level in BACKTEST_LEVELS
        )  # fmt: skip
    return LearnBacktest(record.n, levels)


def expected_columns(record: Record) -> dict[str, list[object]]:
    """Return the record as columns of the table `expectations`, one row a job and quantity."""
    places = [QUANTILE_LEVELS.index(q) for q in (0.1, 0.5, 0.9)]
    days = [date.fromordinal(d) for d in record.day.tolist()]
    columns: dict[str, list[object]] = {
        c: [] for c in ("job_id", "day", "quantity", "mean", "q10", "q50", "q90", "pit", "actual")
    }
    for t, quantity in enumerate(QUANTITIES):
        columns["job_id"] += record.job_id
        columns["day"] += days
        columns["quantity"] += [quantity] * record.n
        columns["mean"] += record.mean[t].tolist()
        for name, place in zip(("q10", "q50", "q90"), places, strict=True):
            columns[name] += record.quantiles[t, :, place].tolist()
        columns["pit"] += [None if p != p else p for p in record.pit[t].tolist()]
        columns["actual"] += [None if a != a else a for a in record.actual[t].tolist()]
    return columns
