"""From a chunk as read to the frame that is checked, then to the frame that is staged in the book."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.book.staging import PROBLEM_COLUMNS
from pipeline.intake.carried import Carrier
from pipeline.intake.contracts import breaches, contract, fault_of
from pipeline.intake.faults import Fault
from pipeline.intake.merged import merged_figures
from pipeline.intake.wide import unpivot

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import pandas as pd
    from numpy.typing import NDArray

    from pipeline.intake.header_match import HeaderMatch
    from pipeline.intake.logs import LogShape
    from pipeline.intake.normalise import Normaliser, Typed
    from pipeline.intake.raw import RawChunk
    from pipeline.intake.words import Words

_PACKED = ("pellets_lb", "minutes")
#: Of a wide sheet, which has no head for the zone.
_NO_ZONE = Fault("missing", "no zone has a figure in this row; write what it took under its zone, or remove the row")


@dataclass(frozen=True)
class Framed:
    """A chunk ready to be staged.

    Attributes
    ----------
    rows : DataFrame
        `row_no`, `line` and the columns of the log's table; a row with a package is several, which all name it.
    problems : DataFrame with `staging.PROBLEM_COLUMNS`
    n_rows : int
        Input rows in the chunk.
    """

    rows: pd.DataFrame
    problems: pd.DataFrame
    n_rows: int


@dataclass
class Framer:
    """Types, checks and frames the chunks of one file, in order; `n_rows` counts the input rows so far.

    Attributes
    ----------
    shape : LogShape
    match : HeaderMatch
        Of the file's own header; a wide sheet is unpivoted here.
    words : Words
    normaliser : Normaliser
        Over the columns of `long_match`.
    today : date
    carrier : Carrier
        Of what a ticket says on its first row only; counts what it filled.
    """

    shape: LogShape
    match: HeaderMatch
    words: Words
    normaliser: Normaliser
    today: date
    n_rows: int = 0
    bad_by_column: dict[tuple[str, str], int] = field(default_factory=dict)
    _schema: Any = None

    def __post_init__(self) -> None:
        self.carrier = Carrier(self.match)

    def frame(self, chunk: RawChunk) -> Framed:
        """Return one chunk as checked, typed rows and the reasons against some of them."""
        import pandas as pd

        n_input = len(chunk.cells)
        merged = merged_figures(chunk, self.match)
        chunk.faults = {i: list(of_row.values())[-1] for i, of_row in merged.items()} | chunk.faults
        self.carrier.fill(chunk)
        if self.match.wide is not None:
            chunk = unpivot(chunk, self.match.wide)
        source = np.arange(n_input) if chunk.source is None else np.array(chunk.source, dtype=np.int64)
        typed = self.normaliser.typed(chunk.cells)
        columns = typed.columns | {"n_zones": self._n_zones(typed)}
        problems = self._problems(chunk, typed, columns, source)
        self.n_rows += n_input
        rows = _table_rows(self.shape, columns, self.words)
        start = self.n_rows - n_input
        rows.insert(0, "line", np.array(chunk.lines, dtype=np.int64)[rows.index])
        rows.insert(0, "row_no", (start + source)[rows.index])
        found = pd.DataFrame(problems, columns=list(PROBLEM_COLUMNS), dtype=object)
        return Framed(rows.reset_index(drop=True), found, n_input)

    def _n_zones(self, typed: Typed) -> NDArray[np.int64]:
        zones = typed.columns.get("zone")
        if zones is None or not self.words.packages:
            return np.ones(len(next(iter(typed.columns.values()))), dtype=np.int64)
        size = {name: len(members) for name, members in self.words.packages.items()}
        return np.array([size.get(z, 1) for z in zones], dtype=np.int64)

    def _problems(
        self, chunk: RawChunk, typed: Typed, columns: dict[str, Any], source: NDArray[np.int64]
    ) -> list[tuple[int, str, str, str, str]]:
        wide = self.match.wide
        matched = (wide.match if wide and wide.match else self.match).columns
        found: list[tuple[int, str, Fault]] = [(i, "", fault) for i, fault in chunk.faults.items()]
        seen = {(i, "") for i in chunk.faults}
        cells = [(f.row, f.column, f.fault) for f in typed.faults if f.row not in chunk.faults]
        found += cells
        seen |= {(row, column) for row, column, _ in cells}
        for breach in breaches(self._contract(), self._checked(columns)):
            if (breach.row, breach.column) not in seen and breach.row not in chunk.faults:
                unworked = wide is not None and breach.column == "zone"
                fault = _NO_ZONE if unworked else fault_of(breach, self.shape, self.normaliser.units)
                found.append((breach.row, "" if unworked else breach.column, fault))
        self._count(found, source)
        told = []
        for row, column, fault in found:
            where = matched.get(column)
            value = fault.value or (chunk.cells[row][where.index] if where else "")
            head = wide.head_of(chunk.cells[row][matched["zone"].index], column) if wide else ""
            told.append((self.n_rows + int(source[row]), fault.code, fault.column or head or column, value, fault.hint))
        return told

    def _contract(self) -> Any:
        if self._schema is None:
            self._schema = contract(self.shape, self.today)
        return self._schema

    def _checked(self, columns: dict[str, Any]) -> pd.DataFrame:
        """Return the frame the contract judges: figures of packages are judged as a mean over their zones."""
        import pandas as pd

        judged = {name: columns[name] for name in self._contract().columns}
        for name in _PACKED:
            if name in judged:
                judged[name] = judged[name] / columns["n_zones"]
        return pd.DataFrame(
            {name: pd.Series(v, dtype=object) if isinstance(v, list) else v for name, v in judged.items()}
        )

    def _count(self, found: Sequence[tuple[int, str, Fault]], source: NDArray[np.int64]) -> None:
        """Count, of the first 1,000 input rows, those that each column and code spoil."""
        if self.n_rows >= FIRST_ROWS:
            return
        spoilt = {(column, fault.code, int(source[row])) for row, column, fault in found
                  if self.n_rows + source[row] < FIRST_ROWS}  # fmt: skip
        for column, code, _ in spoilt:
            self.bad_by_column[column, code] = self.bad_by_column.get((column, code), 0) + 1


#: An import stops where more than half of this many first rows are spoilt by one column.
FIRST_ROWS = 1_000


def _table_rows(shape: LogShape, columns: dict[str, Any], words: Words) -> pd.DataFrame:
    """Return the columns of the log's table; the index is the row of the chunk each came from."""
    import pandas as pd

    def frame(named: dict[str, Any]) -> pd.DataFrame:
        return pd.DataFrame({k: pd.Series(v, dtype=object) if isinstance(v, list) else v for k, v in named.items()})

    named = {name: v for name, v in columns.items() if name not in ("date", "at", "n_zones")}
    named["day"] = columns["at"] if "at" in columns else columns["date"]
    if shape.name in ("deliveries", "weighings"):
        named.setdefault("stamped", np.full(len(named["day"]), "NaT", dtype="datetime64[s]"))
        return frame(named)
    n_zones = columns["n_zones"]
    several = n_zones > 1
    zones = named["zone"]
    if shape.name == "jobs":
        named["package"] = [z if packed else "" for z, packed in zip(zones, several.tolist(), strict=True)]
        named["pass"] = np.where(np.isnan(named["pass"]), 1.0, named["pass"]).clip(-1e6, 1e6).astype(np.int64)
        for name in _PACKED:
            named[f"package_{name}"] = np.where(several, named[name], np.nan)
            named[name] = np.where(several, np.nan, named[name])
    else:
        named["status"] = [s or "booked" for s in named["status"]]
    rows = frame(named)
    if several.any():
        expanded = [member for zone in zones for member in words.zones_of(zone)]
        rows = rows.loc[np.repeat(np.arange(len(zones)), n_zones)]
        rows["zone"] = expanded
    return rows
