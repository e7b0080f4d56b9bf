"""Zones worked together where the first is paid in full: found, dated to a working order, and answered."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from scipy.special import logsumexp

from models.consumption import learn as learning
from models.consumption import sampler_order
from models.consumption.design import columns_of
from models.consumption.fitted import FittedModel
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import fit_soil
from models.consumption.order import in_order, later_share, usual_order, worked_later
from models.consumption.planning import Planning, log_median
from models.consumption.predicting import predict
from models.consumption.sampler import Chain
from models.consumption.sampler_marginal import Lines, Marginal
from shared.vocabulary import QUANTITIES

ORDER = ("undercarriage", "engine_bay", "interior", "door_jambs")


def visits(zones: list[list[str]], seed: int, *, later: float = 1.0, line_sd: float = 0.15) -> JobTable:
    """Return visits of the zones given; all but the first in `ORDER` take `later` times planning."""
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
    less = np.where(worked_later(job, np.array([ORDER.index(w) for w in words])), np.log(later), 0.0)
    noise = 0.1 * rng.standard_normal(len(zones))[job] + line_sd * rng.standard_normal((2, n))
    figures = [np.exp(log_median(table, Planning().of(q)) + less + e) for q, e in zip(QUANTITIES, noise, strict=True)]
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


def test_forms_and_orders_are_drawn_as_often_as_they_are_likely(monkeypatch: pytest.MonkeyPatch) -> None:
    """With all else held the move visits no form, the alike one and each of six orders by their exact chances."""
    monkeypatch.setattr(sampler_order, "_EVERY_SWEEPS", 1)
    zones = [v for v in usual_visits(60, 3) if "door_jambs" not in v][:14]
    table = learning.in_order(visits(zones, 4, later=0.8, line_sd=0.2))
    chain = Chain(table, Planning(), columns_of(table), fit_soil(table), np.random.default_rng(5))
    for _ in range(3):
        chain.sweep()
    order, priors, columns = chain.order, chain.priors, chain.columns
    alike, after = columns.start("together"), columns.start("after")
    rest = Marginal(Lines.of(chain.targets, table).without_columns([alike, after]), priors)
    share = 1 - 1 / np.bincount(table.line_job)[table.line_job]
    log_none, log_alike, log_after = priors.log_forms()
    exact = {
        ("none",): log_none,
        ("alike",): log_alike + rest.with_column(share, *priors.moments(alike)).log_factor,
    }
    assert chain.columns.blocks["zone"] == tuple(sorted(ORDER[:3]))
    zone = table.zone.recoded(chain.columns.blocks["zone"])
    for place in permutations(range(3)):
        later = worked_later(table.line_job, np.array(place)[zone]).astype(float)
        fit = rest.with_column(later, *priors.moments(after))
        exact["order", *map(str, place)] = log_after - np.log(6) + fit.log_factor
    total = logsumexp(list(exact.values()))
    seen: Counter[tuple[str, ...]] = Counter()
    n = 6000
    for _ in range(n):
        order.draw(chain.targets, priors, (chain.rows.soil_step, chain.floor), chain.rng)
        if priors.in_order:
            seen["order", *map(str, order.place.tolist())] += 1
            continue
        # The move is the only one that leaves an order; between the other two forms sweeps draw as well.
        none = exact["none",] - np.logaddexp(exact["none",], exact["alike",])
        priors.put_form(together=bool(np.log(chain.rng.random()) >= none), in_order=False)
        seen["alike" if priors.together else "none",] += 1
    assert seen.keys() >= {("none",), ("alike",)}
    assert len(seen) >= 5
    for key, log_p in exact.items():
        chance = float(np.exp(log_p - total))
        assert seen[key] / n == pytest.approx(chance, abs=0.012 + 4 * np.sqrt(chance / n)), key


def test_a_working_order_is_found_and_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Later zones at 0.65: the order is found, a zone alone is answered in full, and beside an earlier one as later;
    a fit of a large log says the same, and so does a fit that was stored."""
    table = learning.in_order(visits(usual_visits(250, 1), 2, later=0.65))
    planned = {z: float(np.exp(log_median(visits([[z]], 0), Planning().of("pellets_lb"))[0])) for z in ORDER}
    small = learning.fit(table, Planning(), seed=1)
    monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
    monkeypatch.setattr(learning, "SCALE_JOBS", 200)
    large = learning.fit(table, Planning(), seed=1)
    assert in_order(small.states, small.columns).mean() > 0.95
    assert usual_order(small.states, small.columns)[:2] == ORDER[:2]
    assert later_share(small.states, small.columns) == pytest.approx(0.65, abs=0.06)
    for fitted in (small, large, FittedModel.from_json(small.to_json())):
        assert median(fitted, ["interior"]) == pytest.approx(planned["interior"], rel=0.08)
        both = planned["undercarriage"] + 0.65 * planned["interior"]
        assert median(fitted, ["undercarriage", "interior"]) == pytest.approx(both, rel=0.06)
        both = planned["engine_bay"] + 0.65 * planned["interior"]
        assert median(fitted, ["interior", "engine_bay"]) == pytest.approx(both, rel=0.06)
        assert median(fitted, ["interior", "engine_bay"]) == median(fitted, ["engine_bay", "interior"])


def test_no_order_is_seen_where_zones_take_what_they_take_alone() -> None:
    seen = []
    for k in range(3):
        fitted = learning.fit(learning.in_order(visits(usual_visits(120, k), 10 + k)), Planning(), seed=k)
        seen.append(in_order(fitted.states, fitted.columns).mean())
        assert usual_order(fitted.states, fitted.columns) == ()
    assert np.mean(seen) < 0.1


def test_a_zone_that_is_new_comes_last() -> None:
    """A zone not in the log is answered as a later one beside a zone that is, and in full by itself."""
    zones = [[z for z in v if z != "door_jambs"] or ["interior"] for v in usual_visits(250, 1)]
    fitted = learning.fit(learning.in_order(visits(zones, 2, later=0.5)), Planning(), seed=1)
    assert in_order(fitted.states, fitted.columns).mean() > 0.95
    asked = visits([["interior", "door_jambs"], ["door_jambs"]], 0).without_figures()
    jambs = predict(fitted, asked, seed=1).pellets.draws
    beside, alone = jambs[1], jambs[2]
    assert np.median(beside) / np.median(alone) == pytest.approx(0.5, rel=0.12)


def test_a_shop_of_one_zone_or_of_single_lines_has_no_order() -> None:
    for zones in ([["interior"]] * 40, [[ORDER[k % 4]] for k in range(40)]):
        fitted = learning.fit(learning.in_order(visits(zones, 1)), Planning(), seed=1)
        assert not in_order(fitted.states, fitted.columns).any()
