"""What a blank stands for: what the shop does of late, not what it once did."""

from __future__ import annotations

import numpy as np
import pytest

from models.consumption.design import columns_of
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.usual import usual_now, usual_of

FIRST_DAY = 738_000


def table(machines: list[str], pressure: list[float], days: list[int] | None = None) -> JobTable:
    """Return one job a line, a day apart unless `days` are given."""
    n = len(machines)
    settings = {name: np.full(n, np.nan) for name in SETTINGS}
    settings["pressure_psi"] = np.array(pressure, dtype=np.float64)
    return JobTable(
        job_id=tuple(f"J{k:04d}" for k in range(n)), day=FIRST_DAY + np.array(days or list(range(n)), dtype=np.int64),
        customer=Factor.of([""] * n), ambient_f=np.full(n, np.nan), line_job=np.arange(n),
        vehicle_class=Factor.of(["van"] * n), zone=Factor.of(["interior"] * n), machine=Factor.of(machines),
        operator=Factor.of([""] * n), soil=np.ones(n, dtype=np.int64), coating_removed=np.zeros(n, dtype=bool),
        settings=settings, pellets=Observed.nothing(n), minutes=Observed.nothing(n),
    )  # fmt: skip


def test_a_machine_that_was_replaced_comes_no_more() -> None:
    """Half a year after a machine was replaced nearly all jobs to come are the new one's; the record stays as it is."""
    jobs = table(["old"] * 200 + ["new"] * 180, [90.0] * 200 + [120.0] * 180)
    columns = columns_of(jobs)
    new = columns.blocks["machine"].index("new")
    assert usual_now(columns, jobs).shares["machine"][new] > 0.9
    assert usual_of(columns, jobs).shares["machine"][new] == pytest.approx(180 / 380, abs=1e-6)
    settings = np.array(usual_now(columns, jobs).settings["pressure_psi"])
    assert (settings == 120.0).mean() > 0.9


def test_a_mix_that_does_not_change_is_the_records() -> None:
    """Shares and quantiles of a shop that goes on as it did are about those of the whole record, and sum to 1."""
    rng = np.random.default_rng(4)
    jobs = table(rng.choice(["a", "b", ""], 600, p=[0.5, 0.3, 0.2]).tolist(), rng.normal(100, 10, 600).tolist())
    columns = columns_of(jobs)
    late, ever = usual_now(columns, jobs), usual_of(columns, jobs)
    assert sum(late.shares["machine"]) == pytest.approx(1.0, abs=1e-5)
    assert late.shares["machine"] == pytest.approx(ever.shares["machine"], abs=0.12)
    assert np.median(late.settings["pressure_psi"]) == pytest.approx(np.median(ever.settings["pressure_psi"]), abs=4)
    assert list(late.settings["pressure_psi"]) == sorted(late.settings["pressure_psi"])


def test_a_few_jobs_of_late_are_not_the_whole_mix() -> None:
    """After a long pause two jobs on one machine leave the others their part, and an empty record has no shares."""
    jobs = table(["a"] * 50 + ["b"] * 50 + ["c"] * 2, [100.0] * 102, [*range(100), 500, 501])
    columns = columns_of(jobs)
    shares = dict(zip(columns.blocks["machine"], usual_now(columns, jobs).shares["machine"], strict=True))
    assert 0.2 < shares["c"] < 0.5
    nothing = jobs.take_jobs(np.array([], dtype=np.int64))
    assert usual_now(columns_of(nothing), nothing).shares == {"operator": (), "machine": ()}
