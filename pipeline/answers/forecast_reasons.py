"""Why the first whole month ahead differs from the last one: jobs, mix, soil, technique, ice; the parts add up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.consumption.predicting import predict
from models.demand.examples import Examples, at_soil, without_technique
from models.demand.reasons import parts_of_change
from shared.vocabulary import SOILS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.consumption.fitted import FittedModel
    from models.consumption.jobs import JobTable
    from models.demand.calendar import Month
    from models.demand.record import Actual
    from pipeline.answers.forecast_ground import Ground
    from pipeline.answers.forecast_ice import IceTerms, LostBasis

Of = Literal["jobs", "mix", "soil", "technique", "ice"]

#: Enough for a mean over many jobs, and quick.
_DRAWS = 300
_MODERATE = SOILS.index("moderate")


@dataclass(frozen=True)
class Because:
    """One reason and its part of the change in pellets bought, lb; the parts add up to the change."""

    of: Of
    pellets_lb: float


@dataclass(frozen=True)
class Against:
    """The last whole month on record: what was logged, and with what is lost in such a month, as `lost_basis` tells."""

    month: str
    jobs: int
    pellets_used_lb: float
    pellets_bought_lb: float
    lost_basis: LostBasis


@dataclass(frozen=True)
class Compared:
    """Draws of the month that is explained, each (n_draws,), and what its jobs are like.

    `like` weighs by jobs of the month: past ones for those that are not booked yet, and those that are.
    """

    month: Month
    jobs: NDArray[np.float64]
    used_lb: NDArray[np.float64]
    lost_lb: NDArray[np.float64]
    like: Sequence[Examples]


def reasons(
    ground: Ground, fitted: FittedModel, actual: Sequence[Actual], terms: IceTerms, ahead: Compared
) -> tuple[tuple[Because, ...], Against | None]:
    """Return the reasons and the month they compare with; none where that month cannot be compared.

    Pellets used are jobs x (a job of this mix at moderate soil, done the usual way) x (its own soil over moderate) x
    (what it takes over what like jobs take the usual way). The last factor is technique, and for the past month also
    chance. What is lost enters as it is, under `ice`, by the same law for both months.
    """
    last = actual[-1] if actual else None
    if last is None or last.month.last < ground.known.today - 62 or not np.isfinite(last.pellets_lb):
        return (), None
    lost_then = terms.lost.expected(last.pellets_lb, *terms.supplied(last.month))
    against = Against(last.month.name, int(last.jobs), last.pellets_lb, last.pellets_lb + lost_then,
                      terms.lost_basis)  # fmt: skip
    used, jobs = float(ahead.used_lb.mean()), float(ahead.jobs.mean())
    if min(used, jobs, last.pellets_lb, last.jobs) <= 0:
        return (), against
    inside = (ground.table.day >= last.month.first) & (ground.table.day <= last.month.last)
    then = ground.table.take_jobs(inside)
    day = int(ahead.like[0].request.day[0])
    before = _usual_means(fitted, [Examples(_on(then, day), np.ones(then.n_jobs))])
    after = _usual_means(fitted, [Examples(_on(e.request, day), e.weight) for e in ahead.like])
    parts = parts_of_change(
        {
            "jobs": (last.jobs, jobs),
            "mix": (before[0], after[0]),
            "soil": (before[1] / before[0], after[1] / after[0]),
            "technique": (last.pellets_lb / last.jobs / before[1], used / jobs / after[1]),
        }
    )
    ice = float(ahead.lost_lb.mean()) - lost_then
    names: tuple[Of, ...] = ("jobs", "mix", "soil", "technique")
    return (*(Because(name, parts[name]) for name in names), Because("ice", ice)), against


def _on(table: JobTable, day: int) -> JobTable:
    """Return finished jobs as a request for another day, so that time explains nothing."""
    return replace(table.without_figures(), day=np.full(table.n_jobs, day, dtype=np.int64))


def _usual_means(fitted: FittedModel, like: Sequence[Examples]) -> tuple[float, float]:
    """Return the mean pellets of a job done the usual way: all at moderate soil, and at its own soil."""
    weight = np.concatenate([e.weight for e in like])

    def mean(soil: int | None) -> float:
        taken = []
        for e in like:
            usual = without_technique(e.request)
            asked = usual if soil is None else at_soil(usual, soil)
            taken.append(predict(fitted, asked, seed=1, n_draws=_DRAWS).jobs("pellets_lb").draws.mean(axis=1))
        return float(weight @ np.concatenate(taken) / weight.sum())

    return mean(_MODERATE), mean(None)
