"""Rows of a simulated log as the job table a learner takes, without going through a book."""

from datetime import date

import numpy as np
from worlds import Row, World

from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.planning import CLASS_FACTOR, Planning, PlanningFigures
from shared.vocabulary import Quantity, soil_code


def job_table(rows: list[Row]) -> JobTable:
    """Return the rows as arrays; the rows of a job stand together."""
    ids = list(dict.fromkeys(row["job_id"] for row in rows))
    position = {job_id: j for j, job_id in enumerate(ids)}
    line_job = np.array([position[row["job_id"]] for row in rows], dtype=np.int64)
    first = {row["job_id"]: row for row in reversed(rows)}
    settings = {name: np.array([_number(row.get(name, "")) for row in rows]) for name in SETTINGS}
    return JobTable(
        job_id=tuple(ids),
        day=np.array([date.fromisoformat(first[i]["date"]).toordinal() for i in ids], dtype=np.int64),
        customer=Factor.of([""] * len(ids)),
        ambient_f=np.full(len(ids), np.nan),
        line_job=line_job,
        vehicle_class=Factor.of(row["vehicle_class"] for row in rows),
        zone=Factor.of(row["zone"] for row in rows),
        machine=Factor.of(row["machine"] for row in rows),
        operator=Factor.of(row["operator"] for row in rows),
        soil=np.array([soil_code(row["soil_level"]) for row in rows], dtype=np.int64),
        coating_removed=np.array([row["coating_removed"] == "yes" for row in rows]),
        settings=settings,
        pellets=_observed(rows, line_job, "pellets_lb"),
        minutes=_observed(rows, line_job, "minutes"),
    )


def planning(world: World) -> Planning:
    """Return the wrong planning figures of a shop, with the defaults for classes and soil."""
    figures = {q: PlanningFigures(zones, CLASS_FACTOR) for q, zones in world.planning.items()}
    return Planning(pellets_lb=figures["pellets_lb"], minutes=figures["minutes"])


def _number(cell: str) -> float:
    return float(cell) if cell else float("nan")


def _observed(rows: list[Row], line_job: np.ndarray, quantity: Quantity) -> Observed:
    group, value = np.full(len(rows), -1, dtype=np.int64), []
    of_job: dict[int, int] = {}
    for i, row in enumerate(rows):
        if row.get(quantity):
            group[i] = len(value)
            value.append(float(row[quantity]))
        elif row.get(f"job_{quantity}"):
            if line_job[i] not in of_job:
                of_job[line_job[i]] = len(value)
                value.append(float(row[f"job_{quantity}"]))
            group[i] = of_job[line_job[i]]
    return Observed(group, np.array(value, dtype=np.float64))
