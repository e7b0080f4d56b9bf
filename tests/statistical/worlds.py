"""Simulated shops: a jobs log as a shop would keep it, and fresh jobs with the law of what they will really take.

The law of a fresh job is conditional on what the asker writes down and on nothing else: a soil level, operator,
machine or ice age left blank is mixed over, and somebody or something new is drawn from the population it comes from.
Imports nothing from the product's models.
"""

import csv
import io
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from world_kinds import Kind
from world_law import (
    CLASS_FACTOR,
    PLANNING_LEVEL_SD,
    PLANNING_ZONE_SD,
    ZONE_SHARE,
    Floats,
    Ints,
    Law,
    amounts,
    draw_law,
    job_soil,
    line_soil,
    machine_shares,
    pair,
)

from shared.vocabulary import CLASSES, QUANTITIES, SOILS, ZONES, Quantity

COLUMNS = ("job_id", "date", "vehicle_class", "zone", "soil_level", "pellets_lb", "minutes", "job_pellets_lb",
           "job_minutes", "coating_removed", "machine", "operator", "pressure_psi", "ice_age_days")  # fmt: skip
FIRST_DAY = date(2024, 1, 8).toordinal()
KG = 2.20462


def _compatible() -> Floats:
    table = np.zeros((len(SOILS) + 1, 2, len(SOILS)))
    table[0] = 1
    for level in range(len(SOILS)):
        table[level + 1, 0, level] = 1
        table[min(level + 1, len(SOILS) - 1) + 1, 1, level] = 1
    return table


#: 1 for the true levels (last axis) that a hand writes down as a level (first axis, blank first); the second hand
#: grades one level high.
COMPATIBLE = _compatible()
Row = dict[str, str]


@dataclass(frozen=True)
class Traits:
    """What breakdowns go by, one entry a fresh job."""

    vehicle_class: tuple[str, ...]
    n_zones: tuple[int, ...]
    soil: tuple[str, ...]  # the worst written down, 'unknown' where a line's is blank


@dataclass(frozen=True)
class World:
    """One simulated shop.

    Attributes
    ----------
    history, fresh : rows in the columns of a jobs log; fresh jobs carry no figures
    planning : quantity -> zone -> median at moderate soil, wrong on purpose
    totals : quantity -> (n_fresh, n_scenarios) increasing draws of what each fresh job will really take
    law, names, asks, unseen_class : hidden from learners; a fit that is told the priors uses them
    """

    kind: Kind
    seed: int
    today: date
    history: list[Row]
    fresh: list[Row]
    fresh_ids: tuple[str, ...]
    planning: dict[Quantity, dict[str, float]]
    totals: dict[Quantity, Floats]
    traits: Traits
    law: Law = field(repr=False)
    names: "Names" = field(repr=False)
    asks: "list[tuple[Visit, Asked]]" = field(repr=False)
    unseen_class: int = field(repr=False)


@dataclass(frozen=True)
class Names:
    """Codes a shop invented for its people and machines."""

    operator: list[str]
    machine: list[str]


@dataclass
class Visit:
    """One visit as it was, before anybody writes it down."""

    day: int
    part: float
    vehicle: int
    zones: Ints
    soil: Ints
    operator: int
    machine: int
    age: int
    coating: np.ndarray
    pressure: float


def csv_text(rows: list[Row]) -> str:
    """Return rows as the text of a jobs log."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def draw_world(kind: Kind, n_jobs: int, seed: int, *, n_fresh: int = 150, n_scenarios: int = 4000) -> World:
    """Draw a shop of a kind with a log of `n_jobs` and `n_fresh` jobs to come; the same arguments, the same world."""
    key = [seed, n_jobs, *kind.key.encode()]
    rng = np.random.default_rng(key)
    law = draw_law(kind, rng)
    names = Names(_codes(rng, law.operator.shape[1] + 1), _codes(rng, law.machine.shape[1] + 1))
    unseen = int(np.argmin(np.abs(law.class_share - 0.08))) if kind.newcomers else -1
    span = int(rng.integers(250, 700))
    parts = np.sort(rng.random(n_jobs))
    n_logged_age = float(rng.choice([0.0, 0.5, 1.0]))
    history: list[Row] = []
    for j, part in enumerate(parts):
        visit = _visit(law, rng, FIRST_DAY + int(part * span), float(part), unseen)
        history += _written(law, rng, visit, f"J{j + 1:05d}", names, n_logged_age)
    fresh, totals, traits, ids, asks = _fresh(law, rng, names, n_fresh, n_scenarios, span, unseen, n_logged_age)
    return World(
        kind=kind, seed=seed, today=date.fromordinal(FIRST_DAY + span), history=history, fresh=fresh,
        fresh_ids=tuple(ids), planning=_planning(law, rng), totals=totals, traits=traits, law=law,
        names=names, asks=asks, unseen_class=unseen,
    )  # fmt: skip


def _codes(rng: np.random.Generator, n: int) -> list[str]:
    letters = "abcdefghkmnprstuvwxyz"
    codes: list[str] = []
    while len(codes) < n:
        code = rng.choice(list(letters)) + rng.choice(list(letters)) + str(rng.integers(1, 99))
        codes += [code] if code not in codes else []
    return codes


def _planning(law: Law, rng: np.random.Generator) -> dict[Quantity, dict[str, float]]:
    """Return planning figures that are wrong: sd .35 in the level and .30 for each zone."""
    error = rng.normal(0, PLANNING_LEVEL_SD, (2, 1)) + rng.normal(0, PLANNING_ZONE_SD, (2, len(ZONES)))
    medians = np.exp(law.zone + error)
    return {q: {z: float(np.round(medians[k, i], 1)) for i, z in enumerate(ZONES)} for k, q in enumerate(QUANTITIES)}


def _visit(law: Law, rng: np.random.Generator, day: int, part: float, unseen_class: int) -> Visit:
    share = law.class_share.copy()
    if unseen_class >= 0:
        share[unseen_class] = 0.0
    vehicle = int(rng.choice(len(CLASSES), p=share / share.sum()))
    zones = _zones(rng)
    base = int(rng.choice(len(SOILS), p=job_soil(law, vehicle, day)))
    soil = np.array([rng.choice(len(SOILS), p=line_soil(law, z)[base]) for z in zones])
    return Visit(
        day=day, part=part, vehicle=vehicle, zones=zones, soil=soil,
        operator=int(rng.choice(len(law.operator_share), p=law.operator_share)),
        machine=int(rng.choice(len(law.machine_share), p=machine_shares(law, part))),
        age=int(rng.integers(0, 6)), coating=rng.random(len(zones)) < 0.04,
        pressure=float(rng.choice([80.0, 100.0, 120.0, 140.0])) if law.kind.settings else 120.0,
    )  # fmt: skip


def _zones(rng: np.random.Generator) -> Ints:
    n = int(rng.choice([1, 2, 3, 4, 5], p=[0.28, 0.27, 0.22, 0.13, 0.1]))
    return np.sort(rng.choice(len(ZONES), n, replace=False, p=ZONE_SHARE))


def took(law: Law, rng: np.random.Generator, v: Visit) -> Floats:
    """Draw what the lines of a visit really take, (2, n_lines) in lb and min."""
    return amounts(
        law, rng, vehicle=v.vehicle, zones=v.zones, soil=v.soil[:, None], operator=law.operator[:, [v.operator]],
        machine=np.array([v.machine]), machine_effect=None, age=np.full((len(v.zones), 1), float(v.age)),
        coating=v.coating, pressure=np.full((len(v.zones), 1), v.pressure), day=v.day, part=v.part,
    )[:, :, 0]  # fmt: skip


def _written(law: Law, rng: np.random.Generator, v: Visit, job_id: str, names: Names, age_share: float) -> list[Row]:
    """Return the rows of a visit as this shop writes them down: grain, rounding, slips, blanks, grades."""
    kind = law.kind
    amount = took(law, rng, v)
    by_total = np.full(2, rng.random() < kind.totals_share)
    if not by_total.any() and rng.random() < kind.half_totals_share:
        by_total[rng.integers(2)] = True
    graded = np.minimum(v.soil + (v.operator == law.grader), len(SOILS) - 1)
    blank_soil = _blank(rng, len(v.zones), kind.soil_blank_share)
    if kind.soil_written is not None:
        blank_soil = rng.random(len(v.zones)) >= np.array(kind.soil_written)[v.soil]
    blank_machine, blank_operator = rng.random(2) < kind.crew_blank_share
    age_written, n = rng.random() < age_share, len(v.zones)
    rows = [
        {
            "job_id": job_id, "date": date.fromordinal(v.day).isoformat(), "vehicle_class": CLASSES[v.vehicle],
            "zone": ZONES[z], "soil_level": "" if blank_soil[i] else SOILS[graded[i]],
            "coating_removed": "yes" if v.coating[i] else "",
            "machine": "" if blank_machine else names.machine[v.machine],
            "operator": "" if blank_operator else names.operator[v.operator],
            "pressure_psi": f"{v.pressure:g}" if kind.settings else "",
            "ice_age_days": str(v.age) if age_written else "",
        } for i, z in enumerate(v.zones.tolist())
    ]  # fmt: skip
    for q, column in enumerate(QUANTITIES):
        if by_total[q] and n > 1:
            total = _reading(law, rng, np.array([amount[q].sum()]), q)[0]
            for row in rows:
                row[f"job_{column}"] = f"{total:g}"
        else:
            for row, value in zip(rows, _reading(law, rng, amount[q], q), strict=True):
                row[column] = f"{value:g}"
    return rows


def _blank(rng: np.random.Generator, n: int, share: float) -> np.ndarray:
    """Return which lines of a visit have no soil level: half of the blanks are whole visits, half single lines."""
    whole = rng.random() < share / 2
    return np.full(n, True) if whole else rng.random(n) < share / 2


def _reading(law: Law, rng: np.random.Generator, value: Floats, quantity: int) -> Floats:
    """Return readings: slips between kg and lb, then rounding to the shop's step and never below one step."""
    if quantity == 0 and law.kind.slip_share:
        slip = rng.random(len(value)) < law.kind.slip_share
        value = np.where(slip, value * np.where(rng.random(len(value)) < 0.5, KG, 1 / KG), value)
    step = law.kind.rounded_to[quantity] if law.kind.rounded_to else (0.1, 1.0)[quantity]
    return np.clip(np.round(np.maximum(np.round(value / step), 1) * step, 3), 0.1, (795.0, 1400.0)[quantity])


def _fresh(
    law: Law, rng: np.random.Generator, names: Names, n_fresh: int, n: int, span: int, unseen: int, age_share: float
) -> tuple[list[Row], dict[Quantity, Floats], Traits, list[str], "list[tuple[Visit, Asked]]"]:
    """Return jobs to come, as asked, and what they will really take given what is asked and nothing else."""
    rows: list[Row] = []
    totals: dict[Quantity, Floats] = {q: np.empty((n_fresh, n)) for q in QUANTITIES}
    classes, n_zones, soils, ids, asks = [], [], [], [], []
    for j in range(n_fresh):
        day = FIRST_DAY + span + int(rng.integers(0, 40))
        v = _visit(law, rng, day, 1.0 + (day - FIRST_DAY - span) / span, -1)
        if unseen >= 0 and rng.random() < 0.15:
            v.vehicle = unseen
        elif law.kind.sparse and rng.random() < 0.5:
            v.vehicle = int(rng.choice(np.flatnonzero(law.class_share < 0.1)))
        asked = _asked(law, rng, v, names, age_share)
        drawn = conditional(law, rng, v, asked, n, unseen)
        for q, quantity in enumerate(QUANTITIES):
            totals[quantity][j] = np.sort(drawn[q])
        job_id = f"F{j + 1:04d}"
        rows += [{**row, "job_id": job_id} for row in asked.rows]
        ids.append(job_id)
        asks.append((v, asked))
        classes.append(CLASSES[v.vehicle])
        n_zones.append(len(v.zones))
        soils.append("unknown" if (asked.soil < 0).any() else SOILS[int(asked.soil.max())])
    return rows, totals, Traits(tuple(classes), tuple(n_zones), tuple(soils)), ids, asks


@dataclass(frozen=True)
class Asked:
    """What the asker writes down; -1 where blank, the number of known ones for a newcomer."""

    rows: list[Row]
    soil: Ints
    operator: int
    machine: int
    age: int


def _asked(law: Law, rng: np.random.Generator, v: Visit, names: Names, age_share: float) -> Asked:
    blank = max(law.kind.soil_blank_share, 0.12)
    graded = np.minimum(v.soil + (v.operator == law.grader), len(SOILS) - 1)
    soil = np.where(_blank(rng, len(v.zones), blank), -1, graded)
    newcomer = law.kind.newcomers and rng.random() < 0.4
    operator = law.operator.shape[1] if newcomer else (-1 if rng.random() < 0.15 else v.operator)
    new = law.kind.newcomers and rng.random() < 0.2
    machine = law.machine.shape[1] if new else (-1 if rng.random() < 0.15 else v.machine)
    age = v.age if rng.random() < age_share / 2 else -1
    rows = [
        {
            "date": date.fromordinal(v.day).isoformat(), "vehicle_class": CLASSES[v.vehicle], "zone": ZONES[z],
            "soil_level": "unknown" if soil[i] < 0 else SOILS[soil[i]],
            "coating_removed": "yes" if v.coating[i] else "",
            "machine": names.machine[machine] if machine >= 0 else "",
            "operator": names.operator[operator] if operator >= 0 else "",
            "pressure_psi": f"{v.pressure:g}" if law.kind.settings else "",
            "ice_age_days": str(age) if age >= 0 else "",
        } for i, z in enumerate(v.zones.tolist())
    ]  # fmt: skip
    return Asked(rows, soil, operator, machine, age)


def conditional(law: Law, rng: np.random.Generator, v: Visit, asked: Asked, n: int, unseen: int) -> Floats:
    """Draw totals (2, n) given what was asked: operator, grades and soil jointly by enumeration, the rest freely."""
    known_operators = law.operator.shape[1]
    operator, base = _crew_and_soil(law, rng, v, asked, n)
    soil = np.empty((len(v.zones), n), dtype=np.int64)
    grading = (operator == law.grader).astype(np.int64)
    for i, zone in enumerate(v.zones.tolist()):
        chance = line_soil(law, zone)[base] * COMPATIBLE[asked.soil[i] + 1, grading]
        reached = np.cumsum(chance, axis=1)
        soil[i] = (reached < rng.random((n, 1)) * reached[:, -1:]).sum(axis=1)
    effect = law.operator[:, np.minimum(operator, known_operators - 1)]
    if asked.operator == known_operators:
        effect = pair(rng, (n,), law.sd["operator"])
    machine = np.full(n, max(asked.machine, 0))
    if asked.machine < 0:
        machine = rng.choice(law.machine.shape[1], n, p=machine_shares(law, v.part))
    new_machine = asked.machine == law.machine.shape[1]
    age = rng.integers(0, 6, n) if asked.age < 0 else np.full(n, asked.age)
    amount = amounts(
        law, rng, vehicle=v.vehicle, zones=v.zones, soil=soil, operator=effect, machine=machine,
        machine_effect=pair(rng, (n,), law.sd["machine"]) if new_machine else None,
        age=np.broadcast_to(age.astype(float), soil.shape), coating=v.coating,
        pressure=np.full(soil.shape, v.pressure), day=v.day, part=v.part,
        vehicle_effect=(
            np.log(CLASS_FACTOR[v.vehicle]) + pair(rng, (n,), law.sd["class"]) if v.vehicle == unseen else None
        ),
    )  # fmt: skip
    return amount.sum(axis=1)


def _crew_and_soil(law: Law, rng: np.random.Generator, v: Visit, asked: Asked, n: int) -> tuple[Ints, Ints]:
    """Draw operator and the visit's own soil level given the written operator and grades, (n,) each."""
    n_known = law.operator.shape[1]
    prior = law.operator_share if asked.operator < 0 else np.eye(n_known + 1)[asked.operator][: n_known + 1]
    weight = np.outer(prior, job_soil(law, v.vehicle, v.day))
    for i, zone in enumerate(v.zones.tolist()):
        given_base = line_soil(law, zone) @ COMPATIBLE[asked.soil[i] + 1].T
        weight *= given_base[:, (np.arange(len(prior)) == law.grader).astype(np.int64)].T
    cell = rng.choice(weight.size, n, p=(weight / weight.sum()).ravel())
    return cell // len(SOILS), cell % len(SOILS)
