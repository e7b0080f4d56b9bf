"""What the floor is told: a log as index arrays, and the exact prior of the effects given the planning figures."""

from dataclasses import dataclass
from datetime import date

import numpy as np
from world_law import (
    AGE_PER_DAY,
    CLASS_FACTOR,
    COATING,
    COMMON,
    PLANNING_LEVEL_SD,
    PLANNING_ZONE_SD,
    SOIL_STEP,
    TYPICAL,
    WEAR,
    Floats,
    Ints,
    wave,
    worn_years,
)
from worlds import FIRST_DAY, World

from shared.vocabulary import CLASSES, QUANTITIES, SOILS, ZONES

N_CLASSES, N_ZONES, N_SOILS = len(CLASSES), len(ZONES), len(SOILS)


@dataclass
class Log:
    """A log as arrays over lines (job-wise where `job_` is in the name); -1 where blank."""

    job: Ints
    vehicle: Ints
    zone: Ints
    soil: Ints
    coating: Floats
    pressure: Floats
    job_operator: Ints
    job_machine: Ints
    job_age: Ints
    job_day: Floats
    job_part: Floats
    group: list[Ints]  # by quantity: record of each line
    value: list[Floats]

    @property
    def n_jobs(self) -> int:
        return len(self.job_day)


def read_log(world: World) -> Log:
    """Return the written history of a shop."""
    rows, span = world.history, world.today.toordinal() - FIRST_DAY
    ids = {j: k for k, j in enumerate(dict.fromkeys(r["job_id"] for r in rows))}
    of_job = {r["job_id"]: r for r in reversed(rows)}
    first = [of_job[i] for i in ids]
    day = np.array([date.fromisoformat(r["date"]).toordinal() for r in first], dtype=float)
    operators = {name: k for k, name in enumerate(world.names.operator)}
    machines = {name: k for k, name in enumerate(world.names.machine)}
    group: list[Ints] = []
    value: list[Floats] = []
    for column in QUANTITIES:
        seen: dict[str, int] = {}
        figures: list[float] = []
        of_line = []
        for i, r in enumerate(rows):
            key = str(i) if r.get(column) else r["job_id"]
            if key not in seen:
                seen[key] = len(figures)
                figures.append(float(r.get(column) or r[f"job_{column}"]))
            of_line.append(seen[key])
        group.append(np.array(of_line))
        value.append(np.array(figures))
    return Log(
        job=np.array([ids[r["job_id"]] for r in rows]),
        vehicle=np.array([CLASSES.index(r["vehicle_class"]) for r in rows]),
        zone=np.array([ZONES.index(r["zone"]) for r in rows]),
        soil=np.array([SOILS.index(r["soil_level"]) if r["soil_level"] else -1 for r in rows]),
        coating=np.array([float(r["coating_removed"] == "yes") for r in rows]),
        pressure=np.array([np.log(float(r["pressure_psi"] or 120.0) / 120.0) for r in rows]),
        job_operator=np.array([operators.get(r["operator"], -1) for r in first]),
        job_machine=np.array([machines.get(r["machine"], -1) for r in first]),
        job_age=np.array([int(r["ice_age_days"] or -1) for r in first]),
        job_day=day,
        job_part=(day - FIRST_DAY) / span,
        group=group,
        value=value,
    )


@dataclass(frozen=True)
class Places:
    """Where each block of effects starts among the columns of one quantity."""

    at: dict[str, int]
    n: int


def places(world: World) -> Places:
    """Return the columns of a shop's law."""
    n_operators, n_machines = world.law.operator.shape[1], world.law.machine.shape[1]
    sizes = {
        "zone": N_ZONES, "class": N_CLASSES, "class_zone": N_CLASSES * N_ZONES, "soil": N_SOILS - 1,
        "class_soil": N_CLASSES * (N_SOILS - 1), "operator": n_operators, "machine": n_machines,
        "machine_zone": n_machines * N_ZONES, "wear": n_machines, "age": 1,
        "coating": 1, "pressure": 1, "season": 1, "shift": 1,
    }  # fmt: skip
    at, n = {}, 0
    for name, size in sizes.items():
        at[name] = n
        n += size
    return Places(at, n)


def design(log: Log, where: Places, soil: Ints, operator: Ints, machine: Ints, age: Ints, shift_day: float) -> Floats:
    """Return the rows of the lines at the given (partly guessed) codes, (n_lines, n_columns)."""
    n = len(log.job)
    x, lines, at = np.zeros((n, where.n)), np.arange(n), where.at
    n_machines = at["age"] - at["wear"]
    x[lines, at["zone"] + log.zone] = 1
    x[lines, at["class"] + log.vehicle] = 1
    x[lines, at["class_zone"] + log.vehicle * N_ZONES + log.zone] = 1
    x[:, at["soil"] : at["soil"] + 3] = soil_steps(soil)
    for k in range(3):
        x[lines, at["class_soil"] + log.vehicle * 3 + k] = soil_steps(soil)[:, k]
    x[lines, at["operator"] + operator[log.job]] = 1
    x[lines, at["machine"] + machine[log.job]] = 1
    x[lines, at["machine_zone"] + machine[log.job] * N_ZONES + log.zone] = 1
    x[lines, at["wear"] + machine[log.job]] = worn_years(n_machines, machine, log.job_part)[log.job]
    x[:, at["age"]] = age[log.job]
    x[:, at["coating"]] = log.coating
    x[:, at["pressure"]] = log.pressure
    x[:, at["season"]] = wave(log.job_day)[log.job]
    x[:, at["shift"]] = (log.job_part >= shift_day)[log.job]
    return x


def soil_steps(soil: Ints) -> Floats:
    """Return how often each of the three steps counts at a level, with moderate as the origin, (n, 3)."""
    return np.stack([-1.0 * (soil == 0), 1.0 * (soil >= 2), 1.0 * (soil >= 3)], axis=1)


def prior(world: World, where: Places) -> tuple[Floats, Floats]:
    """Return mean (2p,) and precision (2p, 2p) of all effects, pellets first, given the planning figures."""
    law, kind, p = world.law, world.kind, where.n
    mean, sd = np.zeros((2, p)), np.full((2, p), 1e-3)
    for block, size in (
        ("class", N_CLASSES), ("class_zone", N_CLASSES * N_ZONES), ("operator", law.operator.shape[1]),
        ("class_soil", N_CLASSES * 3), ("machine", law.machine.shape[1]), ("age", 1), ("coating", 1),
        ("machine_zone", law.machine.shape[1] * N_ZONES),
    ):  # fmt: skip
        sd[:, where.at[block] : where.at[block] + size] = max(law.sd[block], 1e-3)
    sd[:, where.at["soil"] : where.at["soil"] + 3] = law.sd["soil_step"]
    mean[:, where.at["class"] : where.at["class"] + N_CLASSES] = np.log(CLASS_FACTOR)
    mean[:, where.at["soil"] : where.at["soil"] + 3] = SOIL_STEP
    mean[:, where.at["age"]], mean[:, where.at["coating"]] = AGE_PER_DAY, COATING
    if kind.settings:
        mean[:, where.at["pressure"]], sd[:, where.at["pressure"]] = [0.8, -0.5], [0.3, 0.2]
    if kind.season:
        mean[:, where.at["season"]] = kind.season * np.array([1.0, 0.6])
        sd[:, where.at["season"]] = 0.35 * mean[:, where.at["season"]]
    if kind.wear_per_year:
        worn = slice(where.at["wear"], where.at["age"])
        mean[:, worn] = kind.wear_per_year * WEAR[0] * np.array([[1.0], [0.6]])
        sd[:, worn] = kind.wear_per_year * WEAR[1] * np.array([[1.0], [0.6]])
    sd[:, where.at["shift"]] = max(kind.shift, 1e-3)
    common = np.array([[1.0, COMMON], [COMMON, 1.0]])
    zones = slice(where.at["zone"], where.at["zone"] + N_ZONES)
    mean[:, zones] = np.log(np.array([TYPICAL[z] for z in ZONES]).T)
    within = np.zeros((p, p))
    within[zones, zones] = law.sd["level"] ** 2 + law.sd["zone"] ** 2 * np.eye(N_ZONES)
    precision = np.zeros((2 * p, 2 * p))
    others = np.setdiff1d(np.arange(p), np.arange(p)[zones])
    for c in others:
        pair_cov = common * np.outer(sd[:, c], sd[:, c])
        precision[np.ix_([c, p + c], [c, p + c])] = np.linalg.inv(pair_cov)
    at = np.arange(p)[zones]
    both = np.concatenate([at, p + at])
    precision[np.ix_(both, both)] = np.linalg.inv(np.kron(common, within[zones, zones]))
    flat = mean.ravel().copy()
    rhs = precision @ flat
    told = np.log(np.array([[world.planning[q][z] for z in ZONES] for q in QUANTITIES]))
    error = np.linalg.inv(PLANNING_LEVEL_SD**2 + PLANNING_ZONE_SD**2 * np.eye(N_ZONES))
    for q in range(2):
        here = q * p + at
        precision[np.ix_(here, here)] += error
        rhs[here] += error @ told[q]
    return np.linalg.solve(precision, rhs), precision
