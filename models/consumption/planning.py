"""Planning figures: what a shop answers with before it has a history, and the prior of the learner afterwards.

Defaults are from memory, without a source; the shop edits them in `book.toml`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from shared.vocabulary import Quantity

ZONE_PELLETS_LB: dict[str, float] = {
    "undercarriage": 45.0, "wheel_wells": 16.0, "suspension": 18.0, "engine_bay": 18.0,
    "interior": 8.0, "door_jambs": 4.0, "body_panels": 6.0, "cargo_bed": 14.0,
}  # fmt: skip
ZONE_MINUTES: dict[str, float] = {
    "undercarriage": 60.0, "wheel_wells": 25.0, "suspension": 30.0, "engine_bay": 35.0,
    "interior": 45.0, "door_jambs": 15.0, "body_panels": 20.0, "cargo_bed": 20.0,
}  # fmt: skip
CLASS_FACTOR: dict[str, float] = {
    "compact": 0.85, "sedan": 1.0, "coupe": 0.95, "wagon": 1.05,
    "suv": 1.25, "pickup": 1.3, "van": 1.35, "truck": 1.9,
}  # fmt: skip
SOIL_FACTOR: tuple[float, float, float, float] = (0.65, 1.0, 1.5, 2.2)


@dataclass(frozen=True)
class PlanningFigures:
    """Medians of one quantity: a zone at moderate soil on a sedan, and factors for class, soil and coating.

    Attributes
    ----------
    zone : mapping zone -> median (lb or min)
    vehicle_class : mapping class -> factor
    soil : factors of light, moderate, heavy, severe; increasing
    coating_factor : factor where an old coating was stripped as well
    spread : standard deviation of the logarithm of one line
    """

    zone: Mapping[str, float]
    vehicle_class: Mapping[str, float]
    soil: tuple[float, float, float, float] = SOIL_FACTOR
    coating_factor: float = 2.5
    spread: float = 0.5


@dataclass(frozen=True)
class Planning:
    """Planning figures of both quantities, complete for every class and zone the book knows."""

    pellets_lb: PlanningFigures = field(default_factory=lambda: PlanningFigures(ZONE_PELLETS_LB, CLASS_FACTOR))
    minutes: PlanningFigures = field(default_factory=lambda: PlanningFigures(ZONE_MINUTES, CLASS_FACTOR))

    def of(self, quantity: Quantity) -> PlanningFigures:
        """Return the figures of a quantity."""
        return self.pellets_lb if quantity == "pellets_lb" else self.minutes


def log_median(table: JobTable, figures: PlanningFigures) -> NDArray[np.float64]:
    """Return the logarithm of each line's planning median, shape (n_lines,); unknown soil counts as moderate.

    A class or zone the figures do not know takes the middle one of those they know.
    """
    zone_log = {k: float(np.log(v)) for k, v in figures.zone.items()}
    class_log = {k: float(np.log(v)) for k, v in figures.vehicle_class.items()}
    zone_else, class_else = float(np.median(list(zone_log.values()))), float(np.median(list(class_log.values())))
    zone = np.array([zone_log.get(n, zone_else) for n in table.zone.names])[table.zone.codes]
    vehicle = np.array([class_log.get(n, class_else) for n in table.vehicle_class.names])[table.vehicle_class.codes]
    soil = np.log(np.array(figures.soil))[np.where(table.soil < 0, 1, table.soil)]
    coating = np.where(table.coating_removed, np.log(figures.coating_factor), 0.0)
    return np.asarray(zone + vehicle + soil + coating, dtype=np.float64)
