"""The calibration of a shop that learned lately: what its record tells, and what it cannot tell yet."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.consumption.backtest import Record, stored_pits
from pipeline.answers.calibrating import _shifts
from pipeline.book.fits import stored_record
from pipeline.book.store import create_book, open_book
from shared.vocabulary import QUANTILE_LEVELS

DAY = 739_000
#: A Monday; the first fit of the record is that of the second one after it, on fourteen jobs.
FIRST, TODAY = date(2026, 3, 2), "2026-05-01"
N_LEARNED = 26
JOB = ("--vehicle", "sedan", "--zone", "undercarriage:moderate", "--today", TODAY)
Ask = Callable[..., dict[str, Any]]
Run = Callable[..., tuple[int, str, str]]


def record_of(ratio: np.ndarray, n_before: np.ndarray) -> Record:
    """Return the record of jobs, one a day, that took `ratio` times what was expected."""
    n = len(ratio)
    actual = np.vstack([40.0 * ratio, np.full(n, np.nan)])
    expected = np.full((2, n, len(QUANTILE_LEVELS)), 40.0)
    pit = np.vstack([np.full(n, 0.5), np.full(n, np.nan)])
    return Record(tuple(map(str, range(n))), DAY + np.arange(n), n_before, actual, expected[:, :, 0], pit, expected)


@pytest.mark.parametrize("later", [1.0, 1.5])
def test_leaving_the_planning_figures_is_no_shift(later: float) -> None:
    """Jobs of one law at 2.5 times the planning figures: only what changes among learned answers is a shift."""
    n_before = np.repeat([0, 14, 28, 42], [14, 14, 14, 58])
    ratio = np.exp(0.2 * np.random.default_rng(1).standard_normal(100))
    ratio[n_before == 0] *= 2.5
    ratio[70:] *= later
    shifts = list(_shifts(record_of(ratio, n_before)))
    if later == 1.0:
        assert shifts == []
    else:
        (found,) = shifts
        assert found.quantity == "pellets_lb"
        assert abs(found.date.toordinal() - DAY - 70) < 8
        assert found.ratio.low < 1.5 < found.ratio.high


def test_each_quantity_that_shifted_is_found() -> None:
    """A shift of the minutes is found behind one of the pellets, and alone where those stayed."""
    noise = np.exp(0.2 * np.random.default_rng(1).standard_normal((2, 100)))
    noise[1, 70:] *= 1.5
    record = record_of(noise[0], np.full(100, 40))
    record = replace(record, actual=40.0 * noise)
    assert [s.quantity for s in _shifts(record)] == ["minutes"]
    noise[0, 70:] *= 1.5
    assert [s.quantity for s in _shifts(replace(record, actual=40.0 * noise))] == ["pellets_lb", "minutes"]


@pytest.fixture(scope="module")
def young(tmp_path_factory: pytest.TempPathFactory, run: Run) -> Path:
    """Return a book that learned from 40 jobs, a job a day, at 2.5 times the planning figures."""
    folder = tmp_path_factory.mktemp("young") / "book"
    rng = np.random.default_rng(1)
    rows = [
        f"J{i},{FIRST + timedelta(days=i)},sedan,undercarriage,moderate,"
        f"{112 * rng.lognormal(0, 0.2):.1f},{150 * rng.lognormal(0, 0.2):.0f}"
        for i in range(40)
    ]
    log = folder.with_suffix(".csv")
    log.write_text("\n".join(["job_id,date,vehicle_class,zone,soil_level,pellets_lb,minutes", *rows]) + "\n")
    create_book(folder)
    assert run("import", str(log), "--book", str(folder), "--today", TODAY)[0] == 0
    assert run("learn", "--book", str(folder), "--today", TODAY)[0] == 0
    return folder


def test_answers_from_planning_figures_are_left_out_and_told(young: Path, ask: Ask) -> None:
    """Coverage, groups and the places in the predictive count the jobs from the first fit on; the others are told."""
    answer = ask("calibration", young, "--today", TODAY)["result"]
    assert [h["jobs"] for h in answer["levels"]] == [N_LEARNED] * 4
    assert sum(g["jobs"] for g in answer["groups"] if g["by"] == "quarter") == N_LEARNED
    assert sum(answer["pit"]["pellets_lb"]) == N_LEARNED
    assert f"Not counted: {40 - N_LEARNED} jobs" in answer["advice"][-1]


def test_jobs_that_came_since_are_told(young: Path, tmp_path: Path, ask: Ask, run: Run) -> None:
    """A record that lacks the newest jobs says so, as an estimate does; one that has them all says nothing."""
    folder = tmp_path / "book"
    shutil.copytree(young, folder)
    assert ask("calibration", folder, "--today", TODAY)["warnings"] == []
    late = ("--job-id", "L1", "--vehicle", "sedan", "--zone", "undercarriage=90lb/120min", "--date", "2026-04-20")
    assert run("log", *late, "--book", str(folder), "--today", TODAY)[0] == 0
    told = ask("calibration", folder, "--today", TODAY)["warnings"]
    assert told == [w for w in ask("estimate", folder, *JOB)["warnings"] if "has changed" in w]
    assert len(told) == 1


def test_learn_and_answers_tell_the_verdict(young: Path, tmp_path: Path, ask: Ask, run: Run) -> None:
    """`learn` ends with what `calibration` says; where that is too narrow, an estimate and a quote say it too."""
    folder = tmp_path / "book"
    shutil.copytree(young, folder)
    verdict = ask("learn", folder, "--today", TODAY)["result"]["verdict"]
    assert verdict == ask("calibration", folder, "--today", TODAY)["result"]["advice"][: len(verdict)]
    assert verdict
    assert " ".join(run("learn", "--book", str(folder), "--today", TODAY)[1].split()).endswith(" ".join(verdict))
    assert not any("too narrow" in w for w in ask("estimate", folder, *JOB)["warnings"])
    book = open_book(folder)
    record = Record.from_json(stored_record(book)[2])
    spoiled = replace(record, pit=np.where(record.n_before > 0, 0.999, record.pit))
    with book.writing() as connection:
        connection.execute("update fits set record = ?", [spoiled.to_json()])
    advice = ask("calibration", folder, "--today", TODAY)["result"]["advice"]
    assert advice[0].startswith("Past intervals for pellets and minutes were too narrow")
    for command in ("estimate", "quote"):
        assert advice[0] in ask(command, folder, *JOB)["warnings"]
    # On a morning before most of these jobs their outcome is unknown.
    assert advice[0] not in ask("estimate", folder, *JOB[:-1], "2026-03-20")["warnings"]


def test_the_places_of_past_jobs_are_read_without_the_rest_of_the_record() -> None:
    """They are those of the whole record, whatever the jobs are called."""
    record = record_of(np.array([1.0, 1.2, 0.9]), np.array([0, 14, 14]))
    record = replace(record, job_id=("pit", '"pit":[7]', '\\"day":'))
    day, n_before, pit = stored_pits(record.to_json())
    np.testing.assert_array_equal(day, record.day)
    np.testing.assert_array_equal(n_before, record.n_before)
    np.testing.assert_array_equal(pit, record.pit)
