"""Properties of the quantity grammar: what is written is what is read, in any unit, sign and separator."""

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.faults import Fault
from pipeline.intake.numbers import proves_decimal_comma
from pipeline.intake.quantities import ColumnParser, parse_column, parse_quantity
from pipeline.intake.units import FACTORS, SPELLINGS

KINDS = [
    "mass",
    "duration",
    "pressure",
    "length",
    "temperature",
    "money",
    "money_per_mass",
    "rate",
    "share",
    "days",
    "whole",
]
FIGURES = st.decimals(min_value=0, max_value=99999, places=2, allow_nan=False)
MASS_UNITS = st.sampled_from(sorted(SPELLINGS["mass"].items()))


def read(text: str, kind: str = "mass", unit: str = "lb", comma: bool | None = None) -> float:
    value, _ = parse_quantity(text, kind, unit, comma)  # type: ignore[arg-type]
    assert not isinstance(value, Fault), (text, value)
    return value


@given(st.floats(min_value=0, max_value=1e9, allow_nan=False, allow_subnormal=False))
def test_shortest_form_of_a_float_reads_back(x: float) -> None:
    """Any float as a program writes it is read as that float."""
    assert read(repr(x)) == x


@given(FIGURES, MASS_UNITS, st.sampled_from(["", " ", "\u00a0", "  "]))
def test_units_scale(figure: object, unit: tuple[str, str], space: str) -> None:
    """A figure with a unit is the figure times the unit's factor, whatever the space and letter case."""
    spelling, canonical = unit
    expected = float(str(figure)) * FACTORS["mass"][canonical]
    assert math.isclose(read(f"{figure}{space}{spelling.upper()}"), expected, rel_tol=1e-12)


@given(FIGURES)
def test_thousands_and_decimal_signs(figure: object) -> None:
    """The same figure with American, German, Swiss and French separators is one value."""
    american = f"{figure:,}"
    german = american.translate(str.maketrans(",.", ".,"))
    forms = [american, american.replace(",", "'"), american.replace(",", " ")]
    assert {read(form) for form in forms} == {float(str(figure))}
    assert read(german) == float(str(figure))
    assert proves_decimal_comma([german])
    assert not proves_decimal_comma([american])


@given(st.integers(0, 99), st.integers(0, 59))
def test_clock_forms_agree(hours: int, minutes: int) -> None:
    """h:mm, 'Xh Ym' and plain minutes say the same."""
    total = hours * 60 + minutes
    for text in (f"{hours}:{minutes:02d}", f"{hours}h {minutes}m", f"{hours} hrs {minutes} min", f"{total} min"):
        assert read(text, "duration", "min") == total


@given(FIGURES, FIGURES, st.sampled_from(["-", " - ", "–", " to "]))
def test_ranges_are_never_read_as_one_figure(low: object, high: object, sign: str) -> None:
    """Two figures with a range sign between them are always refused."""
    value, _ = parse_quantity(f"{low}{sign}{high}", "mass", "lb")
    assert isinstance(value, Fault)


@settings(max_examples=400)
@given(st.text(max_size=20), st.sampled_from(KINDS), st.sampled_from([True, False, None]))
def test_any_text_is_a_value_a_blank_or_a_fault(text: str, kind: str, comma: bool | None) -> None:
    """No text crashes the grammar, and no text becomes an infinite figure."""
    value, approximate = parse_quantity(text, kind, "", comma)  # type: ignore[arg-type]
    if isinstance(value, Fault):
        assert value.code
        assert value.hint
        assert not approximate
    else:
        assert not math.isinf(value)


NEAR_NUMBERS = st.text(alphabet="0123456789.,:-/ ½~<>h m#kglb$%'", max_size=12)


@settings(max_examples=400)
@given(st.lists(NEAR_NUMBERS, max_size=12), st.sampled_from(KINDS), st.integers(1, 5))
def test_chunks_do_not_matter(cells: list[str], kind: str, size: int) -> None:
    """A column read in chunks gives the values and faults of the column read at once."""
    whole = parse_column(cells, kind)  # type: ignore[arg-type]
    parser = ColumnParser(kind)  # type: ignore[arg-type]
    parts = [parser.parse(cells[i : i + size]) for i in range(0, len(cells), size)]
    if parts:
        np.testing.assert_array_equal(np.concatenate([p.values for p in parts]), whole.values)
    assert {k * size + i: f for k, p in enumerate(parts) for i, f in p.faults.items()} == whole.faults
    assert np.isnan(whole.values[list(whole.faults)]).all()
