"""Wide sheets, with columns for each zone ('Undercarriage lb', 'Engine bay min'), turned into one row per zone."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import LOGS
from pipeline.intake.heads import HeadTable, Meaning, zone_figure
from pipeline.intake.raw import RawChunk
from pipeline.intake.texts import is_blank, tidy
from pipeline.intake.units import book_unit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.intake.column_map import ColumnMap
    from pipeline.intake.headers import HeaderMatch, Matched
    from pipeline.intake.units import Units
    from pipeline.intake.words import Words

_FIGURES: Final = ("soil_level", "pellets_lb", "minutes")
_ZERO: Final = re.compile(r"0+(?:[.,]0*)?\s*[^\d]{0,8}|0+:00")
_ENDS_IN_NUMBER: Final = re.compile(r".*[\d½¼¾]\.?")


@dataclass(frozen=True)
class Wide:
    """Where the figures of each zone stand in a wide sheet.

    Attributes
    ----------
    zones : dict of zone to dict of canonical column to (index, unit)
        The file's columns of each zone; unit is '' where the head names none.
    keep : tuple of int
        The file's columns that are repeated on each line.
    header : tuple of str
        Heads of the unpivoted rows: those kept, then zone, soil_level, pellets_lb, minutes.
    match : HeaderMatch or None
        How the unpivoted rows are read.
    notes : tuple of str
    """

    zones: Mapping[str, Mapping[str, tuple[int, str]]]
    keep: tuple[int, ...] = ()
    header: tuple[str, ...] = ()
    match: HeaderMatch | None = None
    notes: tuple[str, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)

    @property
    def indices(self) -> frozenset[int]:
        """The file's columns that belong to one zone."""
        return frozenset(i for columns in self.zones.values() for i, _ in columns.values())

    def laid_out(self, header: Sequence[str], columns: Mapping[str, Matched], units: Units) -> Wide:
        """Return the same with the header and match of the unpivoted rows."""
        from pipeline.intake.headers import HeaderMatch, Matched

        keep = tuple(sorted(m.index for name, m in columns.items() if name not in ("zone", *self._figures())))
        heads = [header[i] for i in keep] + ["zone", *self._figures()]
        base = {"pellets_lb": book_unit("mass", units), "minutes": "min"}
        long = {n: Matched(keep.index(m.index), m.head, m.unit) for n, m in columns.items() if m.index in keep}
        for k, name in enumerate(("zone", *self._figures())):
            long[name] = Matched(len(keep) + k, name, base.get(name, ""))
        missing = tuple(c.name for c in LOGS["jobs"] if c.need and c.name not in long)
        note = f"columns for {len(self.zones)} zones ({', '.join(self.zones)}) are read as one line per zone"
        match = HeaderMatch("jobs", long, missing=missing)
        return replace(self, keep=keep, header=tuple(heads), match=match, notes=(note,), units=base)

    def _figures(self) -> tuple[str, ...]:
        used = {name for columns in self.zones.values() for name in columns}
        return tuple(name for name in _FIGURES if name in used)


def find_wide(header: Sequence[str], words: Words, table: HeadTable, column_map: ColumnMap | None) -> Wide | None:
    """Return where each zone's figures stand, None where the header is not that of a wide sheet.

    A sheet is wide when no head is the zone's and at least two heads name a zone with a figure, or a map says so.
    """
    zones: dict[str, dict[str, tuple[int, str]]] = {}
    has_zone_column = False
    n_mapped = 0
    for i, head in enumerate(header):
        mapped = column_map.entry(head) if column_map else None
        if mapped:
            has_zone_column |= mapped.column == "zone"
            if mapped.zone:
                n_mapped += 1
                zones.setdefault(mapped.zone, {})[mapped.column] = (i, mapped.unit)
            continue
        meaning: Meaning | None = table.read(head)
        if meaning:
            has_zone_column |= meaning.column.name == "zone"
            continue
        found = zone_figure(head, words, table)
        if found:
            zone, figure = found
            zones.setdefault(zone, {}).setdefault(figure.column.name, (i, figure.unit))
    n_heads = sum(len(columns) for columns in zones.values())
    if has_zone_column or n_heads < (1 if n_mapped else 2):
        return None
    return Wide(zones)


def unpivot(chunk: RawChunk, wide: Wide) -> RawChunk:
    """Return the chunk with one row per zone that has a figure; `source` tells the row each came from.

    A zone whose cells are blank or zero was not worked. A row with no figure for any zone stays one row with a blank
    zone, so that it is judged and not lost; so does a faulty row. A bare number under a head with a unit of its own
    gets that unit.
    """
    figures = wide.header[len(wide.keep) + 1 :]
    out = RawChunk([], [], source=[])
    source: list[int] = []
    for i, row in enumerate(chunk.cells):
        kept = [row[k] for k in wide.keep]
        lines = [] if i in chunk.faults else list(_zone_lines(row, wide, figures))
        for zone_cells in lines or [["" for _ in range(len(figures) + 1)]]:
            if i in chunk.faults:
                out.faults[len(out.cells)] = chunk.faults[i]
            out.lines.append(chunk.lines[i])
            out.cells.append(kept + zone_cells)
            source.append(i)
    out.source = source
    return out


def _zone_lines(row: Sequence[str], wide: Wide, figures: Sequence[str]) -> list[list[str]]:
    lines = []
    for zone, columns in wide.zones.items():
        cells = []
        worked = False
        for name in figures:
            index, unit = columns.get(name, (-1, ""))
            cell = row[index] if index >= 0 else ""
            if name != "soil_level" and not is_blank(cell) and not _ZERO.fullmatch(tidy(cell)):
                worked = True
            cells.append(_with_unit(cell, unit, wide.units.get(name, "")))
        if worked:
            lines.append([zone, *cells])
    return lines


def _with_unit(cell: str, unit: str, usual: str) -> str:
    if not unit or unit in (usual, "h:mm") or not _ENDS_IN_NUMBER.fullmatch(cell.strip()) or ":" in cell:
        return cell
    return f"{cell.strip()} {unit}"
