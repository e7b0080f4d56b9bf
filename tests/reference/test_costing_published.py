"""Costs, prices and draws against published figures, identities and numerical integration."""

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from models.consumption.customers import CustomerDraws, with_customer
from models.costing.part_done import normal_given, resampled
from models.costing.payback import months_to_pay_back, straight_line_usd_per_hour
from pipeline.answers.pricing import expected_margin, job_cost, price_job
from pipeline.book.settings import Costs, Pricing


@pytest.mark.parametrize(("cost", "markup", "price", "margin"), [(3.0, 0.5, 4.5, 1 / 3), (80.0, 0.25, 100.0, 0.2)])
def test_margin_and_markup_are_two_views_of_one_price(cost: float, markup: float, price: float, margin: float) -> None:
    """Identity: margin = mark-up / (1 + mark-up), price = cost / (1 - margin)."""
    assert markup / (1 + markup) == pytest.approx(margin)
    told = price_job(np.full(4, cost), Pricing(margin_share=margin, risk_share=0.5, minimum_usd=0, round_to_usd=0.01))
    assert told.price_usd == pytest.approx(price)
    assert expected_margin(np.full(4, cost), price) == pytest.approx(margin)


def test_straight_line_cost_of_an_equipment_hour() -> None:
    """USACE EP 1110-1-8, volume 8, figure 2-1: 1,181,907 USD, salvage 0.20, tyres 10,560, 20,000 h are 46.75 an hour.

    The printed 46.78 carries the year's cost index on the tyres: 10,560 x 0.944.
    """
    assert straight_line_usd_per_hour(1_181_907, 0.20, 20_000, 10_560 * 0.944) == pytest.approx(46.78, abs=0.005)


def test_compressor_cost_follows_the_published_form() -> None:
    """US Department of Energy compressed-air tip sheet: 50 hp x 0.746 x 2,080 h x 0.06 / 0.9 are 5,172 USD a year."""
    hourly = 50 * 0.746 * 0.06 / 0.9
    costs = Costs(compressor_usd_per_hour=hourly, trigger_share=1.0)
    parts = job_cost(np.array([0.0]), np.array([2080 * 60.0]), beside_min=0, landed_usd_per_lb=1, costs=costs).parts
    assert parts["compressor"][0] == pytest.approx(5172.27, abs=0.02)


def test_sum_of_dependent_lognormals_agrees_with_numerical_integration() -> None:
    """Two vans of one customer: quantiles of exp(c) (exp(x1) + exp(x2)) by draws and by integrating over c and x1."""
    sd, tau = 0.4, 0.25
    own = np.sqrt(sd**2 - tau**2)
    rng = np.random.default_rng(5)
    n = 4000
    totals = np.exp(sd * rng.standard_normal((300, n)))
    effect = CustomerDraws(tau * rng.standard_normal((2, n)), np.full((2, n), tau), 0)
    vans = with_customer(totals, effect, 0)
    # Every pair of vans of a scenario is one draw of the sum.
    drawn = np.concatenate([vans[2 * k] + vans[2 * k + 1] for k in range(150)])

    def below(limit: float) -> float:
        def given(c: float) -> float:
            def inner(x: float) -> float:
                left = limit * np.exp(-c) - np.exp(x)
                return float(stats.norm.pdf(x, 0, own) * stats.norm.cdf(np.log(left) / own)) if left > 0 else 0.0

            top = np.log(limit) - c
            return float(integrate.quad(inner, -6 * own, min(top, 6 * own), limit=200)[0] * stats.norm.pdf(c, 0, tau))

        return float(integrate.quad(given, -5 * tau, 5 * tau, limit=100)[0])

    for level in (0.1, 0.5, 0.9):
        exact = optimize.brentq(lambda s, p=level: below(s) - p, 0.5, 8.0, xtol=1e-3)
        assert np.quantile(drawn, level) == pytest.approx(exact, rel=0.012)


def test_conditional_normal_in_closed_form() -> None:
    """Weighted draws of a log-normal total given a noisy log-normal sight of it agree with the conditional normal."""
    rng = np.random.default_rng(6)
    mean, covariance = np.array([4.0, 4.5]), np.array([[0.16, 0.08], [0.08, 0.12]])
    noise = np.array([[0.05]])
    seen = np.array([4.3, np.nan])
    logs = rng.multivariate_normal(mean, covariance, 200_000).T
    weight = np.exp(-0.5 * (seen[0] - logs[0]) ** 2 / noise[0, 0])
    again = logs[:, resampled(weight, logs.shape[1], rng)]
    exact_mean, exact_covariance = normal_given(mean, covariance, seen, noise)
    gain = 0.16 / 0.21
    assert exact_mean == pytest.approx([4.0 + 0.3 * gain, 4.5 + 0.3 * 0.08 / 0.21])
    assert exact_covariance[0, 0] == pytest.approx(0.16 * (1 - gain))
    assert again.mean(axis=1) == pytest.approx(exact_mean, abs=0.005)
    assert np.cov(again) == pytest.approx(exact_covariance, rel=0.05)


def test_payback_without_chance_is_price_over_monthly_earnings() -> None:
    """With a thousand equal visits the months are price / (visits a month x earned each), the textbook payback."""
    drawn = months_to_pay_back(np.full(1000, 100.0), 10.0, 24_000.0, n_draws=4000, rng=np.random.default_rng(1))
    assert np.median(drawn.months) == pytest.approx(2.4, rel=0.02)
    assert drawn.never_share == 0


def test_payback_scatters_as_a_renewal_process_does() -> None:
    """Unlike visits spread the months: told ends agree with visits added one by one until the price is reached.

    Number of renewals: Cox (1962), Renewal Theory, ch. 3 (mean t / m, variance t s^2 / m^3).
    """
    rng = np.random.default_rng(2)
    earned = np.tile([50.0, 350.0], 2000)
    drawn = months_to_pay_back(earned, 200.0, 10_000.0, n_draws=4000, rng=rng)
    added = np.cumsum(rng.choice(earned, (4000, 200)), axis=1)
    visits = 1 + np.argmax(added >= 10_000.0, axis=1)
    months = rng.gamma(visits) / 20.0
    assert np.quantile(drawn.months, [0.1, 0.5, 0.9]) == pytest.approx(np.quantile(months, [0.1, 0.5, 0.9]), rel=0.04)
