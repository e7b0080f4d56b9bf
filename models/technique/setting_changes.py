"""Changes in how an operator or a machine was run, read off the recorded settings alone.

Such a change is known without looking at pellets, so pellets can be tested at its dates without paying for a search
over all dates.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.technique.design import Step, setting_scales
from models.technique.runlength import level_shift_chance, stretch_chance
from models.technique.stretches import Place

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable

#: Chance, while nothing changes, of a shift in a setting that counts as a change, and its least size in usual spreads.
SURE = 0.001
LEAST_SHIFT = 2.0
LEAST_RECORDED = 12
_LEAST_SIDE = 4
#: Settings that are run, not found: the age of the ice is left out.
RUN = ("feed_lb_min", "pressure_psi", "standoff_in", "ice_on_share")


@dataclass(frozen=True)
class SeenChange:
    """A stretch at another setting.

    Attributes
    ----------
    setting : str
    core : Step
        From the first to the last recorded job at it.
    earliest, latest : int
        Days of the recorded jobs before and after, between which and the core the change took place.
    statistic : float
        How far the setting stands out.
    """

    setting: str
    core: Step
    earliest: int
    latest: int
    statistic: float

    def is_part_of(self, other: SeenChange) -> bool:
        """Whether it is the same change seen from elsewhere: a machine's feed follows who runs it, and the reverse."""
        mine, theirs = self.core, other.core
        return self.setting == other.setting and mine.since < theirs.end and theirs.since < mine.end

    @property
    def place(self) -> Place:
        """Where the change lies: between the recorded jobs before and after its core."""
        since = (self.earliest + 1, self.core.since)
        return Place(since, None if self.core.until is None else (self.core.until, self.latest))


def _job_values(
    table: JobTable, values: NDArray[np.float64], own: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return day and mean value of each job in which the marked lines have the setting, in date order."""
    known = own & ~np.isnan(values)
    jobs, index = np.unique(table.line_job[known], return_inverse=True)
    mean = np.bincount(index, weights=values[known]) / np.bincount(index)
    order = np.argsort(table.day[jobs], kind="stable")
    return table.day[jobs][order], mean[order]


def _scan(z: NDArray[np.float64]) -> tuple[int, int, float]:
    """Return the stretch [first, last) whose mean differs most from the rest, and its statistic."""
    n = len(z)
    sums = np.append(0.0, (z - z.mean()).cumsum())
    first, last = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    length = last - first
    allowed = (length >= _LEAST_SIDE) & (n - length >= _LEAST_SIDE)
    statistic = np.zeros((n + 1, n + 1))
    part = length[allowed]
    statistic[allowed] = np.abs((sums[None, :] - sums[:, None])[allowed]) / np.sqrt(part * (1 - part / n))
    i, j = (int(k) for k in np.unravel_index(int(np.argmax(statistic)), statistic.shape))
    return i, j, float(statistic[i, j])


def _shifted(value: NDArray[np.float64]) -> tuple[int, int, float] | None:
    """Return the stretch of a sequence whose level differs and its statistic; None where none surely does.

    Values are standardised by the median absolute successive difference, which a shift hardly touches, and cut at +-3
    for the test; the ends are then set where values cross the middle between the two levels.
    """
    n = len(value)
    step = float(np.median(np.abs(np.diff(value)))) / 0.954 or float(np.std(value)) / 4.0
    if step == 0.0:
        return None
    i, j, top = _scan(np.clip((value - np.median(value)) / step, -3.0, 3.0))
    chance_of = level_shift_chance if i == 0 or j == n else stretch_chance
    if 2.0 * chance_of(top, n, _LEAST_SIDE) > SURE:
        return None
    inside = np.zeros(n, dtype=np.bool_)
    inside[i:j] = True
    here, there = float(np.median(value[inside])), float(np.median(value[~inside]))
    if abs(here - there) < LEAST_SHIFT * step:
        return None
    i, j, _ = _scan(np.clip((value - 0.5 * (here + there)) / (0.5 * (here - there)), -1.0, 1.0))
    return (j, n, top) if i == 0 else (i, j, top)


def setting_changes(table: JobTable) -> tuple[SeenChange, ...]:
    """Return the stretch in which an operator or a machine was surely run at another setting, at most one each."""
    found: list[SeenChange] = []
    names = [s.name for s in setting_scales(table) if s.name in RUN]
    for kind, factor in (("operator", table.operator), ("machine", table.machine)):
        for code, name in enumerate(factor.names):
            own = factor.codes == code
            seen = [c for c in (_change_of(table, setting, own, kind, name) for setting in names) if c is not None]
            if seen:
                found.append(max(seen, key=lambda c: c.statistic))
    return tuple(found)


def _change_of(table: JobTable, setting: str, own: NDArray[np.bool_], kind: str, name: str) -> SeenChange | None:
    day, value = _job_values(table, table.settings[setting], own)
    shifted = _shifted(value) if len(value) >= LEAST_RECORDED else None
    if shifted is None:
        return None
    first, last, statistic = shifted
    until = int(day[last - 1]) + 1 if last < len(day) else None
    latest = int(day[last]) if last < len(day) else int(table.day.max())
    return SeenChange(setting, Step(kind, name, int(day[first]), until), int(day[max(first - 1, 0)]), latest, statistic)
