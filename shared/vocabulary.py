"""The trade's words in their canonical spelling, and the names of quantities and bases.

Spellings a shop may use instead stand in `pipeline/intake/spellings.toml`; a book adds its own classes and zones.
"""

from __future__ import annotations

from typing import Final, Literal

CLASSES: Final = ("compact", "sedan", "coupe", "wagon", "suv", "pickup", "van", "truck")
ZONES: Final = (
    "undercarriage",
    "wheel_wells",
    "suspension",
    "engine_bay",
    "interior",
    "door_jambs",
    "body_panels",
    "cargo_bed",
)
#: Ordered from least to most soil.
SOILS: Final = ("light", "moderate", "heavy", "severe")
#: Soil that nobody wrote down or has seen yet.
UNKNOWN: Final = "unknown"
#: Code of an unknown soil level in arrays; known levels are 0..3 in the order of `SOILS`.
UNKNOWN_SOIL: Final = -1

Quantity = Literal["pellets_lb", "minutes"]
QUANTITIES: Final[tuple[Quantity, Quantity]] = ("pellets_lb", "minutes")

#: What an answer rests on: editable planning figures, those mixed with few jobs, or the shop's own history.
Basis = Literal["planning", "mixed", "learned"]

#: Quantile levels every answer carries.
QUANTILE_LEVELS: Final = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)
WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def soil_code(level: str) -> int:
    """Return 0..3 for a soil level in canonical spelling and -1 for '' or 'unknown'.

    Raises
    ------
    ValueError
        When the word is none of these.
    """
    if level in ("", UNKNOWN):
        return UNKNOWN_SOIL
    return SOILS.index(level)
