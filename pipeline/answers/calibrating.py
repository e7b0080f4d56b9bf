"""How honest past intervals were: coverage by level, group and time, and scores against simpler rules."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.averages import cell_average, shop_average
from models.consumption.backtest import Record
from models.consumption.learn import CALIBRATION_JOBS
from models.consumption.shift import level_shift
from models.scores import interval_score
from pipeline.answers.answer import Answer
from pipeline.answers.fitting import current_fit, learned_since
from pipeline.answers.history import history
from pipeline.answers.verdict import FEW_JOBS, GROUP_LEVEL, Held, corrected, held_at, held_levels, verdicts
from pipeline.book import fits
from shared.counting import counted
from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES, SOILS, UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from pipeline.answers.answer import Asking

N_BINS = 10
_RULES = (("shop average", shop_average), ("cell average", cell_average))


@dataclass(frozen=True)
class GroupHeld:
    """The same for one group of jobs."""

    by: str
    name: str
    level: float
    held: float
    jobs: int


@dataclass(frozen=True)
class RuleScore:
    """Mean interval score at 0.8, in lb and min; smaller is better."""

    name: str
    pellets_lb: float | None
    minutes: float | None


@dataclass(frozen=True)
class ShiftRatio:
    """Level after a shift over that before, with its interval."""

    estimate: float
    low: float
    high: float
    level: float


@dataclass(frozen=True)
class ShiftFound:
    """A level shift in what jobs take beyond what was expected."""

    date: date
    quantity: str
    ratio: ShiftRatio


@dataclass(frozen=True)
class CalibrationResult:
    """The record's verdict.

    `shifts` has the level shift of each quantity that has one, `shift` the first of them. `pit` counts past outcomes by
    where they fell in their predictive, tenth by tenth; `maps` names the correction of each quantity's answers,
    see `models.consumption.mapping`.
    """

    levels: tuple[Held, ...]
    groups: tuple[GroupHeld, ...]
    scores: tuple[RuleScore, ...]
    shift: ShiftFound | None
    pit: dict[str, tuple[int, ...]]
    maps: dict[str, str]
    advice: tuple[str, ...]
    shifts: tuple[ShiftFound, ...] = ()


def calibration(asking: Asking) -> Answer[CalibrationResult]:
    """Return how learned intervals of past jobs held, each job answered from earlier ones alone."""
    stored = fits.stored_record(asking.book)
    if stored is None or not stored[2]:
        nothing = "Nothing to judge yet: log jobs, then run `rimebook learn`."
        empty = CalibrationResult((), (), (), None, {}, {}, (nothing,))
        return Answer(empty, ("There is no backtest record yet; run `rimebook learn` once there are finished jobs.",))
    record = Record.from_json(stored[2]).before(asking.today.toordinal())
    # What planning figures answered before anything was learned tells nothing of what the learner answers.
    n_planned = int((record.n_before == 0).sum())
    record = record.take(record.n_before > 0)
    table = history(asking.book, asking.today)
    levels = held_levels(record.pit)
    groups = tuple(_groups(record, table))
    scores = tuple(_scores(record, table))
    shifts = tuple(_shifts(record))
    pit: dict[str, tuple[int, ...]] = {
        q: tuple(np.histogram(p[np.isfinite(p)], bins=N_BINS, range=(0, 1))[0].tolist())
        for q, p in zip(QUANTITIES, record.pit, strict=True)
    }
    maps = current_fit(asking).fitted.maps
    rules: dict[str, str] = {q: maps[q].rule if q in maps else "none" for q in QUANTITIES}
    advice = (*_advice(levels, groups, scores, shifts), *corrected(maps), *_left_out(n_planned))
    first = shifts[0] if shifts else None
    return Answer(CalibrationResult(levels, groups, scores, first, pit, rules, advice, shifts), learned_since(asking))


def _groups(record: Record, table: JobTable) -> Iterator[GroupHeld]:
    place = {job: row for row, job in enumerate(table.job_id)}
    rows = np.array([place.get(job, -1) for job in record.job_id], dtype=np.int64)
    soil = [SOILS[s] if s >= 0 else UNKNOWN for s in table.soil.tolist()]
    columns = {"class": table.vehicle_class.words(), "zone": table.zone.words(), "soil": soil,
               "operator": table.operator.words()}  # fmt: skip
    for by, words in columns.items():
        members: dict[str, set[int]] = {}
        for line, word in enumerate(words):
            if word:
                members.setdefault(word, set()).add(int(table.line_job[line]))
        for name, jobs in sorted(members.items()):
            yield from _group(record, by, name, np.isin(rows, np.fromiter(jobs, dtype=np.int64)))
    quarters = [f"{(d := date.fromordinal(o)).year}-Q{(d.month + 2) // 3}" for o in record.day.tolist()]
    for name in sorted(set(quarters)):
        yield from _group(record, "quarter", name, np.array([q == name for q in quarters]))


def _group(record: Record, by: str, name: str, chosen: NDArray[np.bool_]) -> Iterator[GroupHeld]:
    held = held_at(record.pit[:, chosen], GROUP_LEVEL) if chosen.any() else None
    if held is not None:
        yield GroupHeld(by, name, GROUP_LEVEL, held.held, held.jobs)


def _scores(record: Record, table: JobTable) -> Iterator[RuleScore]:
    """Score the learner and the rules of thumb on the same jobs, each rule refitted when the learner was."""
    low, high = QUANTILE_LEVELS.index(0.1), QUANTILE_LEVELS.index(0.9)
    ends = {"learned": record.quantiles[:, :, [low, high]]}
    place = {job: row for row, job in enumerate(table.job_id)}
    for name, rule in _RULES:
        found = np.full((2, record.n, 2), np.nan)
        for n_before in np.unique(record.n_before):
            rows = np.flatnonzero(record.n_before == n_before)
            past = table.take_jobs(table.day < record.day[rows].min())
            known = [i for i in rows.tolist() if record.job_id[i] in place]
            order = sorted(known, key=lambda i: place[record.job_id[i]])
            request = table.take_jobs(np.array([place[record.job_id[i]] for i in order], dtype=np.int64))
            for t, quantity in enumerate(QUANTITIES):
                if order and np.isfinite(past.job_total(quantity)).any():
                    found[t, order] = rule(past, request.without_figures(), quantity, (0.1, 0.9))
        ends[name] = found
    shared = np.isfinite(record.actual) & np.all([np.isfinite(e).all(axis=2) for e in ends.values()], axis=0)
    for name, e in ends.items():
        mean = [
            float(interval_score(record.actual[t, shared[t]], e[t, shared[t], 0], e[t, shared[t], 1], 0.8).mean())
            if shared[t].any()
            else None
            for t in range(2)
        ]
        yield RuleScore(name, mean[0], mean[1])


def _shifts(record: Record) -> Iterator[ShiftFound]:
    """Find the level shift of each quantity that has one."""
    middle = QUANTILE_LEVELS.index(0.5)
    for t, quantity in enumerate(QUANTITIES):
        # The first answers stand on planning figures: that learning leaves them is no shift of the shop's.
        rows = np.flatnonzero(np.isfinite(record.actual[t]) & (record.n_before >= CALIBRATION_JOBS))
        log_ratio = np.log(record.actual[t, rows]) - np.log(record.quantiles[t, rows, middle])
        found = level_shift(log_ratio)
        if found is not None:
            day = date.fromordinal(int(record.day[rows[found.row]]))
            yield ShiftFound(day, quantity, ShiftRatio(found.ratio, found.low, found.high, 0.95))


def _advice(
    levels: tuple[Held, ...],
    groups: tuple[GroupHeld, ...],
    scores: tuple[RuleScore, ...],
    shifts: tuple[ShiftFound, ...],
) -> Iterator[str]:
    yield from verdicts(levels)
    if not levels:
        return
    far = [g for g in groups if g.jobs >= FEW_JOBS and g.held < GROUP_LEVEL - 0.05 - 2 * np.sqrt(0.16 / g.jobs)]
    for group in sorted(far, key=lambda g: g.held)[:3]:
        yield (
            f"Of {group.jobs} jobs with {group.by} {group.name.replace('_', ' ')} only {group.held * 100:.0f} % were "
            "held: check how their soil is graded and their ice is logged."
        )
    learned, *rules = scores
    beaten = [r.name for r in rules if _better(r, learned)]
    if beaten:
        yield f"A simpler rule ({', '.join(beaten)}) scored better on past jobs: use estimates with care."
    yield from (_shift_words(shift) for shift in shifts)


def _shift_words(shift: ShiftFound) -> str:
    """Return what shifted, since when, and where to look; a change of technique is tested on pellets alone."""
    told = f"a factor of {shift.ratio.estimate:.2f} against what was expected, since about {shift.date}"
    learned = "answers learn part of it with time, so the change itself is likely larger"
    if shift.quantity == "pellets_lb":
        return (
            f"The pellets that jobs take have shifted by {told} ({learned}): see `rimebook technique --change "
            f"{shift.date}` and note the cause."
        )
    return (
        f"The minutes that jobs take have shifted by {told} ({learned}): look at who worked, and whether set-up, "
        "clean-up or a second person's time has been counted as hands-on minutes since."
    )


def _left_out(n_planned: int) -> Iterator[str]:
    if n_planned:
        left = counted(n_planned, "job")
        yield f"Not counted: {left} done before anything was learned, answered from planning figures."


def _better(rule: RuleScore, learned: RuleScore) -> bool:
    pairs = [(rule.pellets_lb, learned.pellets_lb), (rule.minutes, learned.minutes)]
    ratios = [a / b for a, b in pairs if a is not None and b]
    return bool(ratios) and float(np.mean(ratios)) < 1.0
