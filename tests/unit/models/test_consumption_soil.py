"""Soil that nobody wrote down, or that an operator grades in his own way: what the lines' levels really are."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm

from models.consumption import learn as learning
from models.consumption.design import columns_of
from models.consumption.fitted import FittedModel
from models.consumption.grades import GRADE_LOG_PRIOR, GRADES, SLIP, log_chance_of_grades, meant
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import PLANNING_SHARES, SoilModel, average, cuts_of, fit_soil
from models.consumption.planning import Planning, log_median
from models.consumption.predicting import predict
from models.consumption.sampler import Chain
from models.consumption.sampler_marginal import Lines, Marginal
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHARES = np.array([0.3, 0.4, 0.2, 0.1])
FACTOR = np.array([0.5, 1.0, 1.8, 3.0])


def jobs(soil: NDArray[np.int64], operator: NDArray[np.str_], amount: NDArray[np.float64], seed: int) -> JobTable:
    """Return jobs of one line; both quantities are planning without soil, times `amount`, line sd 0.15."""
    n, rng = len(soil), np.random.default_rng(seed)
    table = JobTable(
        job_id=tuple(f"{k:04d}" for k in range(n)),
        day=738_000 + np.arange(n),
        customer=Factor.of([""] * n),
        ambient_f=np.full(n, np.nan),
        line_job=np.arange(n),
        vehicle_class=Factor.of(["sedan"] * n),
        zone=Factor.of(rng.choice(["engine_bay", "interior", "undercarriage"], n).tolist()),
        machine=Factor.of(["m"] * n),
        operator=Factor.of(operator.tolist()),
        soil=np.ones(n, dtype=np.int64),
        coating_removed=np.zeros(n, dtype=bool),
        settings={name: np.full(n, np.nan) for name in SETTINGS},
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
    )
    figures = [
        np.exp(log_median(table, Planning().of(q)) + np.log(amount) + 0.15 * rng.standard_normal(n)) for q in QUANTITIES
    ]
    pellets, minutes = (Observed(np.arange(n), f) for f in figures)
    return replace(table, soil=soil, pellets=pellets, minutes=minutes)


def shop(written: tuple[float, ...], *, n: int = 300, seed: int = 1, factor: NDArray[np.float64] = FACTOR) -> JobTable:
    """Return a shop whose levels have `SHARES` and a `factor` each, and are written down with their chance."""
    rng = np.random.default_rng(seed)
    soil = rng.choice(4, n, p=SHARES)
    seen = np.where(rng.random(n) < np.array(written)[soil], soil, -1)
    return jobs(seen, np.full(n, "a"), factor[soil], seed)


def kept(table: JobTable) -> tuple[SoilModel, NDArray[np.float64], bool]:
    chain = Chain(table, Planning(), columns_of(table), fit_soil(table), np.random.default_rng(3))
    chain.run(150, 150)
    return *chain.soil.kept(), chain.soil.by_choice()


def shares_of(model: SoilModel) -> NDArray[np.float64]:
    return np.diff(norm.cdf(model.cuts), prepend=0.0, append=1.0)


def test_soil_written_mainly_where_heavy_does_not_mislead() -> None:
    """The shares of all lines are found, not those of the written ones, and heavy lines are seen to stay blank less."""
    model, unwritten, by_choice = kept(shop((0.1, 0.15, 0.9, 0.9)))
    assert by_choice
    assert unwritten[:2].min() > 2 * unwritten[2:].max()
    assert shares_of(model) == pytest.approx(SHARES, abs=0.07)


def test_soil_forgotten_by_chance_is_seen_as_that() -> None:
    """Blanks that do not depend on the level leave the chance of being written alike."""
    model, unwritten, by_choice = kept(shop((0.6, 0.6, 0.6, 0.6)))
    assert not by_choice
    assert unwritten.min() > 0.8 * unwritten.max()
    assert shares_of(model) == pytest.approx(SHARES, abs=0.07)


@pytest.mark.parametrize("large", [False, True])
def test_a_named_level_is_answered_as_it_is_where_only_heavy_soil_is_written(
    monkeypatch: pytest.MonkeyPatch, *, large: bool
) -> None:
    """A line called moderate takes what moderate lines take, in a sampled fit and in a large one alike."""
    if large:
        monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
        monkeypatch.setattr(learning, "SCALE_JOBS", 250)
    table = shop((0.1, 0.15, 0.9, 0.9))
    fitted = learning.fit(table, Planning(), seed=1)
    asked = jobs(np.ones(1, dtype=np.int64), np.array(["a"]), np.ones(1), 5)
    median = predict(fitted, asked.without_figures(), seed=1).jobs("pellets_lb").quantiles([0.5])[0, 0]
    truth = float(np.exp(log_median(asked, Planning().of("pellets_lb")))[0])
    assert median == pytest.approx(truth, rel=0.13)


def test_a_shop_that_never_wrote_soil_answers_a_named_level_with_more_doubt() -> None:
    """Levels that do not stand apart in the figures are not told apart: the interval is wider than where written."""
    asked = jobs(np.array([3]), np.array(["a"]), np.ones(1), 5).without_figures()
    width = []
    for written in ((1.0,) * 4, (0.0,) * 4):
        fitted = learning.fit(shop(written, n=150, factor=np.array([0.8, 1.0, 1.2, 1.6])), Planning(), seed=1)
        low, high = predict(fitted, asked, seed=1).jobs("pellets_lb").quantiles([0.1, 0.9])[0]
        width.append(float(np.log(high / low)))
    assert width[1] > 1.3 * width[0]


def test_shares_of_several_draws_are_averaged() -> None:
    """The mean has the mean share of each level, and a word that one of them lacks counts as 0."""
    one = SoilModel(cuts_of(np.array([0.1, 0.2, 0.3, 0.4])), {"z": 0.2}, {}, (0.1, 0.0), 0.4)
    two = SoilModel(cuts_of(np.array([0.3, 0.4, 0.2, 0.1])), {}, {"c": 0.4}, (0.3, 0.2), 0.6)
    mean = average([one, two])
    assert shares_of(mean) == pytest.approx([0.2, 0.3, 0.25, 0.25])
    assert mean.zone == pytest.approx({"z": 0.1})
    assert mean.vehicle_class == pytest.approx({"c": 0.2})
    assert mean.season == pytest.approx((0.2, 0.1))
    assert mean.job_share == pytest.approx(0.5)


def test_without_a_written_level_the_shares_are_those_of_planning() -> None:
    """Before anything is written down the shop's soil is what the planning shares say."""
    assert shares_of(fit_soil(shop((0.0,) * 4, n=20))) == pytest.approx(PLANNING_SHARES)


def graded_shop(grade: int, *, n: int = 300, seed: int = 1, own: NDArray[np.float64] = SHARES) -> JobTable:
    """Return a shop of operators a, b and c; c writes `grade` levels above the true one, and finds the shares `own`."""
    rng = np.random.default_rng(seed)
    operator = rng.choice(["a", "b", "c"], n)
    soil = np.where(operator == "c", rng.choice(4, n, p=own), rng.choice(4, n, p=SHARES))
    written = np.where(operator == "c", np.clip(soil + grade, 0, 3), soil)
    return jobs(written, operator, FACTOR[soil], seed)


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("grade", [-1, 1])
def test_an_operator_who_grades_a_level_off_is_understood(
    monkeypatch: pytest.MonkeyPatch, grade: int, *, large: bool
) -> None:
    """Only that operator's grade moves, and his word is answered by what it stands for; a blank operator mixes."""
    if large:
        monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
        monkeypatch.setattr(learning, "SCALE_JOBS", 250)
    fitted = learning.fit(graded_shop(grade), Planning(), seed=1)
    assert fitted.states.grade.mean(axis=0) == pytest.approx([0.0, 0.0, grade], abs=0.1)
    assert FittedModel.from_json(fitted.to_json()).states.grade == pytest.approx(fitted.states.grade)
    for operator, written, level in (("a", 2, 2), ("c", 1, 1 - grade), ("c", 2, 2 - grade)):
        assert answered(fitted, operator, written) == pytest.approx(FACTOR[level], rel=0.12)
    low, high = sorted((FACTOR[1], FACTOR[1 - grade]))
    assert low < answered(fitted, "", 1) < high


def answered(fitted: FittedModel, operator: str, written: int) -> float:
    """Return the median of pellets over the planning figure of a moderate line."""
    asked = jobs(np.ones(1, dtype=np.int64), np.array([operator]), np.ones(1), 5)
    planned = float(np.exp(log_median(asked, Planning().of("pellets_lb")))[0])
    asked = replace(asked, soil=np.array([written])).without_figures()
    return float(predict(fitted, asked, seed=1).jobs("pellets_lb").quantiles([0.5])[0, 0]) / planned


def test_an_operator_who_is_given_the_dirtier_vehicles_is_taken_at_his_word() -> None:
    """Levels that are really higher come with more pellets, so they are no matter of grading."""
    fitted = learning.fit(graded_shop(0, own=np.array([0.0, 0.3, 0.4, 0.3])), Planning(), seed=1)
    assert not fitted.states.grade.any()


def test_the_chance_of_grades_is_that_of_levels_drawn_at_random() -> None:
    """The integrals over a job's and an operator's dirt agree with a simulation of what would be written."""
    rng = np.random.default_rng(4)
    table = replace(jobs(np.array([1, 3, 2, 0]), np.full(4, "a"), np.ones(4), 5), line_job=np.array([0, 0, 1, 2]))
    table = replace(table, job_id=table.job_id[:3], day=table.day[:3], customer=table.customer.take(np.arange(3)))
    model = SoilModel((-0.6, 0.3, 1.1), {"interior": 0.3}, {"sedan": -0.1}, (0.0, 0.0), 0.6)
    n = 400_000
    common = np.sqrt(0.6) * rng.standard_normal((n, 3))[:, table.line_job]
    dirt = common + np.sqrt(0.4) * rng.standard_normal((n, 4)) + 0.3 * rng.standard_normal((n, 1)) + model.mean(table)
    level = np.searchsorted(np.array(model.cuts), dirt)
    lines = np.arange(3)
    for grade, log_p in zip(GRADES, log_chance_of_grades(table, lines, model), strict=True):
        written = np.clip(level + grade, 0, 3)
        share = float((written[:, :3] == table.soil[:3]).all(axis=1).mean())
        # Of a level that only a slip can give (here none but by grade -1: severe), the chance is SLIP times its own.
        slips = float(((written[:, [0, 2]] == table.soil[[0, 2]]).all(axis=1) & (level[:, 1] == 3)).mean()) * SLIP
        expected = slips * (1 - SLIP) if grade < 0 else share * (1 - SLIP if grade > 0 else 1.0)
        assert np.exp(log_p) == pytest.approx(expected, rel=0.06)


def small_chain() -> Chain:
    """Return a chain some sweeps on, over 30 lines in 15 jobs of two operators, some minutes known by job only."""
    n, rng = 30, np.random.default_rng(8)
    soil = np.array([0, 1, 2, 1, 3, 1, 2, 0, 1, 1, 2, 1, 0, 2, 1, 2, 3, 1, 2, 2, 2, 1, 2, 3, 2, 1, 2, 2, 1, 2])
    # What b takes lies between what was written and the level below.
    amount = FACTOR[soil] * np.repeat([1.0, 0.6], 15)
    table = jobs(soil, np.repeat(["a", "b"], 15), amount * rng.lognormal(0.0, 0.3, n), 8)
    job = np.arange(n) // 2
    table = replace(table, line_job=job, day=table.day[::2], customer=table.customer.take(np.arange(15)),
                    job_id=table.job_id[::2], ambient_f=table.ambient_f[::2])  # fmt: skip
    minutes = np.where(job < 4, -1, np.arange(n))
    table = replace(table, minutes=Observed(minutes - minutes[8] * (minutes >= 0), table.minutes.value[8:]))
    chain = Chain(table, Planning(), columns_of(table), fit_soil(table), np.random.default_rng(3))
    for _ in range(5):
        chain.sweep()
    return chain


def log_dense(chain: Chain, lines: Lines) -> float:
    """Return the log density of all figures with a record under their whole covariance."""
    priors, n = chain.priors, chain.columns.n
    noise = np.linalg.inv(priors.noise_precision())
    precision, mean = priors.joint(np.arange(n))
    prior = np.linalg.inv(precision).reshape(2, n, 2, n)
    seen = [np.flatnonzero(w > 0) for w in lines.weight]
    blocks = []
    for t in range(2):
        row = []
        for s in range(2):
            cov = lines.x[seen[t]] @ prior[t, :, s] @ lines.x[seen[s]].T
            cov = cov + noise[t, s] * (lines.job[seen[t]][:, None] == lines.job[seen[s]])
            own = 1 / np.sqrt(lines.weight[t, seen[t]])[:, None] / np.sqrt(lines.weight[s, seen[s]])
            same = seen[t][:, None] == seen[s]
            row.append(cov + own * same * (1.0 if s == t else float(priors.rho[2])))
        blocks.append(row)
    centre = [lines.x[seen[t]] @ mean.reshape(2, -1)[t] for t in range(2)]
    y = [lines.rest[t, seen[t]] for t in range(2)]
    return float(multivariate_normal(np.concatenate(centre), np.block(blocks)).logpdf(np.concatenate(y)))


def test_the_likelihood_without_coefficients_is_that_of_one_large_normal() -> None:
    """Coefficients and job noise integrated out by block agree with the dense covariance of all figures.

    Levels whose lines scatter more are held against others: the size of the noise counts as well.
    """
    chain = small_chain()
    for target, growth in zip(chain.targets, (0.4, -0.2), strict=True):
        target.growth = growth
    each = [chain._at_levels(np.arange(15, 20), np.full(5, level)) for level in (0, 2)]
    found = [Marginal(lines, chain.priors).log_p for lines in each]
    dense = [log_dense(chain, lines) for lines in each]
    assert (each[0].weight[1] == 0).any()
    assert found[1] - found[0] == pytest.approx(dense[1] - dense[0], abs=1e-6)


def test_a_column_more_is_worth_what_one_large_normal_says() -> None:
    """The Bayes factor of a column, and the mean and spread of its coefficients, agree with the fit that has it."""
    chain = small_chain()
    lines = Lines.of(chain.targets, chain.table)
    at = chain.columns.start("after")
    v = np.where(np.arange(30) % 3 == 0, 0.5, np.arange(30) % 2)
    whole = replace(lines, x=lines.x.copy())
    whole.x[:, at] = v
    without = log_dense(chain, lines)
    extra = Marginal(lines, chain.priors).with_column(v, *chain.priors.moments(at))
    chain.priors.put_form(together=False, in_order=True)
    assert extra.log_factor == pytest.approx(log_dense(chain, whole) - without, abs=1e-6)
    fit = Marginal(whole, chain.priors)
    assert extra.step == pytest.approx(fit.coefficients(fit.half)[:, at], abs=1e-9)
    inverse = np.linalg.inv(fit.lower @ fit.lower.T).reshape(2, chain.columns.n, 2, -1)
    assert extra.cov == pytest.approx(inverse[:, at, :, at], abs=1e-9)


def test_grades_and_open_levels_are_drawn_as_often_as_they_are_likely() -> None:
    """With all else held the move visits each grade, and each set of levels it leaves open, by its exact chance."""
    chain = small_chain()
    for target in chain.targets:
        target.growth = 0.3
    grading, soil, operator = chain.grading, chain.soil, 1
    lines = np.arange(15, 30)
    exact: dict[tuple[int, ...], float] = {}
    for grade, log_p in zip(GRADES.tolist(), log_chance_of_grades(soil._table, lines, soil.model), strict=True):
        allowed = meant(soil._table.soil[lines], grade)
        chance = soil.model.chances(soil._table, lines) * allowed
        chance /= chance.sum(axis=1, keepdims=True)
        for levels in product(*(np.flatnonzero(a).tolist() for a in allowed)):
            at = chain._at_levels(lines, np.array(levels))
            log_p_figures = Marginal(at, chain.priors).log_p
            own = np.log(chance[np.arange(15), levels]).sum()
            exact[grade, *levels] = log_p + GRADE_LOG_PRIOR[grade + 1] + own + log_p_figures
    total = logsumexp(list(exact.values()))
    grading._proposals = [(operator, -1), (operator, 1)]
    seen: Counter[tuple[int, ...]] = Counter()
    n = 4000
    for k in range(n * 10):
        floor = chain.rows.soil_step, chain.floor
        grading.draw(chain.targets, chain.priors, chain._at_levels, chain._put_levels, floor, chain.rng)
        if k % 10 == 9:
            seen[int(grading.grade[operator]), *soil.level[lines].tolist()] += 1
    assert len({key[0] for key in seen}) > 1
    for key, log_p in exact.items():
        chance = float(np.exp(log_p - total))
        assert seen[key] / n == pytest.approx(chance, abs=0.012 + 3 * np.sqrt(chance / n))
