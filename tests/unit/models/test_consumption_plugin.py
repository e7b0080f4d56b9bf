"""The fit of large histories, the soil distribution and the calibration map by themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.consumption import learn as learning
from models.consumption.backtest import refit_days
from models.consumption.conformal import fit_map, remapped
from models.consumption.design import Columns, columns_of, rows_of
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import SoilModel, fit_soil
from models.consumption.planning import Planning, log_median
from models.consumption.plugin import Sampled, fit_all
from models.consumption.sampler import Chain, States
from models.consumption.sampler_time import CHANCE, Change, Changes, Sums
from shared.vocabulary import QUANTITIES


def jobs(n_jobs: int, seed: int) -> JobTable:
    """Return a shop at 0.8 (lb) and 1.2 (min) times planning; half of the jobs have two lines, a third only totals."""
    rng = np.random.default_rng(seed)
    job = np.repeat(np.arange(n_jobs), rng.integers(1, 3, n_jobs))
    n = len(job)
    second = np.append(False, job[1:] == job[:-1])
    settings = {name: np.full(n, np.nan) for name in SETTINGS}
    bare = JobTable(
        job_id=tuple(f"{k:05d}" for k in range(n_jobs)),
        day=738_000 + np.arange(n_jobs) // 4,
        customer=Factor.of([""] * n_jobs),
        ambient_f=np.full(n_jobs, np.nan),
        line_job=job,
        vehicle_class=Factor.of(rng.choice(["sedan", "van"], n_jobs)[job].tolist()),
        zone=Factor.of(np.where(second, "interior", "undercarriage").tolist()),
        machine=Factor.of(["m"] * n),
        operator=Factor.of(rng.choice(["a", "b"], n_jobs)[job].tolist()),
        soil=rng.integers(0, 4, n),
        coating_removed=np.zeros(n, dtype=bool),
        settings=settings,
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
    )
    whole = (rng.random(n_jobs) < 1 / 3)[job]
    _, group = np.unique(np.where(whole, job, n_jobs + np.arange(n)), return_inverse=True)
    seen = []
    for quantity, factor in zip(QUANTITIES, (0.8, 1.2), strict=True):
        noise = 0.2 * rng.standard_normal(n) + 0.15 * rng.standard_normal(n_jobs)[job]
        amount = np.exp(log_median(bare, Planning().of(quantity)) + np.log(factor) + noise)
        seen.append(Observed(group, np.bincount(group, weights=amount)))
    return JobTable(**{**bare.__dict__, "pellets": seen[0], "minutes": seen[1]})


def test_plug_in_and_sampler_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the threshold lowered the Gauss-Newton fit gives the sampler's quantiles within a few per cent."""
    table = learning.in_order(jobs(300, 1))
    request = table.take_jobs(np.arange(8)).without_figures()

    def quantiles() -> np.ndarray:
        fitted = learning.fit(table, Planning(), seed=1)
        return np.log(learning.predict(fitted, request, seed=1).jobs("pellets_lb").quantiles([0.1, 0.5, 0.9]))

    sampled = quantiles()
    monkeypatch.setattr(learning, "SAMPLED_JOBS", 100)
    monkeypatch.setattr(learning, "SCALE_JOBS", 200)
    assert np.abs(quantiles() - sampled).max() < 0.08


def test_a_large_fit_answers_with_the_fixed_amount_it_was_fitted_beside() -> None:
    """Where sampled amounts per visit differ, every state answers with their median, which the fit rests on."""
    table, rng = learning.in_order(jobs(40, 1)), np.random.default_rng(1)
    columns, soil = columns_of(table), fit_soil(table)
    part = Chain(table, Planning(), columns, soil, rng).run(2, 5)
    part = replace(part, visit=np.array([[0.0, 9.0], [0.0, 9.0], [0.0, 9.0], [6.0, 9.0], [6.0, 12.0]]))
    states = fit_all(
        table, Planning(), columns, soil, Sampled(part, columns.blocks["zone"], (), np.ones(4), {}, ()), rng
    )
    assert np.array_equal(states.visit, np.tile([0.0, 9.0], (5, 1)))


def sampled_states(table: JobTable) -> tuple[Columns, States]:
    columns = columns_of(table)
    return columns, Chain(table, Planning(), columns, fit_soil(table), np.random.default_rng(2)).run(2, 20)


@pytest.mark.parametrize(("machine", "wears"), [("", False), ("m", False), ("", True)])
def test_a_large_fit_takes_over_a_change_that_the_sampler_found(machine: str, wears: bool) -> None:
    """Pellets that rise by 0.4 on a known day, or by 0.4 a year until then and from anew, are answered as they stand
    after the last job."""
    table = learning.in_order(jobs(600, 3))
    day = int(table.day[450])
    truth = Change(day, machine, wears=wears)
    risen = np.exp(0.4 * truth.shape(table.day, int(table.day[0])))
    first = np.unique(table.pellets.group, return_index=True)[1]
    value = table.pellets.value * risen[table.line_job[first]]
    table = replace(table, pellets=Observed(table.pellets.group, value))
    columns, part = sampled_states(table)
    late = rows_of(columns, table).dense(columns.n, table.soil)[table.day[table.line_job] >= day]
    now = []
    for changes in ((), (truth,)):
        sampled = Sampled(part, columns.blocks["zone"], changes, np.ones(4), {}, ())
        states = fit_all(table, Planning(), columns, fit_soil(table), sampled, np.random.default_rng(4))
        now.append(float((states.b[:, 0] @ late.T).mean()))
    target = np.log(0.8) + 0.4 * truth.ahead(int(table.day[-1]))
    assert abs(now[1] - target) < 0.08
    assert abs(now[1] - target) < abs(now[0] - target)


@pytest.mark.parametrize("case", ["rounded", "tails", "blank"])
def test_a_large_fit_holds_what_it_says(case: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Minutes in steps of 15, noise with heavy tails, operators left blank: 80 % intervals hold 80 % of later jobs."""
    table, rng = learning.in_order(jobs(2400, 5)), np.random.default_rng(6)
    first = np.unique(table.minutes.group, return_index=True)[1]
    value = 0.7 * table.minutes.value
    if case == "tails":
        value = value * np.exp(0.2 * rng.standard_t(3, len(value)))
    if case == "blank":
        value = value * np.where(table.operator.codes == 1, 1.8, 1.0)[first]
        gone = (rng.random(table.n_jobs) < 0.5)[table.line_job]
        codes = np.where(gone, -1, table.operator.codes).astype(np.int32)
        table = replace(table, operator=Factor(table.operator.names, codes))
    written = np.maximum(np.round(value / 15), 1) * 15 if case == "rounded" else value
    past = replace(table, minutes=Observed(table.minutes.group, written)).take_jobs(np.arange(2000))
    later = np.arange(2000, 2400)
    taken = np.bincount(table.line_job[first], weights=value, minlength=table.n_jobs)[later]
    monkeypatch.setattr(learning, "SAMPLED_JOBS", 1000)
    monkeypatch.setattr(learning, "SCALE_JOBS", 700)
    fitted = learning.fit(past, Planning(), seed=1, n_states=100, n_burn=60)
    asked = learning.predict(fitted, table.take_jobs(later).without_figures(), seed=1)
    low, high = asked.jobs("minutes").quantiles([0.1, 0.9]).T
    assert np.mean((low <= taken) & (taken <= high)) == pytest.approx(0.8, abs=0.05)


@pytest.mark.parametrize("n_large", [100, 5000])
def test_one_name_written_on_half_of_the_jobs_is_not_what_the_others_take(
    n_large: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where only one operator is ever named, a request without a name gets the average of all jobs."""
    table = learning.in_order(jobs(400, 9))
    first = np.unique(table.pellets.group, return_index=True)[1]
    named = table.operator.codes == 0
    dearer = np.where(named, 1.0, 1.4)
    table = replace(
        table,
        operator=Factor(("a",), np.where(named, 0, -1).astype(np.int32)),
        pellets=Observed(table.pellets.group, table.pellets.value * dearer[first]),
    )
    monkeypatch.setattr(learning, "SAMPLED_JOBS", n_large)
    monkeypatch.setattr(learning, "SCALE_JOBS", 300)
    fitted = learning.fit(table, Planning(), seed=1, n_states=60, n_burn=60)
    blank = table.take_jobs(np.arange(100)).without_figures()
    blank = replace(blank, operator=Factor((), np.full(blank.n_lines, -1, dtype=np.int32)))
    asked = learning.predict(fitted, blank, seed=1).jobs("pellets_lb").quantiles([0.5])[:, 0]
    planned = np.bincount(blank.line_job, weights=np.exp(log_median(blank, Planning().of("pellets_lb"))))
    assert np.median(np.log(asked / planned)) == pytest.approx(np.log(0.8) + np.log(1.4) / 2, abs=0.1)


@pytest.mark.parametrize("what", ["operator", "ice_age_days"])
def test_what_was_not_written_down_is_no_noise(what: str) -> None:
    """Who worked, or how old the ice was, is blank on half of the jobs: job noise stays near 0.15 all the same."""
    table, rng = learning.in_order(jobs(400, 7)), np.random.default_rng(8)
    age = rng.choice([0.0, 6.0], table.n_jobs)[table.line_job]
    factor = np.where(table.operator.codes == 1, 1.8, 1.0) if what == "operator" else np.exp(0.3 * age / 3)
    first = np.unique(table.pellets.group, return_index=True)[1]
    gone = (rng.random(table.n_jobs) < 0.5)[table.line_job]
    if what == "operator":
        codes = np.where(gone, -1, table.operator.codes).astype(np.int32)
        table = replace(table, operator=Factor(table.operator.names, codes))
    else:
        table = replace(table, settings={**table.settings, what: np.where(gone, np.nan, age)})
    table = replace(table, pellets=Observed(table.pellets.group, table.pellets.value * factor[first]))
    fitted = learning.fit(table, Planning(), seed=1)
    assert np.median(fitted.states.job_sd[:, 0]) < 0.2


def test_a_change_of_level_is_found_where_it_lies_and_for_whom() -> None:
    """Levels of one machine that rise by 0.5 and 0.3 on a known day are found there, in its scope and size."""
    rng = np.random.default_rng(1)
    day, machine = np.arange(200), np.arange(200) % 2
    stepped = (day >= 120) & (machine == 1)
    weight = np.full((2, 200), 25.0)
    rest = np.array([[0.5], [0.3]]) * stepped + 0.2 * rng.standard_normal((2, 200))
    base = np.column_stack([np.ones(200), machine == 0, machine == 1])
    changes = Changes(day, machine, 2, base)
    told = changes.told(Sums(weight, weight * rest), np.eye(2) / 0.15**2)
    found = []
    for _ in range(50):
        changes.draw(told, np.eye(6) / 0.3**2, np.zeros(6), rng)
        now = changes.now()
        on = np.flatnonzero((changes.scope == 2) & ~changes.worn)
        found.append((*now.get(2, np.zeros(2)), changes.days[changes.place[on]].min(initial=999)))
    lb, minutes, first = np.median(found[10:], axis=0)
    assert lb == pytest.approx(0.5, abs=0.12)
    assert minutes == pytest.approx(0.3, abs=0.12)
    assert abs(first - 120) <= 6


def test_wear_is_found_and_its_renewal_dated() -> None:
    """A machine that takes 0.8 more a year, from anew after a renewal, is found: slope, day and level to come."""
    rng = np.random.default_rng(3)
    day, machine = np.arange(300) * 2, np.arange(300) % 2
    truth = Change(240, "", wears=True)
    rest = np.array([[0.8], [0.5]]) * truth.shape(day, 0) * (machine == 1) + 0.15 * rng.standard_normal((2, 300))
    weight = np.full((2, 300), 40.0)
    changes = Changes(day, machine, 2, np.column_stack([np.ones(300), machine == 0, machine == 1]))
    told = changes.told(Sums(weight, weight * rest), np.eye(2) / 0.1**2)
    found, ahead = [], []
    for _ in range(60):
        beta, _ = changes.draw(told, np.eye(6) / 0.3**2, np.zeros(6), rng)
        on = np.flatnonzero((changes.scope == 2) & changes.worn)
        found.append((*changes.delta[on].sum(axis=0), changes.days[changes.place[on]].min(initial=999)))
        ahead.append(beta[0, 0] + beta[0, 2] + changes.now().get(2, np.zeros(2))[0])
    lb, minutes, renewed = np.median(found[20:], axis=0)
    assert lb == pytest.approx(0.8, abs=0.2)
    assert minutes == pytest.approx(0.5, abs=0.2)
    assert abs(renewed - 240) <= 20
    assert np.median(ahead[20:]) == pytest.approx(0.8 * truth.ahead(598), abs=0.1)


def test_sums_of_a_change_agree_with_its_shape() -> None:
    """The sums that the move takes over days equal those of each change's own shape."""
    rng = np.random.default_rng(4)
    day = rng.integers(0, 500, 80)
    changes = Changes(day, rng.integers(0, 2, 80), 2, np.ones((80, 1)))
    values = rng.random((3, 80))
    once, square = changes._against(values), changes._squared(values)
    n_scopes = len(changes.scopes)
    for g in range(2 * n_scopes):
        for c in (0, 20, len(changes.days) - 1):
            changes.worn[0], changes.scope[0], changes.place[0] = g >= n_scopes, changes.scopes[g % n_scopes], c
            shape = changes.change(0).shape(day, int(day.min())) * changes.inside[g % n_scopes]
            assert once[g, :, c] == pytest.approx(values @ shape)
            if g >= n_scopes:
                assert square[g - n_scopes, :, c] == pytest.approx(values @ shape**2)


def test_without_a_change_few_are_drawn() -> None:
    """A level that stays gives fewer changes than their prior expects."""
    rng = np.random.default_rng(2)
    day, weight = np.arange(200), np.full((2, 200), 25.0)
    changes = Changes(day, np.full(200, -1), 0, np.ones((200, 1)))
    told = changes.told(Sums(weight, weight * 0.2 * rng.standard_normal((2, 200))), np.eye(2) / 0.15**2)
    n_on = 0
    for _ in range(200):
        changes.draw(told, np.eye(2) / 0.3**2, np.zeros(2), rng)
        n_on += int((changes.scope >= 0).sum())
    assert n_on / 200 < CHANCE * changes.n


@pytest.mark.parametrize(("amount", "low", "high"), [(0.0, 0.0, 1.5), (15.0, 8.0, 20.0)])
def test_a_fixed_amount_per_visit_is_recovered(amount: float, low: float, high: float) -> None:
    """Figures that hold 15 lb a visit beside what the lines take give an amount near it, those without hardly any."""
    table = jobs(120, 5)
    planned = np.exp(log_median(table, Planning().pellets_lb))
    share = planned / np.bincount(table.line_job, weights=planned)[table.line_job]
    seen = table.pellets
    pellets = Observed(seen.group, seen.value + np.bincount(seen.group, weights=amount * share))
    fitted = learning.fit(replace(table, pellets=pellets), Planning(), seed=1)
    assert low <= fitted.states.visit[:, 0].mean() <= high


def test_lines_of_a_job_share_soil() -> None:
    """Given a severe line, an unseen line of the same job is dirtier than without; written levels stay."""
    model = SoilModel((-0.7, 0.4, 1.4), {}, {}, (0.0, 0.0), 0.6)
    rng = np.random.default_rng(1)
    with_severe = model.draw_levels(np.zeros(2), np.array([3, -1]), rng, 4000)
    alone = model.draw_levels(np.zeros(1), np.array([-1]), rng, 4000)
    assert (with_severe[0] == 3).all()
    assert with_severe[1].mean() > alone[0].mean() + 0.5
    shares = np.bincount(alone[0], minlength=4) / 4000
    assert shares == pytest.approx([0.242, 0.413, 0.264, 0.081], abs=0.03)


def test_the_map_widens_an_overconfident_predictive_with_shrinkage() -> None:
    """PITs of draws half as wide as the truth give a scale towards 2, held back by 100 pseudo-scores."""
    from scipy.stats import norm

    rng = np.random.default_rng(1)
    pit = norm.cdf(2.0 * rng.standard_normal(300))
    level_map = fit_map(pit)
    assert 1.4 < level_map.scale < 2.0
    draws = np.exp(0.1 * rng.standard_normal((1, 20_000)))
    wide = remapped(draws, np.zeros(1, dtype=np.int64), 1, level_map)
    assert np.log(wide).std() == pytest.approx(0.1 * level_map.scale, rel=0.03)
    assert np.array_equal(np.argsort(wide[0]), np.argsort(draws[0]))


def test_refits_are_decided_by_earlier_days_only() -> None:
    """Later jobs never move an earlier refit, and none lies 91 days or more before the next while jobs come in."""
    day = np.sort(np.random.default_rng(1).integers(738_000, 738_700, 300))
    all_days = refit_days(day)
    early = refit_days(day[day < 738_350])
    assert early == [d for d in all_days if d <= day[day < 738_350].max()]
    assert np.diff(all_days).max() <= 97
