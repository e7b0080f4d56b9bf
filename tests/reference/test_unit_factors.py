"""Unit factors against NIST Special Publication 811 (2008), Appendix B.8 and B.9 (the printed digits)."""

import pytest

from shared import units


@pytest.mark.parametrize(
    ("name", "printed"),
    [
        ("LB_KG", 0.45359237),  # pound (avoirdupois), exact
        ("IN_M", 0.0254),  # inch, exact
        ("FT_M", 0.3048),  # foot, exact
        ("STANDARD_GRAVITY_M_S2", 9.80665),  # exact
        ("ATM_PA", 101325.0),  # standard atmosphere, exact
    ],
)
def test_defined_factors_are_exact(name, printed):
    """A factor that is exact by definition has exactly the printed value."""
    assert getattr(units, name) == printed


@pytest.mark.parametrize(
    ("name", "printed", "digits"),
    [
        ("FT3_M3", 2.831685e-02, 7),  # cubic foot to m3
        ("PSI_KPA", 6.894757, 7),  # psi to kPa
        ("CFM_L_S", 0.4719474, 7),  # cubic foot per minute to L/s
        ("HP_W", 7.456999e02, 7),  # horsepower (550 ft lbf/s) to W
        ("CFM_M3_H", 4.719474e-04 * 3600, 7),  # cubic foot per minute to m3/s, an hour of it
    ],
)
def test_derived_factors_agree_to_the_printed_digits(name, printed, digits):
    """A derived factor agrees with the table to its seven printed digits."""
    assert getattr(units, name) == pytest.approx(printed, rel=10.0 ** (1 - digits))


def test_cubic_foot_follows_from_the_foot():
    """The cubic foot is 0.028316846592 m3, which follows exactly from 0.3048 m."""
    assert pytest.approx(0.028316846592, rel=1e-15) == units.FT3_M3
