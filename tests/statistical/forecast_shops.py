"""Invented shops whose months are known: steady, growing, seasonal, a month not logged, a big customer lost."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.planning import Planning, log_median
from models.demand.calendar import Calendar, month_of
from models.demand.forecast import Known

KINDS = ("steady", "growing", "seasonal", "gap", "lost customer")
N_MONTHS = 30
_FIRST = month_of(2023, 1)
_SEASON = (0.75, 0.85, 1.25, 1.35, 1.2, 0.95, 0.8, 0.85, 1.05, 1.3, 1.1, 0.6)
_GAP_MONTH, _LOST_MONTH, _LOST_SHARE = 22, 21, 0.4
_ZONES = (("undercarriage",), ("undercarriage", "wheel_wells"), ("engine_bay",), ("interior", "door_jambs"))
_CLASSES = ("sedan", "suv", "pickup", "van")


@dataclass(frozen=True)
class SimulatedShop:
    """A shop's log as it is known at the end, and the truth of the month that was not logged."""

    kind: str
    table: JobTable
    known: Known
    planning: Planning


def simulated(kind: str, seed: int, *, jobs_a_day: float = 1.2, n_months: int = N_MONTHS) -> SimulatedShop:
    """Return a shop of one kind: weekdays of different load, weeks that scatter, jobs of log sd .35."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    last = month_of(2023, n_months)
    days = np.array([d for d in range(_FIRST.first, last.last + 1) if date.fromordinal(d).weekday() < 5])
    load = np.array([1.2, 1.05, 0.9, 1.05, 0.8])[[date.fromordinal(int(d)).weekday() for d in days]]
    week = (days - days[0]) // 7
    rate = jobs_a_day * load * rng.gamma(20.0, 1 / 20.0, int(week[-1]) + 1)[week]
    months = np.array([(date.fromordinal(int(d)).year - 2023) * 12 + date.fromordinal(int(d)).month - 1 for d in days])
    if kind == "growing":
        rate *= 0.7 * 1.25 ** (months / 12)
    if kind == "seasonal":
        rate *= np.array(_SEASON)[months % 12]
    counts = rng.poisson(rate)
    job_day = np.repeat(days, counts)
    big = rng.random(len(job_day)) < _LOST_SHARE
    if kind == "lost customer":
        keep = ~big | (np.repeat(months, counts) < _LOST_MONTH)
        job_day, big = job_day[keep], big[keep]
    if kind == "gap":
        hidden = month_of(2023, 1 + _GAP_MONTH)
        keep = (job_day < hidden.first) | (job_day > hidden.last)
        job_day, big = job_day[keep], big[keep]
    planning = Planning()
    deliveries = np.arange(_FIRST.first + 2, last.last, 3)
    known = Known(
        job_day, np.full(len(job_day), -1), None, deliveries, last.last + 1, Calendar.of(range(5), []), 5 * jobs_a_day
    )
    return SimulatedShop(kind, _jobs(job_day, big, planning, rng), known, planning)


def _jobs(job_day: np.ndarray, big: np.ndarray, planning: Planning, rng: np.random.Generator) -> JobTable:
    """Return jobs of the law: planning medians at the shop's own level, noise by job and line; big ones are vans."""
    n = len(job_day)
    sets = [_ZONES[i] for i in rng.choice(4, n, p=(0.4, 0.25, 0.2, 0.15))]
    line_job = np.repeat(np.arange(n), [len(s) for s in sets])
    classes = [("van" if b else _CLASSES[c]) for b, c in zip(big, rng.integers(0, 4, n), strict=True)]
    n_lines = len(line_job)
    table = JobTable(
        job_id=tuple(f"J{i:05d}" for i in range(n)),
        day=job_day.astype(np.int64),
        customer=Factor.of("BIG" if b else "" for b in big),
        ambient_f=np.full(n, np.nan),
        line_job=line_job,
        vehicle_class=Factor.of(classes[j] for j in line_job),
        zone=Factor.of(zone for s in sets for zone in s),
        machine=Factor.of(["rig"] * n_lines),
        operator=Factor.of(["AB"] * n_lines),
        soil=rng.choice(4, n_lines, p=(0.25, 0.45, 0.22, 0.08)),
        coating_removed=np.zeros(n_lines, dtype=bool),
        settings={name: np.full(n_lines, np.nan) for name in SETTINGS},
        pellets=Observed.nothing(n_lines),
        minutes=Observed.nothing(n_lines),
    )
    shared = 0.2 * rng.standard_normal(n)[line_job]
    figures = {}
    for quantity, level in (("pellets_lb", -0.2), ("minutes", 0.1)):
        log = log_median(table, planning.of(quantity)) + level + shared + 0.28 * rng.standard_normal(n_lines)
        total = np.bincount(line_job, np.exp(log), n)
        figures[quantity] = Observed(line_job.copy(), np.maximum(np.rint(total), 1.0))
    return JobTable(**{**table.__dict__, "pellets": figures["pellets_lb"], "minutes": figures["minutes"]})
