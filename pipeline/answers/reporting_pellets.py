"""Where pellets go: what a zone takes by class and soil, and what was logged by zone and class."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.planning import log_median
from models.consumption.predicting import predict
from pipeline.answers.answer import QuantitySummary, summarise
from pipeline.answers.requests import JobAsked, LineAsked, request_table
from shared.vocabulary import CLASSES, SOILS, ZONES

if TYPE_CHECKING:
    from models.consumption.jobs import JobTable
    from pipeline.answers.answer import Asking
    from pipeline.answers.fitting import CurrentFit

#: Zones and classes shown: those the shop works most.
N_ZONES, N_CLASSES = 4, 4
_YEAR_DAYS = 365


@dataclass(frozen=True)
class Cell:
    """Pellets of one zone of one vehicle at one soil level."""

    vehicle_class: str
    zone: str
    soil_level: str
    pellets_lb: QuantitySummary


@dataclass(frozen=True)
class PartUsed:
    """Pellets logged in a year for one zone or class; a visit known only by its total counts by planning shares."""

    by: str
    name: str
    jobs: int
    pellets_lb: float
    share: float


def cells(asking: Asking, fit: CurrentFit, table: JobTable) -> tuple[Cell, ...]:
    """Return what the most worked zones take by class and soil; the first of each list where nothing is logged."""
    zones = _most(table.zone.words(), ZONES, N_ZONES)
    classes = _most(table.vehicle_class.words(), CLASSES, N_CLASSES)
    keys = [(c, z, s) for z in zones for c in classes for s in SOILS]
    jobs = [JobAsked(f"{c}/{z}/{s}", asking.today, (LineAsked(c, z, s),)) for c, z, s in keys]
    drawn = predict(fit.fitted, request_table(jobs), seed=asking.seed)
    return tuple(
        Cell(c, z, s, summarise(drawn.pellets.draws[i], level=asking.level, n_scores=int(drawn.n_calibration[0, i])))
        for i, (c, z, s) in enumerate(keys)
    )


def _most(words: list[str], fallback: tuple[str, ...], n: int) -> list[str]:
    counted = Counter(w for w in words if w)
    return sorted(counted, key=lambda w: (-counted[w], w))[:n] or list(fallback[:n])


def parts_used(asking: Asking, table: JobTable) -> tuple[PartUsed, ...]:
    """Return the pellets logged in the last year by zone and by class, the most first."""
    recent = table.take_jobs(table.day >= asking.today.toordinal() - _YEAR_DAYS)
    total = recent.job_total("pellets_lb")
    kept = recent.take_jobs(np.isfinite(total))
    if not kept.n_jobs:
        return ()
    weight = np.exp(log_median(kept, asking.book.settings.planning().pellets_lb))
    share = weight / np.bincount(kept.line_job, weight, kept.n_jobs)[kept.line_job]
    line_lb = kept.job_total("pellets_lb")[kept.line_job] * share
    alone = (kept.pellets.group >= 0) & (kept.pellets.size()[np.maximum(kept.pellets.group, 0)] == 1)
    line_lb[alone] = kept.pellets.value[kept.pellets.group[alone]]
    found = []
    for by, factor in (("zone", kept.zone), ("class", kept.vehicle_class)):
        for code, name in enumerate(factor.names):
            lines = factor.codes == code
            if lines.any():
                lb = float(line_lb[lines].sum())
                jobs = len(np.unique(kept.line_job[lines]))
                found.append(PartUsed(by, name, jobs, lb, lb / float(line_lb.sum())))
    return tuple(sorted(found, key=lambda p: (p.by != "zone", -p.pellets_lb, p.name)))
