"""What planned work and stored ice do to the air of a space: CO2 over time, limits, and the air that keeps them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from models.air.course import Course
from models.air.gas import PPM, oxygen_percent
from models.air.room import (
    SHIFT_MIN,
    SHORT_TERM_MIN,
    Airing,
    Room,
    Source,
    Timeline,
    co2_course,
    flow_needed_cfm,
    looked_at_min,
    shift_exposure,
    store_source,
    timeline,
    work_sources,
)
from pipeline.answers.answer import QuantitySummary, summarise
from shared.errors import RimebookError
from shared.units import MIN_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from shared.limits import Kind, Limit

    Array = NDArray[np.float64]

#: Scenarios used of the air: enough for the quantiles told, few enough to answer at once.
MOST_DRAWS = 500
CURVE_STEP_MIN = 10
MOST_CURVE_MIN = MIN_PER_DAY
#: A limit that fewer scenarios reach has no time told.
LEAST_SHARE = 0.05
OXYGEN_NOTE = "does not guard against CO2"


def scenarios_used(n_draws: int) -> NDArray[np.int64]:
    """Return which of so many scenarios the air is told from, the same in a job's warning and in its safety answer."""
    return np.linspace(0, n_draws - 1, min(n_draws, MOST_DRAWS)).astype(np.int64)


@dataclass(frozen=True)
class Work:
    """Planned work in one space, one zone after the other, and ice stored there.

    Attributes
    ----------
    lb, minutes : float64 arrays (n_works, n_draws)
    vehicle : int64 array (n_works,)
        Which vehicle each piece of work belongs to; a change is when one leaves.
    pause_min : float
        Minutes without blasting between two pieces of work.
    stored_lb : float
    stored_lb_day : float64 array (n_draws,)
        What the store loses a day.
    stood_min : float
        How long it has stood there before the work, in the same air; 0 for ice that was just brought.
    """

    lb: Array
    minutes: Array
    vehicle: NDArray[np.int64]
    pause_min: float
    stored_lb: float
    stored_lb_day: Array
    stood_min: float = 0.0

    def end_min(self) -> Array:
        """Return when the last work ends, shape (n_draws,)."""
        n = len(self.lb)
        return np.asarray(self.minutes.sum(axis=0) + self.pause_min * max(n - 1, 0), dtype=np.float64)


@dataclass(frozen=True)
class Co2:
    """CO2 in ppm: the highest moment, the worst shift's exposure over 8 hours, the highest mean of 15 minutes."""

    peak: QuantitySummary
    average_8h: QuantitySummary
    average_15min: QuantitySummary


@dataclass(frozen=True)
class Oxygen:
    """The lowest oxygen, shown only beside its note."""

    lowest: QuantitySummary
    note: str = OXYGEN_NOTE


@dataclass(frozen=True)
class CurvePoint:
    """CO2 at a minute after the first job's start."""

    minute: int
    ppm: QuantitySummary


@dataclass(frozen=True)
class LimitAnswer:
    """A limit, when it would be reached at today's air, and the air that would keep it.

    `reached_after_min` is when the air itself first stands at the limit's concentration, over the scenarios in which it
    does; None where fewer than one in twenty do. The limit as such, a mean, is passed later or not at all.
    `flow_needed_cfm` is the outdoor air in cfm at which the limit's own mean or peak just keeps it, `chance_exceeded`
    the share of scenarios in which it is passed at today's air. `used_up_after_min` is when the exposure so far has
    used up an 8-hour limit; None for other limits, and where fewer than one scenario in twenty gets there.
    """

    name: str
    value: float
    unit: str
    source: str
    reached_after_min: QuantitySummary | None
    flow_needed_cfm: QuantitySummary
    chance_exceeded: float
    used_up_after_min: QuantitySummary | None


@dataclass(frozen=True)
class Air:
    """The whole answer on air; `flow_needed_cfm` is the outdoor air in cfm that keeps every limit of a scenario."""

    co2_ppm: Co2
    oxygen_percent: Oxygen
    curve: tuple[CurvePoint, ...]
    limits: tuple[LimitAnswer, ...]
    flow_needed_cfm: QuantitySummary


def _measures(shift_min: float, work_end_min: Array) -> dict[Kind, Callable[[Course], Array]]:
    return {
        "peak": Course.peak,
        "short_term": partial(Course.highest_running_average, window_min=SHORT_TERM_MIN),
        "shift_average": partial(shift_exposure, shift_min=shift_min, work_end_min=work_end_min),
    }


def _sources(work: Work, until_min: float, door_cfm: float) -> tuple[list[Source], list[Airing]]:
    """Return what gives gas, and the times between two vehicles in which the door's measured flow counts."""
    jobs = work_sources(work.lb, work.minutes, work.pause_min) if len(work.lb) else []
    changes = [i for i in range(len(jobs) - 1) if work.vehicle[i] != work.vehicle[i + 1]] if door_cfm > 0 else []
    airings = [Airing(jobs[i].end_min, jobs[i + 1].start_min, door_cfm) for i in changes]
    if work.stored_lb > 0:
        jobs = [*jobs, store_source(work.stored_lb, work.stored_lb_day, until_min)]
    return jobs, airings


@dataclass(frozen=True)
class AirTerms:
    """How the figures are told.

    Attributes
    ----------
    limits : tuple of Limit
    low_layer_factor : float
        The shop's own multiplier, >= 1, on what stands above outdoor air; no factor is published.
    door_cfm : float
        Flow through the door while one vehicle leaves and the next comes in.
    shift_min : float
        Length of a shift, >= 480.
    level : float
    n_scores : int
    """

    limits: tuple[Limit, ...]
    low_layer_factor: float = 1.0
    door_cfm: float = 0.0
    shift_min: float = SHIFT_MIN
    level: float = 0.8
    n_scores: int = 0


def assess_air(room: Room, work: Work, terms: AirTerms) -> Air:
    """Return what the work does to the air.

    With a low-layer factor f the air itself is taken as C_out + f (C - C_out) all along: its peak, its means and what
    is breathed of it are told and compared with the limits.

    Raises
    ------
    RimebookError
        Where a limit is not above what outdoor air alone makes of it.
    """
    outdoor, factor = room.outdoor_ppm / PPM, terms.low_layer_factor
    worked = work.end_min()
    until = looked_at_min(worked, terms.shift_min)
    shown_to = float(np.quantile(np.maximum(worked, terms.shift_min), 0.75))
    horizon = min(float(np.ceil(shown_to / 60.0) * 60.0), MOST_CURVE_MIN)
    sources, airings = _sources(work, max(horizon, float(until.max())), terms.door_cfm)
    # Ice that is stored gives gas all night too: the shift begins in what it left, at today's ventilation.
    standing = work.stored_lb_day / MIN_PER_DAY
    line = timeline(sources, airings, until, standing, work.stood_min)

    def low(mixed: Course) -> Course:
        return mixed.stretched(outdoor, factor)

    course = low(co2_course(room, line))

    def told(draws: Array) -> QuantitySummary:
        return summarise(draws, level=terms.level, n_scores=terms.n_scores)

    def when(minutes: Array) -> QuantitySummary | None:
        met = np.isfinite(minutes)
        return told(minutes[met]) if met.mean() >= LEAST_SHARE else None

    def ppm(share: Array) -> QuantitySummary:
        return told(np.minimum(share, 1.0) * PPM)

    measures = _measures(terms.shift_min, worked)
    measured = {kind: measure(course) for kind, measure in measures.items()}
    limits, needed = [], []
    for limit in terms.limits:
        share, measure = limit.value / PPM, measures[limit.kind]
        used_up: QuantitySummary | None = None
        if limit.kind == "shift_average":
            spent = course.minutes_to_exposure(share, SHIFT_MIN)
            used_up = when(np.where(spent <= terms.shift_min, spent, np.inf))
        reached = when(course.minutes_to_level(share))
        needed.append(_flow_needed(room, line, partial(_after, low, measure), limit))
        chance = float(np.mean(measured[limit.kind] > share))
        limits.append(
            LimitAnswer(limit.name, limit.value, limit.unit, limit.source, reached, told(needed[-1]), chance, used_up)
        )
    co2 = Co2(ppm(measured["peak"]), ppm(measured["shift_average"]), ppm(measured["short_term"]))
    minutes = np.arange(0, int(horizon) + 1, CURVE_STEP_MIN)
    shown = low(co2_course(room, timeline(sources, airings, np.maximum(until, horizon), standing, work.stood_min)))
    levels = shown.at(np.repeat(minutes[:, None].astype(np.float64), len(until), axis=1))
    curve = tuple(CurvePoint(int(m), ppm(row)) for m, row in zip(minutes, levels, strict=True))
    oxygen = Oxygen(told(oxygen_percent(np.minimum(measured["peak"], 1.0))))
    return Air(co2, oxygen, curve, tuple(limits), told(np.max(needed, axis=0)))


def _after(first: Callable[[Course], Course], measure: Callable[[Course], Array], course: Course) -> Array:
    return measure(first(course))


def _flow_needed(room: Room, line: Timeline, measure: Callable[[Course], Array], limit: Limit) -> Array:
    try:
        return flow_needed_cfm(room, line, measure, limit.value / PPM)
    except ValueError as error:
        raise RimebookError(
            "limit-below-outdoor", where=f"limit `{limit.key}`", found=f"{limit.value:,.0f} {limit.unit}",
            expected=f"more than outdoor air brings by itself (about {room.outdoor_ppm:g} ppm, summed over the shift)",
            do="No ventilation can keep it. Raise the limit under [limits], at most to the standard's.",
        ) from error  # fmt: skip
