"""The simulated shops are what they claim to be, and the measure measures what it claims to."""

import ast
from pathlib import Path

import numpy as np
import pytest
from bench_score import LEVEL, expected_score, judge
from bench_tables import job_table
from world_kinds import HELD_OUT, KINDS, TUNING
from worlds import COLUMNS, KG, csv_text, draw_world, took

from models.scores import interval_score
from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES

HERE = Path(__file__).parent


@pytest.mark.parametrize("module", ["worlds.py", "world_law.py", "world_kinds.py", "floor_data.py", "bench_floor.py"])
def test_generator_and_floor_share_no_code_with_the_models(module: str) -> None:
    """The generator and the floor import numpy, the shared words, the standard library and each other only."""
    roots = set()
    for node in ast.walk(ast.parse((HERE / module).read_text())):
        if isinstance(node, ast.Import):
            roots |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            roots.add(str(node.module).split(".")[0])
    own = {path.stem for path in HERE.glob("world*.py")} | {"floor_data", "bench_score"}
    assert (
        roots
        <= {"csv", "io", "dataclasses", "datetime", "math", "typing", "collections", "functools", "numpy", "shared"}
        | own
    )


def test_at_least_half_of_the_kinds_are_held_out_and_a_third_break_the_form() -> None:
    """Every kind is represented among the held-out worlds; a third of those are outside the learner's form."""
    assert len(HELD_OUT) >= len(TUNING)
    assert {k.name for k in TUNING} <= {k.name for k in HELD_OUT}
    assert sum(k.breaks_form for k in HELD_OUT) >= len(HELD_OUT) / 3 - 0.5


def test_the_same_arguments_draw_the_same_world() -> None:
    """A world depends on kind, size and seed only; another seed has other people and figures."""
    kind = KINDS["plain/held-out"]
    first, again, other = (draw_world(kind, 20, s, n_fresh=3, n_scenarios=50) for s in (1, 1, 2))
    assert csv_text(first.history) == csv_text(again.history)
    assert first.fresh == again.fresh
    np.testing.assert_array_equal(first.totals["minutes"], again.totals["minutes"])
    assert {r["operator"] for r in first.history} != {r["operator"] for r in other.history}


@pytest.mark.parametrize("name", ["plain", "grader", "soil_blank", "crew_blank", "tails", "fixed", "all_at_once"])
def test_the_law_given_what_was_asked_is_honest(name: str) -> None:
    """Over many fresh jobs what they really take is uniform under their law given what the asker wrote down."""
    world = draw_world(KINDS[f"{name}/held-out"], 5, 11, n_fresh=300, n_scenarios=300)
    rng = np.random.default_rng(12)
    pits = []
    for _ in range(5):
        actual = np.array([took(world.law, rng, visit).sum(axis=1) for visit, _ in world.asks])
        pits += [(world.totals[q] < actual[:, [k]]).mean(axis=1) for k, q in enumerate(QUANTITIES)]
    pit = np.concatenate(pits)
    inside = np.mean((pit > 0.1) & (pit < 0.9))
    assert abs(pit.mean() - 0.5) < 0.025
    assert abs(inside - 0.8) < 0.03


def test_a_shop_that_keeps_totals_keeps_totals() -> None:
    """About 70 % of the several-zone jobs of the 'totals' shop have a total and no lines, and it is their sum."""
    world = draw_world(KINDS["totals/held-out"], 400, 3, n_fresh=1, n_scenarios=10)
    table = job_table(world.history)
    size = np.bincount(table.line_job)
    grouped = np.array([table.pellets.size()[table.pellets.group[table.line_job == j][0]] > 1 for j in range(400)])
    assert 0.62 < grouped[size > 1].mean() < 0.80
    assert np.isfinite(table.job_total("pellets_lb")).all()


def test_rounded_readings_are_multiples_and_slips_are_a_factor_of_a_kilogram() -> None:
    """5 lb and 15 min, never below one step; the slips of 'tails' show as outliers by 2.2 either way."""
    rounded = draw_world(KINDS["rounded/held-out"], 100, 4, n_fresh=1, n_scenarios=10)
    figures = [float(r["pellets_lb"]) for r in rounded.history if r.get("pellets_lb")]
    minutes = [float(r["minutes"]) for r in rounded.history if r.get("minutes")]
    assert all(v % 5 == 0 and v >= 5 for v in figures)
    assert all(v % 15 == 0 and v >= 15 for v in minutes)
    assert KINDS["tails/held-out"].slip_share == 0.05
    assert pytest.approx(1 / 0.45359237, rel=1e-5) == KG


def test_soil_is_written_where_the_kind_says() -> None:
    """'soil_by_choice' writes mostly heavy and severe, 'soil_never' nothing; requests name levels all the same."""
    written = {}
    for name in ("plain/held-out", "soil_by_choice/writing", "soil_never/writing"):
        world = draw_world(KINDS[name], 200, 7, n_fresh=50, n_scenarios=10)
        soil = job_table(world.history).soil
        written[name] = np.bincount(soil + 1, minlength=5)
        assert (job_table(world.fresh).soil >= 0).mean() > 0.7
    plain, choice, never = written.values()
    assert plain[1:3].sum() > 1.3 * plain[3:].sum()
    assert choice[3:].sum() > 2 * choice[1:3].sum()
    assert choice[0] > 0.3 * choice.sum()
    assert never[1:].sum() == 0


def test_rows_are_in_the_columns_of_a_jobs_log() -> None:
    """The CSV has the canonical headers, and fresh jobs carry no figures."""
    world = draw_world(KINDS["all_at_once/held-out"], 10, 5, n_fresh=4, n_scenarios=10)
    assert csv_text(world.history).splitlines()[0] == ",".join(COLUMNS)
    assert not any(r.get("pellets_lb") or r.get("job_minutes") for r in world.fresh)
    assert len(world.fresh_ids) == len(set(world.fresh_ids)) == 4


def test_expected_score_is_the_mean_of_the_interval_score() -> None:
    """The measure equals the mean interval score over the draws of the law."""
    rng = np.random.default_rng(0)
    totals = np.sort(rng.lognormal(3, 0.5, (6, 500)), axis=1)
    low, high = totals[:, 60] * 0.9, totals[:, 430] * 1.1
    expected = [interval_score(t, lo, hi, LEVEL).mean() for t, lo, hi in zip(totals, low, high, strict=True)]
    np.testing.assert_allclose(expected_score(totals, low, high, winsorised=False), expected, rtol=1e-12)
    assert (expected_score(totals, low, high, winsorised=True) <= expected).all()


def test_perfect_knowledge_scores_one_and_holds_80_percent() -> None:
    """The law's own quantiles have ratio 1 and coverage .80; answers a third too high or twice too wide score worse."""
    world = draw_world(KINDS["plain/held-out"], 5, 6, n_fresh=40, n_scenarios=2000)
    own = {q: np.quantile(world.totals[q], QUANTILE_LEVELS, axis=1).T for q in QUANTITIES}
    verdict = judge(world, "oracle", 5, own, 0.0)
    np.testing.assert_allclose(verdict.ratio, 1.0, atol=1e-12)
    assert verdict.held.mean() == pytest.approx(0.8, abs=1e-3)
    high = judge(world, "high", 5, {q: 1.33 * a for q, a in own.items()}, 0.0)
    wide = judge(world, "wide", 5, {q: a[:, [3]] * (a / a[:, [3]]) ** 2 for q, a in own.items()}, 0.0)
    assert high.ratio.mean() > 1.3
    assert wide.ratio.mean() > 1.3
    assert wide.held.mean() > 0.95
