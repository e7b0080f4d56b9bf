"""Scores against closed forms and a reference implementation.

Gneiting & Raftery (2007), JASA 102:359-378; Jordan, Krueger & Lerch (2019), "Evaluating Probabilistic Forecasts with
scoringRules", J. Stat. Software 90(12), appendix; Python package scoringrules (test extra).
"""

import numpy as np
import pytest

from models.scores import crps_of_draws, interval_score, pinball

scoringrules = pytest.importorskip("scoringrules")
GRID = (np.arange(200_000) + 0.5) / 200_000


def test_interval_score_worked_values() -> None:
    """l = 10, u = 20, a = .1 gives 10 inside, 110 five above, 30 one below (Gneiting & Raftery 2007, eq. 43)."""
    y = np.array([12.0, 25.0, 9.0])
    np.testing.assert_allclose(interval_score(y, 10.0, 20.0, 0.9), [10.0, 110.0, 30.0], rtol=1e-12)
    theirs = scoringrules.interval_score(y, np.full(3, 10.0), np.full(3, 20.0), 0.1)
    np.testing.assert_allclose(interval_score(y, 10.0, 20.0, 0.9), theirs, rtol=1e-12)


def test_pinball_equals_scoringrules() -> None:
    """Pinball at .05 with q = 10 and y = 12 is 0.1, and scoringrules agrees on random values."""
    assert pinball(12.0, 10.0, 0.05) == pytest.approx(0.1)
    rng = np.random.default_rng(0)
    y, q = rng.normal(size=30), rng.normal(size=30)
    np.testing.assert_allclose(pinball(y, q, 0.3), scoringrules.quantile_score(y, q, 0.3), rtol=1e-12)


def test_expected_interval_score_of_the_ideal_normal_forecast() -> None:
    """A 90 % interval of N(0,1) scores 4 phi(z) / a = 4.125425615 on average when N(0,1) is the truth."""
    from scipy.stats import norm

    z = float(norm.ppf(0.95))
    mean = interval_score(norm.ppf(GRID), -z, z, 0.9).mean()
    assert mean == pytest.approx(4.125425615014855, abs=2e-4)


def test_crps_of_the_four_draw_ensemble() -> None:
    """Ensemble {1, 2, 4, 7} with y = 3 scores 0.75 by the energy form, as in scoringrules' estimator 'nrg'."""
    draws = np.array([[1.0, 2.0, 4.0, 7.0]])
    assert crps_of_draws(draws, [3.0])[0] == pytest.approx(0.75, abs=1e-12)
    rng = np.random.default_rng(1)
    many, y = rng.gamma(2.0, size=(25, 64)), rng.gamma(2.0, size=25)
    theirs = scoringrules.crps_ensemble(y, many, estimator="nrg")
    np.testing.assert_allclose(crps_of_draws(many, y), theirs, rtol=1e-10)


@pytest.mark.parametrize(
    ("law", "y", "expected"),
    [
        (("norm", (), {}), 0.0, 0.23369497725510913),
        (("norm", (), {"loc": 10, "scale": 2}), 13.0, 1.9888480079549058),
        (("lognorm", (1.0,), {}), 1.0, 0.26740546702269385),
        (("lognorm", (0.5,), {"scale": float(np.exp(3))}), 30.0, 5.632238128882777),
        (("lognorm", (0.35,), {"scale": float(np.exp(4))}), 100.0, 31.97167241486143),
        (("gamma", (2.0,), {}), 1.0, 0.457276647028654),
        (("gamma", (4.0,), {"scale": 2.0}), 12.0, 2.744510818426551),
        (("expon", (), {}), 1.0, 0.23575888234288467),
    ],
)
def test_crps_of_a_fine_grid_of_quantiles_is_the_closed_form(
    law: tuple[str, tuple[float, ...], dict[str, float]], y: float, expected: float
) -> None:
    """Draws at 200,000 mid-point quantiles of a law score what its closed-form CRPS says."""
    from scipy import stats

    name, shape, place = law
    draws = getattr(stats, name).ppf(GRID, *shape, **place)
    assert crps_of_draws(draws[None], [y])[0] == pytest.approx(expected, rel=2e-5)


def test_crps_of_discrete_laws_is_the_closed_form() -> None:
    """Negative binomial and Poisson draws score 1.0064880 and 0.4576085 as published for these laws."""
    from scipy import stats

    assert crps_of_draws(stats.nbinom.ppf(GRID, 5, 0.5)[None], [3.0])[0] == pytest.approx(1.006487990905858, rel=1e-4)
    assert crps_of_draws(stats.poisson.ppf(GRID, 2.5)[None], [3.0])[0] == pytest.approx(0.45760852049707157, rel=1e-4)
