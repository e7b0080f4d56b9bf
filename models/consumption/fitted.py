"""The fitted learner as numbers, its JSON form, and predictions from it. Needs numpy only."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from models.consumption.answer import Consumption
from models.consumption.backtest import Record
from models.consumption.conformal import ProbitMap, remapped
from models.consumption.design import CELL, Columns
from models.consumption.draws import Scenarios
from models.consumption.latent_soil import SoilModel
from models.consumption.mapping import job_kinds
from models.consumption.planning import Planning, PlanningFigures
from models.consumption.sampler import States
from models.consumption.usual import Usual
from shared.errors import RimebookError
from shared.predictive import Predictive
from shared.vocabulary import QUANTITIES, Basis, Quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable

#: Raised whenever the meaning of a stored number changes.
SCHEMA = 2
#: From so many usable jobs on, and with so many that share class and a zone, an answer is called learned.
LEARNED_JOBS = 30
LEARNED_SIMILAR = 5
#: Digits kept of each stored state: far below what 300 states can tell.
_UNIT = {
    "b": 1e-4, "tau": 1e-4, "line_sd": 1e-4, "other_sd": 1e-4,
    "job_sd": 1e-4, "tail": 1e-2, "time_scale": 1e-5, "visit": 1e-3,
    "rho": 1e-4,
}  # fmt: skip


@dataclass(frozen=True)
class FittedModel:
    """What was learned from a job table: numbers and words only.

    Attributes
    ----------
    planning : Planning
        The figures it was fitted with as its prior.
    columns : Columns
    states : States
        Posterior draws.
    soil : SoilModel
    usual : Usual
    kinds : dict str -> int
        Number of past jobs of each set of class and zone pairs.
    n_jobs, n_lines : int
        Usable jobs and lines behind it.
    n_values : tuple of 2 ints
        Recorded figures of pellets and minutes.
    last_day : int
        Day (ordinal) of the last job, 0 without any.
    maps : dict quantity -> ProbitMap
        Calibration of the job totals.
    record_text : str
        The backtest's record as JSON; read by `record`.
    """

    planning: Planning
    columns: Columns
    states: States
    soil: SoilModel
    usual: Usual
    kinds: dict[str, int]
    n_jobs: int
    n_lines: int
    n_values: tuple[int, int]
    last_day: int
    maps: dict[Quantity, ProbitMap] = field(default_factory=dict)
    record_text: str = ""

    def record(self) -> Record:
        """Return the out-of-sample record of the backtest, empty where none was made."""
        return Record.from_json(self.record_text) if self.record_text else Record.empty()

    def to_json(self) -> str:
        """Return the model as JSON text; states are integers in small fixed units."""
        states = {}
        for name, unit in _UNIT.items():
            array = getattr(self.states, name)
            states[name] = {"shape": array.shape, "values": np.rint(array / unit).astype(np.int64).ravel().tolist()}
        body = {
            "schema": SCHEMA,
            "planning": {q: _figures(self.planning.of(q)) for q in QUANTITIES},
            "columns": self.columns.blocks,
            "states": states,
            "soil": asdict(self.soil),
            "usual": asdict(self.usual),
            "kinds": self.kinds,
            "n_jobs": self.n_jobs,
            "n_lines": self.n_lines,
            "n_values": self.n_values,
            "last_day": self.last_day,
            "maps": {q: asdict(m) for q, m in self.maps.items()},
            "record": self.record_text,
        }
        return json.dumps(body, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> FittedModel:
        """Return the model stored as `text`.

        Raises
        ------
        RimebookError
            ``fit-version`` when the text was written under another schema.
        """
        body: dict[str, Any] = json.loads(text)
        if body.get("schema") != SCHEMA:
            raise RimebookError(
                "fit-version",
                where="the stored fit",
                found=f"schema {body.get('schema')}",
                expected=f"schema {SCHEMA}",
                do="Run learn again.",
            )
        blocks = {name: tuple(keys) for name, keys in body["columns"].items()}
        soil = body["soil"]
        usual = body["usual"]
        return cls(
            planning=Planning(*(_figures_of(body["planning"][q]) for q in QUANTITIES)),
            columns=Columns(blocks),
            states=_states_of(body["states"]),
            soil=SoilModel(**{**soil, "cuts": tuple(soil["cuts"]), "season": tuple(soil["season"])}),
            usual=Usual(
                {k: tuple(v) for k, v in usual["shares"].items()}, {k: tuple(v) for k, v in usual["settings"].items()}
            ),
            kinds=body["kinds"],
            n_jobs=body["n_jobs"],
            n_lines=body["n_lines"],
            n_values=(body["n_values"][0], body["n_values"][1]),
            last_day=body["last_day"],
            maps={q: ProbitMap(**body["maps"][q]) for q in QUANTITIES if q in body["maps"]},
            record_text=body["record"],
        )


def rounded_states(states: States) -> States:
    """Return the states as they read after being stored, so that a fresh fit and its stored form agree exactly."""
    return States(**{name: np.rint(getattr(states, name) / unit) * unit for name, unit in _UNIT.items()})


def _states_of(stored: dict[str, Any]) -> States:
    return States(
        **{
            name: (np.array(stored[name]["values"], dtype=np.float64) * unit).reshape(stored[name]["shape"])
            for name, unit in _UNIT.items()
        }
    )


def _figures(figures: PlanningFigures) -> dict[str, Any]:
    return {
        "zone": dict(figures.zone),
        "vehicle_class": dict(figures.vehicle_class),
        "soil": list(figures.soil),
        "coating_factor": figures.coating_factor,
        "spread": figures.spread,
    }


def _figures_of(stored: dict[str, Any]) -> PlanningFigures:
    light, moderate, heavy, severe = stored["soil"]
    return PlanningFigures(
        stored["zone"],
        stored["vehicle_class"],
        (light, moderate, heavy, severe),
        stored["coating_factor"],
        stored["spread"],
    )


def kinds_of(table: JobTable) -> list[str]:
    """Return each job's set of class and zone pairs as one string, in order of the jobs."""
    vehicle, zone = table.vehicle_class.words(), table.zone.words()
    pairs: list[set[str]] = [set() for _ in range(table.n_jobs)]
    for line, job in enumerate(table.line_job.tolist()):
        pairs[job].add(vehicle[line] + CELL + zone[line])
    return ["\n".join(sorted(p)) for p in pairs]


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
    n_scores = min((fitted.maps[q].n for q in QUANTITIES if q in fitted.maps), default=0)
    return Consumption(
        request=request,
        pellets=predictives[0],
        minutes=predictives[1],
        basis=tuple(_job_basis(fitted, int(n)) for n in similar),
        similar_jobs=similar,
        n_calibration=np.full(request.n_jobs, n_scores, dtype=np.int64),
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
