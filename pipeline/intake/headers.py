"""Headers matched to the columns of a log: by spelling, unit, map or close spelling; never by a silent guess."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import LOGS, QUANTITIES, TOTAL_OF, Column, Log, column_of
from pipeline.intake.header_match import HeaderMatch, Matched, bare_note
from pipeline.intake.heads import HeadTable, Meaning
from pipeline.intake.texts import tidy, word_key
from pipeline.intake.unit_heads import units_alone
from pipeline.intake.units import book_unit, currency_fits
from pipeline.intake.wide import find_wide, mapped_zone
from pipeline.intake.words import Words, nearest_spelling
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pipeline.intake.column_map import ColumnMap, MapEntry
    from pipeline.intake.header_match import Wide
    from pipeline.intake.units import Units

#: Share of equal letters (rapidfuzz `ratio`, 0..100) from which a head counts as a misspelling; shown in a note.
_MISSPELT: Final = 80.0
#: The same for columns of figures: a price read as a pressure, or a clock time as minutes, is worse than a head unread.
#: One letter of five changed, or three added to four, is no misspelling there.
_MISSPELT_FIGURE: Final = 85.0
_LEAD: Final = 6.0
#: Points by which the best log must lead for its kind to be taken as told by the header.
_KIND_LEAD: Final = 0.5


#: Kinds of figures of which it is told how they are read where the head names no unit: an hour read as a minute, or a
#: kilogram as a pound, is a wrong price.
_UNIT_TOLD: Final = ("mass", "duration")


@dataclass
class _Draft:
    where: str
    columns: dict[str, Matched] = field(default_factory=dict)
    unmatched: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def match_headers(
    header: Sequence[str],
    log: Log,
    *,
    words: Words,
    units: Units = "us",
    currency: str = "USD",
    column_map: ColumnMap | None = None,
    where: str = "header",
    first_of_doubled: bool = False,
) -> HeaderMatch:
    """Return how a header's columns are read as a log.

    A column map decides first, then the canonical heads, then known spellings (with a unit in them or without), then,
    told in a note, a close spelling that no other column's spelling comes near to.

    Parameters
    ----------
    where : str
        Where the header stands, for errors: the file, the sheet, the line.
    first_of_doubled : bool
        Take the first of heads that mean one column instead of raising, to draft a column map.

    Raises
    ------
    RimebookError
        ``doubled-columns`` where two heads mean one column and none of them is its canonical head, or the map gives
        two heads one zone's figure, or a wide sheet has two heads for a visit's total;
        ``other-currency`` where a head names another currency than the book's; ``map-of-another-log`` where the map
        names a column that this log does not have.
    """
    table = HeadTable(log, words)
    heads = [h for h in header if not h.startswith("reject_")]
    draft = _Draft(where)
    wide = find_wide(header, words, table, column_map) if log == "jobs" else None
    taken = wide.indices if wide else frozenset()
    found: dict[str, list[tuple[int, Meaning]]] = {}
    for i, head in enumerate(header):
        if i in taken or head not in heads:
            continue
        mapped = column_map.entry(head) if column_map else None
        if mapped and not mapped.column:
            continue
        if mapped and mapped.zone and wide:  # another head has its place
            if not first_of_doubled:
                zone = mapped_zone(mapped, words)
                both = sorted((i, wide.zones[zone][mapped.column][0]))
                raise _doubled(header, both, f"{mapped.column} of {zone}", where, "Correct one in the column map.")
            draft.unmatched.append(i)
            continue
        meaning = _mapped(head, table, mapped, where) if mapped else table.read(head)
        if meaning is None:
            draft.unmatched.append(i)
        else:
            found.setdefault(meaning.column.name, []).append((i, meaning))
    _settle_vehicle(header, log, found, table, draft)
    bare: dict[str, str] = {}
    for name, readings in found.items():
        if first_of_doubled:
            draft.unmatched.extend(i for i, _ in readings[1:])
            readings = readings[:1]
        i, meaning = _one_of(header, name, readings, table, draft, column_map)
        draft.columns[name] = _matched(header, i, meaning, units, currency, where)
        if not meaning.unit and meaning.column.reads in _UNIT_TOLD:
            bare[header[i]] = draft.columns[name].unit
    if bare:
        draft.notes.append(bare_note(bare))
    if not wide:
        _read_units_alone(header, log, draft, units, currency)
    _close_spellings(header, log, table, draft, units, wide)
    if wide:
        _settle_totals(header, wide, draft, first_of_doubled=first_of_doubled)
        wide = wide.laid_out(header, draft.columns, units)
    present = set(draft.columns) | ({"zone"} if wide else set())
    missing = tuple(c.name for c in LOGS[log] if c.need and c.name not in present)
    notes = (*draft.notes, *(wide.notes if wide else ()))
    return HeaderMatch(log, draft.columns, tuple(header[i] for i in draft.unmatched), missing, notes, wide)


def require(match: HeaderMatch, where: str, *, drafted: str = "") -> None:
    """Raise ``missing-columns`` where the header lacks a needed column, naming what it has instead.

    Parameters
    ----------
    match : HeaderMatch
    where : str
    drafted : str
        The column map that was drafted for it, '' where none was.
    """
    if not match.missing:
        return
    table = {word_key(head): head for head in match.unmatched}
    near = [f"{head!r} for {name}" for name in match.missing if (head := nearest_spelling(name, table))]
    has = ", ".join(repr(m.head) for m in match.columns.values()) or "none of its columns"
    left = ", ".join(repr(head) for head in match.unmatched[:10]) or "none"
    ask = f"Did you mean {', '.join(near)}? " if near else ""
    raise RimebookError(
        "missing-columns",
        where=where,
        found=f"{has}; heads not understood: {left}",
        expected=f"also {', '.join(match.missing)}, which a {match.log} log needs",
        do=f"{ask}Complete the map drafted in {drafted} and import with --columns {drafted}."
        if drafted
        else f"{ask}Add the column, rename its head, or map it: import --dry-run --write-map MAP.toml drafts a map.",
    )


def guesser(
    words: Words, column_map: ColumnMap | None = None, kind: Log | None = None
) -> Callable[[Sequence[str]], tuple[str, float]]:
    """Return a function that scores how well a row looks like the header of a log: (kind, score).

    The score grows with the number of heads known; below 2 a row is no header. The kind is '' where two logs fit
    equally well.

    Parameters
    ----------
    words : Words
    column_map : ColumnMap, optional
        Its heads count as known, and its kind, where given, is the only candidate.
    kind : Log, optional
        The only candidate, where the user named it.
    """
    only = kind or (column_map.kind if column_map else None)
    tables = {log: HeadTable(log, words) for log in LOGS if only in (None, log)}

    def guess(row: Sequence[str]) -> tuple[str, float]:
        cells = [cell for cell in row if cell.strip() and not cell.strip()[:1].isdigit()]
        scores = {log: _score(cells, table, words, column_map) for log, table in tables.items()}
        ranked = sorted(scores.items(), key=lambda item: -item[1])
        exact = [log for log in tables if has_own_heads(log, cells)]
        if len(exact) == 1 and ranked[0][0] == exact[0]:
            return exact[0], ranked[0][1]
        sure = len(ranked) == 1 or ranked[0][1] - ranked[1][1] >= _KIND_LEAD
        return (ranked[0][0] if sure else ""), ranked[0][1]

    return guess


def has_own_heads(log: Log, cells: Sequence[str]) -> bool:
    """Tell whether a header has each column that a log needs under its canonical head."""
    heads = {tidy(cell).casefold() for cell in cells}
    return all(column.name in heads for column in LOGS[log] if column.need)


def _score(cells: Sequence[str], table: HeadTable, words: Words, column_map: ColumnMap | None) -> float:
    names: set[str] = set()
    n_canonical = 0
    for cell in cells:
        mapped = column_map.entry(cell) if column_map else None
        if mapped and mapped.column:
            names.add(mapped.column)
            continue
        meaning = table.read(cell)
        if meaning:
            names.add(meaning.column.name)
            n_canonical += table.canonical_name(cell) is not None
    wide = find_wide(cells, words, table, column_map) if table.log == "jobs" else None
    zones = len(wide.indices) if wide else 0
    needed = [c.name for c in LOGS[table.log] if c.need]
    lacking = sum(name not in names and not (zones and name == "zone") for name in needed)
    score = len(names) + 0.2 * n_canonical + zones - 0.75 * lacking
    return score if len(names) + zones >= 2 else min(score, 1.0)


def _one_of(
    header: Sequence[str],
    name: str,
    readings: list[tuple[int, Meaning]],
    table: HeadTable,
    draft: _Draft,
    column_map: ColumnMap | None,
) -> tuple[int, Meaning]:
    """Return the one head that is read as a column where several could be."""
    if len(readings) == 1:
        return readings[0]
    preferred = [r for r in readings if column_map and column_map.entry(header[r[0]])]
    preferred = preferred or [r for r in readings if table.canonical_name(header[r[0]]) == name]
    if len(preferred) != 1 and readings[0][1].column.reads == "text":
        preferred = readings[:1]
    indices = [i for i, _ in readings]
    if len(preferred) != 1:
        raise _doubled(
            header, indices, name, draft.where,
            "Rename or remove one, or say in a column map (--columns MAP.toml) which it is, under [columns]: "
            f'"{header[indices[0]]}" = "{name}".',
        )  # fmt: skip
    draft.unmatched.extend(i for i in indices if i != preferred[0][0])
    draft.notes.append(f"{_named(header, indices)} both mean {name}; {header[preferred[0][0]]!r} is read")
    return preferred[0]


def _named(header: Sequence[str], indices: Sequence[int]) -> str:
    return " and ".join(f"{header[i]!r} (column {i + 1})" for i in indices)


def _doubled(header: Sequence[str], indices: Sequence[int], meant: str, where: str, do: str) -> RimebookError:
    found = f"{_named(header, indices)}, which both mean {meant}"
    return RimebookError("doubled-columns", where=where, found=found, expected="one column for it", do=do)


def _mapped(head: str, table: HeadTable, entry: MapEntry, where: str) -> Meaning:
    """Return what the column map says of a head of this log, and the head itself where the map leaves its unit out."""
    log = table.log
    if entry.column not in {column.name for column in LOGS[log]}:
        raise RimebookError(
            "map-of-another-log", where=where, found=f"the head `{head}`, by the column map `{entry.column}`",
            expected=f"a column of the {log} log", do="Name the log with --kind, or correct the column map.",
        )  # fmt: skip
    meaning = table.read_as(head, column_of(log, entry.column))
    return replace(meaning, unit=entry.unit) if entry.unit else meaning


def _settle_vehicle(
    header: Sequence[str], log: Log, found: dict[str, list[tuple[int, Meaning]]], table: HeadTable, draft: _Draft
) -> None:
    """Read a lone 'Vehicle' as the class: it is the plate only beside a column for the class."""
    if log != "jobs" or "vehicle_class" in found or len(found.get("vehicle", ())) != 1:
        return
    i, _ = found["vehicle"][0]
    column = table.spellings.get(word_key(header[i]))
    if column is not None and column.name == "vehicle_class":
        del found["vehicle"]
        found["vehicle_class"] = [(i, Meaning(column, ""))]
        draft.notes.append(f"{header[i]!r} is read as vehicle_class, since no other head names the class")


def _settle_totals(header: Sequence[str], wide: Wide, draft: _Draft, *, first_of_doubled: bool) -> None:
    """Read a plain figure beside the zones' columns as the visit's: on each zone's line it would count once for each.

    A plain soil level beside those of the zones is left out: theirs say more.
    """
    for name, total in TOTAL_OF.items():
        plain, whole = draft.columns.pop(name, None), draft.columns.get(total)
        if plain is None:
            continue
        if whole is None:
            draft.columns[total] = plain
            draft.notes.append(f"{plain.head!r} beside columns for each zone is the visit's total, read as {total}")
        elif first_of_doubled:
            draft.unmatched.append(plain.index)
        else:
            raise _doubled(
                header, sorted((plain.index, whole.index)), total, draft.where,
                "Remove one, or say in a column map (--columns MAP.toml) which is not imported, under [columns]: "
                f'"{plain.head}" = "".',
            )  # fmt: skip
    if any("soil_level" in columns for columns in wide.zones.values()) and "soil_level" in draft.columns:
        draft.unmatched.append(draft.columns.pop("soil_level").index)


def _matched(header: Sequence[str], i: int, meaning: Meaning, units: Units, currency: str, where: str) -> Matched:
    if meaning.currency and not currency_fits(meaning.currency, currency):
        raise RimebookError(
            "other-currency",
            where=f"{where}, column {i + 1}",
            found=repr(header[i]),
            expected=f"amounts in {currency}, the book's currency",
            do="Convert the column, or set currency under [shop] in book.toml.",
        )
    return Matched(i, header[i], meaning.unit or unit_in_book(meaning.column, units))


def unit_in_book(column: Column, units: Units) -> str:
    """Return the canonical unit of bare numbers under a head that names none."""
    return book_unit(column.reads, units) if column.reads in QUANTITIES else ""


def _read_units_alone(header: Sequence[str], log: Log, draft: _Draft, units: Units, currency: str) -> None:
    """Read heads such as 'Kg' as the figure they can only mean, told in a note."""
    for i, meaning in units_alone(header, log, draft.unmatched, draft.columns):
        name = meaning.column.name
        draft.columns[name] = _matched(header, i, meaning, units, currency, draft.where)
        draft.unmatched.remove(i)
        draft.notes.append(
            f"{header[i]!r} is read as {name}, in {meaning.unit}, since no other head names it (a column map can say "
            "otherwise)"
        )


def _close_spellings(
    header: Sequence[str], log: Log, table: HeadTable, draft: _Draft, units: Units, wide: Wide | None
) -> None:
    """Match misspelt heads to columns still open where one column leads clearly; note every guess and near miss."""
    from rapidfuzz import fuzz

    free = [c for c in LOGS[log] if c.name not in draft.columns and not (wide and c.name == "zone")]
    spellings = table.spellings | table.canonical
    candidates: list[tuple[float, int, Column]] = []
    for i in draft.unmatched:
        key = word_key(header[i])
        best: dict[str, float] = {}
        for spelling, column in spellings.items():
            if len(spelling) >= 4 <= len(key) and not (column.reads in QUANTITIES and _goes_on(key, spelling)):
                best[column.name] = max(best.get(column.name, 0.0), fuzz.ratio(key, spelling))
        ranked = sorted(best.items(), key=lambda item: -item[1])
        if not ranked:
            continue
        column, close = column_of(log, ranked[0][0]), ranked[0][1]
        least = _MISSPELT_FIGURE if column.reads in QUANTITIES else _MISSPELT
        if close >= least and (len(ranked) == 1 or close - ranked[1][1] >= _LEAD) and column in free:
            candidates.append((close, i, column))
    for _, i, column in sorted(candidates, key=lambda c: (-c[0], c[1])):
        if column.name not in draft.columns:
            draft.columns[column.name] = Matched(i, header[i], column.unit or unit_in_book(column, units))
            draft.unmatched.remove(i)
            draft.notes.append(
                f"{header[i]!r} is read as {column.name} (close spelling; a column map can say otherwise)"
            )
    _suggest(header, free, draft, table)


def _goes_on(key: str, spelling: str) -> bool:
    """Tell whether a head is a known spelling whole, with more before or after it: 'Timer', 'Weight in', 'Time 2'.

    Slips of the pen lose, swap and double letters; what adds others to a whole word is a word of its own.
    """
    before, found, after = key.partition(spelling)
    if not found or key == spelling:
        return False
    doubled = set(before) <= {spelling[0]} and set(after) <= {spelling[-1]}
    return not doubled and (before, after) not in (("", "s"), ("", "es"))


def _suggest(header: Sequence[str], free: Sequence[Column], draft: _Draft, table: HeadTable) -> None:
    open_names = {c.name for c in free if c.name not in draft.columns}
    known: Mapping[str, str] = {
        k: c.name for k, c in (table.spellings | table.canonical).items() if c.name in open_names
    }
    for i in draft.unmatched:
        begun = [s for s in known if len(s) >= 4 and word_key(header[i]).startswith(s)]
        # 'Set up time in' holds 'time' as well: what it begins with says more.
        near = nearest_spelling(header[i], known, lead=1.0) or (known[max(begun, key=len)] if begun else None)
        if near:
            draft.notes.append(f"{header[i]!r} is not read; if it is {near}, say so in a column map")
