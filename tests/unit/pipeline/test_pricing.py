from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from pipeline.answers.pricing import chance_of_loss, expected_margin, job_cost, price_job, round_up
from pipeline.book.settings import Costs, Pricing
from pipeline.book.store import Book


def test_cost_parts_by_hand() -> None:
    """One scenario's parts are those of the formula worked by hand."""
    costs = Costs(labour_usd_per_hour=30, trigger_share=0.5, compressor_usd_per_hour=10, equipment_usd_per_hour=20,
                  consumables_usd_per_job=5, overhead_usd_per_hour=12)  # fmt: skip
    parts = job_cost(np.array([50.0]), np.array([60.0]), beside_min=30, landed_usd_per_lb=2.0, costs=costs).parts
    assert {name: float(draws[0]) for name, draws in parts.items()} == {
        "ice": 100.0, "hands-on labour": 30.0, "set-up and clean-up": 15.0, "compressor": 5.0, "equipment": 10.0,
        "consumables": 5.0, "overhead": 18.0,
    }  # fmt: skip


def test_cost_keeps_pellets_and_minutes_of_a_scenario_together() -> None:
    """Shuffling one quantity against the other changes the spread of cost: they belong together."""
    rng = np.random.default_rng(3)
    size = np.exp(rng.normal(0, 0.5, 4000))
    pellets, minutes = 50 * size, 60 * size
    together = job_cost(pellets, minutes, beside_min=0, landed_usd_per_lb=2, costs=Costs()).total()
    apart = job_cost(rng.permutation(pellets), minutes, beside_min=0, landed_usd_per_lb=2, costs=Costs()).total()
    assert together.std() > 1.2 * apart.std()


def test_margin_is_a_share_of_the_price_and_markup_one_of_cost() -> None:
    """A mark-up of 50 % on a cost of 3.00 is a price of 4.50 and a margin of a third (identity g = m / (1 + m))."""
    pricing = Pricing(margin_share=1 / 3, risk_share=0.5, minimum_usd=0, round_to_usd=0.01)
    price = price_job(np.full(10, 3.0), pricing)
    assert price.price_usd == 4.5
    assert price.binding == "margin"
    assert price.expected_margin_share == pytest.approx(1 / 3)
    markup = 0.5
    assert expected_margin(np.full(10, 3.0), 3.0 * (1 + markup)) == pytest.approx(markup / (1 + markup))


def test_the_largest_of_margin_risk_and_minimum_binds() -> None:
    """Wide cost lets the risk bind, a small job the minimum, and the price is rounded up once, at the end."""
    wide = np.concatenate([np.full(80, 10.0), np.full(20, 1000.0)])
    pricing = Pricing(margin_share=0.1, risk_share=0.1, minimum_usd=100, round_to_usd=5, tax_share=0.08)
    risky = price_job(wide, pricing)
    assert (risky.binding, risky.price_usd, risky.chance_of_loss) == ("risk", 1000.0, 0.0)
    small = price_job(np.full(100, 3.0), pricing)
    assert (small.binding, small.price_usd, small.price_with_tax_usd) == ("minimum", 100.0, 108.0)
    usual = price_job(np.full(100, 199.0), replace(pricing, minimum_usd=0))
    assert usual.price_for_margin_usd == 221.11
    assert usual.price_usd == 225.0


def test_rounding_up_leaves_a_round_price_alone() -> None:
    """A price that is a multiple already is not raised, in spite of binary fractions."""
    assert round_up(110.0, 5) == 110.0
    assert round_up(0.3, 0.1) == pytest.approx(0.3)
    assert round_up(110.01, 5) == 115.0


def test_chance_of_loss_counts_scenarios_above_the_price() -> None:
    """A cost equal to the price is no loss."""
    assert chance_of_loss(np.array([1.0, 2.0, 3.0, 4.0]), 3.0) == 0.25
    with pytest.raises(ValueError, match="price_usd"):
        expected_margin(np.array([1.0]), 0.0)


@pytest.mark.parametrize("count", [7, 8, 12])
def test_prices_of_vehicles_alike_add_up(
    count: int, new_book: Callable[..., Book], run: Callable[..., tuple[int, str, str]]
) -> None:
    """What each vehicle costs is told to the cent where whole amounts would not make up the price."""
    job = ("quote", "--vehicle", "suv", "--zone", "undercarriage", "--count", str(count))
    _, out, _ = run(*job, "--book", str(new_book().folder))
    match = re.search(r"Price \$([\d,]+) .*?\(\$([\d,.]+) each\)", " ".join(out.split()))
    assert match
    whole, each = (float(amount.replace(",", "")) for amount in match.groups())
    assert each * count == pytest.approx(whole, abs=0.005 * count)
