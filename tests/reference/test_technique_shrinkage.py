"""Published shrinkage examples, Benjamini & Hochberg's example and a mixed model on the same data."""

from __future__ import annotations

import numpy as np
import pytest

from models.technique.effects import benjamini_hochberg
from models.technique.shrinkage import shrink, shrink_alone, shrink_each

# Eight schools, Rubin (1981), J. Educ. Stat. 6:377-401, rounded as in Gelman et al., Bayesian Data Analysis (2013).
EFFECTS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
ERRORS = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


def test_eight_schools_with_flat_prior_on_the_spread():
    """Posterior means equal quadrature; medians of BDA3 table 5.3 (10 8 7 8 5 6 10 8, from memory) within 1.5."""
    grid = (np.arange(4000) + 0.5) * 200 / 4000
    found = shrink(EFFECTS, np.diag(ERRORS**2), grid)
    assert found.means() == pytest.approx([11.40, 7.89, 6.13, 7.64, 5.13, 6.14, 10.67, 8.46], abs=0.05)
    assert found.sds() == pytest.approx([8.34, 6.27, 7.76, 6.55, 6.36, 6.71, 6.78, 7.89], abs=0.05)
    assert found.quantile(0.5) == pytest.approx([10, 8, 7, 8, 5, 6, 10, 8], abs=1.5)
    assert found.tau_quantile(0.5) == pytest.approx(5.24, abs=0.06)


def test_eight_schools_at_a_known_spread():
    """At tau = 5 the conditional means are the closed form."""
    known = shrink(EFFECTS, np.diag(ERRORS**2), np.array([5.0]))
    assert known.means() == pytest.approx([9.87, 7.88, 6.89, 7.71, 5.76, 6.68, 9.88, 8.15], abs=0.01)


def test_dyestuff_batches_shrink_as_in_the_balanced_analysis():
    """Davies & Goldsmith (1972), sec. 6.4: batch means shrink by 0.7825 towards 1527.5."""
    means = np.array([1505.0, 1528.0, 1564.0, 1498.0, 1600.0, 1470.0])
    found = shrink(means, np.eye(6) * 2451.25 / 5, np.sqrt([1764.05])).means() - 1527.5
    expected = [-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529]
    assert found == pytest.approx(expected, abs=1e-4)


def test_benjamini_and_hochberg_1995():
    """J. R. Stat. Soc. B 57:289-300, sec. 4: at 5 % four of fifteen are rejected."""
    small = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
    p = [*small, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    q = benjamini_hochberg(np.array(p))
    assert int(np.sum(q <= 0.05)) == 4
    adjusted = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
    assert q[:9] == pytest.approx(adjusted, abs=1e-6)


def test_adjusted_values_equal_statsmodels():
    """Adjusted values equal another implementation on unsorted input with ties."""
    from statsmodels.stats.multitest import multipletests

    p = np.array([0.2, 0.01, 0.01, 0.9, 0.04, 0.5, 0.001])
    assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)


def test_an_effect_of_unknown_case_equals_quadrature():
    """Cauchy(0, 0.1) spread, two cases of raw and error with weights 0.3 and 0.7: means and sds by integration."""
    from scipy import integrate

    def moments(raw: float, error: float) -> tuple[float, float]:
        def mass(log_tau: float, power: int) -> float:
            tau = np.exp(log_tau)
            var = tau**2 + error**2
            kept = tau**2 / var
            of_case = (1.0, kept * raw, kept * error**2 + (kept * raw) ** 2)[power]
            return tau / (1 + (tau / 0.1) ** 2) / np.sqrt(var) * np.exp(-0.5 * raw**2 / var) * of_case

        # The grid of tau ends at 0.002 and 3.
        whole, first, second = (integrate.quad(mass, np.log(0.002), np.log(3.0), args=(k,))[0] for k in range(3))
        return first / whole, second / whole

    raw, error, weight = np.array([0.3, -0.1]), np.array([0.1, 0.15]), np.array([0.3, 0.7])
    (m1, s1), (m2, s2) = (moments(r, e) for r, e in zip(raw, error, strict=True))
    found = shrink_each(raw, error, weight, scale=0.1)
    assert found.weight.sum() == pytest.approx(1.0)
    assert found.means()[0] == pytest.approx(0.3 * m1 + 0.7 * m2, abs=5e-4)
    assert found.sds()[0] ** 2 + found.means()[0] ** 2 == pytest.approx(0.3 * s1 + 0.7 * s2, rel=5e-3)
    one = shrink_each(raw[:1], error[:1], np.ones(1), scale=0.1)
    alone = shrink_alone(0.3, 0.1, scale=0.1)
    assert one.quantile(0.9) == pytest.approx(alone.quantile(0.9), abs=1e-4)
    assert alone.means()[0] == pytest.approx(m1, abs=5e-4)
