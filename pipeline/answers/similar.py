"""The most similar past jobs, with what they took."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from shared.vocabulary import SOILS, UNKNOWN, UNKNOWN_SOIL, soil_code

if TYPE_CHECKING:
    from models.consumption.jobs import JobTable
    from pipeline.answers.requests import JobAsked

#: What the same soil level on a shared zone adds to the likeness of a job, against 1 for the zone itself.
_SOIL_WEIGHT = 0.5


@dataclass(frozen=True)
class LikeJob:
    """A past job: its zones with soil, and what was recorded (None where not)."""

    job_id: str
    date: date
    zones: tuple[str, ...]
    pellets_lb: float | None
    minutes: float | None


def like_jobs(table: JobTable, job: JobAsked, n: int) -> tuple[LikeJob, ...]:
    """Return the n past jobs most like one that is asked about, the likest first, the newer first among equals.

    Likeness is the share of common (class, zone) pairs among all pairs of the two jobs (Jaccard index), where a
    common pair counts half as much again when its soil level agrees too.
    """
    pairs = list(zip(table.vehicle_class.words(), table.zone.words(), table.soil.tolist(), strict=True))
    wanted = {(line.vehicle_class, line.zone): soil_code(line.soil_level) for line in job.lines}
    starts = np.searchsorted(table.line_job, np.arange(table.n_jobs + 1))
    scored: list[tuple[float, int]] = []
    for row in range(table.n_jobs):
        mine = {(c, z): s for c, z, s in pairs[starts[row] : starts[row + 1]]}
        common = wanted.keys() & mine.keys()
        if common:
            same_soil = sum(wanted[p] == mine[p] != UNKNOWN_SOIL for p in common)
            scored.append(((len(common) + _SOIL_WEIGHT * same_soil) / len(wanted.keys() | mine.keys()), row))
    scored.sort(key=lambda item: (-item[0], -int(table.day[item[1]]), table.job_id[item[1]]))
    totals = [table.job_total("pellets_lb"), table.job_total("minutes")]
    return tuple(
        LikeJob(
            table.job_id[row],
            date.fromordinal(int(table.day[row])),
            tuple(f"{z}:{SOILS[s] if s >= 0 else UNKNOWN}" for _, z, s in pairs[starts[row] : starts[row + 1]]),
            *(None if np.isnan(total[row]) else float(total[row]) for total in totals),
        )
        for _, row in scored[:n]
    )
