"""The true law of a simulated shop: effects drawn once per shop, amounts drawn per scenario.

Imports nothing from the product's models: the generator must not share the learner's code or its form.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import erf, sqrt

import numpy as np
from numpy.typing import NDArray
from world_kinds import Kind

from shared.vocabulary import SOILS, ZONES

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: What a moderate sedan takes in an ordinary invented shop: (lb, min) per zone, and how classes compare.
TYPICAL = {
    "undercarriage": (42.0, 55.0), "wheel_wells": (17.0, 28.0), "suspension": (20.0, 33.0), "engine_bay": (16.0, 32.0),
    "interior": (9.0, 40.0), "door_jambs": (4.5, 13.0), "body_panels": (7.0, 22.0), "cargo_bed": (13.0, 19.0),
}  # fmt: skip
CLASS_FACTOR = (0.85, 1.0, 0.95, 1.05, 1.25, 1.3, 1.35, 1.9)
CLASS_SHARE = (0.1, 0.22, 0.05, 0.08, 0.22, 0.15, 0.1, 0.08)
ZONE_SHARE = (0.3, 0.16, 0.12, 0.13, 0.1, 0.06, 0.07, 0.06)
#: Standard deviations of the effects before a kind's own scale; also what a fit told everything is told.
PLAIN_SD = {"level": 0.3, "zone": 0.35, "class": 0.12, "soil_step": 0.1, "operator": 0.1, "machine": 0.1,
            "age": 0.02, "coating": 0.2}  # fmt: skip
SOIL_STEP, AGE_PER_DAY, COATING = 0.35, 0.03, 0.8
#: Share of an effect's variance that pellets and minutes have in common.
COMMON = 0.6
#: The same for the noise of lines, and the scale of t noise.
LINE_COMMON, T_SCALE = 0.4, 0.8
#: How wrong planning figures are: in the level, and for each zone.
PLANNING_LEVEL_SD, PLANNING_ZONE_SD = 0.35, 0.30
CAP = 2.0
FIXED_SD = 0.25
#: A machine's wear a year over its kind's: mean and sd.
WEAR = (0.95, 0.35)
YEAR = 365.25


@dataclass(frozen=True)
class Law:
    """Effects of one shop on the log scale; the first axis is (pellets, minutes). Hidden from learners."""

    kind: Kind
    sd: dict[str, float]
    zone: Floats  # (2, 8) log median at moderate soil on a sedan
    vehicle: Floats  # (2, 8)
    class_zone: Floats  # (2, 8, 8)
    soil: Floats  # (2, 8, 4) by class and level
    operator: Floats  # (2, n_operators)
    machine: Floats  # (2, n_machines)
    machine_zone: Floats  # (2, n_machines, 8)
    age: Floats  # (2,) per day
    coating: Floats  # (2,)
    pressure: Floats  # (2,) per log
    season: Floats  # (2,)
    shift: Floats  # (2,)
    shift_day: float  # share of the history
    wear: Floats  # (2, n_machines) per year
    line_sd: Floats  # (2, 8)
    job_sd: Floats  # (2,)
    nu: float
    gamma_shape: float
    redo: tuple[float, float]  # share of lines, log size
    fixed: Floats  # (2,) lb and min per visit
    operator_share: Floats
    machine_share: Floats
    class_share: Floats
    new_machine: int  # index, -1 for none
    grader: int
    soil_of_class: Floats  # (8,)
    soil_of_zone: Floats  # (8,)
    soil_wave: float


def pair(rng: np.random.Generator, shape: tuple[int, ...], sd: float) -> Floats:
    """Return effects on (pellets, minutes) that share `COMMON` of their variance, (2, *shape)."""
    both = rng.normal(size=shape)
    own = rng.normal(size=(2, *shape))
    return sd * (np.sqrt(COMMON) * both + np.sqrt(1 - COMMON) * own)


def draw_law(kind: Kind, rng: np.random.Generator) -> Law:
    """Draw one shop of a kind."""
    low, high = np.log(kind.scale_range)
    sd = {name: value * float(np.exp(rng.uniform(low, high))) for name, value in PLAIN_SD.items()}
    sd |= {"level": PLAIN_SD["level"], "zone": PLAIN_SD["zone"]}
    scale = np.exp(rng.uniform(low, high, 8))
    sd |= {"class_zone": kind.class_zone_sd * scale[0], "machine_zone": kind.machine_zone_sd * scale[1]}
    sd |= {"class_soil": kind.class_soil_sd * scale[2]}
    n_operators, n_machines = int(rng.integers(3, 7)), int(rng.integers(2, 4))
    typical = np.log(np.array([TYPICAL[z] for z in ZONES]).T)
    steps = np.maximum(SOIL_STEP + pair(rng, (3,), sd["soil_step"]), 0.02)
    steps = np.maximum(steps[:, None, :] + pair(rng, (8, 3), sd["class_soil"]), 0.0)
    soil = np.concatenate([np.zeros((2, 8, 1)), np.cumsum(steps, axis=2)], axis=2)
    machine_share = rng.dirichlet(np.full(n_machines, 3.0))
    class_share = rng.dirichlet(40 * np.array(CLASS_SHARE))
    if kind.sparse:
        class_share = np.full(8, 0.02)
        class_share[rng.choice(8, 2, replace=False)] = 0.44
    sign = rng.choice([-1.0, 1.0])
    return Law(
        kind=kind,
        sd=sd,
        zone=typical + pair(rng, (1,), sd["level"]) + pair(rng, (8,), sd["zone"]),
        vehicle=np.log(CLASS_FACTOR) + pair(rng, (8,), sd["class"]),
        class_zone=pair(rng, (8, 8), sd["class_zone"]),
        soil=soil - soil[:, :, 1:2],
        operator=pair(rng, (n_operators,), sd["operator"]),
        machine=pair(rng, (n_machines,), sd["machine"]),
        machine_zone=pair(rng, (n_machines, 8), sd["machine_zone"]),
        age=AGE_PER_DAY + pair(rng, (), sd["age"]),
        coating=COATING + pair(rng, (), sd["coating"]),
        pressure=(np.array([0.8, -0.5]) * scale[3] if kind.settings else np.zeros(2)),
        season=kind.season * scale[4] * np.array([1.0, 0.6]),
        shift=sign * kind.shift * scale[5] * np.array([1.0, rng.uniform(0.4, 1.0)]),
        shift_day=float(rng.uniform(0.3, 0.8)),
        wear=kind.wear_per_year * (WEAR[0] + WEAR[1] * rng.normal(size=n_machines)) * np.array([[1.0], [0.6]]),
        line_sd=kind.line_sd * np.exp(rng.uniform(low, high, (2, 8)) * 0.7),
        job_sd=kind.job_sd * np.exp(rng.uniform(low, high, 2)),
        nu=3.5,
        gamma_shape=float(rng.uniform(2.5, 6.0)),
        redo=(float(rng.uniform(0.08, 0.16)), float(rng.uniform(0.6, 1.0))),
        fixed=kind.fixed_share * np.array([35.0, 60.0]) * np.exp(rng.normal(0, 0.2, 2)),
        operator_share=rng.dirichlet(np.full(n_operators, 2.5)),
        machine_share=machine_share,
        class_share=class_share,
        new_machine=n_machines - 1 if kind.new_machine else -1,
        grader=int(rng.integers(n_operators)) if kind.grader else -1,
        soil_of_class=rng.normal(0, 0.3, 8),
        soil_of_zone=rng.normal(0, 0.25, 8),
        soil_wave=float(rng.uniform(0.0, 0.5)),
    )


def machine_shares(law: Law, part: float) -> Floats:
    """Return who is used at a place in the history (0..1, beyond 1 after it): a new machine comes at the shift."""
    if law.new_machine < 0:
        return law.machine_share
    share = law.machine_share.copy()
    share[law.new_machine] = 0.0 if part < law.shift_day else share.sum() - share[law.new_machine]
    return share / share.sum()


def wave(day: Floats | float) -> Floats:
    """Return the yearly wave, 1 in mid January (days are proleptic ordinals)."""
    return np.asarray(np.cos(2 * np.pi * (np.asarray(day) - 15.0) / YEAR))


@lru_cache(maxsize=4096)
def _levels(centre: float, sd: float) -> Floats:
    """Return the chances of the four soil levels of a rounded normal."""
    edge = np.array([erf((k + 0.5 - centre) / (sd * sqrt(2))) for k in range(len(SOILS) - 1)])
    return np.diff(np.concatenate([[-1.0], edge, [1.0]])) / 2


def job_soil(law: Law, vehicle: int, day: float) -> Floats:
    """Return the chances of a job's own soil level, given its class and the season."""
    return _levels(1.2 + law.soil_of_class[vehicle] + law.soil_wave * float(wave(day)), 0.9)


def line_soil(law: Law, zone: int) -> Floats:
    """Return the chances (4, 4) of a line's level given its job's level."""
    return _kernel(float(law.soil_of_zone[zone]))


@lru_cache(maxsize=4096)
def _kernel(tilt: float) -> Floats:
    return np.array([_levels(base + tilt, 0.55) for base in range(len(SOILS))])


def amounts(
    law: Law,
    rng: np.random.Generator,
    *,
    vehicle: int,
    zones: Ints,
    soil: Ints,
    operator: Floats,
    machine: Ints,
    machine_effect: Floats | None,
    age: Floats,
    coating: NDArray[np.bool_],
    pressure: Floats,
    day: float,
    part: float,
    vehicle_effect: Floats | None = None,
) -> Floats:
    """Draw what the lines of one visit take, (2, n_lines, n_scenarios) in lb and min.

    Parameters
    ----------
    vehicle : class index; `vehicle_effect` (2, n) stands in for the effect of a class nobody has seen
    zones : (n_lines,) indices; soil, age, pressure : (n_lines, n) per scenario; coating : (n_lines,)
    operator : (2, n) effects; machine : (n,) indices; machine_effect : (2, n) for a machine nobody has seen
    day, part : date of the visit as an ordinal, and its place in the history
    """
    n = soil.shape[1]
    if vehicle_effect is None:
        crossed = law.class_zone[:, vehicle, zones, None] + law.vehicle[:, vehicle, None, None]
    else:
        crossed = pair(rng, soil.shape, law.sd["class_zone"]) + vehicle_effect[:, None, :]
    eta = law.zone[:, zones, None] + crossed
    eta = eta + law.soil[:, vehicle][:, soil] + operator[:, None, :]
    if machine_effect is None:
        eta = eta + law.machine[:, None, machine] + law.machine_zone[:, machine[None, :], zones[:, None]]
        eta = eta + (law.wear[:, machine] * worn_years(law.machine.shape[1], machine, part))[:, None, :]
    else:
        eta = eta + machine_effect[:, None, :]
    eta = eta + law.age[:, None, None] * age + law.coating[:, None, None] * coating[None, :, None]
    eta = eta + law.pressure[:, None, None] * np.log(pressure / 120.0)
    eta = eta + (law.season * wave(day) + law.shift * (part >= law.shift_day))[:, None, None]
    if law.kind.saturating:
        room = law.zone[:, zones, None] + np.log(CAP)
        eta = room + np.log1p(-np.exp(-np.exp(eta - room) * 1.2))
    shared_noise = rng.normal(size=n)
    own = rng.normal(size=(2, n))
    job = law.job_sd[:, None] * (np.sqrt(COMMON) * shared_noise + np.sqrt(1 - COMMON) * own)
    amount = np.exp(eta + job[:, None, :] + _line_noise(law, rng, zones, soil))
    amount[:, 1:, :] *= law.kind.together
    if law.kind.fixed_share:
        amount[:, 0, :] += law.fixed[:, None] * np.exp(FIXED_SD * rng.normal(size=(2, n)))
    return amount


def worn_years(n_machines: int, machine: Ints, part: Floats | float) -> Floats:
    """Return years since a machine's nozzle was new: changed once in the history, two years long, per machine."""
    changed = 0.25 + 0.5 * (machine + 0.5) / n_machines
    return np.asarray(2.0 * np.where(part >= changed, part - changed, part))


def _line_noise(law: Law, rng: np.random.Generator, zones: Ints, soil: Ints) -> Floats:
    """Return the noise of lines on the log scale, (2, n_lines, n), correlated between pellets and minutes."""
    shape = soil.shape
    size = law.line_sd[:, zones, None] * (1 + law.kind.noise_per_soil * (soil - 1))
    if law.kind.noise == "gamma":
        k = law.gamma_shape * law.kind.line_sd / size
        shared = rng.gamma(np.broadcast_to(k * 0.4, (2, *shape))[:1])
        return np.log((shared + rng.gamma(np.broadcast_to(k * 0.6, (2, *shape)))) / k)
    z = np.sqrt(LINE_COMMON) * rng.normal(size=shape) + np.sqrt(1 - LINE_COMMON) * rng.normal(size=(2, *shape))
    if law.kind.noise == "t":
        z = z * T_SCALE / np.sqrt(rng.gamma(law.nu / 2, 2 / law.nu, size=shape))
    noise = size * z
    if law.kind.noise == "mixture":
        noise = noise + law.redo[1] * (rng.random(shape) < law.redo[0])
    return noise
