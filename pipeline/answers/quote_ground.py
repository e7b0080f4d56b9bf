"""What a quote rests on beside the fit: the ice's price, time beside the nozzle, what is known of the customer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.answer import Consumption
from models.consumption.customers import CustomerDraws, with_customer
from models.consumption.draws import stream
from models.consumption.predicting import predict
from models.costing.beside import BesideLaw, fit_beside
from pipeline.answers.estimating import Predicted
from pipeline.answers.fitting import CurrentFit, current_fit
from pipeline.answers.known_customers import KnownCustomers
from pipeline.answers.landed import Landed, landed_price
from pipeline.answers.pricing import CostDraws, job_cost
from pipeline.answers.requests import asked_table
from pipeline.book.quote_rows import PastRows, past_rows
from shared.predictive import Predictive
from shared.vocabulary import QUANTITIES, soil_code

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.answers.answer import Asking
    from pipeline.answers.requests import JobAsked
    from pipeline.book.settings import Settings

    Columns = NDArray[np.float64]

#: Alike jobs drawn at least, so that what a scenario holds in common is told from each job's own noise.
_LEAST_ALIKE = 24
_MODERATE = 1


@dataclass(frozen=True)
class Ground:
    """What all quotes of one call rest on."""

    fit: CurrentFit
    landed: Landed
    past: PastRows
    customers: KnownCustomers
    setup: BesideLaw
    cleanup: BesideLaw


@dataclass(frozen=True)
class JobDraws:
    """Jobs asked about with the draws of all `count` vehicles of each together.

    Attributes
    ----------
    found : Predicted
        One job each; line draws are sums over the vehicles, with the customer's effect.
    beside : tuple of float64 arrays (n_draws,)
        Set-up and clean-up person-minutes of each job, of all vehicles together.
    count : int
    warnings : tuple of str
    in_turn : Consumption
        The same jobs with the lines of one vehicle after another: what the air of a bay meets.
    """

    found: Predicted
    beside: tuple[NDArray[np.float64], ...]
    count: int
    warnings: tuple[str, ...]
    in_turn: Consumption


def ground_of(asking: Asking, customer: str = "") -> Ground:
    """Return what quotes as of `asking.today` rest on beside the fit."""
    past = past_rows(asking.book, asking.today, customer)
    costs, rows = asking.book.settings.costs, past.beside
    design = _past_design(asking.book.settings, past)
    laws = []
    for minutes, planning_min in ((rows.setup_min, costs.setup_min), (rows.cleanup_min, costs.cleanup_min)):
        seen = np.isfinite(minutes)
        laws.append(fit_beside(design[seen], minutes[seen], planning_min))
    return Ground(current_fit(asking), landed_price(asking), past, KnownCustomers(asking), laws[0], laws[1])


def beside_design(
    settings: Settings,
    *,
    line_visit: NDArray[np.int64],
    soil: NDArray[np.int64],
    vehicle_class: Sequence[str],
    zone: Sequence[str],
    vehicles: NDArray[np.float64],
) -> Columns:
    """Return the design of minutes beside the nozzle, (n_visits, n_columns): 1, further vehicles, soil, zones, classes.

    Soil is the mean step over moderate of the lines whose soil is known; a zone counts its lines, a class its share.
    """
    n = len(vehicles)
    lines = np.maximum(np.bincount(line_visit, minlength=n), 1)
    known = soil >= 0
    steps = np.bincount(line_visit[known], (soil[known] - _MODERATE).astype(np.float64), minlength=n)
    columns = [np.ones(n), vehicles - 1, steps / np.maximum(np.bincount(line_visit[known], minlength=n), 1)]
    for names, words, share in ((settings.zones(), zone, False), (settings.classes(), vehicle_class, True)):
        at = {name: k for k, name in enumerate(names)}
        block = np.zeros((n, len(names) + 1))  # the last column gathers words the book no longer has
        np.add.at(block, (line_visit, np.array([at.get(w, len(names)) for w in words], dtype=np.int64)), 1.0)
        columns += list((block / lines[:, None] if share else block)[:, :-1].T)
    return np.column_stack(columns)


def _past_design(settings: Settings, past: PastRows) -> Columns:
    rows = past.beside
    return beside_design(settings, line_visit=rows.line_visit, soil=rows.soil, vehicle_class=rows.vehicle_class,
                         zone=rows.zone, vehicles=rows.vehicles)  # fmt: skip


def _asked_design(settings: Settings, job: JobAsked) -> Columns:
    return beside_design(
        settings, line_visit=np.zeros(len(job.lines), dtype=np.int64),
        soil=np.array([soil_code(line.soil_level) for line in job.lines], dtype=np.int64),
        vehicle_class=[line.vehicle_class for line in job.lines], zone=[line.zone for line in job.lines],
        vehicles=np.array([len({line.vehicle for line in job.lines})], dtype=np.float64),
    )  # fmt: skip


def drawn_alike(count: int) -> int:
    """Return how many vehicles alike are drawn for a job on `count` of them."""
    return max(count, _LEAST_ALIKE) if count > 1 else 1


def job_draws(
    asking: Asking, jobs: Sequence[JobAsked], ground: Ground, count: int = 1, *, alone: bool = False
) -> JobDraws:
    """Return the draws of jobs, each done on `count` vehicles alike (each a visit of its own).

    Vehicles of one quote share their scenario's parameters and the customer's effect; each keeps its own noise. Where
    `alone` is set, with one vehicle each, every job has the draws that it has when it is asked for by itself.
    """
    n_alike = drawn_alike(count)
    alike = [replace(job, job_id=f"{job.job_id}#{k}") for job in jobs for k in range(n_alike)] if count > 1 else jobs
    fitted = ground.fit.fitted
    old = predict(fitted, asked_table(fitted, alike), seed=asking.seed, alone=alone)
    effects = [ground.customers.effect(job.customer, old.pellets.n_draws, count=count) for job in jobs]
    each = [[_each(old, q, j, n_alike, count, effects[j]) for j in range(len(jobs))] for q in range(len(QUANTITIES))]
    first = np.arange(len(jobs)) * n_alike

    def drawn(asked: Sequence[JobAsked], parts: list[list[Columns]]) -> Consumption:
        pellets, minutes = (
            Predictive(np.concatenate(draws), like.quantity, like.unit, like.basis, like.n_rows)
            for draws, like in zip(parts, (old.pellets, old.minutes), strict=True)
        )
        return Consumption(
            asked_table(fitted, asked), pellets, minutes, tuple(old.basis[i] for i in first.tolist()),
            old.similar_jobs[first], old.n_calibration[:, first],
        )  # fmt: skip

    together = drawn(jobs, [[part.sum(axis=0) for part in parts] for parts in each])
    in_turn = together
    if count > 1:
        in_turn = drawn(
            [replace(job, lines=job.lines * count) for job in jobs],
            [[part.reshape(-1, part.shape[-1]) for part in parts] for parts in each],
        )
    beside = tuple(beside_parts(asking, job, ground, count, old.pellets.n_draws).sum(axis=0) for job in jobs)
    return JobDraws(Predicted(tuple(jobs), together, ground.fit), beside, count, ground.customers.told(jobs), in_turn)


def _each(
    drawn: Consumption, quantity: int, job: int, n_alike: int, count: int, effect: CustomerDraws | None
) -> Columns:
    """Return the line draws of one job on each of its vehicles, (count, n_lines, n_draws)."""
    draws = drawn.of(QUANTITIES[quantity]).draws
    rows = [np.flatnonzero(drawn.request.line_job == job * n_alike + k) for k in range(n_alike)]
    if effect is None:
        return np.array([draws[r] for r in rows[:count]])
    totals = np.array([draws[r].sum(axis=0) for r in rows])
    ratio = with_customer(totals, effect, quantity) / np.maximum(totals, 1e-9)
    return np.array([draws[rows[k]] * ratio[k] for k in range(count)])


def beside_parts(asking: Asking, job: JobAsked, ground: Ground, count: int, n_draws: int) -> Columns:
    """Return draws of set-up and clean-up person-minutes, (2, n_draws), of `count` visits alike together."""
    row = _asked_design(asking.book.settings, job)[0]
    return np.array([
        law.draw(row, n_draws, stream(asking.seed, name), count)
        for name, law in (("setup", ground.setup), ("cleanup", ground.cleanup))
    ])  # fmt: skip


def job_cost_draws(asking: Asking, draws: JobDraws, j: int, landed: Landed) -> CostDraws:
    """Return the cost of one job asked about (all its vehicles together) under each scenario."""
    rows = draws.found.consumption.request.line_job == j
    costs = asking.book.settings.costs
    if draws.count > 1:
        costs = replace(costs, consumables_usd_per_job=costs.consumables_usd_per_job * draws.count)
    return job_cost(
        draws.found.consumption.pellets.draws[rows].sum(axis=0),
        draws.found.consumption.minutes.draws[rows].sum(axis=0),
        beside_min=draws.beside[j], landed_usd_per_lb=landed.usd_per_lb, costs=costs,
    )  # fmt: skip
