"""What a safety answer says of noise: the chance of passing each rule's limit, in text, table and JSON alike."""

import json

import numpy as np
import pytest
from safety_books import TODAY, book_asked, suv

from pipeline.answers.safety import safety
from pipeline.answers.safety_answer import SafetyQuestion
from pipeline.answers.safety_noise import Protection, noise_answers
from pipeline.answers.safety_space import SpaceAsked
from pipeline.present.figures import Style, percent
from pipeline.present.json_text import render_answer
from pipeline.present.safety_text import render_safety


@pytest.fixture(scope="module")
def asking(tmp_path_factory):
    return book_asked(tmp_path_factory.mktemp("shop") / "book", "")


def _answer(asking, dba, worn=None):
    space = SpaceAsked(length_ft=40, width_ft=24, height_ft=12, flow_cfm=3000, noise_dba=dba)
    return safety(asking, SafetyQuestion(space=space, jobs=(suv(asking),), protection=worn))


def _first(answer):
    return " ".join(render_safety(answer, Style()).split("\n\n")[0].split())


def test_noise_is_told_first_by_its_chance(asking):
    """From a chance of 5 % on each rule is named with what JSON tells: could below a half, would from there."""
    for dba in np.arange(84.0, 106.0, 1.5).tolist():
        answer = _answer(asking, dba)
        first = _first(answer)
        told = json.loads(render_answer("safety", "b", TODAY, answer))["result"]["noise"]
        assert [n["limit_percent"] for n in told] == [100, 50, 100]
        for n in told:
            chance = n["chance_exceeded"]
            words = f"the {n['rule']} in {percent(chance)}"
            assert (words in first) == (chance >= 0.05), (dba, n["rule"])
            if chance >= 0.05:
                verb = first[: first.index(words)].rpartition(" exceed ")[0].rsplit(" ", 1)[-1]
                assert verb == ("would" if chance >= 0.5 else "could")


def test_a_limit_that_may_well_be_exceeded_is_not_silent(asking):
    """A middle dose just below a limit is exceeded in many scenarios: verdict, table and JSON say in how many."""
    answer = _answer(asking, 92.8)
    (niosh,) = [n for n in answer.result.noise if "NIOSH" in n.rule]
    dose = niosh.dose_percent
    assert dose.quantiles[0.5] < 100 < dose.quantiles[0.75]
    assert 0.25 < niosh.chance_exceeded < 0.5
    assert "could exceed" in _first(answer)
    assert f"the NIOSH recommended limit in {percent(niosh.chance_exceeded)} of scenarios" in _first(answer)
    table = render_safety(answer, Style())
    assert f"{dose.quantiles[0.5]:,.0f} ({dose.interval.low:,.0f}-{dose.interval.high:,.0f})" in table


def test_a_rules_own_limit_counts():
    """At 90 dBA 5 h are a dose of 62.5 % by OSHA: beyond the action level of 50 %, within the limit of 100 %."""
    limit, action, niosh = noise_answers(90.0, np.full(50, 300.0), None, level=0.8, n_scores=0)
    assert limit.dose_percent.mean == action.dose_percent.mean == pytest.approx(62.5)
    assert [n.chance_exceeded for n in (limit, action, niosh)] == [0.0, 1.0, 1.0]
    assert [n.limit_percent for n in (limit, action, niosh)] == [100.0, 50.0, 100.0]


def test_above_the_table_any_blasting_is_too_much():
    """Above 115 dBA, where OSHA's table ends, a small dose passes the limit; no blasting at all does not."""
    assert noise_answers(118.0, np.full(50, 0.5), None, level=0.8, n_scores=0)[0].chance_exceeded == 1.0
    assert noise_answers(118.0, np.zeros(50), None, level=0.8, n_scores=0)[0].chance_exceeded == 0.0


def test_a_protector_without_credit_is_told(asking):
    """An NRR of 5 earns nothing by any rule, since 7 dB are taken off: rows, text, verdict and JSON say so."""
    weak, good = _answer(asking, 98.0, Protection(5)), _answer(asking, 98.0, Protection(25))
    for answer, credits, n_none in ((weak, [0, 0, 0, 0], 4), (good, [9, 9, 11.75, 18], 0)):
        worn = [n for n in answer.result.noise if n.credit_db is not None]
        assert [n.credit_db for n in worn] == pytest.approx(credits)
        assert sum(n.rule.endswith(": no credit") for n in worn) == n_none
        text = " ".join(render_safety(answer, Style()).split())
        assert ("those of the bare ear" in text) == (n_none > 0)
    assert "With the protection given, which earns no credit, it would exceed" in _first(weak)
    assert "no credit" not in _first(good)
    assert [n.credit_db for n in weak.result.noise[:3]] == [None] * 3
