"""Columns of the like-jobs model: what a job needs, and beside it who and what did it.

The first blocks (class, zone, soil, coating, season) say what like jobs need. The technique blocks (machine,
operator, settings, steps in time of one of them) are fitted jointly, so that operators who mostly use one machine are
told apart from it, and are then left out of the expectation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.jobs import SETTINGS
from models.consumption.planning import log_median
from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from models.consumption.jobs import Factor, JobTable
    from models.consumption.planning import PlanningFigures

#: Settings that may have a best value inside their range: a slope and a curvature.
CURVED = ("standoff_in", "feed_lb_min")
#: Lines that must carry a setting before it is modelled.
LEAST_RECORDED = 10
#: Weight (in columns) with which a block's prior scale counts against what its own coefficients show.
PRIOR_WEIGHT = 8.0
#: Blocks that describe the technique and are left out of what like jobs need.
TECHNIQUE = ("machine", "machine_zone", "operator", "setting", "step")


@dataclass(frozen=True)
class Block:
    """Neighbouring columns with one prior N(0, scale^2).

    Attributes
    ----------
    name : str
    labels : tuple of str
        One a column.
    start : int
        First column.
    scale : float
        Prior standard deviation on the log scale.
    learned : bool
        Whether the scale is learned (with `scale` as its centre) or stays.
    """

    name: str
    labels: tuple[str, ...]
    start: int
    scale: float
    learned: bool

    @property
    def columns(self) -> slice:
        """The block's columns."""
        return slice(self.start, self.start + len(self.labels))

    def column(self, label: str) -> int:
        """Return the column of a label; ValueError when it has none."""
        return self.start + self.labels.index(label)


@dataclass(frozen=True)
class SettingScale:
    """How a setting enters: (value - centre) / spread, cut at +-3.

    Attributes
    ----------
    name : str
    centre, spread : float
        Median and robust standard deviation of the recorded values, in the setting's unit.
    curved : bool
    """

    name: str
    centre: float
    spread: float
    curved: bool

    def terms(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the columns of values, shape (n, 1 or 2); 0 where a value is missing."""
        z = np.clip((values - self.centre) / self.spread, -3.0, 3.0)
        z = np.where(np.isnan(z), 0.0, z)
        if not self.curved:
            return z[:, None]
        return np.column_stack([z, np.where(np.isnan(values), 0.0, z * z - 1.0)])


@dataclass(frozen=True)
class Step:
    """A change in time of one machine, one operator or the whole shop: 1 from day `since` until before `until`.

    Attributes
    ----------
    kind : {"machine", "operator", "shop"}
    name : str
        '' for the shop.
    since : int
        Day (ordinal) from which it holds.
    until : int or None
        First day on which it holds no more.
    """

    kind: str
    name: str
    since: int
    until: int | None = None

    @property
    def label(self) -> str:
        """A label that is unique to the step."""
        return f"{self.kind}:{self.name}:{self.since}:{self.until}"

    @property
    def end(self) -> int:
        """First day on which it holds no more, beyond all days where it lasts."""
        return int(np.iinfo(np.int64).max) if self.until is None else self.until

    def holds(self, day: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return on which of the days it holds."""
        return np.asarray((day >= self.since) & (day < self.end))


@dataclass(frozen=True)
class Design:
    """Columns per line.

    Attributes
    ----------
    lines : float64 array (n_lines, n_columns)
    offset : float64 array (n_lines,)
        Log of the planning median, around which everything is learned.
    blocks : tuple of Block
    settings : tuple of SettingScale
    line_group : int64 array (n_lines,)
        Zone of each line: each has its own line noise variance.
    job_group : int64 array (n_jobs,)
        1 where the soil of a line is unknown: such jobs scatter more, as a whole.
    """

    lines: NDArray[np.float64]
    offset: NDArray[np.float64]
    blocks: tuple[Block, ...]
    settings: tuple[SettingScale, ...]
    line_group: NDArray[np.int64]
    job_group: NDArray[np.int64]

    def block(self, name: str) -> Block | None:
        """Return the block of a name, None where the table gave it no column."""
        return next((b for b in self.blocks if b.name == name), None)

    @property
    def technique(self) -> NDArray[np.bool_]:
        """Mask of the columns that describe technique, shape (n_columns,)."""
        mask = np.zeros(self.lines.shape[1], dtype=np.bool_)
        for block in self.blocks:
            mask[block.columns] = block.name in TECHNIQUE
        return mask


def indicators(codes: NDArray[np.int32], n: int) -> NDArray[np.float64]:
    """Return 0/1 columns of codes 0..n-1, shape (len(codes), n); rows of other codes are 0."""
    return np.asarray(codes[:, None] == np.arange(n)[None, :], dtype=np.float64)


def step_column(table: JobTable, step: Step) -> NDArray[np.float64]:
    """Return a step's column per line, shape (n_lines,)."""
    within = step.holds(table.day[table.line_job])
    if step.kind != "shop":
        factor = table.machine if step.kind == "machine" else table.operator
        code = factor.names.index(step.name) if step.name in factor.names else -2
        within &= factor.codes == code
    return within.astype(np.float64)


def time_cuts(day: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return days that cut the jobs into runs of equal size: one per 15 jobs and 30 days, at most 24."""
    if len(day) == 0:
        return np.empty(0, dtype=np.int64)
    span = int(day.max() - day.min())
    n_parts = int(min(25, len(day) // 15, span // 30))
    if n_parts < 2:
        return np.empty(0, dtype=np.int64)
    inner = np.quantile(day, np.arange(1, n_parts) / n_parts, method="higher")
    return np.unique(inner[inner > day.min()]).astype(np.int64)


def setting_scales(table: JobTable) -> tuple[SettingScale, ...]:
    """Return the settings that are recorded often enough and vary."""
    found = []
    for name in SETTINGS:
        values = table.settings[name]
        known = values[~np.isnan(values)]
        if len(known) < LEAST_RECORDED or len(np.unique(known)) < 2:
            continue
        low, middle, high = np.quantile(known, [0.25, 0.5, 0.75])
        spread = float((high - low) / 1.349) or float(np.std(known))
        curved = name in CURVED and len(np.unique(known)) >= 3
        found.append(SettingScale(name, float(middle), spread, curved))
    return tuple(found)


def _crossed(first: Factor, second: Factor) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    known = (first.codes >= 0) & (second.codes >= 0)
    pair = np.where(known, first.codes.astype(np.int64) * len(second.names) + second.codes, -1)
    seen = np.unique(pair[known])
    labels = tuple(f"{first.names[c // len(second.names)]}|{second.names[c % len(second.names)]}" for c in seen)
    return np.asarray(pair[:, None] == seen[None, :], dtype=np.float64), labels


class _Builder:
    """Gathers blocks and leaves out columns that are zero everywhere."""

    def __init__(self, n_lines: int) -> None:
        self.n_lines = n_lines
        self.parts: list[NDArray[np.float64]] = []
        self.blocks: list[Block] = []
        self.n_columns = 0

    def add(
        self, name: str, columns: NDArray[np.float64], labels: Sequence[str], scale: float, *, learned: bool
    ) -> None:
        used = np.flatnonzero(np.abs(columns).sum(axis=0) > 0)
        if len(used) == 0:
            return
        self.parts.append(columns[:, used])
        self.blocks.append(Block(name, tuple(labels[i] for i in used.tolist()), self.n_columns, scale, learned))
        self.n_columns += len(used)

    def matrix(self) -> NDArray[np.float64]:
        return np.concatenate(self.parts, axis=1) if self.parts else np.zeros((self.n_lines, 0))


def _need_blocks(build: _Builder, table: JobTable, cuts: NDArray[np.int64]) -> None:
    zone, vehicle, soil = table.zone, table.vehicle_class, table.soil
    is_zone, is_class = indicators(zone.codes, len(zone.names)), indicators(vehicle.codes, len(vehicle.names))
    dirt = np.where(soil >= 0, soil - 1.0, 0.0)
    coated = table.coating_removed.astype(np.float64)
    build.add("level", np.ones((table.n_lines, 1)), ("level",), 1.0, learned=False)
    build.add("class", is_class, vehicle.names, 0.25, learned=True)
    build.add("zone", is_zone, zone.names, 0.5, learned=True)
    crossed, labels = _crossed(vehicle, zone)
    build.add("class_zone", crossed, labels, 0.12, learned=True)
    steps = np.asarray(soil[:, None] >= np.arange(1, 4)[None, :], dtype=np.float64)
    build.add("soil", steps, ("moderate", "heavy", "severe"), 0.2, learned=False)
    build.add("soil_unknown", (soil < 0).astype(np.float64)[:, None], ("unknown",), 0.3, learned=False)
    build.add("zone_soil", is_zone * dirt[:, None], zone.names, 0.06, learned=True)
    build.add("class_soil", is_class * dirt[:, None], vehicle.names, 0.06, learned=True)
    build.add("coating", coated[:, None], ("coating",), 0.5, learned=False)
    build.add("zone_coating", is_zone * coated[:, None], zone.names, 0.1, learned=True)
    later = np.asarray(table.day[table.line_job][:, None] >= cuts[None, :], dtype=np.float64)
    alone = (np.bincount(table.line_job, minlength=table.n_jobs) == 1)[table.line_job].astype(np.float64)
    build.add("zone_alone", is_zone * alone[:, None], zone.names, 0.06, learned=True)
    phase = 2.0 * np.pi * table.day[table.line_job] / DAYS_PER_YEAR
    waves = {"cos": np.cos(phase), "sin": np.sin(phase)}
    build.add("season", np.column_stack(list(waves.values())), list(waves), 0.05, learned=False)
    by_zone = np.concatenate([is_zone * wave[:, None] for wave in waves.values()], axis=1)
    build.add("zone_season", by_zone, [f"{z}|{w}" for w in waves for z in zone.names], 0.03, learned=True)
    weekday = (table.day[table.line_job] % 7).astype(np.int32)
    build.add("weekday", indicators(weekday, 7), [str(d) for d in range(7)], 0.03, learned=True)
    build.add("time", later, [str(c) for c in cuts.tolist()], 0.015, learned=True)


def _technique_blocks(build: _Builder, table: JobTable, scales: tuple[SettingScale, ...]) -> None:
    for name, factor in (("machine", table.machine), ("operator", table.operator)):
        columns = np.column_stack([indicators(factor.codes, len(factor.names)), factor.codes < 0])
        build.add(name, columns, (*factor.names, ""), 0.5, learned=False)
    crossed, labels = _crossed(table.machine, table.zone)
    if len(np.unique(table.machine.codes[table.machine.codes >= 0])) > 1:
        build.add("machine_zone", crossed, labels, 0.04, learned=True)
    terms, names, recorded, which = [], [], [], []
    for scale in scales:
        values = table.settings[scale.name]
        columns = scale.terms(values)
        terms.append(columns)
        names += [f"{scale.name}|{power}" for power in ("slope", "curve")[: columns.shape[1]]]
        missing = np.isnan(values)
        if missing.any():
            recorded.append(missing.astype(np.float64))
            which.append(scale.name)
    if recorded:
        build.add("setting_missing", np.column_stack(recorded), which, 0.1, learned=False)
    if terms:
        build.add("setting", np.concatenate(terms, axis=1), names, 0.5, learned=False)


def build_design(
    table: JobTable,
    figures: PlanningFigures,
    *,
    steps: tuple[Step, ...] = (),
    cuts: NDArray[np.int64] | None = None,
    settings: bool = True,
    minutes: NDArray[np.float64] | None = None,
) -> Design:
    """Return the columns of a table's lines.

    Parameters
    ----------
    table : JobTable
    figures : PlanningFigures
        Starting medians of the quantity.
    steps : tuple of Step
        Changes in time to be fitted as well.
    cuts : int64 array, optional
        Days at which the whole shop's level may step; default `time_cuts`.
    settings : bool
        Whether technique settings get columns.
    minutes : float64 array (n_lines, 2), optional
        What a job's minutes say about its pellets, by job and by line (`minutes_beside`).
    """
    build = _Builder(table.n_lines)
    scales = setting_scales(table) if settings else ()
    _need_blocks(build, table, time_cuts(table.day) if cuts is None else cuts)
    _technique_blocks(build, table, scales)
    if minutes is not None:
        build.add("minutes", minutes, ("job", "line"), 0.5, learned=False)
    if steps:
        columns = np.column_stack([step_column(table, s) for s in steps])
        build.add("step", columns, [s.label for s in steps], 0.3, learned=False)
    unknown = np.bincount(table.line_job, weights=table.soil < 0, minlength=table.n_jobs) > 0
    return Design(
        build.matrix(), log_median(table, figures), tuple(build.blocks), scales,
        table.zone.codes.astype(np.int64), unknown.astype(np.int64),
    )  # fmt: skip
