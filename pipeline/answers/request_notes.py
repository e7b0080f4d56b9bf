"""What must be said of what jobs name: newcomers, new work, how somebody grades soil, zones together, odd dates."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import CELL
from models.consumption.grades import usual_grades
from models.consumption.usual_order import later_share, usual_order
from pipeline.answers.requests import as_logged, known_codes, spellings
from shared.counting import counted
from shared.errors import nearest
from shared.vocabulary import UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Sequence, Set
    from datetime import date

    from pipeline.answers.fitting import CurrentFit
    from pipeline.answers.requests import JobAsked

#: A job dated further back, or further ahead, than so many days is told: most likely its year is a slip.
_PAST_DAYS, _AHEAD_DAYS = 31, 366


def request_notes(fit: CurrentFit, jobs: Sequence[JobAsked], today: date) -> tuple[str, ...]:
    """Return what must be said of the words and the days of jobs that are asked about on the morning of a day."""
    zones = {line.zone for job in jobs if len(job.lines) > 1 for line in job.lines}
    return (
        *_newcomers(fit, jobs), *_never_done(fit, jobs), *_graded_otherwise(fit, jobs), *order_note(fit, zones),
        *_dated_far(jobs, today),
    )  # fmt: skip


def _newcomers(fit: CurrentFit, jobs: Sequence[JobAsked]) -> tuple[str, ...]:
    """Return what must be said of machines and operators that no learned job has: a slip of the pen, or new ones."""
    said: list[str] = []
    for column, codes in known_codes(fit.fitted).items():
        known = spellings(code for code in codes if code)
        asked = dict.fromkeys(str(getattr(line, column)) for job in jobs for line in job.lines)
        for code in asked:
            if not code or not known or code.casefold() in known:
                continue
            near = nearest(code.casefold(), list(known))
            said.append(
                f"{column.capitalize()} `{code}` stands in no job that was learned"
                + (f"; did you mean `{known[near]}`?" if near else ".")
                + f" It counts as a new {column}."
            )
    return tuple(said)


def _never_done(fit: CurrentFit, jobs: Sequence[JobAsked]) -> tuple[str, ...]:
    """Return which zones no learned job has, and which classes beside known ones of a visit, which hide them.

    Of a visit of such a class alone the basis says already that no past job is like it, and so it does of any job
    where nothing was learned.
    """
    past = [pair.split(CELL) for kind in fit.fitted.kinds for pair in kind.split("\n")]
    if not past:
        return ()
    classes, zones = {pair[0] for pair in past}, {pair[1] for pair in past}
    of_visits = [{line.vehicle_class for line in job.lines} for job in jobs]
    new = dict.fromkeys(x.vehicle_class for job in jobs for x in job.lines if x.vehicle_class not in classes)
    named = [c for c in new if any(c in visit and visit & classes for visit in of_visits)]
    named += dict.fromkeys(line.zone for job in jobs for line in job.lines if line.zone not in zones)
    if not named:
        return ()
    *others, last = (name.replace("_", " ") for name in named)
    told = f"{', '.join(others)} or {last}" if others else last
    return (f"No past job has {told}: {'those parts rest' if others else 'that part rests'} on planning figures.",)


def _graded_otherwise(fit: CurrentFit, jobs: Sequence[JobAsked]) -> tuple[str, ...]:
    """Return what must be said of named operators whose soil levels are read as other ones."""
    fitted = fit.fitted
    grades = usual_grades(fitted.states.grade, fitted.columns.blocks["operator"])
    graders, lines = spellings(grades), (line for job in jobs for line in job.lines)
    named = dict.fromkeys(as_logged(x.operator, graders) for x in lines if x.soil_level not in ("", UNKNOWN))
    words = {1: ("higher", "lower"), -1: ("lower", "higher")}
    return tuple(
        f"Operator `{o}` writes soil a level {words[grades[o]][0]} than the colleagues do for what takes the same: the "
        f"levels named are read as one {words[grades[o]][1]}."
        for o in named
        if o in grades
    )


def order_note(
    fit: CurrentFit, zones: Set[str], so: str = "Zones asked about together count as worked in the order"
) -> tuple[str, ...]:
    """Return what must be said of zones that are worked in one visit, where later ones take less.

    Parameters
    ----------
    so : str
        What the order, which ends the text, means here.
    """
    fitted = fit.fitted
    order = usual_order(fitted.states, fitted.columns)
    if not order or not zones:
        return ()
    less = 100 * np.maximum(1 - later_share(fitted.states, fitted.columns), 0.0)
    of = zip(less.tolist(), ("pellets", "time"), fitted.n_values, strict=True)
    told = " and ".join(f"{share:.0f} % less {what}" for share, what, n in of if n)
    named = ", ".join(f"`{zone}`" for zone in (*order, *sorted(zones - set(order))) if zone in zones)
    return (
        f"In this log only the first zone of a visit takes what it takes alone; later ones take about {told}. "
        f"{so} {named}.",
    )


def _dated_far(jobs: Sequence[JobAsked], today: date) -> tuple[str, ...]:
    """Return what must be said of jobs whose day is hardly meant: a season is told for it, and nothing else."""
    past = [job.day for job in jobs if job.day < today - timedelta(days=_PAST_DAYS)]
    ahead = [job.day for job in jobs if job.day > today + timedelta(days=_AHEAD_DAYS)]
    said = []
    if past:
        said.append(
            f"{counted(len(past), 'job')} asked about {_is(past)} dated more than a month before today (the earliest "
            f"{min(past)}): the answer is what the shop takes now, at that time of year. Check the date; `--today` "
            "asks what was known on a past morning."
        )
    if ahead:
        said.append(
            f"{counted(len(ahead), 'job')} asked about {_is(ahead)} dated more than a year ahead (the latest "
            f"{max(ahead)}): nothing logged tells what will have changed by then. Check the date."
        )
    return tuple(said)


def _is(days: Sequence[date]) -> str:
    return "is" if len(days) == 1 else "are"
