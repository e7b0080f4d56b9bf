"""Part-done jobs and fleets on simulated shops: the true course of a job, and customers that differ."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from bench_tables import job_table, planning
from world_kinds import Kind
from worlds import Visit, World, draw_world, took

from models.consumption.conformal import probit_scores
from models.consumption.customers import CustomerRecord, draw_customer, with_customer
from models.consumption.draws import stream
from models.consumption.fitted import FittedModel
from models.consumption.jobs import Factor, JobTable
from models.consumption.learn import learn
from models.consumption.predicting import predict
from models.costing.part_done import rest_of, shares_done
from shared.vocabulary import CLASSES, QUANTITIES, SOILS, ZONES

LEVEL = 0.8
N_DRAWS = 6000
#: How a job really goes: each zone in so many patches, uneven by this (sd of log); the eye that judges what is done.
N_PATCHES = 6
PATCH_SD = 0.3
EYE_SD = 0.15
#: How customers really differ (sd of log, both quantities, correlated 0.7), and how many there are.
CUSTOMER_SD = 0.22
N_CUSTOMERS = 10
FLEET = 12


@dataclass(frozen=True)
class Held:
    """Whether intervals held what happened, and how wide they were; one entry for each job and quantity."""

    held: np.ndarray
    width: np.ndarray


def asked_of(visits: list[Visit], world: World) -> JobTable:
    """Return visits as they would be asked for by somebody who has seen them: everything known."""
    rows = [
        {"job_id": f"A{j:04d}", "date": date.fromordinal(v.day).isoformat(), "vehicle_class": CLASSES[v.vehicle],
         "zone": ZONES[z], "soil_level": SOILS[v.soil[i]], "coating_removed": "yes" if v.coating[i] else "",
         "machine": world.names.machine[v.machine], "operator": world.names.operator[v.operator],
         "pressure_psi": "", "ice_age_days": str(v.age)}
        for j, v in enumerate(visits) for i, z in enumerate(v.zones.tolist())
    ]  # fmt: skip
    return job_table(rows)


def course(
    rng: np.random.Generator, lines: np.ndarray, thought_min: np.ndarray, done: float
) -> tuple[np.ndarray, float]:
    """Return what a job used (2,) when about a share of its work was done, and that share as judged by eye.

    Zones are worked one after another in patches of equal work; a patch takes more or less than its part of the zone.
    The share done is that of the thought minutes.
    """
    n_lines = lines.shape[1]
    patch = np.exp(rng.normal(0, PATCH_SD, (2, n_lines, N_PATCHES)))
    patch *= lines[:, :, None] / patch.sum(axis=2, keepdims=True)
    order = rng.permutation(n_lines)
    work = np.repeat(thought_min[order] / N_PATCHES, N_PATCHES)
    reached = np.cumsum(work) / work.sum()
    stop = int(np.clip(np.searchsorted(reached, done) + 1, 1, len(reached) - 1))
    share = float(reached[stop - 1])
    eye = np.log(share / (1 - share)) + rng.normal(0, EYE_SD)
    return patch[:, order].reshape(2, -1)[:, :stop].sum(axis=1), float(1 / (1 + np.exp(-eye)))


def part_done(kind: Kind, seed: int, *, n_jobs: int = 150, n_asked: int = 100, done: float = 0.33) -> tuple[Held, Held]:
    """Return how intervals of the rest held given what was used, and how the first estimates of the whole jobs did."""
    world = draw_world(kind, n_jobs, seed, n_fresh=n_asked, n_scenarios=2)
    fitted = learn(job_table(world.history), planning(world), seed=seed)
    visits = [replace(v, zones=v.zones) for v, _ in world.asks]
    request = asked_of(visits, world)
    drawn = predict(fitted, request, seed=seed, n_draws=N_DRAWS)
    rng = np.random.default_rng([seed, 7])
    given, first = ([], []), ([], [])
    for j, visit in enumerate(visits):
        rows = np.flatnonzero(request.line_job == j)
        lines = took(world.law, rng, visit)
        used, judged = course(rng, lines, drawn.minutes.draws[rows].mean(axis=1), done)
        zones = np.array([drawn.of(q).draws[rows] for q in QUANTITIES])
        total, share = zones.sum(axis=1), shares_done(zones, zones[1].mean(axis=1), judged, rng)
        _note(given, rest_of(total, used, share, rng).rest, lines.sum(axis=1) - used)
        _note(first, total, lines.sum(axis=1))
    return _held(given), _held(first)


def _note(into: tuple[list[np.ndarray], list[np.ndarray]], draws: np.ndarray, actual: np.ndarray) -> None:
    low, high = np.quantile(draws, [0.5 - LEVEL / 2, 0.5 + LEVEL / 2], axis=1)
    into[0].append((low <= actual) & (actual <= high))
    into[1].append(high - low)


def _held(noted: tuple[list[np.ndarray], list[np.ndarray]]) -> Held:
    return Held(np.concatenate(noted[0]), np.concatenate(noted[1]))


@dataclass(frozen=True)
class Customers:
    """Who comes: a customer for each past visit, and what each adds to the logarithms, (2, n)."""

    of_job: dict[str, int]
    effect: np.ndarray


def customer_effects(rng: np.random.Generator, n: int) -> np.ndarray:
    """Draw what n customers add to the logarithms of pellets and minutes, (2, n)."""
    z = rng.standard_normal((2, n))
    return CUSTOMER_SD * np.array([z[0], 0.7 * z[0] + np.sqrt(1 - 0.49) * z[1]])


def with_customers(world: World, seed: int) -> tuple[World, Customers]:
    """Return the world with its figures as if its visits belonged to customers that differ."""
    rng = np.random.default_rng([seed, 11])
    effect = customer_effects(rng, N_CUSTOMERS)
    ids = list(dict.fromkeys(row["job_id"] for row in world.history))
    of_job = dict(zip(ids, rng.integers(0, N_CUSTOMERS, len(ids)).tolist(), strict=True))
    history = []
    for row in world.history:
        changed = dict(row)
        for q, quantity in enumerate(QUANTITIES):
            for column in (quantity, f"job_{quantity}"):
                if row.get(column):
                    changed[column] = f"{float(row[column]) * np.exp(effect[q, of_job[row['job_id']]]):.3f}"
        history.append(changed)
    return replace(world, history=history), Customers(of_job, effect)


def fleets(kind: Kind, seed: int, *, n_jobs: int = 150, n_asked: int = 28) -> tuple[Held, Held]:
    """Return how intervals for fleets of twelve held: with what the vans share, and as a sum of independent draws.

    Two fleets in seven belong to a customer that never came before, each to another one.
    """
    plain = draw_world(kind, n_jobs, seed, n_fresh=n_asked, n_scenarios=2)
    world, customers = with_customers(plain, seed)
    table = job_table(world.history)
    table = replace(table, customer=Factor.of(f"c{customers.of_job[i]:02d}" for i in table.job_id))
    fitted = learn(table, planning(world), seed=seed)
    record = customer_record(fitted, table)
    rng = np.random.default_rng([seed, 13])
    shared, apart = ([], []), ([], [])
    for j, (visit, _) in enumerate(world.asks):
        who = j % (N_CUSTOMERS + 4)
        effect_now = customers.effect[:, who] if who < N_CUSTOMERS else customer_effects(rng, 1)[:, 0]
        request = asked_of([visit] * 24, world)
        drawn = predict(fitted, request, seed=seed)
        totals = np.array([drawn.jobs(q).draws for q in QUANTITIES])
        asked = who if who < N_CUSTOMERS else -1
        effect = draw_customer(record, asked, n_draws=totals.shape[2], rng=stream(seed, str(who)))
        sums = np.array([with_customer(totals[q], effect, q)[:FLEET].sum(axis=0) for q in range(2)])
        mixed = np.array([[rng.permutation(van) for van in totals[q, :FLEET]] for q in range(2)])
        actual = sum(took(world.law, rng, visit).sum(axis=1) for _ in range(FLEET)) * np.exp(effect_now)
        _note(shared, sums, actual)
        _note(apart, mixed.sum(axis=1), actual)
    return _held(shared), _held(apart)


def customer_record(fitted: FittedModel, table: JobTable) -> CustomerRecord:
    """Return the rolling record against what was expected, with the customer's code of each job."""
    record = fitted.record()
    median = record.quantiles[:, :, 3]
    residual = np.log(record.actual / median)
    name = dict(zip(table.job_id, table.customer.words(), strict=True))
    score = np.array([probit_scores(pit) for pit in record.pit])
    return CustomerRecord(residual, score, np.array([int(name[i][1:]) for i in record.job_id], dtype=np.int64))
