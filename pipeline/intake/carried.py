"""What a ticket says once, on its first row: carried to the rows of the same ticket that follow directly below."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pipeline.intake.texts import code_key
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.intake.header_match import HeaderMatch
    from pipeline.intake.raw import RawChunk

#: What every row of a visit says alike and none may leave blank; its customer, price and times may stand once.
_OF_THE_VISIT: Final = ("date",)
#: What every row of a vehicle says alike: a visit may have several.
_OF_THE_VEHICLE: Final = ("vehicle", "vehicle_class")
#: Lines named in a note.
_SHOWN: Final = 5


@dataclass
class Carrier:
    """Fills the blanks of a job log's later rows of a ticket, chunk by chunk, and counts what it filled.

    A row follows its ticket where the row above it has the same job_id. A date is carried wherever it is blank; vehicle
    and class only to a row that has neither, and only while the ticket has one vehicle and one class: below a second
    one nobody can tell which is meant.
    """

    match: HeaderMatch
    _job: str = ""
    _said: dict[str, set[str]] = field(default_factory=dict)
    _above: dict[str, str] = field(default_factory=dict)
    _lines: dict[str, list[int]] = field(default_factory=dict)

    def fill(self, chunk: RawChunk) -> None:
        """Fill the blanks of a chunk's rows in place."""
        at = {name: m.index for name, m in self.match.columns.items()}
        if self.match.log != "jobs" or "job_id" not in at:
            return
        carried = [name for name in (*_OF_THE_VISIT, *_OF_THE_VEHICLE) if name in at]
        for line, row in zip(chunk.lines, chunk.cells, strict=True):
            job = code_key(row[at["job_id"]])
            if not job or job != self._job:
                self._job, self._said, self._above = job, {name: set() for name in carried}, {}
            for name in self._blanks(row, at, carried):
                row[at[name]] = self._above[name]
                self._lines.setdefault(name, []).append(line)
            for name in carried:
                if row[at[name]].strip():
                    self._above[name] = row[at[name]]
                    self._said[name].add(code_key(row[at[name]]))

    def _blanks(self, row: list[str], at: dict[str, int], carried: Sequence[str]) -> list[str]:
        blank = [name for name in carried if not row[at[name]].strip() and self._above.get(name)]
        of_vehicle = [name for name in _OF_THE_VEHICLE if name in at]
        one = all(len(self._said[name]) < 2 for name in of_vehicle)
        if one and not any(row[at[name]].strip() for name in of_vehicle):
            return blank
        return [name for name in blank if name in _OF_THE_VISIT]

    def notes(self) -> list[str]:
        """Return what was filled, with counts and the first lines."""
        told = []
        for name in (*_OF_THE_VISIT, *_OF_THE_VEHICLE):
            lines = self._lines.get(name, [])
            if lines:
                shown = ", ".join(map(str, lines[:_SHOWN])) + (", ..." if len(lines) > _SHOWN else "")
                told.append(f"{name} (line {shown}; {counted(len(lines), 'row')})")
        if not told:
            return []
        return [f"left blank below the first row of a ticket and taken from the row above: {'; '.join(told)}"]
