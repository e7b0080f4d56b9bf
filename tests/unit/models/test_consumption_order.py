"""Zones worked together where it matters which was first: the working order is found, and answers count with it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import permutations
from typing import Any

import numpy as np
import pytest
from scipy.special import logsumexp

from models.consumption import learn as learning
from models.consumption import sampler_order
from models.consumption.design import columns_of
from models.consumption.draws import Scenarios
from models.consumption.fitted import FittedModel
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import fit_soil
from models.consumption.order import worked_later
from models.consumption.planning import Planning, log_median
from models.consumption.predicting import predict
from models.consumption.sampler import Chain
from models.consumption.sampler_marginal import Marginal
from models.consumption.sampler_visit import SCORE_STEP, SCORES, amounts, log_prior
from models.consumption.usual_order import has_order, later_share, usual_order
from shared.vocabulary import QUANTITIES

ORDER = ("undercarriage", "engine_bay", "interior", "door_jambs")


def visits(
    zones: list[list[str]], seed: int, *, later: float = 1.0, line_sd: float = 0.15, more: tuple[float, float] = (0, 0)
) -> JobTable:
    """Return visits of the zones given; all but the first in `ORDER` take `later` times planning, the first `more`."""
    rng = np.random.default_rng(seed)
    job = np.repeat(np.arange(len(zones)), [len(z) for z in zones])
    words = [zone for visit in zones for zone in visit]
    n = len(words)
    table = JobTable(
        job_id=tuple(f"{k:05d}" for k in range(len(zones))),
        day=738_000 + np.arange(len(zones)),
        customer=Factor.of([""] * len(zones)),
        ambient_f=np.full(len(zones), np.nan),
        line_job=job,
        vehicle_class=Factor.of(["sedan"] * n),
        zone=Factor.of(words),
        machine=Factor.of(["m"] * n),
        operator=Factor.of(["o"] * n),
        soil=np.ones(n, dtype=np.int64),
        coating_removed=np.zeros(n, dtype=bool),
        settings={name: np.full(n, np.nan) for name in SETTINGS},
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
    )
    second = worked_later(job, np.array([ORDER.index(w) for w in words]))
    noise = 0.1 * rng.standard_normal(len(zones))[job] + line_sd * rng.standard_normal((2, n))
    figures = [
        (np.exp(log_median(table, Planning().of(q))) * np.where(second, later, 1.0) + f * ~second) * np.exp(e)
        for q, e, f in zip(QUANTITIES, noise, more, strict=True)
    ]
    return replace(table, pellets=Observed(np.arange(n), figures[0]), minutes=Observed(np.arange(n), figures[1]))


def usual_visits(n: int, seed: int) -> list[list[str]]:
    rng = np.random.default_rng(seed)
    return [rng.choice(ORDER, int(rng.integers(1, 4)), replace=False).tolist() for _ in range(n)]


def median(fitted: FittedModel, zones: list[str]) -> float:
    asked = visits([zones], 0).without_figures()
    return float(predict(fitted, asked, seed=1).jobs("pellets_lb").quantiles([0.5])[0, 0])


def test_the_first_line_of_a_visit_is_that_of_the_least_place() -> None:
    job, place = np.array([0, 0, 1, 2, 2, 2]), np.array([3, 1, 0, 2, 2, 5])
    assert worked_later(job, place).tolist() == [True, False, False, False, True, True]


def small_chain(seed: int, **of: Any) -> Chain:
    """Return a chain some sweeps on over 14 visits of three zones, without an order."""
    zones = [v for v in usual_visits(60, 3) if "door_jambs" not in v][:14]
    table = learning.in_order(visits(zones, 4, **of))
    chain = Chain(table, Planning(), columns_of(table), fit_soil(table), np.random.default_rng(seed))
    for _ in range(3):
        chain.sweep()
    chain.levels.visit.first = None
    chain.priors.put_form(together=False, in_order=False)
    return chain


def ground_of(chain: Chain, amount: list[float]) -> sampler_order._Ground:
    """Return the ground of a chain's moves with a fixed amount that all lines of a visit carry."""
    visit = chain.levels.visit
    visit.amount = np.array(amount)
    for target, each in zip(chain.targets, amount, strict=True):
        target.own = visit.carried(target, each)
        target.refit()
    columns = tuple(chain.columns.start(block) for block in ("together", "after"))
    return sampler_order._Ground.of(chain.targets, chain.priors, visit, chain.table, columns)


def test_forms_and_orders_are_drawn_as_often_as_they_are_likely(monkeypatch: pytest.MonkeyPatch) -> None:
    """With all else held the moves visit no form, the alike one, and each order of both others by their chances."""
    monkeypatch.setattr(sampler_order, "_EVERY_SWEEPS", 1)
    chain = small_chain(5, later=0.8, line_sd=0.2)
    order, priors, visit, columns = chain.order, chain.priors, chain.levels.visit, chain.columns
    table, alike, after = chain.table, columns.start("together"), columns.start("after")
    ground = ground_of(chain, [3.0, 4.0])
    # What the amount adds follows from the coefficients, which each move renews: it is held, and so is the amount.
    monkeypatch.setattr(sampler_order._Ground, "of", lambda *_: ground)
    monkeypatch.setattr(order, "_rebooked", lambda ground, form, _place, fit, _rng: (ground, form, fit))
    rest, log_prior = ground.rest, priors.log_forms()
    share = 1 - 1 / np.bincount(table.line_job)[table.line_job]
    exact = {
        ("none",): log_prior["none"],
        ("alike",): log_prior["alike"] + rest.with_column(share, *priors.moments(alike)).log_factor,
    }
    assert chain.columns.blocks["zone"] == tuple(sorted(ORDER[:3]))
    zone = table.zone.recoded(chain.columns.blocks["zone"])
    for place in permutations(range(3)):
        later = worked_later(table.line_job, np.array(place)[zone]).astype(float)
        each = -np.log(6) + rest.with_column(later, *priors.moments(after)).log_factor
        exact["after", *map(str, place)] = log_prior["after"] + each
        # The amount on the first line, by the fit of figures without what it adds.
        bare = Marginal(replace(rest.lines, rest=rest.lines.rest + ground.spread - ground.alone * (1 - later)), priors)
        exact["first", *map(str, place)] = log_prior["first"] - np.log(6) + bare.log_p - rest.log_p
    total = logsumexp(list(exact.values()))
    seen: Counter[tuple[str, ...]] = Counter()
    n = 8000
    for _ in range(n):
        order.draw(chain.targets, priors, visit, (chain.rows.soil_step, chain.floor), chain.rng)
        if priors.in_order or visit.first is not None:
            seen["after" if priors.in_order else "first", *map(str, order.place.tolist())] += 1
            continue
        # The move is the only one that leaves an order; between the other two forms sweeps draw as well.
        none = exact["none",] - np.logaddexp(exact["none",], exact["alike",])
        together = bool(np.log(chain.rng.random()) >= none)
        priors.put_form(together=together, in_order=False)
        seen["alike" if together else "none",] += 1
    assert seen.keys() >= {("none",), ("alike",)}
    assert len({key[0] for key in seen}) == 4
    for key, log_p in exact.items():
        chance = float(np.exp(log_p - total))
        assert seen[key] / n == pytest.approx(chance, abs=0.012 + 4 * np.sqrt(chance / n)), key


def test_less_for_later_lines_and_an_amount_on_the_first_are_exchanged_as_often_as_they_are_likely() -> None:
    """With the order and all else held: the share of both forms, and the mean amount, by sums over a fine grid."""
    chain = small_chain(5, more=(4.0, 6.0), line_sd=0.25)
    order, place, rng = chain.order, np.array([1, 2, 0]), np.random.default_rng(7)
    ground = ground_of(chain, [0.0, 0.0])
    first, prior = 1 - order._later(place), chain.priors.log_forms()
    cheaper = ground.rest.with_column(1 - first, *chain.priors.moments(chain.columns.start("after")))
    log_after = prior["after"] + 2 * log_prior(SCORES)[-1] + cheaper.log_factor
    fine = np.arange(SCORES[0] - SCORE_STEP / 2, SCORES[-1] + SCORE_STEP / 2, SCORE_STEP / 4) + SCORE_STEP / 8
    mass = log_prior(fine) - np.append(np.full(len(fine), np.log(4.0)), 0.0)
    log_first = np.array([
        [prior["first"] + mass[i] + mass[k] + ground.rest.with_column(
            np.log1p(np.array([[lb], [minutes]]) / ground.taken) * first, 1.0, 0.0).log_factor
         for k, minutes in enumerate(amounts("minutes", fine))]
        for i, lb in enumerate(amounts("pellets_lb", fine))
    ])  # fmt: skip
    total = np.logaddexp(log_after, logsumexp(log_first))
    weight = np.exp(log_first - logsumexp(log_first))
    form, fit, seen, n = "after", cheaper, [], 6000
    for _ in range(n):
        ground, form, fit = order._rebooked(ground, form, place, fit, rng)
        if form == "first":
            seen.append(ground.amount)
    share = float(np.exp(logsumexp(log_first) - total))
    assert 0.1 < share < 0.9
    assert len(seen) / n == pytest.approx(share, abs=0.04)
    mean = [weight.sum(axis=1) @ amounts("pellets_lb", fine), weight.sum(axis=0) @ amounts("minutes", fine)]
    assert np.mean(seen, axis=0) == pytest.approx(mean, rel=0.1)


def test_a_working_order_is_found_and_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Later zones at 0.65: the order is found, a zone alone is answered in full, and beside an earlier one as later;
    a fit of a large log says the same, and so does a fit that was stored."""
    table = learning.in_order(visits(usual_visits(250, 1), 2, later=0.65))
    planned = {z: float(np.exp(log_median(visits([[z]], 0), Planning().of("pellets_lb"))[0])) for z in ORDER}
    small = learning.fit(table, Planning(), seed=1)
    monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
    monkeypatch.setattr(learning, "SCALE_JOBS", 200)
    large = learning.fit(table, Planning(), seed=1)
    assert has_order(small.states, small.columns).mean() > 0.95
    assert usual_order(small.states, small.columns)[:2] == ORDER[:2]
    assert later_share(small.states, small.columns) == pytest.approx(0.65, abs=0.06)
    for fitted in (small, large, FittedModel.from_json(small.to_json())):
        assert median(fitted, ["interior"]) == pytest.approx(planned["interior"], rel=0.08)
        both = planned["undercarriage"] + 0.65 * planned["interior"]
        assert median(fitted, ["undercarriage", "interior"]) == pytest.approx(both, rel=0.06)
        both = planned["engine_bay"] + 0.65 * planned["interior"]
        assert median(fitted, ["interior", "engine_bay"]) == pytest.approx(both, rel=0.06)
        assert median(fitted, ["interior", "engine_bay"]) == median(fitted, ["engine_bay", "interior"])


def test_a_fixed_amount_booked_on_the_first_line_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """12 lb and 20 min a visit on the line worked first: found with their order; a zone alone and a visit are answered
    with them once, and a later line without; a fit of a large log says the same."""
    table = learning.in_order(visits(usual_visits(250, 1), 2, more=(12.0, 20.0)))
    alone = {z: float(np.exp(log_median(visits([[z]], 0), Planning().of("pellets_lb"))[0])) for z in ORDER}
    small = learning.fit(table, Planning(), seed=1)
    monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
    monkeypatch.setattr(learning, "SCALE_JOBS", 200)
    large = learning.fit(table, Planning(), seed=1)
    assert small.states.on_first.mean() > 0.95
    assert small.states.visit.mean(axis=0) == pytest.approx([12.0, 20.0], rel=0.25)
    asked = visits([["undercarriage", "interior"], ["interior"]], 0).without_figures()
    for fitted in (small, large, FittedModel.from_json(small.to_json())):
        answer = predict(fitted, asked, seed=1)
        lines = dict(zip(zip(asked.line_job.tolist(), asked.zone.words(), strict=True),
                         np.median(answer.pellets.draws, axis=1).tolist(), strict=True))  # fmt: skip
        assert lines[0, "undercarriage"] == pytest.approx(alone["undercarriage"] + 12, rel=0.06)
        assert lines[0, "interior"] == pytest.approx(alone["interior"], rel=0.1)
        assert lines[1, "interior"] == pytest.approx(alone["interior"] + 12, rel=0.08)
        whole = alone["undercarriage"] + alone["interior"] + 12
        assert float(answer.jobs("pellets_lb").quantiles([0.5])[0, 0]) == pytest.approx(whole, rel=0.05)


def test_an_order_is_found_where_only_minutes_were_written_down() -> None:
    """What was never recorded has its planning figures, and does not hide what the other quantity shows."""
    table = learning.in_order(visits(usual_visits(250, 1), 2, later=0.65))
    fitted = learning.fit(replace(table, pellets=Observed.nothing(table.n_lines)), Planning(), seed=1)
    assert has_order(fitted.states, fitted.columns).mean() > 0.95
    asked = visits([["undercarriage", "interior"], ["undercarriage"], ["interior"]], 0).without_figures()
    both, first, second = predict(fitted, asked, seed=1).jobs("minutes").quantiles([0.5])[:, 0]
    assert both == pytest.approx(first + 0.65 * second, rel=0.05)


def test_of_lines_in_one_zone_answers_take_that_first_which_learning_does() -> None:
    """Two lines in one zone, told apart by soil and operator."""
    fitted = learning.fit(learning.in_order(visits(usual_visits(40, 1), 2)), Planning(), seed=1)
    for soil, operators in (([3, 0], ["a", "b"]), ([0, 3], ["b", "a"]), ([1, 1], ["b", "a"])):
        asked = replace(
            visits([["interior", "interior"]], 0), soil=np.array(soil), operator=Factor.of(operators)
        ).without_figures()
        scenarios = Scenarios(fitted, asked, 1, 50)
        learned = learning.in_order(asked)
        first = int(np.flatnonzero(~worked_later(learned.line_job, np.zeros(2)))[0])
        of_first = learned.operator.words()[first]
        answered = asked.operator.words()[int(np.flatnonzero(~scenarios._later(np.arange(2))[:, 0])[0])]
        assert answered == of_first


def test_no_order_is_seen_where_zones_take_what_they_take_alone() -> None:
    seen = []
    for k in range(3):
        fitted = learning.fit(learning.in_order(visits(usual_visits(120, k), 10 + k)), Planning(), seed=k)
        seen.append(has_order(fitted.states, fitted.columns).mean())
        assert usual_order(fitted.states, fitted.columns) == ()
    assert np.mean(seen) < 0.1


def test_a_zone_that_is_new_comes_last() -> None:
    """A zone not in the log is answered as a later one beside a zone that is, and in full by itself."""
    zones = [[z for z in v if z != "door_jambs"] or ["interior"] for v in usual_visits(250, 1)]
    fitted = learning.fit(learning.in_order(visits(zones, 2, later=0.5)), Planning(), seed=1)
    assert has_order(fitted.states, fitted.columns).mean() > 0.95
    asked = visits([["interior", "door_jambs"], ["door_jambs"]], 0).without_figures()
    jambs = predict(fitted, asked, seed=1).pellets.draws
    beside, alone = jambs[1], jambs[2]
    assert np.median(beside) / np.median(alone) == pytest.approx(0.5, rel=0.12)


def test_a_shop_of_one_zone_or_of_single_lines_has_no_order() -> None:
    for zones in ([["interior"]] * 40, [[ORDER[k % 4]] for k in range(40)]):
        fitted = learning.fit(learning.in_order(visits(zones, 1)), Planning(), seed=1)
        assert not has_order(fitted.states, fitted.columns).any()
