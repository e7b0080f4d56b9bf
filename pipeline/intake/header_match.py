"""A file's header as understood: which column stands where, and where a sheet has columns for each zone."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import LOGS, TOTAL_OF, ZONE_FIGURES
from pipeline.intake.units import book_unit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.intake.columns import Log
    from pipeline.intake.units import Units

#: Most heads that a note lists.
_MOST_HEADS: Final = 4


@dataclass(frozen=True, slots=True)
class Matched:
    """A column of a log found in a file.

    Attributes
    ----------
    index : int
        Position of the column in the file's header.
    head : str
        The head as it stands there.
    unit : str
        Canonical unit of bare numbers in it: the head's, else the book's; '' where the column has none. Of a date: the
        order that its head states ('day-first' for 'Date (dd/mm/yyyy)'), else ''.
    """

    index: int
    head: str
    unit: str


@dataclass(frozen=True)
class HeaderMatch:
    """A file's header understood as one log.

    Attributes
    ----------
    log : Log
    columns : dict of canonical name to Matched
    unmatched : tuple of str
        Heads that belong to no column; their cells are not imported.
    missing : tuple of str
        Needed columns that the header lacks.
    notes : tuple of str
        What was read otherwise than letter by letter, and near misses.
    wide : Wide or None
        Set where each zone has columns of its own: unpivot each chunk first.
    """

    log: Log
    columns: dict[str, Matched]
    unmatched: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    wide: Wide | None = None


def bare_note(units: Mapping[str, str]) -> str:
    """Return the note of how figures without a unit are read, from heads that name none to the unit taken."""
    heads: dict[str, list[str]] = {}
    for head, unit in units.items():
        heads.setdefault(unit, []).append(repr(head))
    read = "; ".join(f"as {unit} under {_some(named)}" for unit, named in heads.items())
    return f"figures without a unit are read {read}. Another unit goes into the head, like 'Time (h)' or 'Ice (kg)'"


def _some(heads: Sequence[str]) -> str:
    more = f" and {len(heads) - _MOST_HEADS} more" if len(heads) > _MOST_HEADS else ""
    return ", ".join(heads[:_MOST_HEADS]) + more


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
    units : dict of canonical column to the unit of bare figures in the unpivoted rows
    heads : dict of index to head
        The zones' columns as they are called in the file.
    """

    zones: Mapping[str, Mapping[str, tuple[int, str]]]
    keep: tuple[int, ...] = ()
    header: tuple[str, ...] = ()
    match: HeaderMatch | None = None
    notes: tuple[str, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    heads: Mapping[int, str] = field(default_factory=dict)

    @property
    def indices(self) -> frozenset[int]:
        """The file's columns that belong to one zone."""
        return frozenset(i for columns in self.zones.values() for i, _ in columns.values())

    @property
    def amounts(self) -> dict[int, str]:
        """Heads, by index, of the zones' columns whose figures add up."""
        return {
            i: self.heads[i] for columns in self.zones.values() for name, (i, _) in columns.items() if name in TOTAL_OF
        }

    def head_of(self, zone: str, column: str) -> str:
        """Return the head of a zone's column in the file, '' where it has none."""
        at = self.zones.get(zone, {}).get(column)
        return self.heads[at[0]] if at else ""

    def laid_out(self, header: Sequence[str], columns: Mapping[str, Matched], units: Units) -> Wide:
        """Return the same with the header and match of the unpivoted rows; `columns` say nothing of one zone alone."""
        keep = tuple(sorted(m.index for m in columns.values()))
        heads = [header[i] for i in keep] + ["zone", *self._figures()]
        base = {"pellets_lb": book_unit("mass", units), "minutes": "min"}
        long = {n: Matched(keep.index(m.index), m.head, m.unit) for n, m in columns.items()}
        for k, name in enumerate(("zone", *self._figures())):
            long[name] = Matched(len(keep) + k, name, base.get(name, ""))
        missing = tuple(c.name for c in LOGS["jobs"] if c.need and c.name not in long)
        notes = [f"columns for {len(self.zones)} zones ({', '.join(self.zones)}) are read as one line per zone"]
        bare = {
            header[i]: base[name] for columns in self.zones.values() for name, (i, unit) in columns.items()
            if name in base and not unit
        }  # fmt: skip
        if bare:
            notes.append(bare_note(bare))
        match = HeaderMatch("jobs", long, missing=missing)
        named = {i: header[i] for i in self.indices}
        return replace(self, keep=keep, header=tuple(heads), match=match, notes=tuple(notes), units=base, heads=named)

    def _figures(self) -> tuple[str, ...]:
        used = {name for columns in self.zones.values() for name in columns}
        return tuple(name for name in ZONE_FIGURES if name in used)
