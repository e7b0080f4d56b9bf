"""Past jobs as examples of those to come: who is like them is drawn, what they take is predicted anew."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.jobs import Factor, JobTable, Observed
from models.demand.compound import recency

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: At most so many of the newest jobs are examples.
MOST_EXAMPLES = 600
#: With fewer examples each is drawn several times, so that two like jobs of a scenario seldom share their noise.
_LEAST_ROWS = 400


@dataclass(frozen=True)
class Examples:
    """A request of jobs to be like, and how much each counts.

    Attributes
    ----------
    request : JobTable
        Without figures, all on one day.
    weight : float64 array (n_jobs,)
        In jobs: copies of one job share its weight.
    """

    request: JobTable
    weight: NDArray[np.float64]


def examples_of(table: JobTable, today: int, day: int, *, least_rows: int = _LEAST_ROWS) -> Examples:
    """Return the newest jobs of a history, in order of day, as a request for one day ahead.

    Parameters
    ----------
    table : JobTable
        Jobs before `today`, in order of day.
    today : int
        Day from which their age counts.
    day : int
        Day on which the jobs are asked about.
    least_rows : int
        Fewer jobs are copied until there are so many.
    """
    newest = table if table.n_jobs <= MOST_EXAMPLES else table.take_jobs(
        np.arange(table.n_jobs - MOST_EXAMPLES, table.n_jobs)
    )  # fmt: skip
    copies = max(1, -(-least_rows // newest.n_jobs)) if newest.n_jobs else 1
    weight = np.tile(recency(newest.day, today) / copies, copies)
    request = repeated(newest.without_figures(), copies)
    return Examples(replace(request, day=np.full(request.n_jobs, day, dtype=np.int64)), weight)


def repeated(table: JobTable, copies: int) -> JobTable:
    """Return a request (nothing observed) with each job so many times, copy after copy, under names of their own."""
    if copies == 1:
        return table

    def again(factor: Factor) -> Factor:
        return Factor(factor.names, np.tile(factor.codes, copies))

    offset = np.repeat(np.arange(copies) * table.n_jobs, table.n_lines)
    return JobTable(
        job_id=tuple(f"{job}#{k}" for k in range(copies) for job in table.job_id),
        day=np.tile(table.day, copies),
        customer=again(table.customer),
        ambient_f=np.tile(table.ambient_f, copies),
        line_job=np.tile(table.line_job, copies) + offset,
        vehicle_class=again(table.vehicle_class),
        zone=again(table.zone),
        machine=again(table.machine),
        operator=again(table.operator),
        soil=np.tile(table.soil, copies),
        coating_removed=np.tile(table.coating_removed, copies),
        settings={name: np.tile(column, copies) for name, column in table.settings.items()},
        pellets=Observed.nothing(table.n_lines * copies),
        minutes=Observed.nothing(table.n_lines * copies),
    )


def with_machine(request: JobTable, name: str) -> JobTable:
    """Return the request with a further machine that takes an even share: every (k + 1)-th job of a shop with k."""
    k = len(set(request.machine.codes[request.machine.codes >= 0].tolist()))
    names = request.machine.names if name in request.machine.names else (*request.machine.names, name)
    taken = request.line_job % (k + 1) == 0
    codes = np.where(taken, names.index(name), request.machine.codes).astype(np.int32)
    return replace(request, machine=Factor(names, codes))


def without_technique(request: JobTable) -> JobTable:
    """Return the request done the usual way: machine, operator, settings and ice age left blank."""
    blank = np.full(request.n_lines, np.nan)
    nobody = Factor((), np.full(request.n_lines, -1, dtype=np.int32))
    return replace(request, machine=nobody, operator=nobody, settings=dict.fromkeys(request.settings, blank))


def at_soil(request: JobTable, soil: int) -> JobTable:
    """Return the request with every zone at one soil level."""
    return replace(request, soil=np.full(request.n_lines, soil, dtype=np.int64))
