"""The technique review as a use case: its form, masking, hindsight, errors and text."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from data_demo.generate import draw_shop, write_clean
from models.technique.review import review
from models.technique.shrinkage import shrink_alone
from pipeline.answers.answer import Asking
from pipeline.answers.review_findings import Improvement, Ratio, Terms
from pipeline.answers.review_mask import mask_result, masks
from pipeline.answers.review_unsaid import NotEnough, not_enough_of
from pipeline.answers.reviewing import TechniqueQuestion, TechniqueResult, technique
from pipeline.book.store import create_book, open_book
from pipeline.book.tables import job_table
from pipeline.intake.importing import import_files
from pipeline.present.figures import Style
from pipeline.present.json_text import render_answer
from pipeline.present.review_text import render_technique
from shared.errors import RimebookError

MACHINES = '[machines.rig-2]\nchanges = [{date = "2026-03-30", what = "new hose"}]\n'
TERMS = Terms(date(2026, 6, 30).toordinal(), 0.8, 1.0, 1)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A book with one draw of the demo's law, as of the morning after its last job."""
    folder = tmp_path_factory.mktemp("technique")
    logs = draw_shop(5)
    write_clean(logs, folder / "logs")
    book = create_book(folder / "book")
    import_files(book, sorted((folder / "logs").glob("*.csv")), today=logs.as_of)
    return Asking(book, logs.as_of)


@pytest.fixture(scope="module")
def answer(demo):
    return technique(demo, TechniqueQuestion())


@pytest.fixture(scope="module")
def reviewed(demo):
    planning = demo.book.settings.planning()
    return review(job_table(demo.book, demo.today), planning.pellets_lb, minutes=planning.minutes)


def test_planted_waste_is_found_sized_and_dated(answer):
    """The demo's wasteful period and worn nozzle are findings near their dates and ratios; nobody else is accused."""
    found = {f.name: f for f in answer.result.findings if f.kind != "setting"}
    assert set(found) == {"TS", "rig-2"}
    assert abs(found["TS"].since - date(2025, 9, 1)) < timedelta(days=30)
    assert abs(found["rig-2"].since - date(2026, 3, 30)) < timedelta(days=30)
    assert found["TS"].until is not None
    assert found["rig-2"].until is None
    for name, ratio in (("TS", 1.25), ("rig-2", 1.24)):
        assert found[name].ratio.low < ratio < found[name].ratio.high
        assert found[name].kind == "drift"
        assert found[name].q_value <= 0.1
    assert "feed" in found["TS"].try_
    assert found["rig-2"].usd_month.mean > found["rig-2"].pellets_lb_month.mean * 0.5


def test_json_has_the_promised_keys_and_finite_numbers(answer, demo):
    """Findings carry ratio, q value, jobs, since, quantities a month and what to try; the envelope renders."""
    result = json.loads(render_answer("technique", "b", demo.today, answer))["result"]
    finding = result["findings"][0]
    assert {"kind", "name", "ratio", "q_value", "jobs", "since", "pellets_lb_month", "usd_month", "try"} <= set(finding)
    assert set(finding["ratio"]) == {"estimate", "low", "high", "level"}
    assert set(finding["usd_month"]) == {"mean", "quantiles", "interval"}
    for row in result["not_enough"]:
        assert {"kind", "name", "jobs", "why"} <= set(row)
    assert len(result["unusual"]) <= 10
    assert "discipline" in answer.cautions[0]


def test_text_fits_and_answers_first(answer, monkeypatch):
    """The first line sums up pounds and money, what is over apart from what goes on; no line is wider than 80."""
    monkeypatch.setenv("COLUMNS", "80")
    text = render_technique(answer, Style())
    assert "a month now" in text.splitlines()[0]
    assert "while it lasted, now over" in " ".join(text.splitlines()[:3])
    assert max(map(len, text.splitlines())) <= 80
    assert "no ground for discipline" in answer.cautions[0]


def test_thrift_that_was_sought_and_not_found_is_told(answer):
    """Whoever asks for it reads so; whoever does not reads nothing of it."""
    sought = replace(answer, result=replace(answer.result, thrift_sought=True))
    told = "No operator or machine surely takes fewer pellets than like jobs need."
    assert told in render_technique(sought, Style()).splitlines()
    assert told not in render_technique(answer, Style())


def test_a_sure_saving_is_told_as_sure_and_as_a_saving(new_book):
    """With --thrift an operator who takes a third less is found, with the chance of that side and words that fit."""
    day, rng = date(2026, 1, 5), np.random.default_rng(4)
    rows = []
    for k in range(120):
        who = ("A B", "C", "D")[k % 3]
        lb = 45.0 * (0.65 if who == "A B" else 1.0) * float(np.exp(0.15 * rng.standard_normal()))
        rows.append({"job_id": f"J{k}", "day": day + timedelta(days=k), "vehicle_class": "sedan",
                     "zone": "undercarriage", "soil_level": "moderate", "operator": who, "pellets_lb": lb,
                     "minutes": 60.0 * lb / 45.0})  # fmt: skip
    asking = Asking(new_book(rows=rows), day + timedelta(days=130))
    plain, sought = (technique(asking, TechniqueQuestion(thrift=wish)) for wish in (False, True))
    assert all(f.ratio.estimate >= 1 for f in plain.result.findings)
    (saving,) = [f for f in sought.result.findings if f.ratio.estimate < 1]
    assert (saving.kind, saving.name) == ("operator", "A B")
    assert saving.q_value < 0.05
    assert saving.ratio.low < 0.65 < saving.ratio.high
    assert any("easier" in cause for cause in saving.other_causes)
    assert "of what takes fewer" in render_technique(sought, Style()) or len(sought.result.findings) == 1


def _better_since(day: date, *, later: bool = False) -> list[dict[str, object]]:
    """Rows of a shop in which rig-1 takes a quarter less from the 120th day on; absurd ones after it where `later`."""
    rng, rows = np.random.default_rng(4), []
    for k in range(240):
        rig = f"rig-{1 + k % 3}"
        lb = 45.0 * (0.75 if k >= 120 and rig == "rig-1" else 1.0) * float(np.exp(0.15 * rng.standard_normal()))
        rows.append({"job_id": f"J{k}", "day": day + timedelta(days=k), "vehicle_class": "sedan",
                     "zone": "undercarriage", "soil_level": "moderate", "machine": rig, "operator": "ABC"[k // 3 % 3],
                     "pellets_lb": lb, "minutes": 60.0 * float(np.exp(0.15 * rng.standard_normal()))})  # fmt: skip
    if later:
        rows += [rows[-1] | {"job_id": f"L{k}", "day": day + timedelta(days=240 + k), "machine": "rig-1",
                             "pellets_lb": 700.0} for k in range(30)]  # fmt: skip
    return rows


def test_a_machine_that_got_better_is_told_as_that_and_not_as_waste_before(new_book, monkeypatch):
    """It is no finding: since about its day it takes fewer, with interval; with --thrift it is a finding, told once."""
    monkeypatch.setenv("COLUMNS", "80")
    day = date(2026, 1, 5)
    asking = Asking(new_book(rows=_better_since(day)), day + timedelta(days=240))
    plain, sought = (technique(asking, TechniqueQuestion(thrift=wish)) for wish in (False, True))
    assert plain.result.findings == ()
    (better,) = plain.result.improvements
    assert (better.of, better.name) == ("machine", "rig-1")
    assert abs(better.since - (day + timedelta(days=120))) <= timedelta(days=10)
    assert better.ratio.low < 0.75 < better.ratio.high
    text = render_technique(plain, Style())
    told = " ".join(text.split())
    assert f"Machine rig-1: since about {better.since} " in told
    assert "pellets than before on like jobs" in told
    assert "Nothing stands out" in told
    assert max(map(len, text.splitlines())) <= 80
    again = " ".join(render_technique(sought, Style()).split())
    assert again.count(f"since about {better.since}") == 1
    assert f"less pellets than before since about {better.since}." in again
    result = json.loads(render_answer("technique", "b", asking.today, plain))["result"]
    assert {"name", "of", "ratio", "q_value", "jobs", "since", "try"} <= set(result["improvements"][0])


def test_absurd_later_jobs_move_no_improvement(new_book):
    """As of a morning an improvement is told the same whatever its machine did afterwards."""
    day = date(2026, 1, 5)
    told = [
        technique(
            Asking(new_book(rows=_better_since(day, later=later), name=f"later-{later}"), day + timedelta(days=240)),
            TechniqueQuestion(),
        ).result
        for later in (False, True)
    ]  # fmt: skip
    assert len(told[0].improvements) == 1
    assert told[0] == told[1]


def test_an_operator_who_improves_is_masked():
    """The code of an operator is masked in an improvement too."""
    better = Improvement("TS", "operator", Ratio(0.8, 0.75, 0.85, 0.8), 0.01, 40, date(2026, 4, 1), ("x",), "Keep it.")
    result = mask_result(TechniqueResult((), (), improvements=(better,)), {"TS": "Operator A"})
    assert result.improvements[0].name == "Operator A"


def test_mask_hides_every_operator_and_is_stable(demo, answer):
    """Under mask no operator code is left in text or JSON, and letters follow the order of first jobs."""
    masked = mask_result(answer.result, masks(job_table(demo.book, demo.today)))
    told = render_answer("technique", "b", demo.today, replace(answer, result=masked)) + render_technique(
        replace(answer, result=masked), Style()
    )
    for code in ("TS", "KO", "VN"):
        assert f'"{code}"' not in told
        assert f" {code}:" not in told
        assert f"({code}," not in told
    early = masks(job_table(demo.book, demo.today - timedelta(days=200)))
    late = masks(job_table(demo.book, demo.today))
    assert all(late[name] == letter for name, letter in early.items())


def test_mask_knows_codes_of_several_words():
    """A code with spaces, or one that begins another, is masked whole in sentences and in fields of its own."""
    codes = {"J. K": "Operator A", "J": "Operator B", "Lee, Kim": "Operator C"}
    told = NotEnough("operator", "Lee, Kim", "", 4, "Like operator J. K, unlike operator J; operator Jo is unknown.")
    masked = mask_result(told, codes)
    assert masked.name == "Operator C"
    assert masked.why == "Like Operator A, unlike Operator B; operator Jo is unknown."


def test_absurd_later_jobs_move_nothing(demo, answer, tmp_path):
    """As of a day the review is the same whatever happened afterwards."""
    logs = draw_shop(5)
    absurd = []
    for i in range(25):
        row = dict(logs.jobs[0], job_id=f"ZZ{i}", date=(demo.today + timedelta(days=i)).isoformat(), operator="NEW")
        absurd.append(row | {"pellets_lb": "700", "job_pellets_lb": "", "machine": "rig-1"})
    later = replace(logs, jobs=[*logs.jobs, *absurd])
    write_clean(later, tmp_path / "logs")
    book = create_book(tmp_path / "book")
    import_files(book, sorted((tmp_path / "logs").glob("*.csv")), today=demo.today + timedelta(days=60))
    assert job_table(book).n_jobs > job_table(demo.book).n_jobs
    again = technique(Asking(book, demo.today), TechniqueQuestion())
    assert [replace(f) for f in again.result.findings] == list(answer.result.findings)
    assert again.result.unusual == answer.result.unusual


def test_one_job_is_explained(demo, answer):
    """A job's account tells actual and expected, what its technique adds, and is the only finding."""
    job_id = answer.result.unusual[0].job_id
    told = technique(demo, TechniqueQuestion(job=job_id.lower()))
    assert [(f.kind, f.name) for f in told.result.findings] == [("job", job_id)]
    assert told.result.account.job.pellets_lb == pytest.approx(answer.result.unusual[0].pellets_lb)
    assert {p.kind for p in told.result.account.parts} >= {"machine"}
    assert job_id in render_technique(told, Style()).splitlines()[0]


def test_a_job_logged_in_part_is_compared_in_part_and_told(new_book):
    """A zone without pellets is left out on both sides, and the answer says so; a whole job needs no word."""
    rows = [
        {"job_id": f"J{k}", "day": date(2026, 3, 1 + k % 28), "vehicle_class": "van", "zone": zone, "minutes": 60.0,
         "soil_level": "heavy", "pellets_lb": None if (k, zone) == (7, "interior") else lb + k % 5}
        for k in range(40) for zone, lb in (("undercarriage", 60.0), ("interior", 15.0))
    ]  # fmt: skip
    asking = Asking(new_book(rows=rows), date(2026, 4, 1))
    part, whole = (technique(asking, TechniqueQuestion(job=job)) for job in ("J7", "J8"))
    assert "1 of 2 zone lines of J7 have pellets on record" in part.warnings[0]
    assert part.result.account.job.pellets_lb == pytest.approx(62.0)
    assert 55 < part.result.account.job.expected_lb < 70
    assert whole.warnings == ()


def test_a_change_is_tested_before_against_after(demo):
    """The change asked about is told for the shop and each machine; too few jobs on a side is an error."""
    told = technique(demo, TechniqueQuestion(change=date(2026, 3, 30)))
    ratio = {c.machine: c.ratio for c in told.result.changes}
    assert set(ratio) == {"", "rig-1", "rig-2"}
    assert ratio["rig-2"].low > 1.05
    assert ratio["rig-1"].low < 1 < ratio["rig-1"].high or abs(ratio["rig-1"].estimate - 1) < 0.05
    assert "From 2026-03-30" in render_technique(told, Style())
    with pytest.raises(RimebookError) as caught:
        technique(demo, TechniqueQuestion(change=date(2026, 6, 29)))
    assert caught.value.problem.code == "too-few-jobs"


def test_an_unknown_job_is_named(demo):
    """A job that is not in the book is an error that says what was found."""
    with pytest.raises(RimebookError) as caught:
        technique(demo, TechniqueQuestion(job="no such job"))
    assert caught.value.problem.code == "unknown-job"
    assert "no such job" in caught.value.problem.sentence()


def test_an_empty_book_says_how_many_jobs_it_needs(new_book):
    """Without jobs there is no finding but the number that is needed, in JSON and text."""
    asking = Asking(new_book(), date(2026, 6, 1))
    told = technique(asking, TechniqueQuestion())
    assert told.result.findings == ()
    assert "at least 30" in told.result.not_enough[0].why
    text = render_technique(told, Style())
    assert "Nothing stands out" not in text
    assert text.count("at least 30") == 1
    with pytest.raises(RimebookError):
        technique(asking, TechniqueQuestion(job="J1"))


def test_what_lacks_for_the_same_reason_is_told_once(answer):
    """Settings with as few jobs as each other share one line, in the shop's words."""
    few = tuple(NotEnough("setting", n, "", 6, "6 jobs; at least 30 needed") for n in ("feed_lb_min", "ice_on_share"))
    result = replace(answer.result, not_enough=(*few, NotEnough("operator", "AA", "", 3, "3 jobs; at least 12 needed")))
    text = " ".join(render_technique(replace(answer, result=result), Style()).split())
    assert "- Feed, share of time with the ice on: 6 jobs; at least 30 needed." in text
    assert "- Operator AA: 3 jobs; at least 12 needed." in text


def test_a_sure_small_change_is_not_called_chance(reviewed):
    """A change past the false-discovery rate but under the least ratio is called small, an unsure one chance."""
    drift = next(d for d in reviewed.drifts if d.is_waste)
    small = replace(drift, posterior=shrink_alone(0.02, 0.001))
    unsure = replace(drift, q_value=0.4)
    told = [n.why for n in not_enough_of(replace(reviewed, drifts=(small, unsure)), TERMS, {}) if n.kind == "drift"]
    assert len(told) == 2
    assert "too small" in told[0]
    assert "chance" not in told[0]
    assert "chance" in told[1]


def test_a_noted_change_takes_the_drift(demo):
    """A change noted in book.toml at the day of the worn nozzle is tested there instead of being found as drift."""
    (demo.book.folder / "book.toml").write_text(MACHINES, encoding="utf-8")
    told = technique(Asking(open_book(demo.book.folder), demo.today), TechniqueQuestion())
    assert [(c.machine, c.what) for c in told.result.changes] == [("rig-2", "new hose")]
    assert told.result.changes[0].ratio.low > 1.1
    mine = [f for f in told.result.findings if f.name == "rig-2"]
    assert [f.since for f in mine] == [date(2026, 3, 30)]
    assert "new hose" in mine[0].try_
