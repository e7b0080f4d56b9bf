"""Learning: from a job table to fitted numbers, with the rolling backtest that calibrates them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.backtest import RollingRecord, scored
from models.consumption.design import columns_of
from models.consumption.draws import normal_scores, stream
from models.consumption.fitted import FittedModel, kinds_of, rounded_states
from models.consumption.grades import usual_grades
from models.consumption.jobs import Factor, JobTable, Observed
from models.consumption.latent_soil import fit_soil
from models.consumption.mapping import choose_map, job_kinds, still_called_for
from models.consumption.plugin import Sampled, fit_all
from models.consumption.predicting import predict
from models.consumption.priors import POOLED
from models.consumption.sampler import Chain, States
from models.consumption.usual import usual_now
from models.consumption.usual_order import usual_order
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from concurrent.futures import Executor
    from contextlib import AbstractContextManager

    from numpy.typing import NDArray

    from models.consumption.answer import Consumption
    from models.consumption.backtest import Record
    from models.consumption.design import Columns
    from models.consumption.planning import Planning

N_STATES = 300
_N_BURN = 150
#: Up to so many jobs every second, and every third, sweep is kept: switches and changes of level mix slowly there.
_LONG_CHAIN_JOBS = (120, 60)
_RECORD_STATES = 60
_RECORD_BURN = 30
_RECORD_DRAWS = 600
#: Up to so many jobs the sampler sees all of them; above, its scales come from a random part of the history.
SAMPLED_JOBS = 2500
SCALE_JOBS = 1500
#: Jobs whose fit had so few jobs before them tell nothing about the fits to come.
CALIBRATION_JOBS = 15
#: A correction is held against what the fit itself says of so many of the newest jobs.
_NEWEST_JOBS = 400


def learn(
    table: JobTable,
    planning: Planning,
    *,
    seed: int,
    progress: Callable[[float, str], None] | None = None,
    backtest: bool = True,
    workers: Executor | None = None,
) -> FittedModel:
    """Return the learner fitted to a job table, calibrated on its rolling record.

    Parameters
    ----------
    table : JobTable
        Any order of jobs; jobs without a usable figure (recorded and > 0) are left out.
    planning : Planning
        Prior medians and factors; the answer where nothing was learned.
    seed : int
        Fixes the sampler and the record.
    progress : callable (share done, what), optional
    backtest : bool
        Without it there is no record, and answers are neither mapped nor supported.
    workers : Executor, optional
        Processes that make refits of the record while this one fits; what is learned is the same without them.
    """
    with _one_thread():
        return _learn(in_order(usable_jobs(table)), planning, seed, progress or _silent, backtest, workers)


def _one_thread() -> AbstractContextManager[object]:
    """Return what keeps BLAS to one thread: matrices are small, a second one only waits, at the cost of a core."""
    import scipy.linalg  # noqa: F401 - its thread pool must exist before it can be limited
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[object] = threadpool_limits(limits=1)
    return limits


def _learn(
    usable: JobTable,
    planning: Planning,
    seed: int,
    tell: Callable[[float, str], None],
    backtest: bool,
    workers: Executor | None,
) -> FittedModel:
    rolling = RollingRecord(usable, _Rolling(planning, seed).answer_at, workers) if backtest and usable.n_jobs else None
    thin = 1 + (usable.n_jobs <= _LONG_CHAIN_JOBS[0]) + (usable.n_jobs <= _LONG_CHAIN_JOBS[1])
    share_fit = 0.4 if rolling else 1.0
    fitted = fit(usable, planning, seed=seed, thin=thin, tell=lambda share: tell(share_fit * share, "fit"))
    if rolling is not None:
        record = rolling.finish(lambda share: tell(share_fit + (1 - share_fit) * share, "backtest"))
        fitted = calibrated(fitted, record, usable, seed)
    tell(1.0, "done")
    return fitted


def calibrated(fitted: FittedModel, record: Record, table: JobTable, seed: int) -> FittedModel:
    """Return the fit with the calibration maps that a record of jobs it has learned from calls for, and the record."""
    kinds = dict(zip(table.job_id, job_kinds(table), strict=True))
    tested = _tested(record, kinds)
    words = [kinds[job] for job in tested.job_id]
    maps = {q: choose_map(tested.pit[t], tested.day, words) for t, q in enumerate(QUANTITIES)}
    moved = [(t, q) for t, q in enumerate(QUANTITIES) if maps[q].shift or maps[q].by_kind]
    if moved:
        newest = set(tested.job_id[-_NEWEST_JOBS:])
        again = table.take_jobs(np.array([job in newest for job in table.job_id]))
        own = scored(again, predict(fitted, again.without_figures(), seed=seed, n_draws=_RECORD_DRAWS), 0)
        words = [kinds[job] for job in own.job_id]
        for t, q in moved:
            maps[q] = still_called_for(maps[q], own.pit[t], own.day, words)
    return replace(fitted, maps=maps, record_text=record.to_json())


def _tested(record: Record, known: Collection[str]) -> Record:
    """Return the rows of jobs that are known, and whose fit had jobs enough before them to tell of fits to come."""
    enough = (record.n_before >= CALIBRATION_JOBS).tolist()
    kept = [use and job in known for job, use in zip(record.job_id, enough, strict=True)]
    return record.take(np.array(kept, dtype=bool))


def fit(
    table: JobTable,
    planning: Planning,
    *,
    seed: int,
    n_states: int = N_STATES,
    n_burn: int = _N_BURN,
    thin: int = 1,
    tell: Callable[[float], None] | None = None,
) -> FittedModel:
    """Return the learner fitted to usable jobs in order, without a record."""
    columns = columns_of(table)
    soil = fit_soil(table)
    rng = stream(seed, "chain")
    if not table.n_jobs:
        states = planning_states(planning, columns, seed)
    elif table.n_jobs <= SAMPLED_JOBS:
        chain = Chain(table, planning, columns, soil, rng)
        states = chain.run(n_burn * thin, n_states, thin, tell)
        soil, _ = chain.soil.kept()
    else:
        part = table.take_jobs(np.sort(rng.choice(table.n_jobs, SCALE_JOBS, replace=False)))
        some = columns_of(part)
        chain = Chain(part, planning, some, fit_soil(part), rng)
        part_states = chain.run(n_burn, n_states)
        part_soil, unwritten = chain.soil.kept()
        grades = usual_grades(part_states.grade, some.blocks["operator"])
        if chain.soil.by_choice() or grades:
            soil = part_soil
        zones = some.blocks["zone"]
        on_first = part_states.on_first > 0
        order = usual_order(part_states, some) or usual_order(part_states, some, on_first)
        carries = bool(order) and on_first.mean() > 0.5
        sampled = Sampled(part_states, zones, chain.changes(), unwritten, grades, order, first_carries=carries)
        states = fit_all(table, planning, columns, soil, sampled, rng, tell)
    n_values = [int((table.observed(q).value > 0).sum()) for q in QUANTITIES]
    for t, n in enumerate(n_values):
        if n == 0 and table.n_jobs:
            states = _planned(states, t, planning_states(planning, columns, seed))
    return FittedModel(
        planning=planning,
        columns=columns,
        states=rounded_states(states),
        soil=soil,
        usual=usual_now(columns, table),
        kinds=dict(Counter(kinds_of(table))),
        n_jobs=table.n_jobs,
        n_lines=table.n_lines,
        n_values=(n_values[0], n_values[1]),
        last_day=int(table.day.max()) if table.n_jobs else 0,
    )


def _silent(share: float, what: str) -> None:  # noqa: ARG001 - a progress callable that tells nobody
    return


@dataclass
class _Rolling:
    """Fits of the record, one after another."""

    planning: Planning
    seed: int

    def answer_at(self, past: JobTable, request: JobTable) -> Consumption:
        with _one_thread():
            fitted = fit(past, self.planning, seed=self.seed, n_states=_RECORD_STATES, n_burn=_RECORD_BURN)
            return predict(fitted, request, seed=self.seed, n_draws=_RECORD_DRAWS)


def planning_states(planning: Planning, columns: Columns, seed: int) -> States:
    """Return states that answer with the planning figures: a line's log has the sd `spread`.

    A quarter of its variance is the level (common to all jobs), a quarter the job's, half the line's.
    """
    rng = stream(seed, "planning")
    spread = np.array([planning.of(q).spread for q in QUANTITIES])
    z = rng.permuted(np.broadcast_to(normal_scores(N_STATES), (2, N_STATES)), axis=1)
    b = np.zeros((N_STATES, 2, columns.n))
    b[:, 0, 0] = 0.5 * spread[0] * z[0]
    b[:, 1, 0] = 0.5 * spread[1] * (0.5 * z[0] + np.sqrt(0.75) * z[1])
    each = np.ones((N_STATES, 1))
    return States(
        b=b,
        tau=np.zeros((N_STATES, 2, len(POOLED))),
        line_sd=np.zeros((N_STATES, 2, 0)),
        other_sd=each * spread * np.sqrt(0.5),
        noise_growth=np.zeros((N_STATES, 2)),
        job_sd=each * spread * 0.5,
        tail=np.full((N_STATES, 2), 100.0),
        time_scale=np.zeros((N_STATES, 2)),
        visit=np.zeros((N_STATES, 2)),
        rho=np.full((N_STATES, 3), 0.5),
        grade=np.zeros((N_STATES, len(columns.blocks["operator"]))),
        on_first=np.zeros(N_STATES),
        place=np.zeros((N_STATES, len(columns.blocks["zone"]))),
    )


def _planned(states: States, t: int, planned: States) -> States:
    """Return the states with those of quantity t, which was never recorded, replaced by the planning ones."""
    out = {name: getattr(states, name).copy() for name in States.__dataclass_fields__}
    rows = np.arange(states.n) * planned.n // states.n
    for name in ("b", "tau", "other_sd", "noise_growth", "job_sd", "tail", "time_scale", "visit"):
        out[name][:, t] = getattr(planned, name)[rows, t]
    out["line_sd"][:, t] = planned.other_sd[rows, t, None]
    return States(**out)


def usable_jobs(table: JobTable) -> JobTable:
    """Return the jobs that have a figure > 0 in either quantity."""
    has = np.zeros(table.n_jobs, dtype=bool)
    for quantity in QUANTITIES:
        seen = table.observed(quantity)
        good = np.append(seen.value > 0, False)[seen.group]
        has[table.line_job[good]] = True
    return table if has.all() else table.take_jobs(has)


def in_order(table: JobTable) -> JobTable:
    """Return the table with jobs by day and id and the lines of each by what they say, so file order cannot matter."""
    jobs = np.array(sorted(range(table.n_jobs), key=lambda j: (int(table.day[j]), table.job_id[j])), dtype=np.int64)
    rank = np.empty(table.n_jobs, dtype=np.int64)
    rank[jobs] = np.arange(table.n_jobs)
    vehicle, zone, soil = table.vehicle_class.words(), table.zone.words(), table.soil.tolist()
    machine, operator = table.machine.words(), table.operator.words()
    parts = [table.observed(q) for q in QUANTITIES]
    values = [np.append(p.value, -1.0)[p.group].tolist() for p in parts]
    coating = table.coating_removed.tolist()
    # A setting that was not written down sorts first: NaN would leave the order to the file.
    settings = [np.where(np.isnan(column), -np.inf, column).tolist() for column in table.settings.values()]
    place = rank[table.line_job].tolist()
    columns = (place, vehicle, zone, soil, machine, operator, *values, coating, *settings)
    keys = list(zip(*columns, strict=True))
    lines = np.array(sorted(range(table.n_lines), key=keys.__getitem__), dtype=np.int64)
    return JobTable(
        job_id=tuple(table.job_id[j] for j in jobs.tolist()),
        day=table.day[jobs],
        customer=table.customer.take(jobs),
        ambient_f=table.ambient_f[jobs],
        line_job=rank[table.line_job[lines]],
        vehicle_class=_sorted_names(table.vehicle_class.take(lines)),
        zone=_sorted_names(table.zone.take(lines)),
        machine=table.machine.take(lines),
        operator=table.operator.take(lines),
        soil=table.soil[lines],
        coating_removed=table.coating_removed[lines],
        settings={name: column[lines] for name, column in table.settings.items()},
        pellets=_in_group_order(table.pellets, lines),
        minutes=_in_group_order(table.minutes, lines),
    )


def _sorted_names(factor: Factor) -> Factor:
    names = tuple(sorted(factor.names))
    return Factor(names, factor.recoded(names))


def _in_group_order(observed: Observed, lines: NDArray[np.int64]) -> Observed:
    """Return the record of the lines in their new order, groups numbered by their first line."""
    group = observed.group[lines]
    used, at, renumbered = np.unique(group[group >= 0], return_index=True, return_inverse=True)
    rank = np.empty(len(used), dtype=np.int64)
    rank[np.argsort(at)] = np.arange(len(used))
    out = np.full(len(lines), -1, dtype=np.int64)
    out[group >= 0] = rank[renumbered]
    return Observed(out, observed.value[used[np.argsort(at)]])
