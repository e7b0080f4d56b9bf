"""The account of one job: its ratio, interval and excess agree, and its words stand by themselves."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.review_findings import Ratio
from pipeline.answers.review_mask import mask_result
from pipeline.answers.reviewing import PartTold, TechniqueQuestion, technique
from pipeline.present.figures import Style
from pipeline.present.review_text import render_technique
from shared.errors import RimebookError

FIRST = date(2026, 1, 5)
NEED = {"undercarriage": 60.0, "interior": 15.0}


def _rows(given=()):
    """Rows of 60 jobs of two zones each, machine and operator by zone; `given` (job, zone) -> pounds or None."""
    rng, rows = np.random.default_rng(3), []
    for k in range(60):
        for i, (zone, lb) in enumerate(NEED.items()):
            own = lb * float(np.exp(0.15 * rng.standard_normal()))
            rows.append({"job_id": f"J{k}", "day": FIRST + timedelta(days=k), "vehicle_class": "van", "zone": zone,
                         "soil_level": "heavy", "pellets_lb": dict(given).get((k, zone), own),
                         "minutes": own * float(np.exp(0.1 * rng.standard_normal())),
                         "machine": f"M{1 + (k + i * (k % 3 == 0)) % 2}", "operator": "AB"[k // 2 % 2]})  # fmt: skip
    return rows


def _account(book, job):
    answer = technique(Asking(book, FIRST + timedelta(days=60)), TechniqueQuestion(job=job))
    return answer, answer.result.findings[0], answer.result.account


def test_a_job_whose_lines_disagree_has_one_side_and_a_usual_interval(new_book):
    """Where its large line took more and its small one less, score and ratio lie on the side of the sums."""
    book = new_book(rows=_rows({(40, "undercarriage"): 72.0, (40, "interior"): 9.0}.items()))
    answer, finding, account = _account(book, "J40")
    assert account.job.ratio > 1 < finding.ratio.high < 2 * finding.ratio.low
    assert account.job.score > 0.2
    assert finding.pellets_lb_month.mean == pytest.approx(account.job.pellets_lb - account.job.expected_lb, abs=2.0)
    assert "above" in render_technique(answer, Style())


def test_a_job_that_took_less_has_no_excess(new_book):
    """Below what like jobs need by more than that is unknown there is nothing to cost."""
    _, finding, account = _account(new_book(rows=_rows({(40, "undercarriage"): 50.0}.items())), "J40")
    assert account.job.ratio < 0.95
    assert finding.pellets_lb_month.mean < 0.1


def test_two_machines_of_a_job_are_one_part(new_book):
    """What a job's machines add together is told once, under both names, and each operator alone as before."""
    answer, _, account = _account(new_book(rows=_rows()), "J42")
    assert [(p.kind, p.name) for p in account.parts] == [("machine", "M1, M2"), ("operator", "B")]
    assert "Machine M1, M2" in render_technique(answer, Style())


def test_several_operators_of_a_job_are_masked():
    """Codes that stand in one name are each masked, one that holds a comma whole."""
    told = mask_result(PartTold("operator", "Lee, Kim, TS", Ratio(1.1, 1.0, 1.2, 0.8)), {"TS": "A", "Lee, Kim": "B"})
    assert told.name == "B, A"


def test_a_change_with_too_few_jobs_counts_those_with_pellets(new_book):
    """Jobs that have no pellets on record are not among those that are told as found."""
    rows = [row | {"pellets_lb": row["pellets_lb"] if int(row["job_id"][1:]) < 35 else None} for row in _rows()]
    with pytest.raises(RimebookError) as caught:
        technique(Asking(new_book(rows=rows), FIRST + timedelta(days=60)),
                  TechniqueQuestion(change=FIRST + timedelta(days=30)))  # fmt: skip
    assert f"30 jobs with pellets on record before {FIRST + timedelta(days=30)} and 5 " in caught.value.problem.found


def test_an_account_refers_to_nothing_that_is_not_told(new_book):
    """A job of a wasteful machine says so in words of its own: the findings are not in that answer."""
    wasteful = {
        (int(row["job_id"][1:]), row["zone"]): 1.6 * row["pellets_lb"] for row in _rows() if row["machine"] == "M1"
    }
    _, _, account = _account(new_book(rows=_rows(wasteful.items())), "J40")
    assert account.job.reasons[-1] == "a machine that takes more than others on like jobs"


def test_what_nobody_wrote_down_is_not_cleared(new_book):
    """Where no operator and no machine is on record the review says that none could be compared."""
    rows = [row | {"operator": "", "machine": ""} for row in _rows()]
    answer = technique(Asking(new_book(rows=rows), FIRST + timedelta(days=60)), TechniqueQuestion())
    assert [(n.kind, n.name) for n in answer.result.not_enough] == [("operator", ""), ("machine", "")]
    text = " ".join(render_technique(answer, Style()).split())
    assert "- Operators: none is written down, so none could be compared." in text
    assert "- Machines: none is written down" in text
