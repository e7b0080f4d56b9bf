"""Pellets and minutes of jobs that are asked about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.fitted import predict
from pipeline.answers.answer import Answer, Asking, QuantitySummary, summarise
from pipeline.answers.cautions import cautions_for
from pipeline.answers.fitting import CurrentFit, current_fit
from pipeline.answers.requests import JobAsked, request_table
from pipeline.answers.safety_warning import bay_warning
from pipeline.answers.similar import LikeJob, like_jobs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from models.consumption.answer import Consumption
    from shared.vocabulary import Basis


@dataclass(frozen=True)
class LineEstimate:
    """One zone's share of an estimate."""

    zone: str
    soil_level: str
    pellets_lb: QuantitySummary
    minutes: QuantitySummary


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
    fit = current_fit(asking)
    known = {column: fit.fitted.columns.blocks[column] for column in ("machine", "operator")}
    return Predicted(tuple(jobs), predict(fit.fitted, request_table(jobs, known), seed=asking.seed), fit)


def estimate_jobs(asking: Asking, jobs: Sequence[JobAsked], *, n_like: int = 0) -> Answer[EstimateResult]:
    """Return what each job will take.

    Parameters
    ----------
    jobs : sequence of JobAsked
    n_like : int
        Most similar past jobs to list beside each, with what they took.
    """
    found = predicted(asking, jobs)
    estimates = estimates_of(asking, found, n_like=n_like)
    zones = {line.zone for job in found.jobs for line in job.lines}
    return Answer(
        EstimateResult(estimates),
        warnings_of(asking, found, estimates),
        tuple(cautions_for("estimate", sorted(zones), settings=asking.book.settings,
                           coating_removed=any(line.coating_removed for job in jobs for line in job.lines))),
    )  # fmt: skip


def estimates_of(asking: Asking, found: Predicted, *, n_like: int = 0) -> tuple[JobEstimate, ...]:
    """Return the summaries of what was predicted, one for each job."""
    return tuple(_estimate(asking, found, j, n_like) for j in range(len(found.jobs)))


def _estimate(asking: Asking, found: Predicted, j: int, n_like: int) -> JobEstimate:
    job, consumption = found.jobs[j], found.consumption
    n_scores = int(consumption.n_calibration[j])
    rows = np.flatnonzero(consumption.request.line_job == j)

    def told(draws: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> QuantitySummary:
        return summarise(draws, level=asking.level, n_scores=n_scores)

    pellets, minutes = consumption.pellets.draws[rows], consumption.minutes.draws[rows]
    lines = tuple(
        LineEstimate(line.zone, line.soil_level or "unknown", told(pellets[i]), told(minutes[i]))
        for i, line in enumerate(job.lines)
    )
    return JobEstimate(
        job_id=job.job_id,
        basis=consumption.basis[j],
        similar_jobs=int(consumption.similar_jobs[j]),
        pellets_lb=told(pellets.sum(axis=0)),
        minutes=told(minutes.sum(axis=0)),
        lines=lines,
        like=like_jobs(asking, job, n_like) if n_like else (),
    )


def warnings_of(asking: Asking, found: Predicted, estimates: Sequence[JobEstimate]) -> tuple[str, ...]:
    """Return what must be said beside estimates: of the fit, of their ground, of the bay's air."""
    return (
        *found.fit.warnings,
        *basis_warnings(asking, estimates),
        *bay_warning(asking.book.settings, found.consumption),
    )


def basis_warnings(asking: Asking, estimates: Sequence[JobEstimate]) -> tuple[str, ...]:
    """Return what must be said about the ground the estimates stand on."""
    said: list[str] = []
    if any(e.basis == "planning" for e in estimates):
        said.append(
            "There is no usable history yet: these are planning figures from book.toml. Import a job log or record "
            "jobs with `rimebook log`, then run `rimebook learn`."
        )
    elif any(not e.pellets_lb.interval.supported for e in estimates):
        said.append(
            f"The record is too short to stand behind a {asking.level:g} interval; it is answered from coarser "
            "ground. More logged jobs will support it."
        )
    return tuple(said)
