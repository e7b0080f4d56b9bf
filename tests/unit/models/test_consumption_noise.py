"""Line noise that grows with soil: found where it is, left where not, and what rests on it."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import gamma, invgamma, norm, t

from models.consumption import learn as learning
from models.consumption import noise_by_soil, sampler_target
from models.consumption.design import columns_of
from models.consumption.fitted import FittedModel
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import cuts_of, fit_soil
from models.consumption.noise_by_soil import GROWTH_CHANCE, GROWTH_SD
from models.consumption.planning import Planning, PlanningFigures, log_median
from models.consumption.plugin import Newton, Scales
from models.consumption.predicting import predict
from models.consumption.priors import POOLED
from models.consumption.sampler import Chain
from models.consumption.sampler_target import LINE_SD, LINE_SD_WEIGHT, Target
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHARES = np.array([0.3, 0.4, 0.2, 0.1])


def shop(growth: tuple[float, float], *, n: int = 300, seed: int = 1, totals: bool = False) -> JobTable:
    """Return visits of two zones that take what planning says; line sd 0.25 at moderate soil, `growth` a level."""
    rng = np.random.default_rng(seed)
    job, soil = np.repeat(np.arange(n), 2), rng.choice(4, 2 * n, p=SHARES)
    table = JobTable(
        job_id=tuple(f"{k:04d}" for k in range(n)),
        day=738_000 + np.arange(n),
        customer=Factor.of([""] * n),
        ambient_f=np.full(n, np.nan),
        line_job=job,
        vehicle_class=Factor.of(["sedan"] * 2 * n),
        zone=Factor.of(["engine_bay", "undercarriage"] * n),
        machine=Factor.of(["m"] * 2 * n),
        operator=Factor.of(["o"] * 2 * n),
        soil=soil,
        coating_removed=np.zeros(2 * n, dtype=bool),
        settings={name: np.full(2 * n, np.nan) for name in SETTINGS},
        pellets=Observed.nothing(2 * n),
        minutes=Observed.nothing(2 * n),
    )
    group = job if totals else np.arange(2 * n)
    seen = []
    for q, g in zip(QUANTITIES, growth, strict=True):
        noise = 0.25 * np.exp(g * (soil - 1)) * rng.standard_normal(2 * n)
        noise += 0.1 * rng.standard_normal(n)[job]
        seen.append(Observed(group, np.bincount(group, weights=np.exp(log_median(table, Planning().of(q)) + noise))))
    return replace(table, pellets=seen[0], minutes=seen[1])


@pytest.mark.parametrize("large", [False, True])
def test_noise_that_grows_with_soil_is_found_and_none_where_there_is_none(
    monkeypatch: pytest.MonkeyPatch, *, large: bool
) -> None:
    """Of one quantity that scatters more when dirty and one that does not, each is seen for what it is."""
    if large:
        monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
        monkeypatch.setattr(learning, "SCALE_JOBS", 250)
    for growth in ((0.3, 0.0), (0.0, -0.25)):
        found = learning.fit(shop(growth), Planning(), seed=1).states.noise_growth
        assert found.mean(axis=0) == pytest.approx(growth, abs=0.08)
        there = np.array(growth) != 0
        assert (found[:, there] != 0).mean() > 0.95
        assert (found[:, ~there] != 0).mean() < 0.4


def test_noise_that_grows_with_soil_is_found_in_totals() -> None:
    """Visits that are known by their total alone tell it too."""
    found = learning.fit(shop((0.35, 0.0), n=400, totals=True), Planning(), seed=1).states.noise_growth
    assert found.mean(axis=0) == pytest.approx([0.35, 0.0], abs=0.15)


def target_of(residual: NDArray[np.float64], soil: NDArray[np.int64], zone: NDArray[np.int64]) -> Target:
    n = len(residual)
    target = Target(
        Observed(np.arange(n), np.exp(residual)), (), np.zeros((n, 3)), np.zeros(n), np.arange(n), zone, 2, soil
    )
    target.refit()
    return target


def test_growth_is_drawn_as_often_as_it_is_likely(monkeypatch: pytest.MonkeyPatch) -> None:
    """With residuals held, the draws agree with the posterior by numerical integration over all other scales."""
    rng, n, nu, nu0 = np.random.default_rng(3), 40, 5.0, 16.0
    soil, zone = rng.integers(0, 4, n), rng.integers(0, 2, n)
    residual = 0.3 * np.exp(0.22 * (soil - 1)) * rng.standard_t(nu, n)
    for name, value in (("NU_GRID", nu), ("NU_LOG_PRIOR", 0.0), ("_NU_CONSTANT", 0.0), ("NU0_GRID", nu0)):
        monkeypatch.setattr(sampler_target, name, np.array([value]))
    target = target_of(residual, soil, zone)
    growths = np.linspace(-0.75, 0.75, 101)
    width = growths[1] - growths[0]
    log_guess, log_var = np.linspace(-6.5, 0.5, 60), np.linspace(-6.5, 2.0, 120)
    guess, var = np.exp(log_guess), np.exp(log_var)
    own = gamma(LINE_SD_WEIGHT, scale=LINE_SD**2 / LINE_SD_WEIGHT).logpdf(guess) + log_guess
    among = invgamma(nu0 / 2, scale=nu0 * guess[:, None] / 2).logpdf(var) + log_var
    evidence = []
    for g in growths:
        sd = np.sqrt(var)[:, None] * np.exp(g * (soil - 1))
        each = t(nu).logpdf(residual / sd) - np.log(sd)
        zones = [logsumexp(among + each[:, zone == z].sum(axis=1), axis=1) for z in range(2)]
        evidence.append(float(logsumexp(own + zones[0] + zones[1])))
    on = np.array(evidence) + norm(0, GROWTH_SD).logpdf(growths) + np.log(width * GROWTH_CHANCE)
    off = np.interp(0.0, growths, evidence) + np.log(1 - GROWTH_CHANCE)
    chance = float(np.exp(logsumexp(on) - np.logaddexp(logsumexp(on), off)))
    p = np.exp(on - logsumexp(on))
    mean = float(p @ growths)
    sd_on = float(np.sqrt(p @ (growths - mean) ** 2))
    drawn = np.empty(20_000)
    for k in range(len(drawn)):
        target.draw_line_noise(rng)
        drawn[k] = target.growth
    kept = drawn[drawn != 0]
    assert 0.2 < chance < 0.9
    assert len(kept) / len(drawn) == pytest.approx(chance, abs=0.025)
    assert kept.mean() == pytest.approx(mean, abs=0.006)
    assert kept.std() == pytest.approx(sd_on, abs=0.006)


def test_one_growth_is_as_likely_wherever_the_grid_was_moved() -> None:
    """Prior chances sum to one on every moved grid."""
    for seed in range(3):
        growths, log_p = noise_by_soil.choices(np.random.default_rng(seed))
        assert growths[-1] == 0
        assert np.exp(logsumexp(log_p)) == pytest.approx(1.0, abs=1e-3)


def chain_with_growth(table: JobTable) -> Chain:
    chain = Chain(table, Planning(), columns_of(table), fit_soil(table), np.random.default_rng(3))
    for _ in range(5):
        chain.sweep()
    for target, growth in zip(chain.targets, (0.3, -0.2), strict=True):
        target.growth = growth
    return chain


def test_a_latent_level_is_as_likely_as_the_spread_it_brings_says() -> None:
    """The likelihood of each level of unwritten lines is the normal density with that level's mean and sd."""
    table = shop((0.3, 0.0), n=30)
    chain = chain_with_growth(replace(table, soil=np.where(np.arange(60) % 3 == 0, -1, table.soil)))
    lines = chain.soil.drawn
    found = chain._soil_likelihood(lines)
    exact = np.empty((len(lines), 4))
    for level in range(4):
        new = np.full(len(lines), level)
        chain._put_levels(lines, new)
        chain.soil.level[lines] = new
        parts = [
            norm(0, np.sqrt(target.s2[target.zone] / target.l) * np.exp(target.growth * (level - 1)))
            .logpdf(target.residual())[target.position[lines]]
            for target in chain.targets
        ]  # fmt: skip
        exact[:, level] = parts[0] + parts[1]
    assert found - found[:, :1] == pytest.approx(exact - exact[:, :1], abs=1e-9)


def test_lines_with_other_levels_have_their_weights() -> None:
    """What lines would weigh at other levels is what they weigh once they have them."""
    chain = chain_with_growth(shop((0.3, 0.0), n=20))
    lines, new = np.arange(10), np.arange(10) % 4
    would = chain._at_levels(lines, new).weight
    chain._put_levels(lines, new)
    assert np.array([target.weight() for target in chain.targets]) == pytest.approx(would)


def planned(growth: float, soil_shares: NDArray[np.float64]) -> tuple[FittedModel, JobTable]:
    """Return a fit whose lines are planning times noise of one sd at moderate soil, and a request at each level."""
    flat = PlanningFigures({"engine_bay": 20.0}, {"sedan": 1.0}, soil=(1.0, 1.0, 1.0, 1.0))
    table = shop((0.0, 0.0), n=3)
    table = replace(
        table.without_figures(), job_id=tuple("abcde"), day=np.full(5, 738_000), customer=Factor.of([""] * 5),
        ambient_f=np.full(5, np.nan), line_job=np.arange(5), soil=np.array([0, 1, 2, 3, -1]),
        zone=Factor.of(["engine_bay"] * 5), vehicle_class=Factor.of(["sedan"] * 5), machine=Factor.of([""] * 5),
        operator=Factor.of([""] * 5), coating_removed=np.zeros(5, dtype=bool),
        settings={name: np.full(5, np.nan) for name in SETTINGS},
        pellets=Observed.nothing(5), minutes=Observed.nothing(5),
    )  # fmt: skip
    fitted = learning.fit(table.take_jobs(np.zeros(0, dtype=np.int64)), Planning(flat, flat), seed=1)
    states = replace(
        fitted.states, b=0 * fitted.states.b, job_sd=0 * fitted.states.job_sd,
        other_sd=np.full_like(fitted.states.other_sd, 0.2), noise_growth=np.tile([growth, 0.0], (fitted.states.n, 1)),
    )  # fmt: skip
    return replace(fitted, states=states, soil=replace(fitted.soil, cuts=cuts_of(soil_shares))), table


def test_answers_spread_by_soil() -> None:
    """A line's log has the sd of its level; where soil is blank that of the mix; the other quantity stays alike."""
    fitted, asked = planned(0.3, SHARES)
    consumption = predict(fitted, asked, seed=1, n_draws=30_000)
    sd = np.log(consumption.jobs("pellets_lb").draws).std(axis=1)
    exact = 0.2 * np.exp(0.3 * (np.arange(4) - 1))
    exact = np.append(exact, np.sqrt(SHARES @ exact**2)) * np.sqrt(100 / 98)
    assert sd == pytest.approx(exact, rel=0.03)
    minutes = np.log(consumption.jobs("minutes").draws).std(axis=1)
    assert minutes == pytest.approx(np.full(5, 0.2 * np.sqrt(100 / 98)), rel=0.03)


def test_a_fit_that_was_stored_before_knows_of_no_growth() -> None:
    """A stored fit without it loads and answers as one whose noise is alike at every level; a new one keeps it."""
    fitted, asked = planned(0.3, SHARES)
    assert FittedModel.from_json(fitted.to_json()).states.noise_growth == pytest.approx(fitted.states.noise_growth)
    body = json.loads(fitted.to_json())
    del body["states"]["noise_growth"]
    old = FittedModel.from_json(json.dumps(body))
    assert not old.states.noise_growth.any()
    alike, _ = planned(0.0, SHARES)
    draws = [predict(FittedModel.from_json(f.to_json()), asked, seed=1).pellets.draws for f in (old, alike)]
    assert np.array_equal(*draws)


def test_a_large_fit_weighs_lines_by_their_soil() -> None:
    """Noise variance by level, and where it is blank its mean over the shop's soil."""
    table = shop((0.0, 0.0), n=10)
    table = replace(table, soil=np.where(np.arange(20) < 4, -1, table.soil))
    soil, growth, var = fit_soil(table), 0.3, np.array([0.04, 0.09])
    scales = Scales(np.full(len(POOLED), 0.1), var, 0.02, 10.0, 0.0, growth)
    fit = Newton(table, Planning(), columns_of(table), soil, "pellets_lb", scales)
    by_level = np.exp(2 * growth * (np.arange(4) - 1))
    factor = np.concatenate([soil.chances(table, np.arange(4)) @ by_level, by_level[table.soil[4:]]])
    assert fit._chunk(np.arange(10)).line_var == pytest.approx(np.tile(var, 10) * factor)
