"""Simulated shops with known waste, for the tests and the bench of the technique review. All of it is invented."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.consumption.jobs import Factor, JobTable, Observed
from models.consumption.planning import CLASS_FACTOR, SOIL_FACTOR, ZONE_PELLETS_LB

FIRST_DAY = 739_000


def evenly(n: int) -> tuple[float, ...]:
    """Return equal shares of `n` operators or machines."""
    return (1.0 / n,) * n


#: Shops of many sizes: few and many operators, machines and jobs, lines or totals, minutes, heavy tails and slips.
SIZES = {
    "usual": {},
    "two of each, 150 jobs": {"n_jobs": 150, "operator_share": evenly(2), "machine_share": evenly(2)},
    "one machine, 250 jobs": {"n_jobs": 250, "operator_share": (0.5, 0.3, 0.2), "machine_share": (1.0,)},
    "ten operators, six machines, 800 jobs": {"n_jobs": 800, "operator_share": evenly(10), "machine_share": evenly(6)},
    "totals only": {"totals_share": 1.0},
    "80 jobs": {"n_jobs": 80, "operator_share": evenly(3), "machine_share": evenly(2)},
    "minutes": {"minutes": 0.6},
    "tails and slips": {"tail": 3.5, "slips": 0.03},
}


@dataclass(frozen=True)
class Waste:
    """What is wrong in a shop; log effects, all zero by default."""

    operator: dict[str, float] = field(default_factory=dict)
    machine: dict[str, float] = field(default_factory=dict)
    #: code -> (log effect, first job, last job) of a period, for machines or operators
    machine_period: dict[str, tuple[float, int, int]] = field(default_factory=dict)
    operator_period: dict[str, tuple[float, int, int]] = field(default_factory=dict)
    shop_period: tuple[float, int, int] = (0.0, 0, 0)
    #: operator -> (log effect, first job, last job) of a period in which minutes change and pellets do not
    pace: dict[str, tuple[float, int, int]] = field(default_factory=dict)
    #: code -> levels added to the grade that the operator writes down
    grading: dict[str, int] = field(default_factory=dict)
    ice_age: float = 0.0
    standoff_curve: float = 0.0


@dataclass(frozen=True)
class Shop:
    """A simulated table with the true log expectation of each recorded row (technique left out)."""

    table: JobTable
    true_log_line: np.ndarray
    job_operator: np.ndarray
    job_machine: np.ndarray


def simulate(
    seed: int,
    *,
    n_jobs: int = 400,
    spread: float = 0.25,
    waste: Waste | None = None,
    operator_share: tuple[float, ...] = (0.1, 0.3, 0.25, 0.2, 0.15),
    machine_share: tuple[float, ...] = (0.4, 0.35, 0.25),
    uneven: float = 0.0,
    totals_share: float = 0.3,
    slips: float = 0.0,
    tail: float = 0.0,
    settings: bool = False,
    job_part: float = 0.5,
    minutes: float | None = None,
    minutes_share: float = 0.0,
) -> Shop:
    """Draw a shop; `uneven` is the chance that an operator takes 'his' machine, `spread` the sd of a line's log.

    `minutes` is the correlation of the noises of minutes with those of pellets, None for none on record;
    `minutes_share` how much of each waste (log) minutes take as well.
    """
    rng = np.random.default_rng(seed)
    waste = waste or Waste()
    zones, classes = list(ZONE_PELLETS_LB), list(CLASS_FACTOR)
    day = FIRST_DAY + np.sort(rng.integers(0, max(60, int(n_jobs * 0.9)), n_jobs))
    vehicle = rng.choice(len(classes), n_jobs, p=[0.1, 0.2, 0.08, 0.07, 0.2, 0.15, 0.1, 0.1])
    operator = rng.choice(len(operator_share), n_jobs, p=operator_share)
    machine = rng.choice(len(machine_share), n_jobs, p=machine_share)
    own = rng.random(n_jobs) < uneven
    machine[own] = operator[own] % len(machine_share)
    n_lines = rng.choice([1, 2, 3], n_jobs, p=[0.45, 0.35, 0.2])
    line_job = np.repeat(np.arange(n_jobs), n_lines)
    zone_weight = np.array([0.3, 0.15, 0.1, 0.2, 0.08, 0.07, 0.05, 0.05])
    zone = np.concatenate([rng.choice(8, k, replace=False, p=zone_weight) for k in n_lines])
    level = rng.choice(4, n_jobs, p=[0.2, 0.4, 0.3, 0.1])[line_job]
    soil = np.clip(level + rng.choice([-1, 0, 1], len(line_job), p=[0.15, 0.7, 0.15]), 0, 3)
    class_effect = np.log(list(CLASS_FACTOR.values())) + rng.normal(0, 0.15, 8)
    zone_effect = np.log(list(ZONE_PELLETS_LB.values())) + rng.normal(0, 0.3, 8)
    crossed = rng.normal(0, 0.08, (8, 8))
    need = class_effect[vehicle][line_job] + zone_effect[zone] + crossed[vehicle[line_job], zone]
    need = need + np.log(SOIL_FACTOR)[soil]
    op_names = [f"op{i}" for i in range(len(operator_share))]
    mc_names = [f"m{i}" for i in range(len(machine_share))]
    number = np.arange(n_jobs)
    effect = np.zeros(n_jobs)
    for codes, names, level_of, period_of in (
        (operator, op_names, waste.operator, waste.operator_period),
        (machine, mc_names, waste.machine, waste.machine_period),
    ):
        for name, value in level_of.items():
            effect[codes == names.index(name)] += value
        for name, (value, first, last) in period_of.items():
            effect[(codes == names.index(name)) & (number >= first) & (number < last)] += value
    effect[(number >= waste.shop_period[1]) & (number < waste.shop_period[2])] += waste.shop_period[0]
    columns = {
        n: np.full(len(line_job), np.nan)
        for n in ("ice_age_days", "feed_lb_min", "pressure_psi", "standoff_in", "ice_on_share")
    }
    line_effect = effect[line_job]
    if settings:
        columns["ice_age_days"] = rng.integers(0, 6, n_jobs)[line_job].astype(float)
        columns["standoff_in"] = rng.choice([4, 6, 8, 10, 12, 14], n_jobs)[line_job].astype(float)
        columns["pressure_psi"] = rng.choice([60, 80, 100], n_jobs)[line_job].astype(float)
        line_effect = line_effect + waste.ice_age * columns["ice_age_days"]
        line_effect = line_effect + waste.standoff_curve * ((columns["standoff_in"] - 9) / 3) ** 2

    def noise(n: int) -> np.ndarray:
        return rng.standard_t(tail, n) * np.sqrt((tail - 2) / tail) if tail else rng.standard_normal(n)

    shared = noise(n_jobs) * spread * np.sqrt(job_part)
    line_noise = noise(len(line_job)) * spread * np.sqrt(1 - job_part)
    log_line = need + line_effect + shared[line_job] + line_noise
    slipped = rng.random(n_jobs) < slips
    log_line[slipped[line_job]] += np.log(2.2046)
    grade = soil.copy()
    for name, up in waste.grading.items():
        mine = (operator == op_names.index(name))[line_job]
        grade[mine] = np.clip(grade[mine] + up, 0, 3)
    as_total = (rng.random(n_jobs) < totals_share)[line_job]
    key = np.where(as_total, line_job, n_jobs + np.arange(len(line_job)))
    _, group = np.unique(key, return_inverse=True)
    value = np.bincount(group, weights=np.exp(log_line))
    time = Observed.nothing(len(line_job))
    if minutes is not None:
        left = np.sqrt(1.0 - minutes**2)
        common = minutes * shared + left * noise(n_jobs) * spread * np.sqrt(job_part)
        own = minutes * line_noise + left * noise(len(line_job)) * spread * np.sqrt(1 - job_part)
        taken = need + 0.7 + 0.1 * operator[line_job] + minutes_share * effect[line_job] + common[line_job] + own
        for name, (faster, first, last) in waste.pace.items():
            mine = (operator == op_names.index(name)) & (number >= first) & (number < last)
            taken += faster * mine[line_job]
        time = Observed(group.astype(np.int64), np.bincount(group, weights=np.exp(taken)))
    table = JobTable(
        job_id=tuple(f"J{i}" for i in range(n_jobs)), day=day, customer=Factor.of([""] * n_jobs),
        ambient_f=np.full(n_jobs, np.nan), line_job=line_job,
        vehicle_class=Factor.of([classes[v] for v in vehicle[line_job]]), zone=Factor.of([zones[z] for z in zone]),
        machine=Factor.of([mc_names[m] for m in machine[line_job]]),
        operator=Factor.of([op_names[o] for o in operator[line_job]]), soil=grade.astype(np.int64),
        coating_removed=np.zeros(len(line_job), dtype=bool), settings=columns,
        pellets=Observed(group.astype(np.int64), value), minutes=time,
    )  # fmt: skip
    return Shop(table, need, operator, machine)
