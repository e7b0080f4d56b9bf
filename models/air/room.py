"""A bay as one well-mixed room: planned jobs, pauses and stored ice in, CO2 over time out.

Conventions
-----------
- Concentrations are volume shares (1 ppm = 1e-6), volumes ft3, flows cfm of outdoor air, ice lb, times minutes.
- Mixing is an effectiveness m in (0, 1]: the flow that counts is Q' = m Q. (Other books divide by a safety factor
  K >= 1 instead; m = 1 / K.)
- Exhaust convention: Q' of room air leaves, outdoor air replaces what the new gas does not fill. With gas flow g,
  out = max(Q', g), V dC/dt = g + (out - g) C_outdoor - out C. Without air this is 1 - C = (1 - C0) exp(-g t / V), so
  displaced air counts at every level (it matters above about 2 %); where g is small against Q' it is the textbook
  C0 + g/Q' (1 - exp(-Q' t / V)) to within C_outdoor of its value. Were Q' a supply flow instead, the room would be
  lower by the share g / (Q' + g): the choice errs high.
- A well-mixed figure is for the whole bay. Fresh gas is cold and heavier than air and may be far higher at the floor;
  no factor for this is published, so none is built in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.air.course import Course
from models.air.gas import OUTDOOR_PPM, PPM
from shared.units import MIN_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_FLOW_STEPS = 8
_TINY = 1e-15
#: Relative gap to the limit at which the search stops.
_CLOSE = 1e-4
SHIFT_MIN = 480.0
SHORT_TERM_MIN = 15.0


@dataclass(frozen=True)
class Room:
    """A bay or a vehicle's load space.

    Attributes
    ----------
    volume_ft3 : float
        > 0.
    flow_cfm : float
        Outdoor air through the room, >= 0; 0 is no ventilation.
    gas_ft3_lb : float
        Gas from a pound of ice, see `models.air.gas.gas_ft3_per_lb`.
    mixing_share : float
        Mixing effectiveness m in (0, 1].
    outdoor_ppm : float
        CO2 of the incoming air, and of the room at the start.

    Raises
    ------
    ValueError
        When a value is outside its range.
    """

    volume_ft3: float
    flow_cfm: float
    gas_ft3_lb: float
    mixing_share: float = 1.0
    outdoor_ppm: float = OUTDOOR_PPM

    def __post_init__(self) -> None:
        checks = {
            "volume_ft3": self.volume_ft3 > 0,
            "flow_cfm": self.flow_cfm >= 0,
            "gas_ft3_lb": self.gas_ft3_lb > 0,
            "mixing_share": 0 < self.mixing_share <= 1,
            "outdoor_ppm": 0 <= self.outdoor_ppm < PPM,
        }
        for name, holds in checks.items():
            if not (holds and np.isfinite(getattr(self, name))):
                raise ValueError(f"{name} is out of range: {getattr(self, name)}")


@dataclass(frozen=True)
class Source:
    """Ice that turns to gas at a constant rate for a while, scenario by scenario.

    Attributes
    ----------
    start_min, end_min, lb_min : float64 arrays (n_draws,)
    """

    start_min: Array
    end_min: Array
    lb_min: Array


@dataclass(frozen=True)
class Airing:
    """A further measured flow of outdoor air for a while, such as a door that stands open.

    Attributes
    ----------
    start_min, end_min : float64 arrays (n_draws,)
    cfm : float
    """

    start_min: Array
    end_min: Array
    cfm: float


@dataclass(frozen=True)
class Timeline:
    """Sources and airings cut into pieces within which nothing changes.

    Attributes
    ----------
    edges : float64 array (n_pieces + 1, n_draws)
    lb_min, airing_cfm : float64 arrays (n_pieces, n_draws)
    before_lb_min : float64 array (n_draws,)
        What turns to gas a minute before time 0, when nobody works: stored ice.
    before_min : float
        For how long, from outdoor air on.
    """

    edges: Array
    lb_min: Array
    airing_cfm: Array
    before_lb_min: Array
    before_min: float = 0.0


def work_sources(lb: Array, minutes: Array, pause_min: float = 0.0) -> list[Source]:
    """Return one source for each piece of work, done one after the other with a pause in between.

    Parameters
    ----------
    lb, minutes : float64 arrays (n_works, n_draws)
        Ice and time of each zone or job; all its ice turns to gas evenly over its time. Work that takes ice but no time
        takes one minute, so that its ice is not lost.
    pause_min : float
        Minutes without blasting between two pieces of work, >= 0.
    """
    spans = np.where((lb > 0) & (minutes <= 0), 1.0, minutes)
    ends = np.cumsum(spans + pause_min, axis=0) - pause_min
    starts = ends - spans
    rates = lb / np.where(spans > 0, spans, 1.0)
    return [Source(starts[i], ends[i], rates[i]) for i in range(len(lb))]


def store_source(stored_lb: float, lb_day: Array, until_min: float) -> Source:
    """Return the off-gassing of stored ice: a constant loss until it is gone.

    A box with enough ice loses by heat leak, at a rate that does not follow what is left in it.

    Parameters
    ----------
    stored_lb : float
    lb_day : float64 array (n_draws,)
        Loss in lb a day.
    until_min : float
        End of the time looked at.
    """
    rate = lb_day / MIN_PER_DAY
    with np.errstate(divide="ignore"):
        gone = np.where(rate > 0, stored_lb / np.where(rate > 0, rate, 1.0), until_min)
    return Source(np.zeros_like(rate), np.minimum(gone, until_min), rate)


def timeline(
    sources: Sequence[Source],
    airings: Sequence[Airing],
    until_min: Array,
    before_lb_min: Array | None = None,
    before_min: float = 0.0,
) -> Timeline:
    """Cut the time from 0 to `until_min` (n_draws,) where a source or an airing starts or ends.

    `before_lb_min` and `before_min` are those of `Timeline`; without them time 0 finds outdoor air.
    """
    zero = np.zeros_like(until_min)
    spans: list[Source | Airing] = [*sources, *airings]
    marks = [m for span in spans for m in (span.start_min, span.end_min)]
    edges = np.sort(np.clip(np.array([zero, *marks, until_min]), 0.0, until_min), axis=0)
    middle = (edges[:-1] + edges[1:]) / 2
    lb_min, cfm = np.zeros_like(middle), np.zeros_like(middle)
    for source in sources:
        lb_min += np.where((middle > source.start_min) & (middle < source.end_min), source.lb_min, 0.0)
    for airing in airings:
        cfm += np.where((middle > airing.start_min) & (middle < airing.end_min), airing.cfm, 0.0)
    return Timeline(edges, lb_min, cfm, zero if before_lb_min is None else before_lb_min, before_min)


def co2_course(room: Room, line: Timeline, flow_cfm: Array | None = None) -> Course:
    """Return CO2 over time as a volume share, from what stood ice left in outdoor air by time 0.

    Parameters
    ----------
    room, line
    flow_cfm : float64 array (n_draws,), optional
        Another flow for each scenario in place of the room's.
    """
    base = room.flow_cfm if flow_cfm is None else flow_cfm
    night = np.array([np.zeros_like(line.before_lb_min), np.full_like(line.before_lb_min, line.before_min)])
    stood = Course.solve(night, *_exchange(room, line.before_lb_min[None], base), room.outdoor_ppm / PPM)
    return Course.solve(line.edges, *_exchange(room, line.lb_min, base + line.airing_cfm), stood.level[-1])


def _exchange(room: Room, lb_min: Array, flow_cfm: Array | float) -> tuple[Array, Array]:
    """Return the air changes a minute of a room at a flow of outdoor air, and what gas and air bring a minute."""
    gas = lb_min * room.gas_ft3_lb
    out = np.maximum(room.mixing_share * flow_cfm, gas)
    return out / room.volume_ft3, (gas + (out - gas) * (room.outdoor_ppm / PPM)) / room.volume_ft3


def shift_exposure(course: Course, shift_min: float, work_end_min: Array) -> Array:
    """Return what a person breathes in the worst shift, as an average over 8 hours, shape (n_draws,).

    The sum over a shift of `shift_min` minutes divided by 8 hours, E = (Ca Ta + ... + Cn Tn) / 8, also where the shift
    is longer (29 CFR 1910.1000(d)(1)(i)). Where the work goes on beyond one shift, nobody stays for all of it: then it
    is the shift, of any start and over by the end of the work, with the highest sum.

    Parameters
    ----------
    course : Course
        At least `shift_min` and `work_end_min` long.
    shift_min : float
        >= 480.
    work_end_min : float64 array (n_draws,)
    """
    exposure = course.integral_to(np.full((1, len(work_end_min)), shift_min))[0] / SHIFT_MIN
    beyond = work_end_min > shift_min
    if beyond.any():
        worst = course.take(beyond).until(work_end_min[beyond]).highest_running_average(shift_min)
        exposure[beyond] = worst * shift_min / SHIFT_MIN
    return np.asarray(exposure, dtype=np.float64)


def looked_at_min(work_end_min: Array, shift_min: float) -> Array:
    """Return how long the air is looked at, (n_draws,): a shift, and 15 minutes beyond the work.

    The worst 15 minutes may begin with the last shot: what stands in the room then is breathed by whoever packs up.
    """
    return np.maximum(work_end_min + SHORT_TERM_MIN, shift_min)


def flow_needed_cfm(room: Room, line: Timeline, measure: Callable[[Course], Array], limit: float) -> Array:
    """Return the flow of outdoor air that would just keep a measure at its limit, in cfm, shape (n_draws,).

    Every measure used here (peak, running average, shift average) falls as the flow grows, so the root is bracketed by
    0 and g_max (1 - C_outdoor) / (limit - C_outdoor) / m, at which even the steady state keeps the limit (doubled where
    a shift longer than 8 h adds up to more). The inverse of the measure above outdoor air is nearly a line in the flow,
    so false position (Illinois form: Dowell & Jarratt 1971, BIT 11:168) closes in within a few steps; the end of the
    bracket that keeps the limit is returned.

    Parameters
    ----------
    measure : Course -> float64 array (n_draws,)
        As a volume share.
    limit : float
        Volume share, above that of outdoor air.

    Raises
    ------
    ValueError
        When no flow can keep the limit, because outdoor air alone passes it.
    """
    outdoor = room.outdoor_ppm / PPM
    open_air = Course.solve(line.edges, np.zeros_like(line.lb_min), np.zeros_like(line.lb_min), outdoor)
    if limit <= max(outdoor, float(measure(open_air).max())):
        raise ValueError(f"no flow keeps {limit * PPM:g} ppm where outdoor air holds {room.outdoor_ppm:g} ppm")
    highest = line.lb_min.max(axis=0) * room.gas_ft3_lb

    def short_by(flow: Array) -> Array:
        """Return what is missing to the limit on the inverse scale; >= 0 where the limit is kept."""
        above = np.maximum(measure(co2_course(room, line, flow)) - outdoor, _TINY)
        return 1 / above - 1 / (limit - outdoor)

    low = np.zeros_like(highest)
    high = highest * (1 - outdoor) / (limit - outdoor) / room.mixing_share
    at_low, at_high = short_by(low), short_by(high)
    while (at_high < 0).any():
        high = np.where(at_high < 0, 2 * high, high)
        at_high = short_by(high)
    kept_without = at_low >= 0
    last = np.zeros_like(low)
    for _ in range(_FLOW_STEPS):
        step = np.divide(-at_low, at_high - at_low, out=np.full_like(low, 0.5), where=at_high > at_low)
        middle = low + (high - low) * np.clip(step, 0.0, 1.0)
        value = short_by(middle)
        kept = value >= 0
        side = np.where(kept, 1.0, -1.0)
        again = side == last
        at_low = np.where(kept, np.where(again, at_low / 2, at_low), value)
        at_high = np.where(kept, value, np.where(again, at_high / 2, at_high))
        low, high, last = np.where(kept, low, middle), np.where(kept, middle, high), side
        if (kept_without | (kept & (value * (limit - outdoor) < _CLOSE))).all():
            break
    return np.where(kept_without, 0.0, high)
