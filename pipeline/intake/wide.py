"""Wide sheets, with columns for each zone ('Undercarriage lb', 'Engine bay min'), turned into one row per zone."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import column_of
from pipeline.intake.header_match import Wide
from pipeline.intake.heads import HeadTable, Meaning, zone_figure
from pipeline.intake.raw import RawChunk
from pipeline.intake.texts import is_blank, tidy, word_key

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.intake.column_map import ColumnMap, MapEntry
    from pipeline.intake.words import Words

_ZERO: Final = re.compile(r"0+(?:[.,]0*)?\s*[^\d]{0,8}|0+:00")
_ENDS_IN_NUMBER: Final = re.compile(r".*[\d½¼¾]\.?")


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
                unit = mapped.unit or table.read_as(head, column_of("jobs", mapped.column)).unit
                zones.setdefault(mapped_zone(mapped, words), {})[mapped.column] = (i, unit)
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


def mapped_zone(entry: MapEntry, words: Words) -> str:
    """Return the canonical zone that a column map names for a head; a word that nobody knows as it stands."""
    return words.tables["zone"].get(word_key(entry.zone), entry.zone)


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
