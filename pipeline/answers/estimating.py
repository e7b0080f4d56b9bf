"""Pellets and minutes of jobs that are asked about."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.predicting import predict
from pipeline.answers.answer import Answer, Asking, QuantitySummary, summaries
from pipeline.answers.cautions import cautions_for
from pipeline.answers.fitting import CurrentFit, current_fit, too_narrow
from pipeline.answers.history import history
from pipeline.answers.known_customers import KnownCustomers
from pipeline.answers.request_notes import request_notes
from pipeline.answers.requests import JobAsked, asked_table
from pipeline.answers.safety_warning import bay_chances, bay_sentences
from pipeline.answers.similar import LikeJob, like_jobs
from shared.vocabulary import UNKNOWN, soil_code

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from models.consumption.answer import Consumption
    from pipeline.book.settings import Settings
    from shared.vocabulary import Basis

#: Lines whose draws stand in memory at once: 16 kB a line and quantity, and some copies of it.
BLOCK_LINES = 500


@dataclass(frozen=True)
class LineEstimate:
    """One zone's share of an estimate; `vehicle` tells the vehicles of one visit apart, "" where there is one."""

    zone: str
    soil_level: str
    pellets_lb: QuantitySummary
    minutes: QuantitySummary
    vehicle_class: str
    vehicle: str


@dataclass(frozen=True)
class JobEstimate:
    """What a job will take: quantiles of its total are those of the summed scenarios, not sums of line quantiles."""

    job_id: str
    basis: Basis
    similar_jobs: int
    pellets_lb: QuantitySummary
    minutes: QuantitySummary
    lines: tuple[LineEstimate, ...]
    like: tuple[LikeJob, ...] = ()


@dataclass(frozen=True)
class EstimateResult:
    """One estimate for each job asked about, in the order asked."""

    estimates: tuple[JobEstimate, ...]


@dataclass(frozen=True)
class Predicted:
    """Jobs asked about with their draws and the fit behind them."""

    jobs: tuple[JobAsked, ...]
    consumption: Consumption
    fit: CurrentFit


def predicted(asking: Asking, jobs: Sequence[JobAsked]) -> Predicted:
    """Return the joint draws of the jobs asked about, from the fit as of `asking.today`."""
    return predicted_by(current_fit(asking), asking, jobs)


def predicted_by(
    fit: CurrentFit, asking: Asking, jobs: Sequence[JobAsked], customers: KnownCustomers | None = None
) -> Predicted:
    """Return the joint draws of the jobs asked about, for their customers, from a fit (and customers) at hand."""
    drawn = predict(fit.fitted, asked_table(fit.fitted, jobs), seed=asking.seed)
    return Predicted(tuple(jobs), (customers or KnownCustomers(asking)).applied(jobs, drawn), fit)


def blocks_of(jobs: Sequence[JobAsked], *, lines_each: int = 1) -> tuple[tuple[int, ...], ...]:
    """Return the places of the jobs in blocks whose draws fit in little memory at once.

    Jobs alike stand in one block, because the noise of a job is drawn from a stream named by what it is and by its
    turn among its like: the answers are those of all jobs asked at once. Each block is in increasing order.

    Parameters
    ----------
    jobs : sequence of JobAsked
    lines_each : int
        Drawn rows for each line of a job.
    """
    alike: dict[tuple[tuple[str, str, int], ...], list[int]] = {}
    for i, job in enumerate(jobs):
        key = tuple(sorted((x.vehicle_class, x.zone, soil_code(x.soil_level)) for x in job.lines))
        alike.setdefault(key, []).append(i)
    blocks: list[list[int]] = []
    room = 0
    for places in alike.values():
        n = lines_each * sum(len(jobs[i].lines) for i in places)
        if room < n:
            blocks.append([])
            room = BLOCK_LINES
        blocks[-1] += places
        room -= n
    return tuple(tuple(sorted(block)) for block in blocks)


def estimate_jobs(asking: Asking, jobs: Sequence[JobAsked], *, n_like: int = 0) -> Answer[EstimateResult]:
    """Return what each job will take.

    Parameters
    ----------
    jobs : sequence of JobAsked
    n_like : int
        Most similar past jobs to list beside each, with what they took.
    """
    fit, customers = current_fit(asking), KnownCustomers(asking)
    found: dict[int, JobEstimate] = {}
    bay = BayChances(len(jobs))
    for block in blocks_of(jobs):
        part = predicted_by(fit, asking, [jobs[i] for i in block], customers)
        found.update(zip(block, estimates_of(asking, part), strict=True))
        bay.add(block, bay_chances(asking.book.settings, part.consumption))
    estimates = tuple(found[i] for i in range(len(jobs)))
    if n_like:
        past = history(asking.book, asking.today)
        estimates = tuple(replace(e, like=like_jobs(past, job, n_like)) for e, job in zip(estimates, jobs, strict=True))
    zones = {line.zone for job in jobs for line in job.lines}
    return Answer(
        EstimateResult(estimates),
        (*warnings_of(asking, fit, estimates, bay), *customers.told(jobs), *request_notes(fit, jobs, asking.today)),
        tuple(cautions_for("estimate", sorted(zones), settings=asking.book.settings,
                           coating_removed=any(line.coating_removed for job in jobs for line in job.lines))),
    )  # fmt: skip


def estimates_of(asking: Asking, found: Predicted) -> tuple[JobEstimate, ...]:
    """Return the summaries of what was predicted, one for each job."""
    consumption = found.consumption
    n_scores, line_job = consumption.n_calibration, consumption.request.line_job
    first = np.searchsorted(line_job, np.arange(len(found.jobs)))

    def told(draws: NDArray[np.float64], n: NDArray[np.int64]) -> tuple[QuantitySummary, ...]:
        return summaries(draws, n.tolist(), level=asking.level)

    drawn = tuple(zip((consumption.pellets.draws, consumption.minutes.draws), n_scores, strict=True))
    lines = zip(*(told(draws, n[line_job]) for draws, n in drawn), strict=True)
    totals = zip(*(told(np.add.reduceat(draws, first, axis=0), n) for draws, n in drawn), strict=True)
    return tuple(
        JobEstimate(
            job_id=job.job_id, basis=consumption.basis[j], similar_jobs=int(consumption.similar_jobs[j]),
            pellets_lb=pellets, minutes=minutes,
            lines=tuple(
                LineEstimate(x.zone, x.soil_level or UNKNOWN, lb, took, x.vehicle_class, x.vehicle)
                for x, (lb, took) in zip(job.lines, lines, strict=False)  # the lines of later jobs follow
            ),
        )
        for j, (job, (pellets, minutes)) in enumerate(zip(found.jobs, totals, strict=True))
    )  # fmt: skip


class BayChances:
    """Each job's chance of passing the limits of the book's only bay, gathered block by block."""

    def __init__(self, n_jobs: int) -> None:
        self._n_jobs = n_jobs
        self._chances: dict[str, NDArray[np.float64]] = {}

    def add(self, places: Sequence[int], chances: Mapping[str, NDArray[np.float64]]) -> None:
        """Add the chances of the jobs at these places, as `bay_chances` tells them."""
        for key, values in chances.items():
            self._chances.setdefault(key, np.zeros(self._n_jobs))[list(places)] = values

    def sentences(self, settings: Settings, job_ids: Sequence[str]) -> list[str]:
        """Return what must be said of them."""
        return bay_sentences(settings, job_ids, self._chances)


def warnings_of(asking: Asking, fit: CurrentFit, estimates: Sequence[JobEstimate], bay: BayChances) -> tuple[str, ...]:
    """Return what must be said beside estimates: of the fit, of their ground, of the bay's air."""
    return (
        *fit.warnings,
        *too_narrow(asking, fit),
        *basis_warnings(asking, fit, estimates),
        *bay.sentences(asking.book.settings, [e.job_id for e in estimates]),
    )


def basis_warnings(asking: Asking, fit: CurrentFit, estimates: Sequence[JobEstimate]) -> tuple[str, ...]:
    """Return what must be said about the ground the estimates stand on, beside what the fit says of itself."""
    if any(e.basis == "planning" for e in estimates):
        return () if fit.unlearned else (
            "There is no usable history yet: these are planning figures from book.toml. Import a job log or record "
            "jobs with `rimebook log`, then run `rimebook learn`.",
        )  # fmt: skip
    # A shop may log one of the two far less often than the other.
    told = {"pellets": [e.pellets_lb for e in estimates], "minutes": [e.minutes for e in estimates]}
    short = " and ".join(name for name, figures in told.items() if not all(f.interval.supported for f in figures))
    if not short:
        return ()
    return (short_record(short, asking.level),)


def short_record(of: str, level: float) -> str:
    """Return that the record of a quantity does not support ranges of a level."""
    return (
        f"The record of {of} is too short to stand behind a range of {100 * level:g} %; it is answered from coarser "
        "ground. More logged jobs will support it."
    )
