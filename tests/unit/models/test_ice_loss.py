"""Learning the loss of containers: known laws come back, nothing is invented where there is nothing to learn from."""

from __future__ import annotations

import numpy as np
import pytest

from models.ice.law import CLOSING, OPENING, USE_TIME, Climate, remaining_lb
from models.ice.loss import LossFit, learn_loss
from models.ice.record import DELIVERED, USED, WEIGHED, IceLog
from models.ice.stock import stock_now, unlogged_lb

FIRST_DAY = 738_003  # a Monday


def simulated_log(
    seed: int, *, n_days: int = 150, rates: dict[str, float] | None = None, exponent: float = 0.0,
    unlogged_share: float = 0.0, taken: dict[int, float] | None = None, swing: float = 0.0,
    weigh_days: tuple[int, ...] = (1, 2, 4),
) -> IceLog:  # fmt: skip
    """Return a log of weekly deliveries, daily use and weighings; `taken` is ice that left without a word, by day."""
    rng = np.random.default_rng(seed)
    events: list[tuple[float, int, str, float]] = []
    for name, rate in (rates or {"tote": 40.0}).items():
        held = 0.0
        for day in range(n_days):
            if day % 7 == 0:
                events.append((day + OPENING, DELIVERED, name, 400.0))
                held += 400.0
            season = 1 + swing * np.cos(2 * np.pi * (FIRST_DAY + day - 200) / 365.2425)
            daily = rate * season * max(0.0, 1 + 0.1 * rng.standard_normal())
            held = float(remaining_lb(held, daily, USE_TIME - OPENING, exponent, 500.0))
            if day % 7 < 5 and held > 60:
                used = float(rng.gamma(2.0, 12.0))
                events.append((day + USE_TIME, USED, name, round(used)))
                held = max(held - used * (1 + unlogged_share), 0.0)
            held = max(held - (taken or {}).get(day, 0.0), 0.0)
            held = float(remaining_lb(held, daily, CLOSING - USE_TIME, exponent, 500.0))
            if day % 7 in weigh_days:
                events.append((day + CLOSING, WEIGHED, name, max(0.0, round(held + 2 * rng.standard_normal()))))
            held = float(remaining_lb(held, daily, 1 - CLOSING + OPENING, exponent, 500.0))
    at, kind, container, lb = zip(*events, strict=True)
    return IceLog.of([FIRST_DAY + a for a in at], list(kind), list(container), list(lb))


def fit(log: IceLog, climate: Climate | None = None, **how: float) -> LossFit:
    return learn_loss(log, climate or Climate(), seed=3, full_lb=500.0, **how)  # type: ignore[arg-type]


def inside(draws: np.ndarray, truth: float, level: float = 0.95) -> bool:
    low, high = np.quantile(draws, [0.5 - level / 2, 0.5 + level / 2])
    return bool(low <= truth <= high)


def test_a_known_rate_comes_back() -> None:
    """A container of 40 lb a day is learned to within a few pounds, with the truth inside its interval."""
    law = fit(simulated_log(1)).law
    draws = law.rate_of("tote")
    assert inside(draws, 40.0)
    assert draws.std() < 2.0
    assert law.basis == "learned"


def test_the_exponent_is_pulled_to_heat_leak() -> None:
    """Loss that does not depend on the level is learned as such, and a law in between is told apart from it."""
    leak, between = (fit(simulated_log(2, exponent=p)).law.exponent for p in (0.0, 0.5))
    assert np.median(leak) < 0.06
    assert 0.3 < np.median(between) < 0.7


def test_without_a_log_the_planning_value_stands() -> None:
    """No deliveries, no weighings: median 35 lb a day with a log sd of 0.4, basis planning."""
    empty = IceLog.of([], [], [], [])
    law = fit(empty, n_draws=20_000).law  # type: ignore[arg-type]
    logs = np.log(law.rate_of("tote"))
    assert np.median(logs) == pytest.approx(np.log(35.0), abs=0.02)
    assert logs.std() == pytest.approx(0.4, abs=0.03)
    assert law.basis == "planning"
    assert stock_now(empty, law, Climate(), moment=738_000.0, seed=1).total_lb().max() == 0


def test_deliveries_without_weighings_stay_planning() -> None:
    """Without a weighing the rate keeps nearly the prior's spread, and the stock is still answered."""
    log = simulated_log(3, n_days=30, weigh_days=())
    found = fit(log)
    assert found.law.basis == "planning"
    assert np.log(found.law.rate_of("tote")).std() > 0.15
    now = stock_now(log, found.law, Climate(), moment=FIRST_DAY + 29.0 + OPENING, seed=1).total_lb()
    assert now.std() > 15
    assert np.isfinite(now).all()


def test_containers_are_partially_pooled() -> None:
    """A container weighed twice moves from the others' rate towards its own; one never seen has their mean."""
    many = simulated_log(4, rates={"a": 30.0, "b": 32.0})
    few = simulated_log(5, n_days=5, rates={"c": 60.0})
    at = [*many.at.tolist(), *few.at.tolist()]
    both = IceLog.of(
        at, [*many.kind.tolist(), *few.kind.tolist()], [*many.container, *few.container],
        [*many.lb.tolist(), *few.lb.tolist()],
    )  # fmt: skip
    law = fit(both).law
    assert np.median(law.rate_of("a")) < np.median(law.rate_of("c"))
    assert 25 < np.median(law.rate_of("new")) < 50
    assert law.rate_of("new").std() > law.rate_of("a").std()


def test_unlogged_use_is_told_apart_from_loss() -> None:
    """Use that grows with logged use shows as a share; the rate of loss stays what it is."""
    plain, leaky = (fit(simulated_log(6, n_days=350, unlogged_share=u)).law for u in (0.0, 0.15))
    assert np.median(plain.unlogged_share) < 0.05
    assert 0.08 < np.median(leaky.unlogged_share) < 0.22
    assert np.median(leaky.rate_of("tote")) == pytest.approx(40.0, abs=2.0)


def test_ice_that_left_without_a_word_shows_as_a_jump() -> None:
    """90 lb taken on one day is found in its stretch and nowhere else, and counted as unlogged in its month."""
    log = simulated_log(7, taken={72: 90.0})
    found = fit(log)
    certain = found.jump_share > 0.5
    assert certain.sum() == 1
    assert found.stretches.end_at[certain][0] == pytest.approx(FIRST_DAY + 72 + CLOSING)
    assert found.jump_lb[certain].mean() == pytest.approx(90, abs=10)
    month = unlogged_lb(found, log, since=FIRST_DAY + 60.0, until=FIRST_DAY + 88.0)
    earlier = unlogged_lb(found, log, since=FIRST_DAY + 30.0, until=FIRST_DAY + 58.0)
    assert month.mean() - earlier.mean() == pytest.approx(90, abs=15)


def test_a_weighing_above_what_was_delivered_is_a_jump_the_other_way() -> None:
    """More ice than can be there is taken as an unlogged delivery and does not move the rate."""
    log = simulated_log(8)
    odd = int(np.flatnonzero(log.kind == WEIGHED)[20])
    lb = log.lb.copy()
    lb[odd] += 300.0
    found = fit(IceLog(log.at, log.kind, log.container, lb))
    assert (found.jump_lb.mean(axis=1) < -150).any()
    assert np.median(found.law.rate_of("tote")) == pytest.approx(40.0, abs=3.0)


def test_the_season_is_learned_where_no_temperature_is_known() -> None:
    """A swing of 15 % over a year is found."""
    assert np.median(fit(simulated_log(9, n_days=365, swing=0.15)).law.season) == pytest.approx(0.15, abs=0.04)


def test_stock_now_covers_what_is_there() -> None:
    """Over many shops the 80 % interval of the stock holds the truth about as often as it says."""
    held, n = 0, 30
    for seed in range(n):
        whole = simulated_log(100 + seed, n_days=60, exponent=0.1)
        last = int(np.flatnonzero(whole.kind == WEIGHED)[-1])
        moment, truth = float(whole.at[last]), float(whole.lb[last])
        log = whole.before(moment)
        draws = stock_now(log, fit(log, n_draws=500).law, Climate(), moment=moment, seed=seed).total_lb()  # type: ignore[arg-type]
        held += inside(draws, truth, 0.8)
    assert abs(held / n - 0.8) < 0.2


def test_what_happens_later_moves_nothing() -> None:
    """Absurd deliveries and weighings after the moment change neither law nor stock."""
    log = simulated_log(10, n_days=60)
    moment = FIRST_DAY + 45.0 + OPENING
    absurd = IceLog.of(
        [*log.at.tolist(), moment + 1, moment + 2], [*log.kind.tolist(), DELIVERED, WEIGHED],
        [*log.container, "tote", "tote"], [*log.lb.tolist(), 9e4, 0.0],
    )  # fmt: skip
    answers = []
    for seen in (log, absurd):
        law = fit(seen.before(moment)).law
        answers.append((law.rate_of("tote"), stock_now(seen, law, Climate(), moment=moment, seed=2).now_lb))
    assert np.array_equal(answers[0][0], answers[1][0])
    assert np.array_equal(answers[0][1], answers[1][1])


def test_the_same_seed_gives_the_same_draws() -> None:
    """Two fits of one log agree to the last digit."""
    log = simulated_log(11, n_days=40)
    assert np.array_equal(fit(log).law.rate_lb_day, fit(log).law.rate_lb_day)


def test_how_much_of_the_air_reaches_the_container_is_learned() -> None:
    """Where the loss hardly follows the outdoor temperatures, their share is learned to be small."""
    days = FIRST_DAY + np.arange(300)
    air_c = 20 + 15 * np.sin(days / 20.0)
    law = fit(simulated_log(12, n_days=300), Climate(days, air_c)).law
    assert np.quantile(law.air_share, 0.9) < 0.3
    warm = law.warmth_of(Climate(days, air_c), days[:3])
    assert warm.shape == (3, law.n_draws)


def test_thirty_totes_that_come_and_go_are_learned_from_the_last_twelve() -> None:
    """Where every delivery comes in another tote the sampler still has draws enough, and a new one is like them."""
    events: list[tuple[float, int, str, float]] = []
    for tote in range(30):
        log = simulated_log(40 + tote, n_days=14, rates={f"t{tote:02d}": 36.0 + tote % 5})
        events += zip((log.at + 14 * tote).tolist(), log.kind.tolist(), log.container, log.lb.tolist(), strict=True)
    at, kind, container, lb = zip(*events, strict=True)
    found = fit(IceLog.of(list(at), list(kind), list(container), list(lb)))
    assert found.effective_draws > 100
    assert len(found.law.containers) == 12
    assert np.median(found.law.rate_of("t00")) == pytest.approx(38.0, abs=4.0)
