"""The column map: which head of a file is which column, written by the user and drafted by `--write-map`.

kind = "jobs"
[columns]
"Ticket #" = "job_id"
"Ice used" = { column = "pellets_lb", unit = "kg" }
"Belly lb" = { column = "pellets_lb", zone = "undercarriage" }
"Weather" = ""          # not imported
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final, cast

from pipeline.intake.columns import LOGS, QUANTITIES, ZONE_FIGURES, Column, Log, column_of
from pipeline.intake.texts import word_key
from pipeline.intake.units import unit_of
from shared.errors import RimebookError, nearest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.intake.header_match import HeaderMatch

_KEYS: Final = ("column", "unit", "zone")


@dataclass(frozen=True, slots=True)
class MapEntry:
    """What the map says of one head: the column ('' where it is not imported), its unit, its zone in a wide sheet."""

    column: str
    unit: str = ""
    zone: str = ""


@dataclass(frozen=True)
class ColumnMap:
    """A parsed column map; `kind` is None where the map does not say which log it is for."""

    kind: Log | None
    entries: Mapping[str, MapEntry]

    def entry(self, head: str) -> MapEntry | None:
        """Return what the map says of a head, compared by letters and digits."""
        return self.entries.get(word_key(head))


def parse_column_map(text: str, where: str) -> ColumnMap:
    """Return the column map of a TOML text.

    Raises
    ------
    RimebookError
        ``bad-column-map`` where the text is no TOML or a key, column, unit or kind is unknown; the nearest is named.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _bad(
            where, str(error), 'TOML such as "Ticket #" = "job_id" under [columns]', "Correct the line."
        ) from None
    except (RecursionError, ValueError):  # a number of thousands of digits is a ValueError of its own
        raise _bad(where, "values nested or long without end", "heads and columns", "Draft a new map.") from None
    for key in content:
        if key not in ("kind", "columns"):
            raise _bad(where, f"the key {key!r}", "kind and [columns]", "Remove or rename it.")
    kind = content.get("kind")
    if kind is not None and kind not in LOGS:
        raise _bad(where, f"kind = {kind!r}", f"one of {', '.join(LOGS)}", "Correct the kind.")
    columns = content.get("columns")
    if not isinstance(columns, dict) or not columns:
        raise _bad(where, "no [columns]", "a table of heads and columns", "Add it; --write-map drafts one.")
    logs = [cast("Log", kind)] if kind else list(LOGS)
    known = {c.name: c for log in logs for c in LOGS[log]}
    return ColumnMap(kind, {word_key(head): _entry(where, head, value, known) for head, value in columns.items()})


def _entry(where: str, head: str, value: Any, known: Mapping[str, Column]) -> MapEntry:
    fields = {"column": value} if isinstance(value, str) else value
    if not isinstance(fields, dict) or not all(isinstance(v, str) for v in fields.values()) or "column" not in fields:
        raise _bad(where, f"{head!r} = {value!r}", 'a column name or { column = "...", unit = "..." }', "Correct it.")
    for key in fields:
        if key not in _KEYS:
            raise _bad(where, f"the key {key!r} of {head!r}", ", ".join(_KEYS), "Remove or rename it.")
    name, unit = fields["column"], fields.get("unit", "")
    if name and name not in known:
        near = nearest(name, list(known))
        ask = f"Did you mean {near!r}?" if near else "Name a column of the log."
        raise _bad(where, f"{head!r} = {name!r}", ", ".join(known), ask)
    if unit:
        column = known[name] if name else None
        found = unit_of(column.reads, unit) if column and column.reads in QUANTITIES else None
        if not found:
            raise _bad(
                where, f"the unit {unit!r} of {head!r}", f"a unit that {name or 'no column'} can have", "Correct it."
            )
        unit = found
    zone = fields.get("zone", "")
    if zone and name not in ZONE_FIGURES:
        raise _bad(where, f"the zone of {head!r} = {name!r}", f"one of {', '.join(ZONE_FIGURES)}", "Remove the zone.")
    return MapEntry(name, unit, zone)


def _bad(where: str, found: str, expected: str, do: str) -> RimebookError:
    return RimebookError("bad-column-map", where=where, found=found, expected=expected, do=do)


def draft_map(header: Sequence[str], match: HeaderMatch) -> str:
    """Return a column map in TOML for a header as it was matched, to be corrected by the user.

    Heads that belong to no column are mapped to "" with a remark; the columns that a log of its kind may have, and
    needed ones that are missing, are named at the top.
    """
    import tomlkit

    # Of a date the head keeps saying the order, and a map has no word for it.
    by_index = {
        m.index: (name, m.unit if column_of(match.log, name).reads in QUANTITIES else "")
        for name, m in match.columns.items()
    }
    document = tomlkit.document()
    document.add(tomlkit.comment('Which head is which column. Change what is wrong; "" means: not imported.'))
    if match.missing:
        document.add(tomlkit.comment(f"Still missing: {', '.join(match.missing)}"))
    columns = ", ".join(f"{column.name}{' (needed)' if column.need else ''}" for column in LOGS[match.log])
    for line in wrap(f"A {match.log} log may have: {columns}.", 100):
        document.add(tomlkit.comment(line))
    document.add(tomlkit.comment(f"Another kind of log has other columns; the kinds are {', '.join(LOGS)}."))
    document.add("kind", tomlkit.item(match.log))
    table = tomlkit.table()
    wide = (
        {
            i: (zone, name, unit or match.wide.units.get(name, ""))
            for zone, c in match.wide.zones.items()
            for name, (i, unit) in c.items()
        }
        if match.wide
        else {}
    )
    for i, head in enumerate(header):
        if head.startswith("reject_"):
            continue
        if i in wide:
            zone, name, unit = wide[i]
            item: Any = _inline({"column": name, "zone": zone, "unit": unit})
        elif i in by_index:
            name, unit = by_index[i]
            item = _inline({"column": name, "unit": unit}) if unit else tomlkit.item(name)
        else:
            item = tomlkit.item("").comment("not understood")
        table.add(head, item)
    document.add("columns", table)
    return tomlkit.dumps(document)


def _inline(fields: Mapping[str, str]) -> Any:
    import tomlkit

    table = tomlkit.inline_table()
    for key, value in fields.items():
        if value:
            table.add(key, value)
    return table
