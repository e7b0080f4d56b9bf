"""Pure statistics of costing: time beside the nozzle, part-done jobs, the price list, payback."""

import numpy as np
import pytest

from models.costing.beside import fit_beside
from models.costing.part_done import rest_of, shares_done
from models.costing.payback import months_to_pay_back
from models.costing.price_list import Amounts, Visits, fit_amounts, fit_call_out_too


def test_minutes_beside_the_nozzle_are_the_planning_figure_without_a_log() -> None:
    """Nothing logged: the constant, without spread, times the visits."""
    law = fit_beside(np.empty((0, 3)), np.empty(0), 15.0)
    assert law.expected(np.ones((2, 3))).tolist() == [15.0, 15.0]
    assert set(law.draw(np.ones(3), 50, np.random.default_rng(1), 4).tolist()) == {60.0}


def test_minutes_beside_the_nozzle_are_learned_by_what_is_worked() -> None:
    """Three hundred logged visits give back base, effect and spread; few visits stay near the planning figure."""
    rng = np.random.default_rng(2)
    inside = rng.integers(0, 2, 300).astype(float)
    design = np.column_stack([np.ones(300), inside])
    minutes = (12 + 10 * inside) * np.exp(rng.normal(-0.02, 0.2, 300))
    law = fit_beside(design, minutes, 20.0)
    assert law.mean == pytest.approx([12, 10], abs=0.8)
    assert law.spread == pytest.approx(0.2, abs=0.04)
    few = fit_beside(design[:1], np.array([60.0]), 20.0)
    assert 20 < few.expected(np.array([[1.0, 0.0]]))[0] < 60
    drawn = law.draw(np.array([1.0, 1.0]), 4000, rng, 1)
    assert drawn.mean() == pytest.approx(22, abs=1)


def joint_total(n: int, rng: np.random.Generator) -> np.ndarray:
    shared = rng.standard_normal(n)
    return np.exp(np.array([4.0, 4.4])[:, None] + 0.4 * (0.8 * shared + 0.6 * rng.standard_normal((2, n))))


def test_rest_is_narrower_and_pellets_inform_minutes() -> None:
    """More used than thought at a third raises the rest of both quantities, though only pellets were read."""
    rng = np.random.default_rng(8)
    total = joint_total(8000, rng)
    share = np.full_like(total, 0.33)
    given = rest_of(total, np.array([30.0, np.nan]), share, rng)
    assert given.method == "scenarios"
    assert np.quantile(given.rest[0] + 30, 0.9) - np.quantile(given.rest[0] + 30, 0.1) < 0.9 * np.subtract(
        *np.quantile(total[0], [0.9, 0.1])
    )
    assert np.median(given.rest[1]) > 1.1 * np.median(0.67 * total[1])
    assert (given.rest >= 0).all()


@pytest.mark.parametrize("used", [[30.0, np.nan], [np.nan, 45.0]])
def test_what_was_not_read_is_no_less_known_than_before(used: list[float]) -> None:
    """The whole job of both quantities is no wider than it was thought to be, whichever of the two was read."""
    rng = np.random.default_rng(11)
    total = joint_total(8000, rng)
    share = np.clip(rng.normal(0.4, 0.12, total.shape), 0.05, 0.95)
    given = rest_of(total, np.array(used), share, rng)
    before, after = (np.subtract(*np.quantile(np.log(d), [0.9, 0.1], axis=1)) for d in (total, given.whole))
    assert (after < 1.02 * before).all()
    assert (given.whole >= given.rest).all()


def test_use_beyond_every_scenario_is_answered_in_closed_form() -> None:
    """A job that used thrice the whole estimate at a third done still gets a rest that is about twice what it used."""
    rng = np.random.default_rng(9)
    total = joint_total(4000, rng)
    given = rest_of(total, np.array([400.0, 60.0]), np.full_like(total, 0.33), rng)
    assert given.method == "log-normal"
    assert 300 < np.median(given.rest[0]) < 1000


def test_in_closed_form_what_was_not_read_is_left_by_share_and_what_was_read_is_never_undone() -> None:
    """Nearly done, a twentieth of the unread minutes is left; the pellets come to a tenth of that more at least."""
    rng = np.random.default_rng(12)
    total = joint_total(4000, rng)
    given = rest_of(total, np.array([900.0, np.nan]), np.full_like(total, 0.95), rng)
    assert given.method == "log-normal"
    assert given.rest[1] == pytest.approx(0.05 * given.whole[1])
    assert given.whole[0].min() == pytest.approx(900 * (1 + 0.1 * 0.05))


def test_shares_follow_which_zones_are_done() -> None:
    """With one zone the share is the share of work; with two unlike zones it spreads around it, both ways."""
    rng = np.random.default_rng(10)
    lines = np.exp(rng.normal(3, 0.3, (2, 2, 5000)))
    one = shares_done(lines[:, :1], np.array([40.0]), 0.4, rng)
    assert one == pytest.approx(np.full((2, 5000), 0.4))
    two = shares_done(lines, np.array([30.0, 30.0]), 0.4, rng)
    assert two.mean() == pytest.approx(0.4, abs=0.02)
    assert two.std() > 0.03


def small_visits(n: int, rng: np.random.Generator) -> tuple[Visits, np.ndarray, Amounts]:
    truth = Amounts(20.0, np.array([[100.0, 40.0], [160.0, 90.0]]), np.array([0.6, 1.0, 1.5, 2.0, 1.1]), 2.0)
    zones = [[0], [1], [0, 1]]
    chosen = [zones[k] for k in rng.integers(0, 3, n)]
    visit = np.repeat(np.arange(n), [len(z) for z in chosen])
    lines = len(visit)
    visits = Visits(visit, rng.integers(0, 2, n)[visit], np.concatenate([np.array(z) for z in chosen]),
                    rng.integers(0, 5, lines), rng.random(lines) < 0.1, n, 2, 2)  # fmt: skip
    return visits, truth.of_visits(visits), truth


def test_list_gives_back_what_made_the_prices() -> None:
    """Without noise, call-out, cells, soil factors and coating are found from visit totals alone."""
    visits, amount, truth = small_visits(400, np.random.default_rng(11))
    start = Amounts(20.0, np.full((2, 2), 70.0), np.array([0.7, 1.0, 1.4, 1.8, 1.0]), 2.5)
    fitted = fit_amounts(visits, amount, start)
    assert fitted.amounts.cell == pytest.approx(truth.cell, rel=0.03)
    assert fitted.amounts.soil == pytest.approx(truth.soil, rel=0.03)
    assert fitted.amounts.coating == pytest.approx(2.0, rel=0.03)


def test_list_gives_back_a_call_out_that_nobody_told() -> None:
    """Started from a third of it or nearly twice as much, the call-out is found, and everything beside it."""
    visits, amount, truth = small_visits(400, np.random.default_rng(13))
    for call_out in (20.0, 100.0):
        start = Amounts(call_out, np.full((2, 2), 70.0), np.array([0.7, 1.0, 1.4, 1.8, 1.0]), 2.5)
        found = fit_call_out_too(visits, amount + 40.0, start)
        assert found.call_out == pytest.approx(60.0, rel=0.01)
        assert found.cell == pytest.approx(truth.cell, rel=0.01)
        assert found.soil == pytest.approx(truth.soil, rel=0.01)
        assert found.coating == pytest.approx(2.0, rel=0.01)
        assert found.of_visits(visits).sum() == pytest.approx((amount + 40.0).sum())


def test_list_keeps_the_sum_of_the_visits() -> None:
    """Whatever the noise, the list applied to its own visits adds up to what they took."""
    rng = np.random.default_rng(12)
    visits, amount, truth = small_visits(60, rng)
    noisy = amount * np.exp(rng.normal(0, 0.4, 60))
    fitted = fit_amounts(visits, noisy, truth)
    assert fitted.amounts.of_visits(visits).sum() == pytest.approx(np.maximum(noisy - 20, 0.05 * noisy).sum() + 60 * 20)
    low, high = fitted.interval(0.8)
    assert (low < fitted.amounts.cell).all()
    assert (fitted.amounts.cell < high).all()


def test_machine_that_loses_money_never_pays_back() -> None:
    """Visits that all lose give no finite month and say so."""
    drawn = months_to_pay_back(np.full(20, -5.0), 12.0, 1000.0, n_draws=200, rng=np.random.default_rng(1))
    assert np.isinf(drawn.months).all()
    assert drawn.never_share == 1.0
