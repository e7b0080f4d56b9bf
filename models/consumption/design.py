"""Which columns the structured learner has, and the rows of a job table in them.

The logarithm of a line's mean is its planning median plus a sum of deviations, one per block: level, class, zone,
class x zone, operator, machine, machine x zone, soil steps (cumulative, so soil is ordered), class x soil, zone x soil,
coating, ice age, zones worked together (all alike, or those after the first of a visit), season, ambient temperature,
technique settings and settings x zone; beside them stand changes of level in time and a fixed amount per visit. Blocks
of indicator columns are partially pooled; see `models/README.md`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.jobs import SETTINGS
from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from models.consumption.jobs import Factor, JobTable

#: Joins the two words of a cell, for example class and zone.
CELL = "\t"
N_SOILS = 4
#: Blocks of one kind of word each.
WORD_BLOCKS = ("class", "zone", "operator", "machine")
#: Words whose effect may differ by soil level.
SOIL_BLOCKS = ("class", "zone")
#: Reference value and unit step of a technique setting; from memory, without a source. They only place the origin: the
#: level and the (shrunk) slopes are learned. Fixed numbers, so that a later job cannot move an earlier answer.
SETTING_ORIGIN: Mapping[str, tuple[float, float]] = {
    "ice_age_days": (2.0, 3.0),
    "feed_lb_min": (2.0, 1.0),
    "pressure_psi": (80.0, 25.0),
    "standoff_in": (6.0, 3.0),
    "ice_on_share": (0.6, 0.2),
}
_SETTING_LIMIT = 3.0
#: The linear and the squared term of a setting, as the ends of their keys.
POWERS = ("", "^2")
#: A setting acts by zone where this many lines of the zone have it, with two values at least, in two zones at least.
SETTING_ZONE_LINES = 8


@dataclass(frozen=True)
class Columns:
    """The columns of a fit, by block, in order.

    Attributes
    ----------
    blocks : dict block -> tuple of keys
        Keys are words, cells joined by `CELL`, or names of numeric columns.
    """

    blocks: dict[str, tuple[str, ...]]

    @property
    def n(self) -> int:
        """Number of columns."""
        return sum(len(keys) for keys in self.blocks.values())

    def start(self, block: str) -> int:
        """Return the first column of a block."""
        at = 0
        for name, keys in self.blocks.items():
            if name == block:
                return at
            at += len(keys)
        raise KeyError(block)

    def span(self, block: str) -> slice:
        """Return the columns of a block."""
        at = self.start(block)
        return slice(at, at + len(self.blocks[block]))

    def keyed(self) -> dict[tuple[str, str], int]:
        """Return the column of each (block, key)."""
        pairs = [(block, key) for block, keys in self.blocks.items() for key in keys]
        return {pair: i for i, pair in enumerate(pairs)}


@dataclass(frozen=True)
class Rows:
    """Lines of a table in the columns of a fit.

    Attributes
    ----------
    index, value : (n_lines, k)
        Columns (-1: none) that do not depend on soil, and the values in them.
    soil_cells : int64 array (len(SOIL_BLOCKS), n_lines, 4)
        Column of the cell at each soil level, -1 where it has none.
    soil_step : int
        First of the three soil steps.
    """

    index: NDArray[np.int64]
    value: NDArray[np.float64]
    soil_cells: NDArray[np.int64]
    soil_step: int

    def dense(self, n_columns: int, soil: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the rows as a matrix (n_lines, n_columns); soil -1 leaves the soil columns out."""
        n = len(self.index)
        matrix = np.zeros((n, n_columns + 1))
        rows = np.arange(n)
        for k in range(self.index.shape[1]):
            matrix[rows, self.index[:, k]] += self.value[:, k]
        matrix[:, n_columns] = 0.0
        known = np.flatnonzero(soil >= 0)
        self.put_soil(matrix, known, known, soil[known], 1.0)
        return np.ascontiguousarray(matrix[:, :n_columns])

    def put_soil(
        self,
        matrix: NDArray[np.float64],
        at: NDArray[np.int64],
        lines: NDArray[np.int64],
        soil: NDArray[np.int64],
        amount: float,
    ) -> None:
        """Add `amount` to the soil columns of the given lines (rows `at` of the matrix) at their soil levels."""
        for step in range(N_SOILS - 1):
            matrix[at, self.soil_step + step] += amount * (soil > step)
        for cells in self.soil_cells:
            column = cells[lines, soil]
            has = column >= 0
            matrix[at[has], column[has]] += amount


def columns_of(table: JobTable) -> Columns:
    """Return the columns a table gives rise to: one for each word and cell that occurs in it."""
    zone, vehicle = _words(table.zone), _words(table.vehicle_class)
    machine = _words(table.machine)
    unknown = bool((table.soil < 0).any())

    def cells(left: NDArray[np.str_], right: NDArray[np.str_]) -> tuple[str, ...]:
        keep = (left != "") & (right != "")
        return tuple(sorted({a + CELL + b for a, b in zip(left[keep].tolist(), right[keep].tolist(), strict=True)}))

    def soiled(words: NDArray[np.str_]) -> tuple[str, ...]:
        if unknown:
            return tuple(w + CELL + str(s) for w in sorted(set(words.tolist())) for s in range(N_SOILS))
        return cells(words, table.soil.astype(str))

    blocks: dict[str, tuple[str, ...]] = {
        "level": ("level",),
        "class": _used(vehicle),
        "zone": _used(zone),
        "class_zone": cells(vehicle, zone),
        "operator": _used(_words(table.operator)),
        "machine": _used(machine),
        "machine_zone": cells(machine, zone) if len(_used(machine)) > 1 else (),
        "soil": tuple(f"step{k}" for k in range(N_SOILS - 1)),
        "class_soil": soiled(vehicle),
        "zone_soil": soiled(zone),
        "coating": ("coating",) if table.coating_removed.any() else (),
        "age": ("ice_age_days",) if np.isfinite(table.settings["ice_age_days"]).any() else (),
        "together": ("together",),
        "after": ("after",),
        "season": ("sin1", "cos1", "sin2", "cos2"),
        "ambient": ("ambient",) if np.isfinite(table.ambient_f).any() else (),
        "setting": tuple(
            name + power
            for name in SETTINGS
            if name != "ice_age_days" and np.isfinite(table.settings[name]).any()
            for power in POWERS
        ),
        "setting_zone": _setting_zones(table),
    }
    return Columns(blocks)


def _setting_zones(table: JobTable) -> tuple[str, ...]:
    """Return the cells of settings (and their squares) and zones that tell enough; in one zone only there is no own."""
    zone = _words(table.zone)
    out: list[str] = []
    for name in SETTINGS:
        value = table.settings[name]
        told = []
        for word in _used(zone) if name != "ice_age_days" else ():
            here = value[(zone == word) & np.isfinite(value)]
            if len(here) >= SETTING_ZONE_LINES and (here != here[0]).any():
                told.append(word)
        if len(told) > 1:
            out += [name + power + CELL + word for power in POWERS for word in told]
    return tuple(out)


def _words(factor: Factor) -> NDArray[np.str_]:
    return np.array(factor.words(), dtype=np.str_)


def _used(words: NDArray[np.str_]) -> tuple[str, ...]:
    return tuple(sorted({w for w in words.tolist() if w}))


def setting_score(name: str, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a setting in its unit steps from its origin, limited to +-3; 0 where it was not written down."""
    origin, step = SETTING_ORIGIN[name]
    score = np.clip((value - origin) / step, -_SETTING_LIMIT, _SETTING_LIMIT)
    return np.where(np.isfinite(value), score, 0.0)


def setting_term(key: str, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what values of a setting are in its column: their score, or its square for the key of a square."""
    score = setting_score(key.removesuffix("^2"), value)
    return score**2 if key.endswith("^2") else score


def zone_slopes(columns: Columns) -> dict[str, NDArray[np.int64]]:
    """Return, for each setting or square of one that acts by zone, its column in each zone, (n_zones + 1,).

    The columns stand in the order of the zones' words; -1 where a zone has none, and at the end, for a zone that is not
    among them.
    """
    at = {word: i for i, word in enumerate(columns.blocks["zone"])}
    out: dict[str, NDArray[np.int64]] = {}
    for column, cell in enumerate(columns.blocks["setting_zone"], start=columns.start("setting_zone")):
        key, word = cell.split(CELL)
        out.setdefault(key, np.full(len(at) + 1, -1, dtype=np.int64))[at[word]] = column
    return out


def rows_of(columns: Columns, table: JobTable) -> Rows:
    """Return the lines of a table in the given columns; words and cells that are not among them get none (-1)."""
    index: list[NDArray[np.int64]] = []
    value: list[NDArray[np.float64]] = []
    n = table.n_lines

    def add(column: NDArray[np.int64] | int, amount: NDArray[np.float64] | float = 1.0) -> None:
        index.append(np.broadcast_to(np.asarray(column, dtype=np.int64), (n,)))
        value.append(np.broadcast_to(np.asarray(amount, dtype=np.float64), (n,)))

    codes = word_codes(columns, table)
    add(columns.start("level"))
    for block in WORD_BLOCKS:
        add(np.where(codes[block] >= 0, codes[block] + columns.start(block), -1))
    add(cell_column(columns, "class_zone", codes["class"], codes["zone"]))
    add(cell_column(columns, "machine_zone", codes["machine"], codes["zone"]))
    for column, amount in _numeric(columns, table):
        add(column, amount)
    for key, by_zone in zone_slopes(columns).items():
        add(by_zone[codes["zone"]], setting_term(key, table.settings[key.removesuffix("^2")]))
    cells = [
        np.column_stack([cell_column(columns, word + "_soil", codes[word], s) for s in range(N_SOILS)])
        for word in SOIL_BLOCKS
    ]
    return Rows(np.column_stack(index), np.column_stack(value), np.stack(cells), columns.start("soil"))


def word_codes(columns: Columns, table: JobTable) -> dict[str, NDArray[np.int64]]:
    """Return each line's code in the words of each word block, -1 for a blank or unseen word."""
    factors = {
        "class": table.vehicle_class,
        "zone": table.zone,
        "operator": table.operator,
        "machine": table.machine,
    }
    return {block: factor.recoded(columns.blocks[block]).astype(np.int64) for block, factor in factors.items()}


def cell_column(
    columns: Columns, block: str, left: NDArray[np.int64], right: NDArray[np.int64] | int
) -> NDArray[np.int64]:
    """Return the column of cells (left word, right word or soil level), -1 where there is none; codes broadcast."""
    first, second = block.split("_")
    left_words = columns.blocks[first]
    right_words = tuple(str(s) for s in range(N_SOILS)) if second == "soil" else columns.blocks[second]
    left_at, right_at = {w: i for i, w in enumerate(left_words)}, {w: i for i, w in enumerate(right_words)}
    lookup = np.full((len(left_words) + 1, len(right_words) + 1), -1, dtype=np.int64)
    for i, key in enumerate(columns.blocks[block], start=columns.start(block)):
        a, b = key.split(CELL)
        lookup[left_at[a], right_at[b]] = i
    return np.asarray(lookup[left, right])


def _numeric(columns: Columns, table: JobTable) -> list[tuple[int, NDArray[np.float64]]]:
    """Return (column, value per line) of the numeric columns."""
    job = table.line_job
    out: list[tuple[int, NDArray[np.float64]]] = []
    if columns.blocks["coating"]:
        out.append((columns.start("coating"), table.coating_removed.astype(np.float64)))
    if columns.blocks["age"]:
        out.append((columns.start("age"), setting_score("ice_age_days", table.settings["ice_age_days"])))
    # All lines a little less. Where it is the first that is paid in full, the sampler fills the column "after".
    together = 1.0 - 1.0 / np.bincount(job, minlength=table.n_jobs).clip(1)
    out.append((columns.start("together"), together[job]))
    angle = 2 * np.pi * table.day / DAYS_PER_YEAR
    waves = (np.sin(angle), np.cos(angle), np.sin(2 * angle), np.cos(2 * angle))
    out += [(columns.start("season") + k, wave[job]) for k, wave in enumerate(waves)]
    if columns.blocks["ambient"]:
        score = np.clip((table.ambient_f - 60.0) / 20.0, -_SETTING_LIMIT, _SETTING_LIMIT)
        out.append((columns.start("ambient"), np.where(np.isfinite(score), score, 0.0)[job]))
    for k, key in enumerate(columns.blocks["setting"]):
        out.append((columns.start("setting") + k, setting_term(key, table.settings[key.removesuffix("^2")])))
    return out
