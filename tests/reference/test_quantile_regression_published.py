"""Linear regression quantiles against published coefficients.

Engel's 235 households: Koenker & Hallock (2001), "Quantile Regression", J. Econ. Perspectives 15(4):143-156, and
Koenker, "Quantile Regression in R: a vignette" (R package quantreg), table 1; data as shipped in statsmodels.
Stack loss: the least-absolute-deviations fit quoted by the R packages quantreg and L1pack for Brownlee's data.
"""

import numpy as np
import pytest

from models.consumption.quantiles import linear_coefficients
from models.scores import pinball


@pytest.fixture(scope="module")
def engel() -> tuple[np.ndarray, np.ndarray]:
    """Income with a constant, and food expenditure."""
    from statsmodels.datasets import engel as data

    frame = data.load_pandas().data
    return np.column_stack([np.ones(len(frame)), frame["income"]]), frame["foodexp"].to_numpy()


@pytest.mark.parametrize(
    ("level", "intercept", "slope", "loss"),
    [
        (0.05, 124.880041, 0.343361, 2174.31732),
        (0.10, 110.141574, 0.401766, 3869.93216),
        (0.25, 95.483540, 0.474103, 7082.31590),
        (0.50, 81.482247, 0.560181, 8779.96632),
        (0.75, 62.396586, 0.644014, 6529.25028),
        (0.90, 67.350872, 0.686299, 3391.98371),
        (0.95, 64.103963, 0.709069, 1900.24422),
    ],
)
def test_engel_coefficients(
    engel: tuple[np.ndarray, np.ndarray], level: float, intercept: float, slope: float, loss: float
) -> None:
    """Intercept, slope and minimum of the check loss are those of R's quantreg."""
    design, food = engel
    beta = linear_coefficients(design, food, level)
    np.testing.assert_allclose(beta, [intercept, slope], atol=1e-4)
    assert pinball(food, design @ beta, level).sum() == pytest.approx(loss, abs=1e-3)


def test_engel_table_1_of_the_vignette(engel: tuple[np.ndarray, np.ndarray]) -> None:
    """With income centred at its mean the vignette prints 462.223, 561.277, 631.845, 695.123 and 760.745."""
    design, food = engel
    centred = design - [0.0, design[:, 1].mean()]
    at_mean = [linear_coefficients(centred, food, tau)[0] for tau in (0.05, 0.25, 0.5, 0.75, 0.95)]
    np.testing.assert_allclose(at_mean, [462.223, 561.277, 631.845, 695.123, 760.745], atol=2e-3)


def test_engel_equals_statsmodels(engel: tuple[np.ndarray, np.ndarray]) -> None:
    """statsmodels' QuantReg, another algorithm, finds the same line."""
    from statsmodels.regression.quantile_regression import QuantReg

    design, food = engel
    for tau in (0.2, 0.8):
        np.testing.assert_allclose(
            linear_coefficients(design, food, tau), QuantReg(food, design).fit(q=tau).params, atol=1e-3
        )


def test_stackloss_least_absolute_deviations() -> None:
    """-39.68985507, 0.83188406, 0.57391304, -0.06086957 with a sum of absolute residuals of 42.08115942."""
    from statsmodels.datasets import stackloss

    frame = stackloss.load_pandas().data
    design = np.column_stack([np.ones(len(frame)), frame[["AIRFLOW", "WATERTEMP", "ACIDCONC"]]])
    y = frame["STACKLOSS"].to_numpy()
    beta = linear_coefficients(design, y, 0.5)
    np.testing.assert_allclose(beta, [-39.68985507, 0.83188406, 0.57391304, -0.06086957], atol=1e-6)
    residual = y - design @ beta
    assert np.abs(residual).sum() == pytest.approx(42.081159420, abs=1e-6)
    assert np.flatnonzero(np.abs(residual) < 1e-9).tolist() == [1, 7, 15, 17]


@pytest.mark.parametrize(("level", "loss"), [(0.25, 16.625), (0.75, 16.252155172)])
def test_stackloss_quartiles_reach_the_minimum(level: float, loss: float) -> None:
    """The check loss at the quartiles is the minimum of the linear programme."""
    from statsmodels.datasets import stackloss

    frame = stackloss.load_pandas().data
    design = np.column_stack([np.ones(len(frame)), frame[["AIRFLOW", "WATERTEMP", "ACIDCONC"]]])
    y = frame["STACKLOSS"].to_numpy()
    assert pinball(y, design @ linear_coefficients(design, y, level), level).sum() == pytest.approx(loss, abs=1e-6)
