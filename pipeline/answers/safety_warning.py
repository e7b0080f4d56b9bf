"""The warning nobody asked for: a job whose ice would pass a limit in the book's only bay."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

import numpy as np

from models.air.gas import PPM
from models.air.room import SHIFT_MIN, SHORT_TERM_MIN, co2_course, looked_at_min, shift_exposure, timeline, work_sources
from pipeline.answers.amounts import flow, percent
from pipeline.answers.safety_air import scenarios_used
from pipeline.answers.safety_space import bay_space, room_of
from shared.limits import limit_of, limits_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from models.air.course import Course
    from models.air.room import Room
    from models.consumption.answer import Consumption
    from pipeline.answers.safety_space import Space
    from pipeline.book.settings import Settings
    from shared.limits import Limit

    Array = NDArray[np.float64]

#: A chance below this is not warned of unasked.
LEAST_CHANCE = 0.1
_MOST_NAMED = 3


def bay_chances(settings: Settings, consumption: Consumption) -> dict[str, Array]:
    """Return each job's chance of passing each limit in the book's only bay, by the limit's key; empty where none.

    Each job stands alone in the bay from outdoor air, its zones one after the other without a pause, at the bay's
    entered air (none where none is entered). A book with no bay, several bays or a bay without dimensions has none.

    Parameters
    ----------
    settings : Settings
    consumption : Consumption
        Draws of the jobs of one estimate or quote.

    Raises
    ------
    RimebookError
        Where the book's [limits] are above the standard's.
    """
    space = _only_bay(settings)
    if space is None or not consumption.request.n_jobs:
        return {}
    shift_min = max(SHIFT_MIN, 60 * settings.shop.hours_per_day)
    return chances_of_passing(room_of(space), limits_for(settings.limits), consumption, shift_min=shift_min)


def bay_sentences(settings: Settings, job_ids: Sequence[str], chances: Mapping[str, Array]) -> list[str]:
    """Return a warning for each limit that the ice of a job would pass in at least one scenario in ten.

    Parameters
    ----------
    settings : Settings
    job_ids : sequence of str
    chances : mapping of a limit's key to an array (n_jobs,)
        As `bay_chances` tells them.
    """
    space = _only_bay(settings)
    if space is None or not chances:
        return []
    air = "at its entered air" if space.air_cfm > 0 else "for which no ventilation is entered"
    if space.two_airs_cfm is not None:
        low, high = (flow(cfm, settings.shop.units) for cfm in sorted(space.two_airs_cfm))
        air = f"at the smaller of its two entered airs, which disagree ({low} and {high})"
    return [
        _sentence(limit, next(iter(settings.bays)), air, job_ids, chances[limit.key])
        for limit in limits_for(settings.limits)
        if (chances[limit.key] >= LEAST_CHANCE).any()
    ]


def _only_bay(settings: Settings) -> Space | None:
    if len(settings.bays) != 1:
        return None
    name, bay = next(iter(settings.bays.items()))
    space = bay_space(name, bay)
    return space if space.volume_ft3 else None


def _sentence(limit: Limit, bay: str, air: str, job_ids: Sequence[str], chance: Array) -> str:
    over = np.flatnonzero(chance >= LEAST_CHANCE)
    named = ", ".join(job_ids[i] for i in over[:_MOST_NAMED].tolist())
    more = f" and {len(over) - _MOST_NAMED} more" if len(over) > _MOST_NAMED else ""
    which = "The ice of this job" if len(job_ids) == 1 else f"The ice of {named}{more}"
    share = f"{'up to ' if len(job_ids) > 1 else ''}{percent(float(np.max(chance)))} of scenarios"
    command = f"rimebook safety --bay {shlex.quote(bay)}"
    return (
        f"{which} would exceed {limit.value:,.0f} {limit.unit} ({limit.name}; {limit.source}) in bay `{bay}`, {air}, "
        f"in {share}, were the air well mixed; near the floor it can be far more. See `{command}`."
    )


def chances_of_passing(
    room: Room, limits: tuple[Limit, ...], consumption: Consumption, *, shift_min: float = SHIFT_MIN
) -> dict[str, Array]:
    """Return each job's chance of passing each limit, by the limit's key, arrays (n_jobs,)."""
    lb, minutes = _padded(consumption)
    sources = work_sources(lb, minutes)
    worked = sources[-1].end_min
    n_jobs = consumption.request.n_jobs
    course = co2_course(room, timeline(sources, [], looked_at_min(worked, shift_min)))

    def chance(passed: NDArray[np.bool_]) -> Array:
        return np.asarray(passed.reshape(n_jobs, -1).mean(axis=1), dtype=np.float64)

    peak, shift = limit_of(limits, "peak"), limit_of(limits, "shift_average")
    short = limit_of(limits, "short_term")
    return {
        shift.key: chance(shift_exposure(course, shift_min, worked) > shift.value / PPM),
        short.key: chance(_passes_short(course, short.value / PPM)),
        peak.key: chance(course.peak() > peak.value / PPM),
    }


def _passes_short(course: Course, limit: float) -> NDArray[np.bool_]:
    """Return which columns pass the 15-minute limit; only those whose peak does are looked at, for speed."""
    passed = course.peak() > limit
    if passed.any():
        passed[passed] = course.take(passed).highest_running_average(SHORT_TERM_MIN) > limit
    return passed


def _padded(consumption: Consumption) -> tuple[Array, Array]:
    """Return ice and minutes as (most lines of a job, n_jobs * n_draws); shorter jobs end with empty work."""
    request = consumption.request
    columns = scenarios_used(consumption.pellets.n_draws)
    first = np.searchsorted(request.line_job, np.arange(request.n_jobs))
    place = np.arange(request.n_lines) - first[request.line_job]
    shape = (int(place.max()) + 1 if len(place) else 1, request.n_jobs, len(columns))
    lb, minutes = np.zeros(shape), np.zeros(shape)
    lb[place, request.line_job] = consumption.pellets.draws[:, columns]
    minutes[place, request.line_job] = consumption.minutes.draws[:, columns]
    return lb.reshape(shape[0], -1), minutes.reshape(shape[0], -1)
