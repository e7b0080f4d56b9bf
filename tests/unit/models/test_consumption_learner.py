"""The structured learner: what must hold whatever the shop."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from learner_shops import FIRST_DAY, ZONES, joined, request, shop, total_interval

from models.consumption.design import columns_of
from models.consumption.fitted import FittedModel
from models.consumption.jobs import Factor, JobTable, Observed
from models.consumption.latent_soil import fit_soil
from models.consumption.learn import in_order, learn
from models.consumption.planning import Planning
from models.consumption.predicting import predict
from models.consumption.sampler import Chain
from models.consumption.sampler_target import STEPS, rounding_step
from shared.errors import RimebookError
from shared.units import LB_PER_KG
from shared.vocabulary import QUANTITIES


@pytest.fixture(scope="module")
def fitted() -> FittedModel:
    return learn(shop(90, 1), Planning(), seed=1)


def test_no_history_answers_with_planning_figures_about_a_factor_two_each_way() -> None:
    """Without jobs an 80 % interval of a line is planning median times and over exp(1.2816 * 0.5) = 1.9."""
    model = learn(shop(3, 1).take_jobs(np.array([], dtype=np.int64)), Planning(), seed=1)
    low, middle, high = total_interval(model, request(["undercarriage"], [1]))
    assert middle == pytest.approx(45.0, rel=0.06)
    assert high / middle == pytest.approx(1.9, rel=0.08)
    assert middle / low == pytest.approx(1.9, rel=0.08)
    answer = predict(model, request(["undercarriage"], [1]), seed=1)
    assert answer.basis == ("planning",)
    assert answer.n_calibration.tolist() == [[0], [0]]


def test_a_table_without_usable_figures_is_no_history() -> None:
    """Jobs whose figures are missing or 0 leave the planning answer as it is."""
    empty = learn(shop(3, 1).take_jobs(np.array([], dtype=np.int64)), Planning(), seed=1)
    table = shop(5, 2)
    zero = replace(table, pellets=replace(table.pellets, value=table.pellets.value * 0), minutes=Observed.nothing(
        table.n_lines))  # fmt: skip
    assert learn(zero, Planning(), seed=1).to_json() == empty.to_json()


def test_a_quantity_never_recorded_keeps_its_planning_figures() -> None:
    """A shop that logs pellets only still answers minutes, from planning."""
    table = shop(30, 8)
    model = learn(replace(table, minutes=Observed.nothing(table.n_lines)), Planning(), seed=1)
    draws = predict(model, request(["undercarriage"], [1], operator="a"), seed=1).jobs("minutes").draws[0]
    low, middle, high = np.quantile(draws, [0.1, 0.5, 0.9])
    assert middle == pytest.approx(60.0, rel=0.06)
    assert np.sqrt(high / low) == pytest.approx(1.9, rel=0.08)


def test_the_level_of_a_shop_is_learned(fitted: FittedModel) -> None:
    """Figures at 0.8 of planning move the median there, and the interval covers the law's own closely."""
    low, middle, high = total_interval(fitted, request(["undercarriage"], [1], operator="a", machine="m"))
    assert middle == pytest.approx(45.0 * 0.8, rel=0.12)
    assert 1.2816 * 0.24 < np.log(high / low) / 2 < 1.2816 * 0.40


def test_both_grains_agree() -> None:
    """The same jobs known by lines or only by totals give nearly the same answer for a job."""
    ask = request(["undercarriage", "interior"], [1, 2], operator="a", machine="m")
    by_line = total_interval(learn(shop(250, 3), Planning(), seed=1, backtest=False), ask)
    by_total = total_interval(learn(shop(250, 3, totals=True), Planning(), seed=1, backtest=False), ask)
    assert np.abs(np.log(by_line / by_total)).max() < 0.10


def test_the_order_of_rows_is_irrelevant() -> None:
    """Jobs listed backwards give the identical model."""
    table = shop(25, 4)
    backwards = joined([table.take_jobs(np.array([k])) for k in reversed(range(25))])
    order = np.concatenate([np.flatnonzero(table.line_job == k) for k in reversed(range(25))])
    backwards = replace(
        backwards,
        pellets=Observed(np.arange(table.n_lines), table.pellets.value[order]),
        minutes=Observed(np.arange(table.n_lines), table.minutes.value[order]),
    )
    one = learn(table, Planning(), seed=1, backtest=False)
    assert learn(backwards, Planning(), seed=1, backtest=False).to_json() == one.to_json()


def test_lines_alike_but_for_coating_or_a_setting_may_stand_in_any_order() -> None:
    """Two lines that only a stripped coating or the ice's age tells apart give the same table in either order."""
    age = np.array([np.nan, 1.0, 2.0, np.nan])
    stripped = np.array([True, False, False, False])
    asked = replace(request(["interior"] * 4, [1] * 4), pellets=Observed(np.zeros(4, dtype=np.int64), np.array([30.0])))

    def listed(lines: list[int]) -> JobTable:
        settings = {**asked.settings, "ice_age_days": age[lines]}
        return in_order(replace(asked, coating_removed=stripped[lines], settings=settings))

    one = listed([0, 1, 2, 3])
    for other in (listed([3, 2, 1, 0]), listed([1, 3, 0, 2])):
        assert np.array_equal(other.coating_removed, one.coating_removed)
        assert np.array_equal(other.settings["ice_age_days"], one.settings["ice_age_days"], equal_nan=True)


def test_more_soil_never_takes_less(fitted: FittedModel) -> None:
    """Medians increase with the soil level in every zone."""
    for zone in ZONES:
        medians = [total_interval(fitted, request([zone], [s], operator="a"))[1] for s in range(4)]
        assert np.all(np.diff(medians) > 0), zone


def test_one_unit_slip_barely_moves_the_fit() -> None:
    """A line written in kg (or ten times too high) moves the median by less than 4 %."""
    table = shop(90, 1)
    ask = request(["undercarriage"], [1], operator="a", machine="m")
    clean = total_interval(learn(table, Planning(), seed=1, backtest=False), ask)[1]
    line = int(np.flatnonzero(np.array(table.zone.words()) == "undercarriage")[0])
    for factor in (1 / 2.2046, 10.0):
        value = table.pellets.value.copy()
        value[line] *= factor
        slipped = replace(table, pellets=replace(table.pellets, value=value))
        moved = total_interval(learn(slipped, Planning(), seed=1, backtest=False), ask)[1]
        assert abs(np.log(moved / clean)) < 0.04


def test_one_slip_in_a_log_of_three_jobs_leaves_the_mean_among_the_draws() -> None:
    """A line a hundred times too small widens a short log's answers, but the mean stays below the 90 % quantile."""
    table = shop(3, 7)
    value = table.pellets.value.copy()
    value[0] /= 100.0
    slipped = replace(table, pellets=replace(table.pellets, value=value))
    fitted = learn(slipped, Planning(), seed=1, backtest=False)
    asked = [request([zone], [2], job_id=zone) for zone in ZONES]
    draws = predict(fitted, joined(asked), seed=1).jobs("pellets_lb").draws
    assert np.all(draws.mean(axis=1) < np.quantile(draws, 0.9, axis=1))


def test_newcomers_are_wider(fitted: FittedModel) -> None:
    """An operator, class or zone nobody has seen gets a wider interval, and says that nothing alike was seen."""

    def width(table: JobTable) -> float:
        draws = [predict(fitted, table, seed=seed).jobs("pellets_lb").quantiles([0.1, 0.9]) for seed in range(8)]
        return float(np.mean([np.log(d[0, 1] / d[0, 0]) for d in draws]))

    usual = width(request(["undercarriage"], [1], operator="a", machine="m"))
    assert width(request(["undercarriage"], [1], operator="zed", machine="m")) > usual
    assert width(request(["undercarriage"], [1], vehicle="truck", operator="a", machine="m")) > 1.05 * usual
    assert width(request(["cargo_bed"], [1], operator="a", machine="m")) > 1.05 * usual
    answer = predict(fitted, request(["cargo_bed"], [1]), seed=1)
    assert answer.basis == ("mixed",)
    assert answer.similar_jobs.tolist() == [0]


def test_a_blank_operator_is_a_mix_of_the_seen_ones(fitted: FittedModel) -> None:
    """The median of a blank operator lies between those of the two operators."""
    blank, a, b = (total_interval(fitted, request(["engine_bay"], [1], operator=o))[1] for o in ("", "a", "b"))
    assert a < blank < b


def test_unknown_soil_is_wider_and_lies_among_the_levels(fitted: FittedModel) -> None:
    """Soil not seen yet: the answer mixes over the levels."""
    unknown = total_interval(fitted, request(["undercarriage"], [-1]))
    light, severe = (total_interval(fitted, request(["undercarriage"], [s])) for s in (0, 3))
    assert light[1] < unknown[1] < severe[1]
    assert np.log(unknown[2] / unknown[0]) > 1.2 * np.log(light[2] / light[0])


def test_soil_left_blank_in_the_history_still_teaches() -> None:
    """With 40 % of soil levels blank the answer for a known level stays within 10 % of the full history's."""
    ask = request(["undercarriage", "engine_bay"], [2, 1], operator="a", machine="m")
    full = total_interval(learn(shop(150, 5), Planning(), seed=1, backtest=False), ask)
    part = total_interval(learn(shop(150, 5, soil_blank=0.4), Planning(), seed=1, backtest=False), ask)
    assert abs(np.log(part[1] / full[1])) < 0.10


def test_stored_and_fresh_model_answer_alike(fitted: FittedModel) -> None:
    """JSON and back changes no draw, and the text is stable."""
    stored = FittedModel.from_json(fitted.to_json())
    ask = request(["undercarriage", "interior"], [1, -1])
    assert np.array_equal(predict(fitted, ask, seed=5).pellets.draws, predict(stored, ask, seed=5).pellets.draws)
    assert stored.to_json() == fitted.to_json()
    assert stored.record().n == 90


def test_a_fit_of_another_version_is_refused(fitted: FittedModel) -> None:
    """A stored fit with another schema asks for a new `learn`."""
    text = fitted.to_json().replace('"schema":2', '"schema":1', 1)
    with pytest.raises(RimebookError, match="Run learn again"):
        FittedModel.from_json(text)


def test_learning_is_deterministic() -> None:
    """The same table and seed give the same model; another seed another one."""
    table = shop(20, 6)
    one = learn(table, Planning(), seed=1)
    assert learn(table, Planning(), seed=1).to_json() == one.to_json()
    assert learn(table, Planning(), seed=2).to_json() != one.to_json()


def test_a_jobs_answer_does_not_depend_on_its_neighbours(fitted: FittedModel) -> None:
    """One job alone, first or last in a file, gets the identical draws."""
    ask = request(["undercarriage", "interior"], [1, 2], job_id="x")
    alone = predict(fitted, ask, seed=1).jobs("minutes").draws[0]
    for n in range(1, 10):  # Kernels that round by position do so at one row of four, eight or twelve.
        others = [request(["engine_bay"], [0], job_id=f"y{k}") for k in range(n)]
        assert np.array_equal(predict(fitted, joined([ask, *others]), seed=1).jobs("minutes").draws[0], alone)
        assert np.array_equal(predict(fitted, joined([*others, ask]), seed=1).jobs("minutes").draws[n], alone)
    swapped = request(["interior", "undercarriage"], [2, 1], job_id="x")
    assert np.allclose(predict(fitted, swapped, seed=1).jobs("minutes").draws[0], alone)


def test_two_like_jobs_have_noise_of_their_own(fitted: FittedModel) -> None:
    """Like jobs share parameters but not noise, so their sum is relatively narrower than either."""
    pair = joined([request(["interior"], [1], job_id=i, operator="a") for i in ("x", "y")])
    draws = predict(fitted, pair, seed=1).jobs("pellets_lb").draws
    assert 0.0 < np.corrcoef(draws)[0, 1] < 0.6


def test_pellets_and_minutes_of_a_scenario_belong_together(fitted: FittedModel) -> None:
    """The shop's job and line noise is common to both, and so are the draws."""
    answer = predict(fitted, request(["undercarriage"], [1], operator="a", machine="m"), seed=1)
    both = np.log([answer.jobs(q).draws[0] for q in QUANTITIES])
    assert np.corrcoef(both)[0, 1] > 0.0


def test_later_jobs_do_not_move_the_past() -> None:
    """Absurd jobs after a day leave the record of the jobs before it as it was."""
    table = shop(60, 7)
    early = learn(table.take_jobs(np.arange(40)), Planning(), seed=1).record()
    absurd = replace(table, pellets=replace(table.pellets, value=np.where(
        table.line_job >= 40, 700.0, table.pellets.value)))  # fmt: skip
    later = learn(absurd, Planning(), seed=1).record()
    assert early.n == 40
    assert np.array_equal(early.quantiles, later.quantiles[:, :40])


def test_a_later_like_job_does_not_move_an_earlier_one(fitted: FittedModel) -> None:
    """A job's draws stay when a like job of a later day stands beside it, whatever its id."""
    first = request(["interior"], [2], operator="a", machine="m", job_id="J2")
    later = request(["interior"], [2], operator="a", machine="m", job_id="J1", day=FIRST_DAY + 401)
    beside = predict(fitted, joined([later, first]), seed=1).pellets.draws
    assert beside[1] == pytest.approx(predict(fitted, first, seed=1).pellets.draws[0], rel=1e-9)


def test_expectations_come_from_earlier_jobs_only(fitted: FittedModel) -> None:
    """Each recorded expectation names how many jobs lay behind it, all of them earlier; its quantiles rise."""
    record = fitted.record()
    assert np.all(record.n_before <= np.searchsorted(np.sort(record.day), record.day))
    assert np.all(np.diff(record.quantiles, axis=2) > 0)
    inside = (record.actual >= record.quantiles[:, :, 1]) & (record.actual <= record.quantiles[:, :, 5])
    assert 0.65 < inside.mean() < 0.95


def test_predicting_imports_numpy_only() -> None:
    """Loading and answering need none of the heavy libraries."""
    code = (
        "import sys, models.consumption.fitted;"
        "print([m for m in ('scipy', 'pandas', 'sklearn', 'statsmodels', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_shop_that_logs_pellets_alone_knows_its_pellets() -> None:
    """Scores count for their own quantity: pellets of 90 jobs are supported, minutes that nobody wrote down are not."""
    table = shop(90, 1)
    alone = learn(replace(table, minutes=Observed.nothing(table.n_lines)), Planning(), seed=1)
    answer = predict(alone, request(["undercarriage"], [1]), seed=1)
    assert answer.n_calibration[0, 0] > 50
    assert answer.n_calibration[1, 0] == 0
    assert answer.n_both() == 0


def test_a_line_without_soil_and_figure_says_nothing_of_the_dirt() -> None:
    """Lines that carry no figure at all leave the drawn levels of the others alone."""
    table = shop(20, 3)
    first = np.concatenate([[True], np.diff(table.line_job) > 0])
    blank = replace(table, soil=np.where(first, -1, table.soil))
    empty = replace(blank, line_job=np.append(blank.line_job, 19), soil=np.append(blank.soil, -1), **{
        name: Factor(getattr(blank, name).names, np.append(getattr(blank, name).codes, 0))
        for name in ("vehicle_class", "zone", "machine", "operator")
    }, coating_removed=np.append(blank.coating_removed, False),
        settings={name: np.append(column, np.nan) for name, column in blank.settings.items()},
        pellets=Observed(np.append(blank.pellets.group, -1), blank.pellets.value),
        minutes=Observed(np.append(blank.minutes.group, -1), blank.minutes.value),
    )  # fmt: skip
    chains = [Chain(t, Planning(), columns_of(t), fit_soil(t), np.random.default_rng(1)) for t in (blank, empty)]
    assert chains[0].soil.lines.tolist() == chains[1].soil.lines.tolist()


def test_rounding_to_kilograms_is_seen() -> None:
    """Figures in steps of 5, 2.5 and 1 kg are rounded figures too, however they look in pounds."""
    rng = np.random.default_rng(1)
    kg = rng.integers(2, 20, 40)
    for step in (5.0, 2.5, 1.0):
        assert rounding_step(kg * step * LB_PER_KG, STEPS["pellets_lb"]) == pytest.approx(step * LB_PER_KG)
    assert rounding_step(kg * 5.0, STEPS["pellets_lb"]) == 5.0
    assert rounding_step(kg * 1.37, STEPS["pellets_lb"]) == 0.0
