"""The fitted learner as numbers, its JSON form, and predictions from it. Needs numpy only."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from models.consumption.backtest import Record
from models.consumption.conformal import ProbitMap
from models.consumption.design import CELL, Columns
from models.consumption.latent_soil import SoilModel
from models.consumption.planning import Planning, PlanningFigures
from models.consumption.sampler import States
from models.consumption.usual import Usual
from shared.errors import RimebookError
from shared.vocabulary import QUANTITIES, Quantity

if TYPE_CHECKING:
    from models.consumption.jobs import JobTable

#: Raised whenever the meaning of a stored number changes.
SCHEMA = 2
#: Digits kept of each stored state: far below what 300 states can tell.
_UNIT = {
    "b": 1e-4, "tau": 1e-4, "line_sd": 1e-4, "other_sd": 1e-4,
    "noise_growth": 1e-4, "job_sd": 1e-4, "tail": 1e-2, "time_scale": 1e-5, "visit": 1e-3,
    "rho": 1e-4, "grade": 1.0, "on_first": 1.0, "place": 1.0,
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
        # A fit stored before settings were learned by zone has none of these, nor their scale: the last, never read.
        blocks.setdefault("setting_zone", ())
        soil = body["soil"]
        usual = body["usual"]
        return cls(
            planning=Planning(*(_figures_of(body["planning"][q]) for q in QUANTITIES)),
            columns=Columns(blocks),
            states=_states_of(body["states"], blocks),
            # Field by field: a fit may have been stored when there were more.
            soil=SoilModel(
                cuts=tuple(soil["cuts"]),
                zone=soil["zone"],
                vehicle_class=soil["vehicle_class"],
                season=tuple(soil["season"]),
                job_share=soil["job_share"],
            ),
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


def _states_of(stored: dict[str, Any], blocks: dict[str, tuple[str, ...]]) -> States:
    """Return stored states; those stored before grades, working orders or noise by soil were drawn know of none."""
    parts = {
        name: (np.array(part["values"], dtype=np.float64) * _UNIT[name]).reshape(part["shape"])
        for name, part in stored.items()
    }
    n = len(parts["tail"])
    unasked = {
        "grade": np.zeros((n, len(blocks["operator"]))), "on_first": np.zeros(n),
        "place": np.zeros((n, len(blocks["zone"]))), "noise_growth": np.zeros((n, 2)),
    }  # fmt: skip
    return States(**{**unasked, **parts})


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
