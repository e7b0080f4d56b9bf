"""An answer as of a past day is that morning's: neither that day's own rows nor later ones move or are told."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.book.store import create_book

#: A Friday, long past on any computer that runs this.
DAY = date(2026, 5, 1)
FIRST = date(2026, 1, 5)
TOML = """
[shop]
{as_of}
[bays.main]
length_ft = 40
width_ft = 25
height_ft = 14
air_changes_per_hour = 2
"""
JOBS = "job_id,date,vehicle_class,zone,soil_level,pellets_lb,minutes,machine,operator,price_usd,customer"
DELIVERIES = "date,container,weight_lb,price_usd_per_lb,fee_usd"
WEIGHINGS = "at,container,net_lb"
BOOKINGS = "booking_id,taken_on,date,vehicle_class,zone,soil_level,status,job_id"
Run = Callable[..., tuple[int, str, str]]


def _jobs(*, later: bool) -> Iterator[str]:
    rng = np.random.default_rng(8)
    zones = ("undercarriage", "engine_bay", "interior")
    for i in range(84):
        day = FIRST + timedelta(days=int(i * 1.38))
        lb = 40.0 * float(np.exp(0.2 * rng.standard_normal()))
        who = f"rig-{1 + i % 2},{'AB'[i // 2 % 2]}"
        yield f"J{i},{day},van,{zones[i % 3]},moderate,{lb:.1f},{lb * 1.3:.0f},{who},260,K{i % 9}"
    if later:
        for k in range(
            6
        ):  # on the day itself and after it, absurd, by a machine, an operator and a customer nobody knew
            yield f"L{k},{DAY + timedelta(days=k // 2)},truck,undercarriage,severe,700,1300,rig-9,Z,9000,K99"
        yield f"N-1,{DAY},van,interior,light,,30,rig-9,Z,9000,K99"  # nobody wrote its pellets down
        yield f"B-0,{DAY},suv,undercarriage,severe,700,1300,rig-9,Z,9000,K99"


def _deliveries(*, later: bool) -> Iterator[str]:
    for k in range(0, (DAY - FIRST).days, 7):
        yield f"{FIRST + timedelta(days=k)},tote,300,1.10,40"
    if later:
        yield f"{DAY},tote,5000,9.00,900"
        yield f"{DAY + timedelta(days=3)},tote,5000,9.00,900"


def _bookings(*, later: bool) -> Iterator[str]:
    fate = ("done", "cancelled", "no_show")
    for k in range(9):
        status = fate[k % 3] if later else "booked"
        yield f"B-{k},{DAY - timedelta(days=4)},{DAY + timedelta(days=k)},suv,undercarriage,heavy,{status},"
    if later:
        yield f"B-late,{DAY},{DAY + timedelta(days=1)},truck,undercarriage,severe,booked,"


def _book(place: Path, run: Run, *, later: bool, as_of: bool = False) -> Path:
    """Make a book, imported and learned as of the day."""
    folder = place / "book"
    create_book(folder, TOML.format(as_of=f'as_of = "{DAY}"' if as_of else ""))
    weighed = [f"{DAY - timedelta(days=2)},tote,120", *([f"{DAY},tote,4000"] if later else [])]
    logs = {
        "jobs": (JOBS, _jobs(later=later)), "deliveries": (DELIVERIES, _deliveries(later=later)),
        "weighings": (WEIGHINGS, weighed), "bookings": (BOOKINGS, _bookings(later=later)),
    }  # fmt: skip
    for name, (head, rows) in logs.items():
        (place / f"{name}.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    for call in (["import", *(str(place / f"{n}.csv") for n in logs)], ["learn", "--today", str(DAY)]):
        code, _, err = run(*call, "--book", str(folder))
        assert code == 0, err
    return folder


@pytest.fixture(scope="module")
def books(run: Run, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return the same shop as that morning knew it, with what came after, and with the latter closed on that day."""
    return {
        "before": _book(tmp_path_factory.mktemp("before"), run, later=False),
        "after": _book(tmp_path_factory.mktemp("after"), run, later=True),
        "closed": _book(tmp_path_factory.mktemp("closed"), run, later=True, as_of=True),
    }


JOB = ("--vehicle", "suv", "--zone", "undercarriage:heavy", "--zone", "interior")
QUESTIONS = [
    ("estimate", *JOB, "--like", "5"),
    ("estimate", *JOB, "--machine", "rig-9", "--operator", "z"),
    ("quote", *JOB, "--customer", "K99", "--price", "300"),
    ("quote", *JOB, "--compare", "machine"),
    ("costing",),
    ("order",),
    ("forecast", "--months", "2"),
    ("technique",),
    ("calibration",),
    ("safety", "--bay", "main", "--date", str(DAY)),
    ("safety", "--bay", "main", *JOB),
]


def _told(run: Run, folder: Path, question: tuple[str, ...]) -> dict[str, Any]:
    code, out, err = run(*question, "--book", str(folder), "--today", str(DAY), "--json")
    assert code == 0, err
    return dict(json.loads(out))


@pytest.mark.parametrize("question", QUESTIONS, ids=" ".join)
def test_a_past_morning_knows_nothing_of_its_own_day(
    question: tuple[str, ...], books: dict[str, Path], run: Run
) -> None:
    """Figures, warnings and cautions are those of a book that ends on the evening before."""
    assert _told(run, books["after"], question) == _told(run, books["before"], question)


def test_the_days_own_rows_are_told_where_it_is_the_present(books: dict[str, Path], run: Run) -> None:
    """In a book closed on that day its own jobs and ice are not counted either, but their owner is told."""
    present, past = (_told(run, books[name], ("costing",)) for name in ("closed", "before"))
    assert present["result"] == past["result"]
    assert f"4 jobs dated today, {DAY}: counted from tomorrow on." in present["warnings"]
    assert any("deliveries" in w or "delivery" in w for w in _told(run, books["closed"], ("order",))["warnings"])
    for question in (("costing",), ("order",)):
        assert not any("dated today" in warning for warning in _told(run, books["before"], question)["warnings"])


def test_the_morning_after_counts_the_day(books: dict[str, Path], run: Run) -> None:
    """The day's jobs are left out for that morning only: a day later those of a known cost are counted."""
    question = ("costing", "--today", str(DAY + timedelta(days=1)))
    code, out, err = run(*question, "--book", str(books["after"]), "--json")
    assert code == 0, err
    assert json.loads(out)["result"]["jobs"] == _told(run, books["after"], ("costing",))["result"]["jobs"] + 3
