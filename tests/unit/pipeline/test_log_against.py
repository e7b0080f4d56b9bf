"""What `log` says that a job is held against: its ground, the fit's warnings, and whether the fit had the job."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.answers import logged_against
from pipeline.book.store import Book

Run = Callable[..., tuple[int, str, str]]
TODAY = ("--today", "2026-05-01")
VAN = ("--vehicle", "van", "--zone", "undercarriage:heavy=60lb/70min")
LEARNED = "learned from it too"


@pytest.fixture
def shop(new_book: Callable[..., Book], run: Run) -> Path:
    """Return a book that has learned from J0 to J19, one a day from 1 April 2026."""
    row = {"vehicle_class": "van", "zone": "undercarriage", "soil_level": "heavy"}
    rows = [{**row, "job_id": f"J{k}", "day": date(2026, 4, 1) + timedelta(days=k), "pellets_lb": 60.0 + k % 5,
             "minutes": 70.0 + k % 7} for k in range(20)]  # fmt: skip
    folder = new_book(rows=rows).folder
    assert run("learn", "--book", str(folder), *TODAY)[0] == 0
    return folder


def test_the_ground_is_told(new_book: Callable[..., Book], shop: Path, run: Run) -> None:
    """In an empty book a job is held against planning figures, later against what was learned; both are said."""
    for folder, ground in ((new_book(name="empty").folder, "Basis: planning figures"), (shop, "20 past jobs share")):
        code, out, err = run("log", "--job-id", "N1", *VAN, "--book", str(folder), *TODAY)
        assert code == 0, err
        assert "expected (" in out
        assert ground in " ".join(out.split())


def test_the_fits_warnings_are_told(shop: Path, ask: Callable[..., Any]) -> None:
    """Planning figures edited after learning are said beside the comparison; the job's own coming is no change."""
    before = ask("log", shop, "--job-id", "N1", *VAN, "--date", "2026-04-25", *TODAY)
    assert before["warnings"] == []
    (shop / "book.toml").write_text("[planning.zones.undercarriage]\npellets_lb = 90\nminutes = 120\n")
    after = " ".join(ask("log", shop, "--job-id", "N2", *VAN, *TODAY)["warnings"])
    assert "The planning figures in book.toml have changed" in after
    assert "The history has changed" in after
    assert LEARNED not in after


@pytest.mark.parametrize(
    ("job_id", "today", "learned"),
    [
        ("J3", "2026-05-01", True),
        ("j3", "2026-05-01", True),
        ("N1", "2026-05-01", False),
        ("J3", "2026-04-15", True),  # fitted anew on what was before that day
        ("J12", "2026-04-12", False),
    ],
)
def test_a_job_that_was_learned_is_told(
    job_id: str, today: str, learned: bool, shop: Path, ask: Callable[..., Any]
) -> None:
    """A job that is logged again after the fit learned from it is not called unseen."""
    told = ask("log", shop, "--job-id", job_id, *VAN, "--today", today)
    assert told["result"]["against"]
    assert any(LEARNED in w for w in told["warnings"]) is learned


def test_an_old_visit_is_asked_about_with_its_own_day(
    shop: Path, ask: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without --date a visit keeps its day, and what is expected of it is that day's."""
    asked: list[date | None] = []
    original = logged_against.predicted_by

    def noted(fit: Any, asking: Any, jobs: Any) -> Any:
        asked.extend(job.day for job in jobs)
        return original(fit, asking, jobs)

    monkeypatch.setattr(logged_against, "predicted_by", noted)
    ask("log", shop, "--job-id", "J3", *VAN, *TODAY)
    assert asked == [date(2026, 4, 4)]
