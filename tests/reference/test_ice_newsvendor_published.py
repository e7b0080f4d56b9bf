"""One delivery, no loss, no fee: the order is the newsvendor quantile of published worked examples.

Source: Snyder & Shen (2019), Fundamentals of Supply Chain Theory, 2nd ed., Wiley: examples 4.1 to 4.7 and problems 4.1,
4.7, 4.8, with the numbers of the authors' own package stockpyl (tests/test_newsvendor.py). A holding cost h and a
stockout cost p become an ice price c = h and a rush price r = h + p:
c Q + r E[short] = (h E[left] + p E[short]) + c mean.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.ice.ordering import best_plan
from models.ice.outlook import Outlook, Terms, course_of
from models.ice.price import price_per_lb

N = 40_000


def outlook_of(need_lb: np.ndarray, *, rate: float = 0.0, exponent: float = 0.0) -> Outlook:
    n = len(need_lb)
    return Outlook(
        stock_lb=np.zeros((1, n)), need_lb=need_lb[None, :], jobs=np.ones((1, n)), rate_lb_day=np.full((1, n), rate),
        warmth=np.ones((1, n)), exponent=np.full(n, exponent), unlogged_share=np.zeros(n), container_lb=1e6,
        full_lb=1000.0,
    )  # fmt: skip


def terms_of(holding: float, stockout: float, lot: float) -> Terms:
    return Terms(days=(0,), breaks=((0.0, holding),), lot_lb=lot, rush_usd_per_lb=holding + stockout)


def scenarios(law: object) -> np.ndarray:
    """Midpoints of equal slices of probability."""
    return np.asarray(law.ppf((np.arange(N) + 0.5) / N), dtype=np.float64)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("holding", "stockout", "law", "order", "cost", "lot"),
    [
        pytest.param(0.18, 0.70, stats.norm(50, 8), 56.6039559274, 1.9976051932, 0.01, id="example 4.3"),
        pytest.param(0.18, 0.70, stats.norm(250, 8 * 5**0.5), 264.7668943742, 4.4667810041, 0.02, id="example 4.4"),
        pytest.param(43, 79, stats.norm(900, 60), 922.7214038235, 2718.196781782, 0.1, id="problem 4.1"),
        pytest.param(1, 0.1765, stats.lognorm(0.3, scale=np.exp(6)), 295.6266448071, 29.4425435821, 0.1,
                     id="problem 4.8b"),
        pytest.param(1, 4, stats.poisson(6), 8, 3.5701069458, 1.0, id="example 4.7"),
        pytest.param(200, 270, stats.poisson(18), 19, 786.0884409351, 1.0, id="problem 4.8a"),
    ],
)  # fmt: skip
def test_one_delivery_is_the_newsvendor(holding, stockout, law, order, cost, lot) -> None:
    """The searched order and its expected cost equal the published ones, and the quantile of scipy's distribution."""
    outlook, terms = outlook_of(scenarios(law)), terms_of(holding, stockout, lot)
    course = best_plan(outlook, terms).course
    assert course.orders_lb[0] == pytest.approx(order, abs=lot * 1.01)
    assert course.orders_lb[0] == pytest.approx(law.ppf(stockout / (stockout + holding)), abs=lot * 1.01)
    assert course.cost_usd.mean() - holding * law.mean() == pytest.approx(cost, rel=2e-3)


@pytest.mark.parametrize(("order", "cost"), [(40.0, 7.3561315529), (60.0, 2.1561315529)])
def test_cost_of_another_order(order: float, cost: float) -> None:
    """Example 4.3's cost at an order that is not the best one."""
    outlook, terms = outlook_of(scenarios(stats.norm(50, 8))), terms_of(0.18, 0.70, 0.01)
    course = course_of(outlook, terms, np.array([order]))
    assert course.cost_usd.mean() - 0.18 * 50 == pytest.approx(cost, rel=1e-3)


def test_discrete_demand_of_problem_4_7b() -> None:
    """A demand of 1 to 8 with its published probabilities orders 5 at a cost of 1,225,000."""
    share = np.array([0.25, 0.05, 0.1, 0.2, 0.15, 0.1, 0.1, 0.05])
    need = np.repeat(np.arange(1.0, 9.0), np.rint(share * 1000).astype(int))
    course = best_plan(outlook_of(need), terms_of(500_000, 1_000_000, 1.0)).course
    assert course.orders_lb[0] == 5
    assert course.cost_usd.mean() - 500_000 * need.mean() == pytest.approx(1_225_000, rel=1e-9)


def test_order_when_a_share_is_lost_first() -> None:
    """With survival s before use, order y*/s, y* the newsvendor at unit cost c/s: 132.966 for N(100, 20), s = .8.

    Identity computed from Ghare & Schrader's proportional decay (1963, J. Ind. Eng. 14:238; from memory).
    """
    hours_before_use = 5 / 24
    rate = -np.log(0.8) / hours_before_use * 1000.0
    outlook = outlook_of(scenarios(stats.norm(100, 20)), rate=rate, exponent=1.0)
    terms = Terms(days=(0,), breaks=((0.0, 3.0),), lot_lb=0.01, rush_usd_per_lb=10.0)
    assert best_plan(outlook, terms).course.orders_lb[0] == pytest.approx(132.966, abs=0.02)


@pytest.mark.parametrize(
    ("breaks", "demand", "fee", "carrying", "best", "costs"),
    [
        pytest.param(((0, 0.75), (400, 0.72), (800, 0.68)), 1300, 8, 0.3, 800,
                     {304.0467800264: 1043.41052551, 400: 1005.20, 800: 978.60}, id="Snyder & Shen example 3.6"),
        pytest.param(((0, 0.30), (500, 0.29), (1000, 0.28)), 600, 8, 0.2, 500,
                     {400: 204.00, 500: 198.10, 1000: 200.80}, id="Nahmias example 4.4"),
        pytest.param(((0, 5.00), (1000, 4.80), (2000, 4.75)), 5000, 49, 0.2, 1000,
                     {700: 25_700.0, 1000: 24_725.0, 2000: 24_822.50}, id="Heizer & Render, Wohl's Discount Store"),
    ],
)  # fmt: skip
def test_a_break_holds_for_the_whole_order(breaks, demand, fee, carrying, best, costs) -> None:
    """All-units discounts: annual cost K D/Q + c D + i c Q/2 at the published candidates, and which is least."""

    def annual(q: float) -> float:
        price = float(price_per_lb(q, breaks))
        return fee * demand / q + price * demand + carrying * price * q / 2

    for q, cost in costs.items():
        assert annual(q) == pytest.approx(cost, abs=0.01)
    assert min(costs, key=annual) == best
