"""A change of the whole shop in the technique review: what it may be, what it takes, and a noted change beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.answers.answer import Answer, Asking
from pipeline.answers.reporting import report_contents
from pipeline.answers.reviewing import TechniqueQuestion, TechniqueResult, technique
from pipeline.book.store import Book
from pipeline.present.figures import Style
from pipeline.present.json_text import render_answer
from pipeline.present.page_findings import pellets_part
from pipeline.present.review_text import render_technique
from shared.units import DAYS_PER_MONTH

FIRST, N_JOBS, ROSE = date(2026, 1, 5), 120, 70
TODAY = FIRST + timedelta(days=N_JOBS)
NOTED = f'[machines.M1]\nchanges = [{{date = "{FIRST + timedelta(days=ROSE + 1)}", what = "new nozzle"}}]\n'
Names = tuple[str, ...]


def _rows(machines: Names, operators: Names, rise: float = 1.4) -> list[dict[str, object]]:
    """Rows of a job a day, all of which take `rise` times as much from the 71st on."""
    rng = np.random.default_rng(3)
    return [
        {"job_id": f"J{k}", "day": FIRST + timedelta(days=k), "vehicle_class": "sedan", "zone": "undercarriage",
         "soil_level": "moderate", "machine": machines[k % len(machines)],
         "operator": operators[k // 2 % len(operators)], "minutes": 60.0 * float(np.exp(0.1 * rng.standard_normal())),
         "pellets_lb": 45.0 * (rise if k >= ROSE else 1.0) * float(np.exp(0.1 * rng.standard_normal()))}
        for k in range(N_JOBS)
    ]  # fmt: skip


def _asked(new_book: Callable[..., Book], machines: Names, operators: Names, toml: str = "") -> Answer[TechniqueResult]:
    return technique(Asking(new_book(toml, _rows(machines, operators)), TODAY), TechniqueQuestion())


def _told(answer: Answer[TechniqueResult]) -> str:
    return " ".join(render_technique(answer, Style()).split())


@pytest.mark.parametrize(
    ("machines", "operators", "said", "unsaid"),
    [
        (("M1",), ("A",), ["machine M1 (nozzle, hose, seals), operator A, the ice", "Check the nozzle first (air shut"],
         ["no single"]),
        (("M1",), ("A", "B"), ["names only one machine, and all operators changed alike", "may be machine M1 (nozzle"],
         ["no single", "operator A,"]),
        (("M1", "M2"), ("A",), ["names only one operator, and all machines changed alike", "may be operator A, the"],
         ["no single", "Check the nozzle"]),
        (("",), ("A",), ["names no machine and only one operator", "may be the machine (nozzle", "Check the nozzle"],
         ["no single"]),
        (("M1", "M2"), ("A", "B"), ["no single machine or operator"], ["only one", "Check the nozzle"]),
    ],
)  # fmt: skip
def test_what_a_change_of_the_whole_shop_may_be_goes_by_who_is_named(
    new_book: Callable[..., Book], machines: Names, operators: Names, said: list[str], unsaid: list[str]
) -> None:
    """With one machine or operator it may be theirs; only where there are several of both it is nobody's alone."""
    told = _told(_asked(new_book, machines, operators))
    assert [s for s in said if s not in told] == []
    assert [s for s in unsaid if s in told] == []


@pytest.mark.parametrize("names", [(("M1",), ("A",)), (("M1", "M2"), ("A", "B"))])
def test_a_rise_of_the_whole_shop_is_in_the_verdict_with_its_amount(
    new_book: Callable[..., Book], names: tuple[Names, Names]
) -> None:
    """The first sentences tell how much since when, in pounds and money a month; JSON has them beside the reason."""
    answer = _asked(new_book, *names)
    (rise,) = [n for n in answer.result.not_enough if n.ratio is not None]
    assert rise.ratio is not None
    assert rise.pellets_lb_month is not None
    assert rise.since is not None
    assert rise.ratio.low < 1.4 < rise.ratio.high + 0.05
    assert abs((rise.since - FIRST).days - ROSE) < 8
    own = sum(float(str(r["pellets_lb"])) for r in _rows(*names)[ROSE:])
    true = own * (1 - 1 / rise.ratio.estimate) * DAYS_PER_MONTH / (N_JOBS - ROSE)
    assert rise.pellets_lb_month.mean == pytest.approx(true, rel=0.1)
    told = _told(answer)
    assert "Nothing stands out" not in told
    more = f"The whole shop takes {100 * (rise.ratio.estimate - 1):.0f} % more pellets since about {rise.since}: about"
    assert told.startswith(f"No single cause stands out over {N_JOBS} jobs. {more}")
    entries = json.loads(render_answer("technique", "b", TODAY, answer))["result"]["not_enough"]
    (entry,) = [e for e in entries if e["ratio"]]
    assert {"kind", "name", "jobs", "why", "ratio", "since", "pellets_lb_month", "usd_month", "try"} <= set(entry)


def test_a_rise_that_is_over_is_told_as_over(new_book: Callable[..., Book], monkeypatch: pytest.MonkeyPatch) -> None:
    """It took more while it lasted, its amount is of that time, and there is nothing to check now."""
    ended = (FIRST + timedelta(days=100)).toordinal()
    monkeypatch.setattr("models.technique.review.Review.end_of_rise", lambda self, rise: ended)
    answer = _asked(new_book, ("M1",), ("A",))
    (rise,) = [n for n in answer.result.not_enough if n.ratio is not None]
    assert rise.until == FIRST + timedelta(days=100)
    assert rise.jobs == (rise.until - rise.since).days  # type: ignore[operator]
    told = _told(answer)
    assert f"The whole shop took {100 * (rise.ratio.estimate - 1):.0f} % more pellets from" in told  # type: ignore[union-attr]
    assert "while it lasted" in told
    assert "Check the nozzle" not in told


def test_the_only_operator_is_masked_where_he_may_be_the_cause(new_book: Callable[..., Book]) -> None:
    """Under mask the reason names Operator A, not his code."""
    asking = Asking(new_book(rows=_rows(("M1",), ("ZED",))), TODAY)
    masked = technique(asking, TechniqueQuestion(mask=True))
    assert "ZED" not in _told(masked)
    assert "Operator A, the ice" in _told(masked)


def test_a_noted_change_that_all_machines_share_leaves_the_shops_change_told(new_book: Callable[..., Book]) -> None:
    """It is no finding; what cannot be told says why, and the shop's rise is the same as without the note."""
    names = ("M1", "M2"), ("A", "B")
    noted = _asked(new_book, *names, NOTED)
    assert noted.result.findings == ()
    (change,) = noted.result.changes
    assert change.with_shop
    assert change.ratio.low < 1 < change.ratio.high
    told = _told(noted)
    assert "Machine M1: the other machines changed alike at the time of its noted change" in told
    assert "(new nozzle), so what that did cannot be told" in told
    assert "beside the others" in told
    plain = technique(Asking(new_book(rows=_rows(*names), name="plain"), TODAY), TechniqueQuestion())
    rises = [[n for n in a.result.not_enough if n.ratio is not None] for a in (noted, plain)]
    assert len(rises[0]) == 1
    assert rises[0] == rises[1]


def test_the_report_tells_a_rise_of_the_whole_shop(new_book: Callable[..., Book]) -> None:
    """The page of a shop with one machine and one operator has it in its lead, with why and the caution of its tip."""
    contents = report_contents(Asking(new_book(rows=_rows(("M1",), ("A",))), TODAY), names=True).result
    part = pellets_part(contents, Style())
    assert "The whole shop takes" in part.lead
    assert part.not_enough[0].startswith("whole shop: +")
    assert "Check the nozzle first" in part.not_enough[0]
    assert any("let the pressure out" in line for line in part.care)
    assert not any("are compared. Log them" in line for line in part.lines)
