"""The plan of least expected cost: against exhaustive search, a mixed-integer programme, and the limits of a shop."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from models.ice.law import remaining_lb
from models.ice.ordering import allowed_lb, best_plan, mean_demand_plan, standing_plan
from models.ice.outlook import Outlook, Terms, course_of

BREAKS = ((0.0, 1.30), (200.0, 1.10))


def outlook_of(
    seed: int = 0, *, n_draws: int = 300, n_days: int = 14, containers: int = 1, container_lb: float = 300.0,
    rate: float = 35.0, jobs_a_day: float = 1.5, exponent: float | None = None,
) -> Outlook:  # fmt: skip
    rng = np.random.default_rng(seed)
    mean = np.where(np.arange(n_days) % 7 < 5, jobs_a_day, 0.0)[:, None]
    jobs = rng.poisson(mean, (n_days, n_draws)).astype(np.float64)
    need = np.where(jobs > 0, rng.gamma(np.maximum(jobs, 0.1) * 2.0, 12.0), 0.0)
    return Outlook(
        stock_lb=np.maximum(rng.normal(40, 10, (containers, n_draws)), 0.0),
        need_lb=need,
        jobs=jobs,
        rate_lb_day=rate * np.exp(0.15 * rng.standard_normal((containers, n_draws))),
        warmth=np.exp(0.1 * rng.standard_normal((n_days, n_draws))),
        exponent=rng.beta(1, 8, n_draws) if exponent is None else np.full(n_draws, exponent),
        unlogged_share=np.full(n_draws, 0.03),
        container_lb=container_lb,
        full_lb=500.0,
    )


def terms_of(days: tuple[int, ...] = (0, 7), **other: float) -> Terms:
    settings = {"fee_usd": 45.0, "lot_lb": 25.0, "least_lb": 75.0, "rush_usd_per_lb": 3.0, "rush_fee_usd": 30.0}
    return Terms(days, BREAKS, **{**settings, **other})


def exhaustive(outlook: Outlook, terms: Terms) -> float:
    choices = [allowed_lb(outlook, terms, k) for k in range(len(terms.days))]
    return min(float(course_of(outlook, terms, np.array(plan)).cost_usd.mean()) for plan in product(*choices))


@pytest.mark.parametrize(
    ("outlook", "terms"),
    [
        pytest.param(outlook_of(1), terms_of(), id="rush ice"),
        pytest.param(outlook_of(2), terms_of(rush_usd_per_lb=0, rush_fee_usd=0, bumped_job_usd=150), id="bumped jobs"),
        pytest.param(outlook_of(3, containers=2, container_lb=150), terms_of((0, 3)), id="two containers"),
        pytest.param(outlook_of(4, rate=80), terms_of((0, 3, 7), lot_lb=75, least_lb=150), id="three deliveries"),
        pytest.param(outlook_of(5, jobs_a_day=0.3), terms_of((2, 9)), id="little work"),
        pytest.param(outlook_of(6, exponent=1.0), terms_of((0, 7)), id="first-order loss"),
        pytest.param(outlook_of(7, exponent=0.0), terms_of((0, 3, 7, 10), lot_lb=100), id="four deliveries"),
    ],
)
def test_within_one_percent_of_an_exhaustive_search(outlook: Outlook, terms: Terms) -> None:
    """On small cases the found plan costs at most 1 % more than the best of all plans."""
    found = best_plan(outlook, terms).course.cost_usd.mean()
    assert found <= 1.01 * exhaustive(outlook, terms)


def test_a_mixed_integer_programme_finds_the_same_cost() -> None:
    """Without loss the problem is a MILP (lots, fees, least order); HiGHS and the search agree within 1 %."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import lil_matrix

    outlook = replace(outlook_of(8, n_draws=40, rate=0.0, exponent=0.0, container_lb=1000), unlogged_share=np.zeros(40))
    terms = Terms((0, 7), ((0.0, 1.2),), fee_usd=45, lot_lb=25, least_lb=75, rush_usd_per_lb=3.0)
    n_days, n = outlook.need_lb.shape
    # Columns: lots and ordered? of each delivery, then stock at the end and shortage of each day and scenario.
    stock, short = 4 + np.arange(n_days * n), 4 + n_days * n + np.arange(n_days * n)
    size = 4 + 2 * n_days * n
    cost = np.zeros(size)
    cost[:4] = [30, 30, 45, 45]
    cost[short] = 3.0 / n
    rows, low, high = [], [], []

    def row(entries: dict[int, float], least: float, most: float) -> None:
        rows.append(entries)
        low.append(least)
        high.append(most)

    for k in range(2):
        row({k: 25.0, 2 + k: -1000.0}, -np.inf, 0.0)
        row({k: 25.0, 2 + k: -75.0}, 0.0, np.inf)
    for d, j in product(range(n_days), range(n)):
        at = d * n + j
        entries = {int(stock[at]): 1.0, int(short[at]): -1.0}
        begin = outlook.stock_lb[0, j] if d == 0 else 0.0
        if d:
            entries[int(stock[at - n])] = -1.0
        if d in (0, 7):
            entries[0 if d == 0 else 1] = -25.0
        row(entries, begin - outlook.need_lb[d, j], begin - outlook.need_lb[d, j])
    matrix = lil_matrix((len(rows), size))
    for i, entries in enumerate(rows):
        for column, value in entries.items():
            matrix[i, column] = value
    whole = np.zeros(size)
    whole[:4] = 1
    most = np.full(size, np.inf)
    most[2:4] = 1
    solved = milp(cost, constraints=LinearConstraint(matrix.tocsr(), low, high), integrality=whole,
                  bounds=Bounds(0, most))  # fmt: skip
    found = best_plan(outlook, terms).course.cost_usd.mean()
    assert solved.success
    assert found == pytest.approx(solved.fun, rel=0.01)


def test_a_plan_is_followed_pound_by_pound() -> None:
    """Stock and shortage of each day equal a slow walk of one scenario, and no pound goes missing."""
    outlook = outlook_of(9, exponent=0.0, n_draws=50)
    terms, plan = terms_of(), np.array([200.0, 250.0])
    course = course_of(outlook, terms, plan)
    j, held, lost, away = 7, float(outlook.stock_lb[0, 7]), 0.0, 0.0
    rate = float(outlook.rate_lb_day[0, j])
    for day in range(14):
        held += {0: 200.0, 7: 250.0}.get(day, 0.0)
        away += max(held - 300.0, 0.0)
        held = min(held, 300.0)
        lost += min(held, rate * outlook.warmth[day, j] * 5 / 24)
        held = max(held - rate * outlook.warmth[day, j] * 5 / 24, 0.0)
        assert course.stock_lb[day, j] == pytest.approx(held)
        assert course.short_lb[day, j] == pytest.approx(max(outlook.need_lb[day, j] - held, 0.0))
        held = max(held - outlook.need_lb[day, j] * 1.03, 0.0)
        lost += min(held, rate * outlook.warmth[day, j] * 19 / 24)
        held = max(held - rate * outlook.warmth[day, j] * 19 / 24, 0.0)
    assert course.left_lb[j] == pytest.approx(held)
    assert course.sublimated_lb[j] == pytest.approx(lost)
    assert course.turned_away_lb[j] == pytest.approx(away)


def test_stock_orders_and_shortage_are_where_the_ice_goes() -> None:
    """In every scenario: need, use beside it, gas, what found no room and what is left, whatever binds."""
    for containers, plan in ((1, [300.0, 300.0]), (2, [100.0, 450.0]), (1, [0.0, 0.0])):
        outlook = outlook_of(30, containers=containers, exponent=0.5)
        course = course_of(outlook, terms_of(), np.array(plan))
        comes = outlook.stock_lb.sum(axis=0) + sum(plan) + course.short_lb.sum(axis=0)
        goes = (
            outlook.need_lb.sum(axis=0) + course.unlogged_lb + course.sublimated_lb + course.turned_away_lb
            + course.left_lb
        )  # fmt: skip
        assert np.allclose(comes, goes, atol=1e-6)
        assert course.unlogged_lb.min() >= 0
        assert (course.unlogged_lb.mean() > 0.5) == (sum(plan) > 0)
        assert sum(plan) != 600 or course.turned_away_lb.mean() > 1


def test_plans_are_judged_alike_alone_and_together() -> None:
    """With two containers a plan that skips a delivery is followed alike beside one that does not."""
    from models.ice.outlook import follow

    outlook, terms = outlook_of(10, containers=2, container_lb=150), terms_of((0, 3))
    plans = np.array([[150.0, 0.0], [150.0, 150.0]])
    together = follow(outlook, terms, plans, lambda *_: None)[0]
    alone = [follow(outlook, terms, plans[[i]], lambda *_: None)[0][0] for i in (0, 1)]
    assert np.array_equal(together, np.array(alone))


def test_what_no_container_holds_is_lost() -> None:
    """A delivery beyond the containers is paid for and turned away."""
    outlook = replace(outlook_of(11, rate=0.0), stock_lb=np.full((1, 300), 250.0))
    course = course_of(outlook, terms_of((0,)), np.array([300.0]))
    assert course.stock_lb[0].max() == pytest.approx(300.0)
    assert course.ice_usd == pytest.approx(300 * 1.10 + 45)


def test_orders_keep_lot_least_and_container() -> None:
    """Every quantity is 0 or a multiple of the lot between the least order and what the containers hold."""
    allowed = allowed_lb(outlook_of(12), terms_of(), 0)
    assert allowed.tolist() == [0, *range(75, 301, 25)]
    assert allowed_lb(outlook_of(12, container_lb=50), terms_of(), 0).tolist() == [0]


def test_zero_demand_orders_nothing() -> None:
    """Without any work nothing is ordered, nothing is short, and it costs nothing."""
    outlook = outlook_of(13, jobs_a_day=0.0)
    found = best_plan(outlook, terms_of())
    assert found.course.orders_lb.tolist() == [0, 0]
    assert found.course.chance_short() == 0
    assert found.course.cost_usd.max() == 0


def test_no_possible_delivery_is_an_answer() -> None:
    """With no delivery day in the horizon the plan is empty and the shortage is told."""
    found = best_plan(outlook_of(14), terms_of(()))
    assert found.course.orders_lb.shape == (0,)
    assert found.course.chance_short() > 0.9


def test_the_order_rests_on_the_joint_draws() -> None:
    """The same daily means without their joint spread lead to another order."""
    outlook, terms = outlook_of(15), terms_of(lot_lb=10)
    flat = replace(outlook, need_lb=np.broadcast_to(outlook.need_lb.mean(axis=1)[:, None], outlook.need_lb.shape))
    assert best_plan(flat, terms).course.orders_lb.tolist() != best_plan(outlook, terms).course.orders_lb.tolist()


def test_dearer_shortage_orders_no_less() -> None:
    """Raising the cost of rush ice does not lower the order."""
    outlook = outlook_of(16)
    orders = [best_plan(outlook, terms_of((0,), rush_usd_per_lb=r)).course.orders_lb[0] for r in (1.5, 3.0, 9.0)]
    assert orders == sorted(orders)
    assert orders[0] < orders[-1]


def test_a_break_is_bought_up_to() -> None:
    """Where 200 lb cost less than 175 lb, 175 lb are never ordered."""
    outlook = outlook_of(17, jobs_a_day=0.9)
    for rush in (1.5, 2.0, 2.5, 3.0):
        orders = best_plan(outlook, terms_of((0,), rush_usd_per_lb=rush)).course.orders_lb
        assert orders[0] not in (175.0,)


def test_service_is_kept_in_each_cover_at_least_cost() -> None:
    """The chance of running short is at most 5 % in each cover, and no cheaper plan on the grid keeps it."""
    outlook, terms = outlook_of(18, container_lb=500, n_days=7), terms_of((0, 3), lot_lb=50, least_lb=100)
    found = best_plan(outlook, terms, service=0.95)
    assert found.unmet == ()
    assert found.cover_chance_short.max() <= 0.05 + 1e-9
    covers = terms.covers(outlook.n_days)
    for plan in product(*(allowed_lb(outlook, terms, k) for k in range(2))):
        course = course_of(outlook, terms, np.array(plan))
        if max(course.chance_short(covers == k) for k in range(2)) <= 0.05:
            assert found.course.ice_usd <= 1.01 * course.ice_usd


@pytest.mark.parametrize(
    ("outlook", "days", "limit"),
    [
        pytest.param(outlook_of(19, container_lb=100), (0,), (0, "container"), id="container too small"),
        pytest.param(outlook_of(20, container_lb=500, rate=70, jobs_a_day=0.8), (0,), (0, "sublimation"), id="loss"),
        pytest.param(outlook_of(21, container_lb=500, jobs_a_day=3), (4,), (-1, "delivery day"), id="too late"),
    ],
)
def test_an_unmeetable_service_names_the_limit(outlook: Outlook, days: tuple[int, ...], limit: tuple[int, str]) -> None:
    """With one delivery for two weeks the level cannot be met, and the plan says which limit binds."""
    assert limit in best_plan(outlook, terms_of(days, lot_lb=50), service=0.95).unmet


def test_rules_of_thumb() -> None:
    """200 lb a week comes with the first delivery of each week; the mean plan covers mean need and loss."""
    outlook, terms = outlook_of(22, container_lb=500), terms_of((0, 3, 7, 10))
    assert standing_plan(outlook, terms, 200.0).tolist() == [200, 0, 200, 0]
    assert standing_plan(outlook, terms, 0.0).sum() == 0
    assert standing_plan(replace(outlook, container_lb=150.0), terms, 200.0).tolist() == [150, 0, 150, 0]
    plan = mean_demand_plan(outlook, terms)
    need = float(outlook.need_lb[:3].mean(axis=1).sum() * 1.03)
    loss = float((outlook.rate_lb_day[0] * outlook.warmth[:2]).mean(axis=1).sum())
    assert plan[0] == 25 * np.ceil((need + loss - outlook.stock_lb.mean()) / 25)


def test_a_wrong_shape_is_refused() -> None:
    """Arrays that do not match are an error, not a broadcast."""
    outlook = outlook_of(23)
    with pytest.raises(ValueError, match="match need_lb"):
        replace(outlook, warmth=outlook.warmth[:3])
    with pytest.raises(ValueError, match="days must increase"):
        terms_of((3, 0))


@pytest.mark.parametrize("exponent", [0.0, 0.2, 0.8, 1.0])
def test_the_stock_follows_the_law_exactly(exponent: float) -> None:
    """Without work the stock at each noon is the law's closed form over the time since the delivery."""
    outlook = replace(outlook_of(24, exponent=exponent, jobs_a_day=0.0), warmth=np.ones((14, 300)))
    course = course_of(outlook, terms_of((0,)), np.array([200.0]))
    hours = 5 / 24 + np.arange(14)[:, None]
    start = outlook.stock_lb[0] + 200.0
    expected = remaining_lb(start, outlook.rate_lb_day[0], hours, np.full(300, exponent), 500.0)
    assert course.stock_lb == pytest.approx(expected, rel=1e-5, abs=1e-6)
