"""Orders replayed week by week with only past data: what they cost, and whether the stated risk holds."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from ordering_replay import (
    N_DRAWS,
    Replayed,
    Store,
    _warm_up,
    decision_day,
    learned_ground,
    live_day,
    replay,
    tell_chances,
    tell_shop,
    told_outlook,
    worlds,
)
from ordering_shops import WARM_UP_WEEKS, Job, World, draw_world, four_shops

from models.consumption.learn import learn
from models.ice.ordering import best_plan
from pipeline.answers.ordering import OrderQuestion, delivery_dates, outlook_of, terms_of
from pipeline.book.tables import Delivery, Weighing


def test_a_few_weeks_cost_less_than_two_hundred_pounds_a_week() -> None:
    """Four weeks of the first shop: the plan's real cost is below the rule's and not far above the floor's."""
    found = replay(draw_world(four_shops()[0], 5), seed=5, n_weeks=4, ways=("plan", "200 lb a week", "floor"))
    assert found.cost_usd["plan"] < found.cost_usd["200 lb a week"]
    assert found.cost_usd["plan"] < 1.25 * found.cost_usd["floor"]
    assert len(found.chance) == 4
    assert len(found.day_chance) == 28


def test_nothing_after_the_decision_moves_an_order() -> None:
    """Absurd jobs, deliveries and weighings from the decision day on leave the order as it was."""
    law = four_shops()[0]
    world = draw_world(law, 3)
    store = Store()
    today = decision_day(law, WARM_UP_WEEKS)
    _warm_up(world, {"plan": store}, today, 3)
    fitted = learn(world.history(today), law.settings.planning(), seed=1, backtest=False)

    def ordered(known: World) -> list[float]:
        outlook = outlook_of(learned_ground(known, store, today, fitted), seed=1)
        dates, _ = delivery_dates(OrderQuestion(), today, law.settings)
        return best_plan(
            outlook,
            terms_of(law.settings.ice, [(d - today).days for d in dates], law.settings.ice.bumped_job_usd or 0.0),
        ).course.orders_lb.tolist()

    before = ordered(world)
    absurd = [replace(job, amounts=job.amounts * 50) if job.day >= today else job for job in world.jobs]
    extra = [
        Job(f"x{i}", today + timedelta(days=1), today, world.jobs[0].lines, world.jobs[0].amounts) for i in range(9)
    ]
    store.deliveries.append(Delivery(today, None, "tote", 9e4, 1.0, 0.0, "", False))
    store.weighings.append(Weighing(today + timedelta(days=1), None, "tote", 0.0))
    assert ordered(World(law, (*absurd, *extra), world.loss_factor, world.taken_lb)) == before


def test_the_replay_loses_no_pound() -> None:
    """One day: delivered = used + lost + taken + left, and a shortage is bought at the counter's price."""
    law = four_shops()[0]
    world = draw_world(law, 4)
    day = next(d for d, jobs in world.by_day.items() if len(jobs) == 2)
    store = Store()
    live_day(world, store, day, 0.0, np.random.default_rng(1))
    need = sum(job.pellets_lb for job in world.by_day[day])
    assert store.cost_usd == pytest.approx(2.6 * need + 35)
    assert day in store.short_days
    rich = Store(stock_lb=400.0)
    live_day(world, rich, day, 50.0, np.random.default_rng(1))
    lost = 450.0 - need - world.taken_lb.get(day, 0.0) - rich.stock_lb
    assert lost == pytest.approx(law.loss_rate(day) * world.loss_factor[day], rel=0.01)
    assert rich.cost_usd == pytest.approx(50 * 1.30 + 30)


def test_the_floor_is_told_the_law() -> None:
    """The floor's scenarios have the mean need that the law has, averaged over mornings."""
    law = four_shops()[0]
    world = draw_world(law, 6)
    told, came = 0.0, 0.0
    for week in range(10, 60):
        today = decision_day(law, week)
        outlook = told_outlook(world, 0.0, today, np.random.default_rng(week))
        assert outlook.n_draws == N_DRAWS
        told += outlook.need_lb[:7].sum(axis=0).mean()
        came += sum(j.pellets_lb for k in range(7) for j in world.by_day.get(today + timedelta(days=k), []))
    assert told == pytest.approx(came, rel=0.08)


def judged(results: list[Replayed]) -> None:
    """The bar: cheaper than every rule, within 8 % of the floor, stated risk within binomial error."""
    for r in results:
        rules = [r.cost_usd[w] for w in ("200 lb a week", "four weeks' use + 1/4", "mean demand")]
        assert r.cost_usd["plan"] < min(rules), r.name
        assert r.cost_usd["plan"] <= 1.08 * r.cost_usd["floor"], r.name
    p = np.array([c for r in results for c in r.chance])
    y = np.array([s for r in results for s in r.short])
    assert abs(y.sum() - p.sum()) <= 2 * np.sqrt(np.sum(p * (1 - p)))


@pytest.mark.slow
def test_a_year_of_weeks_in_five_shops() -> None:
    """In four shops and on the demo's demand the plan beats the rules, stays near the floor, and its risk holds."""
    results = [replay(world, seed=11 + i) for i, world in enumerate(worlds())]
    for found in results:
        tell_shop(found)
    tell_chances(results)
    judged(results)
