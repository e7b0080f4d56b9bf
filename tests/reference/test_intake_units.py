"""Unit factors of NIST Special Publication 811 (2008), appendix B.8, as the intake applies them to cells."""

import pytest

from pipeline.intake.quantities import parse_quantity
from pipeline.intake.units import FACTORS


def read(text: str, kind: str, unit: str) -> float:
    value, _ = parse_quantity(text, kind, unit)  # type: ignore[arg-type]
    assert isinstance(value, float)
    return value


def test_exact_factors() -> None:
    """The pound is 0.45359237 kg and the inch 2.54 cm exactly; psi is 6.894757 kPa to the digits printed."""
    assert FACTORS["mass"]["kg"] == 1 / 0.45359237
    assert FACTORS["length"]["cm"] == pytest.approx(1 / 2.54, rel=1e-15)
    assert round(1 / FACTORS["pressure"]["kpa"], 6) == 6.894757


@pytest.mark.parametrize(
    ("text", "kind", "unit", "expected"),
    [
        ("0.45359237 kg", "mass", "lb", 1.0),
        ("453.59237 g", "mass", "lb", 1.0),
        ("16 oz", "mass", "lb", 1.0),
        ("25.4 mm", "length", "in", 1.0),
        ("2.54 cm", "length", "in", 1.0),
        ("1 ft", "length", "in", 12.0),
        ("6.894757 kPa", "pressure", "psi", 1.0),
        ("0.06894757 bar", "pressure", "psi", 1.0),
        ("1 h", "duration", "min", 60.0),
        ("0 C", "temperature", "f", 32.0),
        ("100 C", "temperature", "f", 212.0),
        ("-40 C", "temperature", "f", -40.0),
        ("0.45359237 kg/min", "rate", "lb/min", 1.0),
        ("1/kg", "money_per_mass", "/lb", 0.45359237),
    ],
)
def test_cells(text: str, kind: str, unit: str, expected: float) -> None:
    """A cell in one unit is the tabulated factor in the other, to the digits printed."""
    assert read(text, kind, unit) == pytest.approx(expected, rel=1e-6)
