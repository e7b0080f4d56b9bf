"""Unusual jobs with reasons, the account of one job, and the balance of a container."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.consumption.jobs import Observed
from models.consumption.planning import Planning
from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED, IceLog
from models.technique.balance import spans, split
from models.technique.review import newest, review
from models.technique.unusual import explain, score_jobs, score_quantity, unusual_jobs

sys.path.insert(0, str(Path(__file__).parents[2] / "statistical"))
from technique_worlds import simulate

PLANNING = Planning()


@pytest.fixture(scope="module")
def slipped():
    """A shop in which job 50 was written 2.2 times too large, with minutes as usual."""
    table = simulate(51, n_jobs=150, spread=0.2).table
    group = np.unique(table.pellets.group[table.line_job == 50])
    value = table.pellets.value.copy()
    value[group] *= 2.2046
    rng = np.random.default_rng(2)
    minutes = Observed(np.arange(table.n_lines), rng.lognormal(3.5, 0.1, table.n_lines))
    table = replace(table, pellets=Observed(table.pellets.group, value), minutes=minutes)
    found = review(table, PLANNING.pellets_lb)
    return found, score_jobs(found.table, found.fit), score_quantity(found.table, PLANNING, "minutes")


def test_a_unit_slip_is_suspected(slipped):
    """A job 2.2 times the expectation with usual minutes is among the ten, with that reason."""
    found, scores, minutes = slipped
    told = {u.job: u for u in unusual_jobs(found, scores, minutes)}
    assert told[50].reasons[0] == "unit-slip"
    assert told[50].ratio == pytest.approx(2.2, rel=0.35)
    assert len(told) <= 10


def test_scores_are_standardised(slipped):
    """Scores of ordinary jobs have a standard deviation of about 1 and the expectation is close to what was used."""
    _, scores, _ = slipped
    ordinary = np.delete(scores.score, 50)
    assert np.std(ordinary) == pytest.approx(0.9, abs=0.2)
    assert np.median(np.delete(scores.log_ratio, 50)) == pytest.approx(0.0, abs=0.05)


def test_score_ratio_and_spread_are_of_one_statistic(slipped):
    """A score has the sign of its log ratio and is that over a spread that holds the noise of jobs."""
    found, scores, _ = slipped
    np.testing.assert_allclose(scores.score * scores.spread, scores.log_ratio, rtol=1e-12)
    assert (scores.spread > found.fit.sigma_job * 0.99).all()
    assert (scores.spread > scores.own_error).all()
    assert np.median(scores.spread) < 2.0 * np.std(np.delete(scores.log_ratio, 50))


def test_an_account_names_who_and_what(slipped):
    """The account of a job has a part for its machine and operator and refuses a job without pellets."""
    found, scores, minutes = slipped
    account, parts = explain(found, scores, minutes, 50)
    assert account.job == 50
    assert {p.kind for p in parts} >= {"machine", "operator"}
    with pytest.raises(ValueError, match="no recorded pellets"):
        explain(found, scores, minutes, 10_000)


def test_first_jobs_of_a_newcomer_are_told():
    """An early, far-off job of an operator who came later carries that reason."""
    table = simulate(53, n_jobs=160, operator_share=(0.5, 0.5)).table
    late = table.line_job >= 140
    codes = np.where(late, 2, table.operator.codes).astype(np.int32)
    operator = replace(table.operator, names=(*table.operator.names, "zz"), codes=codes)
    value = table.pellets.value.copy()
    value[np.unique(table.pellets.group[table.line_job == 141])] *= 3.5
    table = replace(table, operator=operator, pellets=Observed(table.pellets.group, value))
    found = review(table, PLANNING.pellets_lb)
    nothing = score_quantity(found.table, PLANNING, "minutes")
    told = {u.job: u for u in unusual_jobs(found, score_jobs(found.table, found.fit), nothing)}
    assert "new-operator" in told[141].reasons


def test_minutes_that_nobody_wrote_down_are_no_reason():
    """Without minutes all their scores are missing, not zero."""
    scores = score_quantity(simulate(55, n_jobs=40).table, PLANNING, "minutes")
    assert np.isnan(scores.score).all()


def test_newest_keeps_the_latest_jobs_with_pellets():
    """Only the newest jobs with recorded pellets are reviewed, and too few are not."""
    table = simulate(57, n_jobs=80).table
    kept = newest(table, 25)
    assert kept.n_jobs == 25
    assert kept.day.min() >= np.sort(table.day)[-25]
    assert review(kept, PLANNING.pellets_lb) is None


def _log() -> IceLog:
    return IceLog.of(
        [1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
        [WEIGHED, DELIVERED, USED, WEIGHED, USED, WEIGHED],
        ["a"] * 6,
        [50.0, 300.0, 80.0, 230.0, 60.0, 120.0],
    )


def test_balance_adds_up():
    """Start + delivered = logged + left + sublimated + unlogged, in every scenario."""
    span = spans(_log())[0]
    assert (span.start_lb, span.delivered_lb, span.logged_lb, span.left_lb) == (50.0, 300.0, 140.0, 120.0)
    balance = split(span, np.array([0.0, 10.0, 500.0]))
    whole = span.logged_lb + span.left_lb + balance.sublimated_lb + balance.unlogged_lb
    assert whole == pytest.approx(350.0)
    assert balance.unlogged_lb.tolist() == [0.0, 10.0, 90.0]


def test_balance_starts_after_a_container_was_emptied():
    """What was thrown out is unknown, so the span starts at the first weighing after it; one weighing is none."""
    log = IceLog.of([1.0, 2.0, 3.0, 4.0], [WEIGHED, EMPTIED, WEIGHED, WEIGHED], ["a"] * 4, [90.0, 300.0, 250.0, 200.0])
    assert [(s.since, s.gone_lb) for s in spans(log)] == [(3.0, 50.0)]
    assert spans(log, since=3.5) == []
