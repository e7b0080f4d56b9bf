"""From text cells to typed columns, chunk by chunk: each distinct cell is parsed once, each faulty one has a reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pipeline.intake.columns import QUANTITIES, column_of
from pipeline.intake.dates import OrderEvidence, order_evidence, parse_dates, settle_order
from pipeline.intake.faults import REJECTED, Fault
from pipeline.intake.numbers import comma_evidence, two_readings, without_habit
from pipeline.intake.quantities import ColumnParser, parse_column, parts_thousands
from pipeline.intake.texts import is_error_cell, tidy, unguard
from pipeline.intake.words import parse_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.book.settings import Settings
    from pipeline.intake.columns import Column
    from pipeline.intake.dates import DateOrder
    from pipeline.intake.header_match import Matched
    from pipeline.intake.logs import LogShape
    from pipeline.intake.units import Units
    from pipeline.intake.words import Words

#: What stands for 'no code' in a column of codes. Words such as 'na' or 'x' may be somebody's initials and stay.
_NO_CODE: Final = frozenset({"-", "--", "---", "–", "—", "n/a", "n.a.", "?", "??", "."})
#: Distinct cells of one column that are remembered between chunks; beyond it the memory starts anew.
_REMEMBERED: Final = 200_000
#: Cells of two readings that one note names.
_SHOWN: Final = 5


@dataclass(frozen=True)
class Habits:
    """How one file writes what can be read in two ways; found by reading it, then used to read it.

    Attributes
    ----------
    orders : dict of column -> "", "day-first" or "month-first"
    commas : frozenset of columns whose commas are decimal signs
    unclear : frozenset of columns
        Where others prove decimal commas and none a decimal point: those that prove neither.
    """

    orders: dict[str, DateOrder] = field(default_factory=dict)
    commas: frozenset[str] = frozenset()
    unclear: frozenset[str] = frozenset()


@dataclass(frozen=True)
class CellFault:
    """A faulty cell: its row in the chunk, the canonical column and the reason."""

    row: int
    column: str
    fault: Fault


@dataclass(frozen=True)
class Typed:
    """A chunk as typed columns (lists of str or bool, float64 or datetime64 arrays) under the log's canonical names.

    A column of moments is two: the day under its own name, the stamp under ``stamped``. Faulty cells are blank in
    `columns` and stand in `faults`.
    """

    columns: dict[str, Any]
    faults: list[CellFault]


class Normaliser:
    """Reads the chunks of one file in one pass and gathers what the file proves about its habits.

    Parameters
    ----------
    shape : LogShape
    matched : dict of canonical column -> Matched
    words : Words
    settings : Settings
    habits : Habits
        Those found by an earlier pass; on the first pass those of the book.
    """

    def __init__(
        self, shape: LogShape, matched: dict[str, Matched], words: Words, settings: Settings, habits: Habits
    ) -> None:
        self._shape, self._matched, self._words, self._settings, self._habits = shape, matched, words, settings, habits
        self.units: Units = settings.shop.units  # type: ignore[assignment]  # checked on loading
        self._parsers = {
            c.name: ColumnParser(
                c.reads, matched[c.name].unit,  # type: ignore[arg-type]  # those in QUANTITIES are kinds
                decimal_comma=True if c.name in habits.commas else None,
                currency=settings.shop.currency, unclear=c.name in habits.unclear,
            )
            for c in shape.columns if c.reads in QUANTITIES and c.name in matched
        }  # fmt: skip
        self._codes: dict[str, str] = {}
        self._days: dict[str, dict[str, tuple[int, int]]] = {}
        self._not_days: dict[str, dict[str, Fault]] = {}
        self._orders: dict[str, OrderEvidence] = {}
        self._commas: dict[str, frozenset[str]] = {}
        self._either: dict[str, dict[str, str]] = {}
        self._unplaced: dict[str, set[str]] = {}
        self.n_approximate: dict[str, int] = {}
        self.n_unplaced: dict[str, int] = {}

    def typed(self, cells: Sequence[Sequence[str]]) -> Typed:
        """Return one chunk's rows as typed columns, with the faulty cells."""
        columns: dict[str, Any] = {}
        faults: list[CellFault] = []
        for column in self._shape.columns:
            matched = self._matched.get(column.name)
            texts = None
            if matched is not None and cells:
                texts = _unguarded(list(map(itemgetter(matched.index), cells)))
            values, wrong = self._read(column, texts, len(cells))
            columns.update(values)
            faults.extend(CellFault(row, column.name, fault) for row, fault in wrong.items())
        return Typed(columns, faults)

    def _read(self, column: Column, texts: list[str] | None, n: int) -> tuple[dict[str, Any], dict[int, Fault]]:
        name, reads = column.name, column.reads
        if reads in QUANTITIES:
            if texts is None:
                return {name: np.full(n, np.nan)}, {}
            return self._quantity(name, texts)
        if reads in ("date", "moment"):
            return self._dates(column, texts, n)
        if texts is None:
            return {name: [None if reads == "yes_no" else ""] * n}, {}
        if reads == "text":
            return {name: [t.strip() for t in texts]}, {}
        if reads == "code":
            return self._code(name, texts)
        parsed = parse_words(texts, reads, self._words)  # type: ignore[arg-type]  # what is left are groups of words
        if reads == "yes_no":
            meaning = {"yes": True, "no": False}
            return {name: [meaning.get(v) for v in parsed.values]}, parsed.faults
        if reads == "soil":
            return {name: ["" if v == "unknown" else v for v in parsed.values]}, parsed.faults
        return {name: parsed.values}, parsed.faults

    def _quantity(self, name: str, texts: list[str]) -> tuple[dict[str, Any], dict[int, Fault]]:
        parsed = self._parsers[name].parse(texts)
        if parsed.approximate:
            self.n_approximate[name] = self.n_approximate.get(name, 0) + len(parsed.approximate)
        seen = self._commas.get(name, frozenset())
        if "point" not in seen:  # one decimal point settles that commas are not decimal signs
            distinct = dict.fromkeys(texts)
            self._commas[name] = seen | comma_evidence(distinct)
            self._gather_either(name, distinct)
        return {name: parsed.values}, parsed.faults

    def _gather_either(self, name: str, distinct: Iterable[str]) -> None:
        """Gather the cells that could be a figure a thousand times as large or small, where the log believes both."""
        limit = self._shape.limits.get(name)
        reads = column_of(self._shape.name, name).reads
        either = self._either.setdefault(name, {})
        for text in distinct:
            readings = two_readings(text) if limit and ("," in text or "." in text) else None
            if not readings or not limit or len(either) > _REMEMBERED:
                continue
            as_whole = parts_thousands(reads, text)  # type: ignore[arg-type]  # of a column of figures, see `_quantity`
            value = float(self._parsers[name].parse([text]).values[0])
            if limit.low <= (value / 1000.0 if as_whole else value * 1000.0) <= limit.high:
                either[text] = f"{readings[0 if as_whole else 1]:g}"

    def _either_notes(self) -> list[str]:
        """Return which cells were read as one of two figures, neither of which the column proves."""
        notes = []
        for name, seen in self._commas.items():
            # Beside decimal commas a dot parts thousands; without any a dot is what might do so.
            sign = {frozenset[str](): ".", frozenset({"comma"}): ","}.get(seen, "")
            cells = [(t, v) for t, v in self._either.get(name, {}).items() if sign and sign in t]
            if cells:
                shown = ", ".join(f"`{tidy(text)}` as {value}" for text, value in cells[:_SHOWN])
                more = f" and {len(cells) - _SHOWN} more" if len(cells) > _SHOWN else ""
                notes.append(f"{name}: read {shown}{more}, which could be a thousand times more or less; check them")
        return notes

    def _dates(self, column: Column, texts: list[str] | None, n: int) -> tuple[dict[str, Any], dict[int, Fault]]:
        name = column.name
        if texts is None:
            return {name: np.full(n, "NaT", dtype="datetime64[s]")}, {}
        known = self._days.setdefault(name, {})
        unseen = [text for text in dict.fromkeys(texts) if text not in known]
        order = self._habits.orders.get(name, self._told_order(name)[0])
        parsed = parse_dates(unseen, order, time_zone=self._settings.shop.time_zone)
        self._orders[name] = self._orders.get(name, OrderEvidence()) + order_evidence(unseen)
        seconds = zip(parsed.days.astype("datetime64[s]").astype(np.int64), parsed.stamps.astype(np.int64), strict=True)
        known |= dict(zip(unseen, ((int(day), int(stamp)) for day, stamp in seconds), strict=True))
        wrong = self._not_days.setdefault(name, {})
        wrong |= {unseen[i]: fault for i, fault in parsed.faults.items()}
        unplaced = self._unplaced.setdefault(name, set())
        unplaced |= {unseen[i] for i in parsed.unplaced}
        if unplaced:
            self.n_unplaced[name] = self.n_unplaced.get(name, 0) + sum(text in unplaced for text in texts)
        found = np.array([known[t] for t in texts], dtype=np.int64).reshape(n, 2)
        values: dict[str, Any] = {name: found[:, 0].astype("datetime64[s]")}
        if column.reads == "moment":
            values["stamped"] = found[:, 1].astype("datetime64[s]")
        return values, {i: wrong[t] for i, t in enumerate(texts) if t in wrong} if wrong else {}

    def _told_order(self, name: str) -> tuple[DateOrder, str]:
        """Return the order that the head states ('Date (dd/mm/yyyy)'), else the book's, and who says so."""
        head = self._matched[name]
        if head.unit:
            return head.unit, f"the head {head.head!r}"  # type: ignore[return-value]  # orders only, see `heads`
        return self._settings.shop.date_order, "book.toml"  # type: ignore[return-value]  # checked on loading

    def _code(self, name: str, texts: list[str]) -> tuple[dict[str, Any], dict[int, Fault]]:
        if len(self._codes) > _REMEMBERED:
            self._codes.clear()
        known, wrong = self._codes, set()
        for text in set(texts):
            if text.startswith("#") and is_error_cell(text):
                wrong.add(text)
                known[text] = ""
            elif text not in known:
                plain = tidy(text)
                known[text] = "" if plain.casefold() in _NO_CODE else plain
        fault = Fault("error-cell", "the spreadsheet shows an error here; correct the formula or type the code")
        faults = {i: fault for i, text in enumerate(texts) if text in wrong} if wrong else {}
        return {name: [known[t] for t in texts]}, faults

    def habits(self) -> tuple[Habits, list[str]]:
        """Return the habits that the file read so far proves, and what to tell about them."""
        orders: dict[str, DateOrder] = {}
        notes = []
        for name, evidence in self._orders.items():
            told, by = self._told_order(name)
            finding = settle_order(evidence, told, name, said_by=by)
            orders[name] = finding.order
            if finding.note:
                notes.append(finding.note)
        commas = frozenset(name for name, seen in self._commas.items() if seen == frozenset({"comma"}))
        if commas:
            notes.append(f"decimal commas in {', '.join(sorted(commas))}")
        notes += self._either_notes()
        unclear = frozenset(name for name, seen in self._commas.items() if not seen)
        if not commas or any("point" in seen for seen in self._commas.values()):
            unclear = frozenset()
        return Habits(orders, commas, unclear), notes

    def without_habits(self, name: str, cell: str) -> str:
        """Return a cell of a column so that it reads the same in another file, which may not prove the habits of this.

        A figure under decimal commas is written with a sign that can be only one, a date of an order that the file
        proved as its ISO date. What other cells of this file leave open between two readings is written as still
        rejected: alone it would be read as one of them. Other cells that were not read, and those that need no habit,
        stay as they were.
        """
        text = unguard(cell)
        if self._left_open(name, text):
            return REJECTED + cell
        if name in self._habits.commas:
            plain = without_habit(text)
            as_it_was, again = parse_column(
                [text, plain], column_of(self._shape.name, name).reads, self._matched[name].unit,  # type: ignore[arg-type]
                currency=self._settings.shop.currency,
            ).values  # fmt: skip
            read = self._parsers[name].parse([text]).values[0]
            # What is a fault or blank is NaN, and equals nothing.
            return plain if again == read != as_it_was else cell
        order = self._habits.orders.get(name, "")
        if not order or order == self._told_order(name)[0]:
            return cell
        asked = parse_dates([text]).faults.get(0)
        read_day = parse_dates([text], order, time_zone=self._settings.shop.time_zone)
        if asked is None or asked.code != "date-could-be-two" or read_day.faults:
            return cell
        return str(read_day.days[0] if np.isnat(read_day.stamps[0]) else read_day.stamps[0])

    def _left_open(self, name: str, text: str) -> bool:
        """Tell whether a cell was refused as one of two figures or dates because of what other cells prove."""
        if name in self._habits.unclear:
            fault = self._parsers[name].parse([text]).faults.get(0)
            return fault is not None and fault.code == "figure-could-be-two"
        proof = self._orders.get(name)
        if proof is None or not (proof.day_first or proof.month_first):
            return False
        fault = parse_dates([text], self._habits.orders.get(name, self._told_order(name)[0])).faults.get(0)
        return fault is not None and fault.code == "date-could-be-two"

    def needs_another_pass(self) -> bool:
        """Tell whether the file proves habits that this pass did not read it with."""
        found, _ = self.habits()
        orders = {n: o for n, o in found.orders.items() if o != self._habits.orders.get(n, self._told_order(n)[0])}
        ambiguous = any(self._orders[n].n_either for n in orders)
        return ambiguous or found.commas != self._habits.commas or found.unclear != self._habits.unclear


def _unguarded(texts: list[str]) -> list[str]:
    """Take off the ``'`` that `export` and the rejects file put before texts that look like formulas."""
    return list(map(unguard, texts)) if "'" in "".join(texts) else texts
