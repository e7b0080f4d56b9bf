"""Drift: residual streams, alarms, whose change it was, and changes seen in settings."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.consumption.planning import Planning
from models.technique.attribution import attribute
from models.technique.change import before_and_after
from models.technique.design import Step, step_column
from models.technique.drift import Stream, alarm_of, cusum, limits, reference_value, restarts, watch
from models.technique.likejobs import fit_like_jobs
from models.technique.minutes_beside import Figures, views
from models.technique.review import review
from models.technique.runlength import cusum_arl
from models.technique.setting_changes import setting_changes

sys.path.insert(0, str(Path(__file__).parents[2] / "statistical"))
from technique_worlds import FIRST_DAY, Waste, simulate

FIGURES = Planning().pellets_lb
RISE = float(np.log(1.3))


def _fit(table, **kwargs):
    return fit_like_jobs(table, FIGURES, settings=False, **kwargs)


def test_scores_of_an_unchanged_shop_are_standard_normal():
    """Each job gives one score a stream, with mean 0 and standard deviation 1, uncorrelated in time."""
    table = simulate(21, n_jobs=500).table
    streams = watch(table, _fit(table))
    assert sum(len(s.jobs) for s in streams if s.kind == "machine") == 500
    score = np.concatenate([s.score for s in streams if s.kind == "machine"])
    assert abs(score.mean()) < 0.15
    assert score.std() == pytest.approx(1.0, abs=0.08)
    longest = max(streams, key=lambda s: len(s.score)).score
    assert abs(np.corrcoef(longest[1:], longest[:-1])[0, 1]) < 0.2


def test_later_jobs_move_no_earlier_score():
    """A score depends on earlier jobs only: absurd later values leave it as it is, the fit's variances given."""
    table = simulate(22, n_jobs=200).table
    fit = _fit(table)
    late = table.day[fit.rows.job] > FIRST_DAY + 100
    changed = replace(fit, y=np.where(late, fit.y + 3.0, fit.y))
    for before, after in zip(watch(table, fit), watch(table, changed), strict=True):
        early = before.day <= FIRST_DAY + 100
        assert after.score[early] == pytest.approx(before.score[early], abs=1e-9)


def test_stated_run_length_is_that_of_the_limits():
    """Two streams a job, each at its limit, alarm once in 500 jobs."""
    k = 0.3
    assert 1.0 / (2.0 / cusum_arl(k, limits(k)[0])) == pytest.approx(500.0, rel=0.001)


def test_cusum_starts_anew_at_a_restart():
    """What was gathered before a restart is forgotten."""
    score = np.array([1.0, 1.0, 1.0, 1.0])
    assert cusum(score, 0.5, np.array([False, False, True, False])) == pytest.approx([0.5, 1.0, 0.5, 1.0])


def test_alarm_tells_when_and_which_way():
    """A shift up alarms up soon after it; without a shift there is none."""
    rng = np.random.default_rng(5)
    score = np.concatenate([rng.standard_normal(60) * 0.5, rng.standard_normal(60) * 0.5 + 1.0])
    stream = Stream("machine", "m", np.arange(120), np.arange(120), score, np.full(120, 4.0))
    alarm = alarm_of(stream, np.zeros(120, dtype=bool))
    assert alarm is not None
    assert alarm.up
    assert 60 <= alarm.at < 85
    quiet = replace(stream, score=rng.standard_normal(120) * 0.5)
    assert alarm_of(quiet, np.zeros(120, dtype=bool)) is None
    assert 0.12 <= reference_value(stream) <= 0.75


def test_restarts_fall_on_the_first_job_from_the_day_on():
    """A change on a day without a job restarts at the next one; after the last job it does nothing."""
    stream = Stream("machine", "m", np.arange(3), np.array([10, 20, 30]), np.zeros(3), np.ones(3))
    assert restarts(stream, {("machine", "m"): (15, 99)}).tolist() == [False, True, False]


def test_a_worn_machine_is_found_dated_and_told_once():
    """+30 % on one machine is reported as drift of that machine, near its day, and not as a machine's level."""
    shop = simulate(31, waste=Waste(machine_period={"m0": (RISE, 200, 400)}))
    found = review(shop.table, FIGURES)
    drifts = [d for d in found.drifts if d.is_waste]
    assert [(d.step.kind, d.step.name) for d in drifts] == [("machine", "m0")]
    low, high = drifts[0].interval(0.95)
    assert low < 1.3 < high
    jobs = np.flatnonzero(shop.job_machine == 0)
    away = np.searchsorted(shop.table.day[jobs], drifts[0].step.since) - np.searchsorted(jobs, 200)
    assert abs(away) <= 25
    assert [e for e in found.wasteful() if e.name == "m0"] == []


def test_the_machine_is_named_not_its_usual_operator():
    """Where an operator mostly runs the worn machine the machine is named."""
    shop = simulate(33, uneven=0.7, waste=Waste(machine_period={"m1": (RISE, 180, 400)}))
    assert {(d.step.kind, d.step.name) for d in review(shop.table, FIGURES).drifts if d.is_waste} == {("machine", "m1")}


def test_a_change_of_the_whole_shop_accuses_nobody():
    """+30 % on all jobs from one day on is no machine's and no operator's drift."""
    shop = simulate(35, waste=Waste(shop_period=(RISE, 200, 400)))
    assert [d for d in review(shop.table, FIGURES).drifts if d.is_waste] == []


def test_a_period_that_ended_has_an_end():
    """An operator's wasteful period is told with its first and last day."""
    shop = simulate(37, n_jobs=500, waste=Waste(operator_period={"op1": (float(np.log(1.45)), 150, 330)}))
    drift = next(d for d in review(shop.table, FIGURES).drifts if d.is_waste)
    assert (drift.step.kind, drift.step.name) == ("operator", "op1")
    days = shop.table.day
    assert drift.step.since == pytest.approx(days[150], abs=30)
    assert drift.step.until == pytest.approx(days[330], abs=30)


def test_a_known_change_is_tested_and_not_found_again():
    """A noted change takes the step: it is tested before against after, and drift starts anew there."""
    shop = simulate(31, waste=Waste(machine_period={"m0": (RISE, 200, 400)}))
    known = Step("machine", "m0", int(shop.table.day[200]))
    found = review(shop.table, FIGURES, known=(known,))
    assert [d for d in found.drifts if d.is_waste] == []
    change = found.changes[0]
    assert change.p_value < 0.01
    assert np.exp(change.posterior.quantile(0.5)[0]) == pytest.approx(1.3, abs=0.15)
    assert change.n_before + change.n_after == np.sum(shop.job_machine == 0)


@pytest.mark.parametrize("seed", [35, 39])
def test_a_noted_change_that_the_whole_shop_shares_is_the_shops(seed):
    """+30 % on all jobs from the day of a noted change: no waste of its machine, and the shop's is found as without."""
    shop = simulate(seed, waste=Waste(shop_period=(RISE, 200, 400)))
    day = int(shop.table.day[200])
    found = review(shop.table, FIGURES, known=(Step("machine", "m0", day),))
    (change,) = found.changes
    assert change.with_shop
    assert not change.is_waste
    assert change.p_value > 0.1
    assert [d.step for d in found.drifts] == [d.step for d in review(shop.table, FIGURES).drifts]
    rises = [d for d in found.drifts if d.is_shop_rise]
    if seed == 35:
        # In the other shop the slow change of the level takes it all, note or not.
        assert rises[0].step.since == pytest.approx(day, abs=10)
        low, high = rises[0].interval(0.95)
        assert low < 1.3 < high


def test_a_rise_of_the_shop_is_over_with_the_fall_that_takes_most_of_it_back():
    """Two steps without an end end with the second; a small fall, an earlier or unsure one ends nothing."""
    shop = simulate(35, waste=Waste(shop_period=(RISE, 200, 400)))
    found = review(shop.table, FIGURES)
    (rise,) = [d for d in found.drifts if d.is_shop_rise]
    since = rise.step.since

    def fall(day: int, share: float, q_value: float = 0.001):
        return replace(rise, step=Step("shop", "", day), raw=-share * rise.raw, q_value=q_value)

    def ended(*falls):
        return replace(found, drifts=(rise, *falls)).end_of_rise(rise)

    assert ended() is None
    assert ended(fall(since + 40, 0.8)) == since + 40
    assert ended(fall(since + 60, 0.3), fall(since + 30, 0.3)) == since + 60
    assert ended(fall(since + 40, 0.2)) is None
    assert ended(fall(since - 40, 0.9)) is None
    assert ended(fall(since + 40, 0.9, q_value=0.9)) is None


@pytest.mark.parametrize("seed", [31, 35, 39])
def test_a_noted_change_beyond_the_shops_stays_the_machines(seed):
    """Where all jobs take 15 % more and those of one machine another 30 %, its noted change is still found."""
    waste = Waste(shop_period=(float(np.log(1.15)), 200, 400), machine_period={"m0": (RISE, 200, 400)})
    shop = simulate(seed, waste=waste)
    (change,) = review(shop.table, FIGURES, known=(Step("machine", "m0", int(shop.table.day[200])),)).changes
    assert not change.with_shop
    assert change.is_waste


def test_a_noted_change_of_the_only_machine_is_kept():
    """Without another machine nothing speaks against the one that was changed on that day."""
    shop = simulate(31, machine_share=(1.0,), waste=Waste(machine_period={"m0": (RISE, 200, 400)}))
    (change,) = review(shop.table, FIGURES, known=(Step("machine", "m0", int(shop.table.day[200])),)).changes
    assert change.is_waste


def test_a_change_asked_about_is_tested_for_the_shop():
    """A saving on all jobs from a day on is measured; a day at the edge of the record is refused."""
    shop = simulate(39, waste=Waste(shop_period=(-0.2, 200, 400)))
    tested = before_and_after(shop.table, FIGURES, int(shop.table.day[200]))
    low, high = (np.exp(tested.shop.posterior.quantile(q)[0]) for q in (0.025, 0.975))
    assert low < np.exp(-0.2) < high < 1.0
    assert {m.step.name for m in tested.machines} == {"m0", "m1", "m2"}
    assert before_and_after(shop.table, FIGURES, int(shop.table.day[2])) is None


def test_attribution_needs_a_stretch():
    """Streams that are too short explain nothing, nor are they a rival of the shop."""
    table = simulate(41, n_jobs=40, operator_share=(0.1, 0.9)).table
    seen = views(table, Figures(FIGURES), _fit(table), ())
    found = attribute(table, seen, [("operator", "op0")])
    assert found is not None
    assert (found.step.kind, found.rival) == ("shop", None)


def test_steps_mark_their_own_lines_only():
    """A step's column is 1 on the machine's lines inside its days, 0 elsewhere; the shop's ignores the machine."""
    table = simulate(43, n_jobs=60).table
    day = table.day[table.line_job]
    step = Step("machine", "m1", FIRST_DAY + 10, FIRST_DAY + 30)
    inside = (day >= FIRST_DAY + 10) & (day < FIRST_DAY + 30)
    own = np.array([w == "m1" for w in table.machine.words()])
    assert (step_column(table, step) == (inside & own)).all()
    assert (step_column(table, replace(step, kind="shop", name="")) == inside).all()


def test_a_changed_setting_dates_an_operators_period():
    """Feed turned up for a while is seen without looking at pellets; unchanged settings are not."""
    shop = simulate(45, n_jobs=400)
    rng = np.random.default_rng(1)
    number = shop.table.line_job
    feed = rng.normal(1.4, 0.06, shop.table.n_lines)
    mine = (shop.job_operator[number] == 1) & (number >= 150) & (number < 260)
    feed[mine] += 0.6
    feed[rng.random(shop.table.n_lines) < 0.6] = np.nan
    table = replace(shop.table, settings={**shop.table.settings, "feed_lb_min": feed})
    seen = [c for c in setting_changes(table) if c.core.kind == "operator"]
    assert [c.core.name for c in seen] == ["op1"]
    assert table.day[150] <= seen[0].core.since <= table.day[170]
    assert table.day[240] <= seen[0].core.until <= table.day[260] + 1
    plain = replace(shop.table, settings={**shop.table.settings, "feed_lb_min": rng.normal(1.4, 0.06, table.n_lines)})
    assert setting_changes(plain) == ()


FALL = float(np.log(0.7))


@pytest.mark.parametrize("seed", [31, 35, 39])
def test_a_machine_that_gets_better_improves_from_its_day_on(seed):
    """-30 % on one machine from a day on is an improvement since about that day; nothing before it is waste."""
    shop = simulate(seed, waste=Waste(machine_period={"m0": (FALL, 200, 400)}))
    found = review(shop.table, FIGURES)
    assert [d for d in found.drifts if d.is_waste] == []
    assert found.wasteful() == []
    (better,) = [d for d in found.drifts if d.is_improvement]
    assert (better.step.kind, better.step.name, better.step.until) == ("machine", "m0", None)
    assert better.step.since == pytest.approx(shop.table.day[200], abs=10)
    low, high = better.interval(0.95)
    assert low < 0.7 < high


def test_a_rise_that_ended_stays_a_rise():
    """A machine that takes 30 % more for a while, from a level of its own, wasted then; its end is no improvement."""
    shop = simulate(35, n_jobs=500, waste=Waste(machine_period={"m0": (RISE, 180, 340)}))
    found = review(shop.table, FIGURES)
    (rise,) = [d for d in found.drifts if d.is_waste]
    assert (rise.step.kind, rise.step.name) == ("machine", "m0")
    assert rise.step.since == pytest.approx(shop.table.day[180], abs=30)
    assert rise.step.until == pytest.approx(shop.table.day[340], abs=30)
    assert [d for d in found.drifts if d.is_improvement] == []


@pytest.mark.parametrize("seed", [1, 3])
def test_a_machine_worn_from_the_start_is_no_waste_once_mended(seed):
    """+30 % until job 250 is told as an improvement from then on, and not as that machine's level of today."""
    shop = simulate(seed, waste=Waste(machine_period={"m0": (RISE, 0, 250)}))
    found = review(shop.table, FIGURES)
    assert [d.step.name for d in found.drifts if d.is_improvement] == ["m0"]
    assert [d for d in found.drifts if d.is_waste] == []
    assert [e.name for e in found.wasteful()] == []


def test_alarm_tells_a_fall_and_takes_longer_to():
    """A shift down alarms down, never up; its limit is the rarer one, so that a rise of the same size alarms sooner."""
    rng = np.random.default_rng(5)
    noise = rng.standard_normal(160) * 0.5
    shift = np.where(np.arange(160) >= 60, 1.0, 0.0)
    at = np.arange(160)
    down, up = (
        alarm_of(Stream("machine", "m", at, at, s, np.full(160, 4.0)), np.zeros(160, dtype=bool))
        for s in (-(noise + shift), noise + shift)
    )
    assert down is not None
    assert up is not None
    assert (down.up, up.up) == (False, True)
    assert 60 <= up.at < down.at < 110
    k = round(reference_value(Stream("machine", "m", at, at, noise, np.full(160, 4.0))), 2)
    assert limits(k)[1] > limits(k)[0]
