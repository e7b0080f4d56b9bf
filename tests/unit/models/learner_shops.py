"""Invented shops for the learner's tests."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.consumption.fitted import FittedModel
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.planning import Planning, log_median
from models.consumption.predicting import predict
from shared.vocabulary import QUANTITIES

ZONES = ("undercarriage", "engine_bay", "interior", "wheel_wells")
FIRST_DAY = 738_000


def request(zones: list[str], soil: list[int], *, vehicle: str = "sedan", operator: str = "", machine: str = "",
            job_id: str = "new", day: int = FIRST_DAY + 400, ice_age: float = np.nan) -> JobTable:  # fmt: skip
    n = len(zones)
    settings = {name: np.full(n, np.nan) for name in SETTINGS}
    settings["ice_age_days"][:] = ice_age
    return JobTable(
        job_id=(job_id,),
        day=np.array([day]),
        customer=Factor.of([""]),
        ambient_f=np.array([np.nan]),
        line_job=np.zeros(n, dtype=np.int64),
        vehicle_class=Factor.of([vehicle] * n),
        zone=Factor.of(zones),
        machine=Factor.of([machine] * n),
        operator=Factor.of([operator] * n),
        soil=np.array(soil),
        coating_removed=np.zeros(n, dtype=bool),
        settings=settings,
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
    )


def joined(parts: list[JobTable]) -> JobTable:
    """Return one table of several, jobs one after another; observed figures are left out."""
    n_jobs = np.cumsum([0, *(p.n_jobs for p in parts)])
    words = {
        name: Factor.of([w for p in parts for w in getattr(p, name).words()])
        for name in ("customer", "vehicle_class", "zone", "machine", "operator")
    }
    n = sum(p.n_lines for p in parts)
    return JobTable(
        job_id=tuple(i for p in parts for i in p.job_id),
        day=np.concatenate([p.day for p in parts]),
        ambient_f=np.concatenate([p.ambient_f for p in parts]),
        line_job=np.concatenate([p.line_job + k for p, k in zip(parts, n_jobs[:-1], strict=True)]),
        soil=np.concatenate([p.soil for p in parts]),
        coating_removed=np.concatenate([p.coating_removed for p in parts]),
        settings={s: np.concatenate([p.settings[s] for p in parts]) for s in SETTINGS},
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
        **words,
    )


def shop(n_jobs: int, seed: int, *, totals: bool = False, soil_blank: float = 0.0) -> JobTable:
    """Return an invented shop's jobs; figures are 0.8 (lb) and 1.2 (min) times planning, line sd 0.2, job sd 0.15."""
    rng = np.random.default_rng(seed)
    parts = []
    for k in range(n_jobs):
        zones = rng.permutation(ZONES)[: rng.integers(1, 4)].tolist()
        soil = [int(rng.integers(0, 4)) for _ in zones]
        parts.append(
            request(
                zones,
                soil,
                vehicle=str(rng.choice(["sedan", "suv", "van"])),
                operator=str(rng.choice(["a", "b"])),
                machine="m",
                job_id=f"J{k:04d}",
                day=FIRST_DAY + k,
                ice_age=float(rng.integers(0, 6)),
            )
        )
    table = joined(parts)
    group = table.line_job.copy() if totals else np.arange(table.n_lines)
    observed = []
    for quantity, factor in zip(QUANTITIES, (0.8, 1.2), strict=True):
        log_mean = log_median(table, Planning().of(quantity)) + np.log(factor) + 0.2 * (table.operator.codes == 1)
        noise = 0.2 * rng.standard_normal(table.n_lines) + 0.15 * rng.standard_normal(n_jobs)[table.line_job]
        observed.append(Observed(group, np.bincount(group, weights=np.exp(log_mean + noise))))
    hidden = rng.random(table.n_lines) < soil_blank
    return replace(table, pellets=observed[0], minutes=observed[1], soil=np.where(hidden, -1, table.soil))


def total_interval(fitted: FittedModel, table: JobTable) -> np.ndarray:
    draws = predict(fitted, table, seed=1).jobs("pellets_lb").draws[0]
    return np.quantile(draws, [0.1, 0.5, 0.9])
