"""Changes in time of machines and operators: found one after another, then each placed and sized beside the others."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.technique.attribution import CONFIRM, attribute, beyond_shop
from models.technique.design import step_column
from models.technique.drift import alarm_of, restarts, watch
from models.technique.likejobs import fit_like_jobs
from models.technique.minutes_beside import views, views_without
from models.technique.setting_changes import setting_changes
from models.technique.shrinkage import mixed
from models.technique.stretches import step_rows, stretches

if TYPE_CHECKING:
    from models.consumption.jobs import JobTable
    from models.technique.attribution import Attribution
    from models.technique.design import Step
    from models.technique.drift import Stream
    from models.technique.minutes_beside import Figures, Views
    from models.technique.setting_changes import SeenChange
    from models.technique.shrinkage import Shrunk
    from models.technique.stretches import Ground, Place

_MOST_CHANGES = 8


@dataclass(frozen=True)
class Change:
    """A step in time.

    Attributes
    ----------
    step : Step
    rival : Step or None
        Another change that explains it as well.
    alarm_day : int
    p_value : float
    up : bool
    place : Place or None
        Where settings, read without looking at pellets, say that it lies.
    """

    step: Step
    rival: Step | None
    alarm_day: int
    p_value: float
    up: bool
    place: Place | None = None


@dataclass(frozen=True)
class Sized:
    """A change with its size.

    Attributes
    ----------
    change : Change
    raw, error : float
        Log ratio inside against outside, and its standard error where the place is known.
    posterior : Shrunk
        Of the log ratio, the place not known.
    same_minutes : float
        Posterior chance that minutes did not change with it; 0 without minutes on record.
    """

    change: Change
    raw: float
    error: float
    posterior: Shrunk
    same_minutes: float = 0.0


@dataclass(frozen=True)
class Found:
    """What the search came to.

    Attributes
    ----------
    seen : Views
        With the known and the found changes, without settings: a setting may be how a change came about.
    changes : tuple of Change
    n_streams : int
    """

    seen: Views
    changes: tuple[Change, ...]
    n_streams: int


def find_changes(table: JobTable, figures: Figures, known: tuple[Step, ...]) -> Found:
    """Look for changes one after another until nothing stands out any more.

    What stands out most of all the record is taken first, whenever it began and whichever way it went, since all else
    may be its echo: beside a machine that got better the others seem to have risen. It is kept when its stretch stands
    out from its whole stream (`CONFIRM`).
    """
    days: dict[tuple[str, str], tuple[int, ...]] = {}

    def restart(step: Step) -> None:
        at = (d for d in (step.since, step.until) if d is not None)
        days[step.kind, step.name] = (*days.get((step.kind, step.name), ()), *at)

    for step in known:
        restart(replace(step, until=None))
    seen = views(table, figures, fit_like_jobs(table, figures.pellets, steps=known, settings=False), known)
    changes, seen = _seen_in_settings(table, figures, known, seen)
    for change in changes:
        restart(change.step)
    last = int(table.day.max())
    while True:
        streams = watch(table, seen.alone.fit)
        found = attribute(table, seen, [(s.kind, s.name) for s in streams])
        if found is None or not _is_new(found, changes) or len(changes) >= _MOST_CHANGES:
            return Found(seen, tuple(changes), len(streams))
        restart(found.step)
        alarm = _alarm_of(streams, days, found)
        changes.append(Change(found.step, found.rival, last if alarm is None else alarm, found.chance, found.z > 0))
        seen = _with_steps(table, figures, (*known, *(c.step for c in changes)), seen)


def _with_steps(table: JobTable, figures: Figures, steps: tuple[Step, ...], like: Views) -> Views:
    """Return the views of the fit that holds steps."""
    alone = fit_like_jobs(table, figures.pellets, steps=steps, settings=False, like=like.alone.fit)
    return views(table, figures, alone, steps, like=like)


def _alarm_of(streams: list[Stream], days: dict[tuple[str, str], tuple[int, ...]], found: Attribution) -> int | None:
    """Return the day on which a change's own stream alarmed its way, watched anew from its first day; None if never."""
    for stream in streams:
        if (stream.kind, stream.name) == (found.step.kind, found.step.name):
            alarm = alarm_of(stream, restarts(stream, days), since=found.step.since)
            return alarm.day if alarm is not None and alarm.up == (found.z > 0) else None
    return None


def _is_new(found: Attribution, changes: list[Change]) -> bool:
    return found.chance <= CONFIRM and found.step not in [c.step for c in changes]


def _seen_in_settings(
    table: JobTable, figures: Figures, known: tuple[Step, ...], plain: Views
) -> tuple[list[Change], Views]:
    """Return changes that the recorded settings show by themselves and whose pellets rose with them, and their fit.

    Settings leave only a few places open, so the test pays for those alone.
    """
    changes: list[Change] = []
    kept: list[SeenChange] = []
    seen = plain
    for shift in sorted(setting_changes(table), key=lambda c: -c.statistic):
        if any(shift.is_part_of(other) for other in kept):
            continue
        step, p = _placed(table, seen, shift.core, shift.place, sign=1.0)
        if p <= CONFIRM:
            changes.append(Change(step, None, int(table.day.max()), p, True, shift.place))
            kept.append(shift)
            # what this one explains does not count for the next
            seen = _with_steps(table, figures, (*known, *(c.step for c in changes)), plain)
    return changes, seen


def _placed(table: JobTable, seen: Views, step: Step, place: Place | None, *, sign: float) -> tuple[Step, float]:
    """Return a change where its posterior puts it, and the chance of so much, in the view that shows it best.

    A view counts where it shows more than a change of the whole shop; the chance is 1 where none does.
    """
    best = step, 1.0
    for ground in seen.all:
        tried = stretches(table, ground, step.kind, step.name)
        if tried is None:
            continue
        here = tried.near(step) if place is None else tried.within(place)
        middle = here.likeliest(here.weights(sign=sign))
        if middle is None or not beyond_shop(table, ground, middle, sign=sign):
            continue
        if ground is seen.beside and not seen.counts_beside(table, middle, sign=sign):
            continue
        if place is None:
            top = here.best(sign=sign)
            chance = 1.0 if top is None else top[2]
        else:
            chance = here.chance_of_best()
        chance = min(1.0, chance * len(seen.all))
        if chance < best[1]:
            best = middle, chance
    return best


def _size_in(table: JobTable, ground: Ground, change: Change, step: Step) -> tuple[float, float, Shrunk] | None:
    """Return estimate, error and posterior of a change in one view; None where the record does not tell."""
    tried = stretches(table, ground, step.kind, step.name)
    measured = ground.measured(step_rows(table, ground.fit, step))
    if tried is None or measured is None:
        return None
    here = tried.near(change.step) if change.place is None else tried.within(change.place)
    weight = here.weights(sign=1.0 if change.up else -1.0)
    ended = weight[:, : len(here.days)].sum() if step.until is not None else weight[:, len(here.days)].sum()
    return (*measured, here.size(weight, like=step)) if ended > 0 else None


def place_and_size(
    table: JobTable, figures: Figures, known: tuple[Step, ...], found: Found
) -> tuple[Found, tuple[Sized, ...]]:
    """Return each change placed, tested and sized with all others in the fit; what no longer stands out is left out.

    A change found early may be the echo of one found later: while one machine's rise is not in the fit, the shop's
    level takes a part of it and the other machines seem to have sunk. So the one that stands out least is dropped until
    all stand out beside the others (`CONFIRM`).
    """
    while True:
        sized = tuple(_beside_others(table, found.seen, change) for change in found.changes)
        worst = max(sized, key=lambda s: s.change.p_value, default=None)
        if worst is None or worst.change.p_value <= CONFIRM:
            return found, sized
        kept = tuple(c for c, s in zip(found.changes, sized, strict=True) if s is not worst)
        steps = (*known, *(c.step for c in kept))
        found = replace(found, changes=kept, seen=_with_steps(table, figures, steps, found.seen))


def _beside_others(table: JobTable, full: Views, change: Change) -> Sized:
    """Return one change placed, tested and sized.

    The size is averaged over where the change may lie, and over whether minutes changed with it: if not, pellets are
    read beside them. Variances and robust weights are those of the fit that holds the change: without it, they would
    take the change for noise and pull its size down.
    """
    seen = views_without(table, full, change.step)
    placed = change
    if change.step.kind != "shop":
        step, chance = _placed(table, seen, change.step, change.place, sign=1.0 if change.up else -1.0)
        placed = replace(change, step=step, p_value=chance)
    return _sized(table, seen, placed, change)


def _sized(table: JobTable, seen: Views, placed: Change, before: Change) -> Sized:
    from models.technique.shrinkage import shrink_alone

    near = replace(before, place=placed.place)
    alone = _size_in(table, seen.alone, near, placed.step)
    if alone is None:
        return Sized(placed, 0.0, 1.0, shrink_alone(0.0, 1.0))
    beside = None if seen.beside is None else _size_in(table, seen.beside, near, placed.step)
    if beside is None:
        return Sized(placed, *alone)
    part = seen.chance_unchanged(table, placed.step)
    raw, error = (part * b + (1.0 - part) * a for a, b in zip(alone[:2], beside[:2], strict=True))
    return Sized(placed, float(raw), float(error), mixed(beside[2], alone[2], part), part)


def jobs_in(table: JobTable, step: Step) -> np.ndarray:
    """Return the jobs inside a step's stretch, shape (n,)."""
    return np.unique(table.line_job[step_column(table, step) > 0])
