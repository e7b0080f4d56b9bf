"""What a safety question asks and what its answer holds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.answers.safety_space import SpaceAsked

if TYPE_CHECKING:
    from datetime import date

    from pipeline.answers.answer import QuantitySummary
    from pipeline.answers.requests import JobAsked
    from pipeline.answers.safety_air import Co2, CurvePoint, LimitAnswer, Oxygen
    from pipeline.answers.safety_noise import NoiseAnswer, Protection


@dataclass(frozen=True)
class SafetyQuestion:
    """What is asked.

    Attributes
    ----------
    bay : str or None
        A bay of the book; None takes the space's dimensions, else the book's only bay.
    space : SpaceAsked
        What is said of the space itself; goes before the book's bay.
    day : date or None
        All that is booked on it is done in this space, one vehicle after the other.
    jobs : tuple of JobAsked
        Work described by options, in order.
    pause_min : float
        Minutes without blasting between zones and between vehicles, >= 0.
    stored_lb : float
        Ice kept in the space, >= 0.
    stored_lb_day : float or None
        What that store loses a day; None takes [ice] sublimation_lb_per_day of each container.
    low_layer_factor : float
        The shop's own multiplier for the low layer, >= 1.
    protection : Protection or None
    van : bool
        The space is a closed vehicle that carries the stored ice.
    """

    bay: str | None = None
    space: SpaceAsked = field(default_factory=SpaceAsked)
    day: date | None = None
    jobs: tuple[JobAsked, ...] = ()
    pause_min: float = 0.0
    stored_lb: float = 0.0
    stored_lb_day: float | None = None
    low_layer_factor: float = 1.0
    protection: Protection | None = None
    van: bool = False


@dataclass(frozen=True)
class Planned:
    """What is done and kept in the space.

    Attributes
    ----------
    vehicles, zones : int
    pellets_lb, minutes : QuantitySummary or None
        Ice and hands-on minutes of all of it together; None where only ice is stored.
    pause_min : float
        Between zones and between vehicles.
    stored_lb, stood_min : float
        Ice kept there, and how long it has stood when work begins.
    containers : int
        How many of the book's containers it fills.
    """

    vehicles: int
    zones: int
    pellets_lb: QuantitySummary | None
    minutes: QuantitySummary | None
    pause_min: float
    stored_lb: float
    stood_min: float
    containers: int


@dataclass(frozen=True)
class SpaceCounted:
    """The space as it counts in the figures.

    Attributes
    ----------
    length_ft, width_ft, height_ft, volume_ft3 : float
    air_cfm : float
        Outdoor air, before mixing; 0 is a closed space.
    mixing_share, altitude_ft, temperature_f : float
    gas_ft3_per_lb : float
        What a pound of ice becomes there.
    low_layer_factor : float
        The shop's own multiplier; 1 is none.
    two_airs : str or None
        What must be said where air changes and a flow are both entered and disagree.
    """

    length_ft: float
    width_ft: float
    height_ft: float
    volume_ft3: float
    air_cfm: float
    mixing_share: float
    altitude_ft: float
    temperature_f: float
    gas_ft3_per_lb: float
    low_layer_factor: float
    two_airs: str | None


@dataclass(frozen=True)
class SafetyResult:
    """The answer in the form of its JSON; `flow_needed_cfm` is the outdoor air that keeps every limit of a scenario."""

    bay: str
    co2_ppm: Co2
    oxygen_percent: Oxygen
    curve: tuple[CurvePoint, ...]
    limits: tuple[LimitAnswer, ...]
    flow_needed_cfm: QuantitySummary
    noise: tuple[NoiseAnswer, ...]
    planned: Planned
    space: SpaceCounted
