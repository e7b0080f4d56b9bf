"""Answers of a fitted learner: joint draws of a request's lines, calibrated on the job's totals. Needs numpy only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption.answer import Consumption
from models.consumption.conformal import remapped
from models.consumption.draws import Scenarios
from models.consumption.fitted import kinds_of
from models.consumption.mapping import job_kinds
from shared.predictive import Predictive
from shared.vocabulary import QUANTITIES, Basis

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.fitted import FittedModel
    from models.consumption.jobs import JobTable

#: From so many usable jobs on, and with so many that share class and a zone, an answer is called learned.
LEARNED_JOBS = 30
LEARNED_SIMILAR = 5


def predict(
    fitted: FittedModel, request: JobTable, *, seed: int, n_draws: int = 2000, alone: bool = False
) -> Consumption:
    """Return joint draws of pellets and minutes for the lines of a request.

    A job's answer depends on the model, the seed, the number of draws and the job itself; not on the order of the
    request nor on unlike jobs beside it. Each job's totals pass through the calibration map of their quantity, line
    draws of a scenario keep their proportions.

    Parameters
    ----------
    fitted : FittedModel
    request : JobTable
        Recorded figures in it are ignored.
    seed : int
        Any integer; the same seed gives the same draws.
    n_draws : int
        Number of scenarios.
    alone : bool
        Answer each job as if it were asked by itself: jobs alike, which else vary independently, draw the same.
    """
    drawn = Scenarios(fitted, request, seed, n_draws, alone=alone).run()
    kinds = job_kinds(request) if any(m.by_kind for m in fitted.maps.values()) else []
    similar = _similar(fitted, request)
    predictives = []
    for quantity, draws in zip(QUANTITIES, drawn, strict=True):
        if quantity in fitted.maps:
            level_map = fitted.maps[quantity]
            correction = level_map.corrections(kinds) if level_map.by_kind else None
            draws = remapped(draws, request.line_job, request.n_jobs, level_map, correction)
        unit = "lb" if quantity == "pellets_lb" else "min"
        predictives.append(Predictive(draws, quantity, unit, _fit_basis(fitted), fitted.n_lines))
    n_scores = np.array([fitted.maps[q].n if q in fitted.maps else 0 for q in QUANTITIES], dtype=np.int64)
    return Consumption(
        request=request,
        pellets=predictives[0],
        minutes=predictives[1],
        basis=tuple(_job_basis(fitted, int(n)) for n in similar),
        similar_jobs=similar,
        n_calibration=np.repeat(n_scores[:, None], request.n_jobs, axis=1),
    )


def _fit_basis(fitted: FittedModel) -> Basis:
    if not fitted.n_jobs:
        return "planning"
    return "learned" if fitted.n_jobs >= LEARNED_JOBS and min(fitted.n_values) >= LEARNED_JOBS else "mixed"


def _job_basis(fitted: FittedModel, similar: int) -> Basis:
    basis = _fit_basis(fitted)
    return "mixed" if basis == "learned" and similar < LEARNED_SIMILAR else basis


def _similar(fitted: FittedModel, request: JobTable) -> NDArray[np.int64]:
    known = [(set(kind.split("\n")), count) for kind, count in fitted.kinds.items()]
    counts: dict[str, int] = {}
    asked = kinds_of(request)
    for kind in set(asked):
        pairs = set(kind.split("\n"))
        counts[kind] = sum(count for have, count in known if not pairs.isdisjoint(have))
    return np.array([counts[kind] for kind in asked], dtype=np.int64)
