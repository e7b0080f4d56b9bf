"""Loss of ice against closed forms, an integrator, and what the trade says of a tote."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.ice.law import PLANNING_LB_DAY, PLANNING_SPREAD, remaining_lb, warmth
from models.ice.price import held_share, landed_usd_per_lb


@pytest.mark.parametrize("days", [0.0, 1.0, 3.7, 9.0])
def test_heat_leak_is_linear(days: float) -> None:
    """p = 0: m(t) = (m - a t)+."""
    assert remaining_lb(300.0, 40.0, days, 0.0, 500.0) == pytest.approx(max(300.0 - 40.0 * days, 0.0), abs=1e-9)


@pytest.mark.parametrize("days", [0.0, 1.0, 3.7, 30.0])
def test_first_order_is_exponential(days: float) -> None:
    """p = 1: m(t) = m exp(-a t / m0), decay at a constant rate as in Ghare & Schrader (1963; from memory)."""
    assert remaining_lb(300.0, 40.0, days, 1.0, 500.0) == pytest.approx(300.0 * np.exp(-0.08 * days), rel=1e-12)


@pytest.mark.parametrize("p", [0.05, 0.3, 0.7, 0.99])
def test_between_them_an_integrator_agrees(p: float) -> None:
    """0 < p < 1: the closed form equals a numerical solution of dm/dt = -a (m/m0)^p."""
    solved = solve_ivp(lambda _, m: -40.0 * (np.maximum(m, 0) / 500.0) ** p, (0, 4), [300.0], rtol=1e-10, atol=1e-10)
    assert remaining_lb(300.0, 40.0, 4.0, p, 500.0) == pytest.approx(solved.y[0, -1], rel=1e-7)


def test_steps_add_up() -> None:
    """Two steps in a row equal one of their length, for every exponent."""
    p = np.linspace(0, 1, 11)
    halfway = remaining_lb(200.0, 35.0, 1.3, p, 400.0)
    assert remaining_lb(halfway, 35.0, 2.2, p, 400.0) == pytest.approx(remaining_lb(200.0, 35.0, 3.5, p, 400.0))


def test_warm_air_takes_a_tenth_more() -> None:
    """Heat flow goes with the difference to -78.5 °C: 35 °C against 25 °C is (35 + 78.5)/(25 + 78.5) = 1.0966."""
    assert warmth(35.0) / warmth(25.0) == pytest.approx(1.0966, abs=1e-4)


def test_heat_leak_of_a_box() -> None:
    """U A dT / h in SI units gives the 40 lb a day of U = 0.30 W/m2K, A = 4 m2, 100 K, near the planning value.

    h = 573 kJ/kg: Giauque & Egan (1937), J. Chem. Phys. 5:45.
    """
    lb_day = 0.30 * 4 * 100 * 86_400 / 573_000 / 0.45359237
    assert lb_day == pytest.approx(40, abs=0.2)
    assert abs(np.log(lb_day / PLANNING_LB_DAY)) < PLANNING_SPREAD


def test_a_good_tote_keeps_ice_five_to_seven_days() -> None:
    """Common practice, no source: a tote of 200 to 500 lb lasts 5 to 7 days; 200 lb at the planning loss lies in it."""
    assert remaining_lb(200.0, PLANNING_LB_DAY, 5.0, 0.0, 500.0) > 0
    assert remaining_lb(200.0, PLANNING_LB_DAY, 7.0, 0.0, 500.0) == 0


def test_landed_price_identity() -> None:
    """Price c, fee K per Q lb, share l lost: (c + K/Q) / (1 - l); 1.10, 45 per 200 lb and 35 % lost give 2.04."""
    assert landed_usd_per_lb(1.10 * 200 + 45, 200.0, 70.0) == pytest.approx((1.10 + 45 / 200) / 0.65)


def test_a_tote_that_all_turned_to_gas_has_a_price() -> None:
    """A hundredth of it counts as used."""
    assert landed_usd_per_lb(265.0, 200.0, 200.0) == pytest.approx(132.5)


def test_a_container_holds_ice_as_a_queue_with_many_servers_is_busy() -> None:
    """P(empty) = exp(-arrivals x stay) (M/G/inf: Kleinrock 1975): 14 jobs a week that stay 1.5 days are 3 at a time."""
    assert held_share(0.0) == 0.0
    assert held_share(14.0) == pytest.approx(1 - np.exp(-3.0))
