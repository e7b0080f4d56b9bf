"""Whether an operator grades soil differently from colleagues on like vehicles.

A grade one level too high makes the expectation too large and its operator look thrifty; one too low makes waste. So
the written grades are compared between operators within class, zone and quarter of the year: least squares on the
grade (0..3) with those as indicators, errors clustered by job (Liang & Zeger 1986, Biometrika 73:13-22).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.technique.design import indicators
from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.technique.design import Step

#: Two-sided p-value at which grading counts as different: a guard, so it errs on the side of not accusing.
GUARD = 0.02
_LEAST_JOBS = 8


@dataclass(frozen=True)
class Grading:
    """How one operator grades like vehicles against colleagues.

    Attributes
    ----------
    operator : str
    n_jobs : int
        Jobs with a grade.
    levels : float
        Mean difference in soil levels from colleagues; positive grades dirtier.
    p_value : float
        Two-sided; 1 where there is too little to say.
    """

    operator: str
    n_jobs: int
    levels: float
    p_value: float

    @property
    def differs(self) -> bool:
        """Whether the difference is past the guard and large enough to matter (a fifth of a level)."""
        return self.p_value < GUARD and abs(self.levels) >= 0.2

    def explains(self, log_ratio: float) -> bool:
        """Whether it may explain an effect: cleaner grades look like waste (> 0), dirtier ones like thrift."""
        return self.differs and self.levels * log_ratio < 0


def _like_columns(table: JobTable, lines: NDArray[np.int64]) -> NDArray[np.float64]:
    quarter = ((table.day[table.line_job[lines]] % DAYS_PER_YEAR) // (DAYS_PER_YEAR / 4)).astype(np.int32)
    vehicle, zone = table.vehicle_class.take(lines), table.zone.take(lines)
    return np.column_stack(
        [
            np.ones(len(lines)),
            indicators(vehicle.codes, len(vehicle.names)),
            indicators(zone.codes, len(zone.names)),
            indicators(quarter, 4),
        ]
    )


def clustered_contrast(
    grade: NDArray[np.float64], x: NDArray[np.float64], mark: NDArray[np.float64], job: NDArray[np.int64]
) -> tuple[float, float]:
    """Return the coefficient of `mark` in least squares of `grade` on x and mark, and its p-value by jobs.

    Parameters
    ----------
    grade, mark : float64 arrays (n,)
    x : float64 array (n, k)
        May be collinear; it is projected out.
    job : int64 array (n,)
        Cluster of each row.
    """
    from scipy.special import stdtr

    both = np.column_stack([grade, mark])
    both = both - x @ np.linalg.lstsq(x, both, rcond=None)[0]
    away, own = both[:, 0], both[:, 1]
    energy = float(own @ own)
    clusters, index = np.unique(job, return_inverse=True)
    free = len(clusters) - np.linalg.matrix_rank(x) - 1
    if energy < 1e-6 * max(1.0, float(mark @ mark)) or free < 5:
        return 0.0, 1.0
    slope = float(own @ away) / energy
    score = np.bincount(index, weights=own * (away - slope * own))
    error = float(np.sqrt(score @ score * len(clusters) / free)) / energy
    if error == 0.0:
        return slope, 1.0 if slope == 0.0 else 0.0
    return slope, float(2.0 * stdtr(free, -abs(slope / error)))


def _against_colleagues(table: JobTable, code: int, left_out: frozenset[int]) -> Grading:
    """Return how one operator grades against colleagues that are not left out."""
    operator = table.operator.codes
    lines = np.flatnonzero((table.soil >= 0) & (operator >= 0) & ~np.isin(operator, list(left_out - {code})))
    mark = (operator[lines] == code).astype(np.float64)
    n_jobs = len(np.unique(table.line_job[lines][mark > 0]))
    levels, p = 0.0, 1.0
    if n_jobs >= _LEAST_JOBS:
        x = _like_columns(table, lines)
        levels, p = clustered_contrast(table.soil[lines].astype(np.float64), x, mark, table.line_job[lines])
    return Grading(table.operator.names[code], n_jobs, levels, p)


def compare_grading(table: JobTable) -> dict[str, Grading]:
    """Return for each operator how the grades written down compare with colleagues' on like vehicles.

    The one who differs most is set aside before the others are compared again, so that one operator who grades high
    does not make all others grade low. At most half of them are set aside.
    """
    n = len(table.operator.names)
    n_working = len(np.unique(table.operator.codes[table.operator.codes >= 0]))
    left_out: frozenset[int] = frozenset()
    while True:
        found = [_against_colleagues(table, code, left_out) for code in range(n)]
        differing = [c for c in range(n) if c not in left_out and found[c].differs]
        if not differing or 2 * (len(left_out) + 1) > n_working:
            return {g.operator: g for g in found}
        left_out |= {min(differing, key=lambda c: (found[c].p_value, -abs(found[c].levels)))}


def grading_changed(table: JobTable, step: Step) -> Grading:
    """Return how an operator grades inside the period of a step against the same operator outside it.

    Colleagues' grades tell how dirty vehicles were at that time of the year: each operator has a level, and what is
    tested is this one's in the period beyond it.
    """
    code = table.operator.names.index(step.name)
    lines = np.flatnonzero((table.soil >= 0) & (table.operator.codes >= 0))
    who, day = table.operator.codes[lines], table.day[table.line_job[lines]]
    inside = (who == code) & step.holds(day)
    n_jobs = len(np.unique(table.line_job[lines][inside]))
    levels, p = 0.0, 1.0
    if n_jobs >= _LEAST_JOBS:
        x = np.column_stack([_like_columns(table, lines), indicators(who, len(table.operator.names))])
        grade = table.soil[lines].astype(np.float64)
        levels, p = clustered_contrast(grade, x, inside.astype(np.float64), table.line_job[lines])
    return Grading(step.name, n_jobs, levels, p)
