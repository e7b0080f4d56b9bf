"""Estimates as text: the answer first, then the zones, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.requests import several_vehicles
from pipeline.present.figures import minutes, minutes_range, percent, words
from pipeline.present.terminal import Column, paragraph, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.answer import Answer, QuantitySummary
    from pipeline.answers.estimating import EstimateResult, JobEstimate, LineEstimate
    from pipeline.answers.requests import OfVehicle
    from pipeline.answers.similar import LikeJob
    from pipeline.present.figures import Style

_BASIS = {
    "planning": "planning figures from book.toml; nothing learned yet",
    "mixed": "planning figures mixed with the few jobs in the log",
    "learned": "learned from the shop's own log",
}


def render_estimate(answer: Answer[EstimateResult], style: Style) -> str:
    """Return one block for each job asked about."""
    return "\n\n".join(_job(estimate, style) for estimate in answer.result.estimates)


def basis_line(basis: str, similar_jobs: int) -> str:
    """Return what an answer rests on, as a sentence."""
    like = "no past job shares its class and a zone" if similar_jobs == 0 else (
        f"{similar_jobs:,} past job{'s' if similar_jobs > 1 else ''} share{'' if similar_jobs > 1 else 's'} its class "
        "and a zone"
    )  # fmt: skip
    return f"Basis: {_BASIS[basis]}" + ("." if basis == "planning" else f"; {like}.")


def vehicle_words(line: OfVehicle) -> str:
    """Return whose a line is: the class, and what tells the vehicle apart where that was said."""
    return f"{words(line.vehicle_class)} {line.vehicle}".rstrip()


def line_names(lines: Sequence[LineEstimate]) -> list[str]:
    """Return the zone of each line, and the vehicle before it where a visit has several."""
    several = several_vehicles(lines)
    return [f"{vehicle_words(line)}: {words(line.zone)}" if several else words(line.zone) for line in lines]


def weights(figure: QuantitySummary, style: Style) -> str:
    """Return the interval of a weight."""
    return style.weight_range(figure.interval.low, figure.interval.high)


def times(figure: QuantitySummary) -> str:
    """Return the interval of a time, in the unit of its median."""
    return minutes_range(figure.interval.low, figure.interval.high, figure.quantiles[0.5])


def _job(estimate: JobEstimate, style: Style) -> str:
    level = percent(estimate.pellets_lb.interval.level)
    names = line_names(estimate.lines)
    lines = [(n, x.soil_level, x.pellets_lb, x.minutes) for n, x in zip(names, estimate.lines, strict=True)]
    rows = [("Whole job", "", estimate.pellets_lb, estimate.minutes), *lines] if len(lines) > 1 else lines
    between = Column(f"{level} between", "number")
    head = [Column(f"Job {estimate.job_id}"), Column("Soil"), Column("Pellets", "number"), between,
            Column("Time", "number"), between]  # fmt: skip
    grid = table(
        head,
        [
            [name, soil, style.weight(p.quantiles[0.5]), weights(p, style), minutes(m.quantiles[0.5]),
             times(m)]
            for name, soil, p, m in rows
        ],
    )  # fmt: skip
    blocks = [grid, paragraph(basis_line(estimate.basis, estimate.similar_jobs))]
    if any(line.soil_level == "unknown" for line in estimate.lines):
        planned = estimate.basis == "planning"
        mix = "the soil levels by planning shares" if planned else "what this shop finds on such vehicles"
        blocks.append(paragraph(f"Soil not seen yet: mixed over {mix}."))
    if estimate.like:
        blocks += ["", _like(estimate.like, style)]
    return "\n".join(blocks)


def _like(like: tuple[LikeJob, ...], style: Style) -> str:
    rows = [
        [job.job_id, job.date.isoformat(), ", ".join(words(z) for z in job.zones),
         "-" if job.pellets_lb is None else style.weight(job.pellets_lb),
         "-" if job.minutes is None else minutes(job.minutes)]
        for job in like
    ]  # fmt: skip
    return table([Column("Like job"), Column("Date"), Column("Zones"), Column("Took", "number"),
                  Column("Time", "number")], rows)  # fmt: skip
