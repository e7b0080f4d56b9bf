"""Heads for the rejects of a log so that they say by themselves what a column map or a named kind said of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import column_of
from pipeline.intake.headers import guesser, match_headers, unit_in_book
from pipeline.intake.heads import HeadTable, zone_figure
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.book.settings import Settings
    from pipeline.intake.column_map import ColumnMap
    from pipeline.intake.header_match import HeaderMatch
    from pipeline.intake.units import Units
    from pipeline.intake.words import Words

_ORDERS: Final = {"day-first": "dd/mm/yyyy", "month-first": "mm/dd/yyyy"}
_UNREAD: Final = "not imported: "


def heads_alone(
    header: Sequence[str],
    match: HeaderMatch,
    words: Words,
    settings: Settings,
    *,
    column_map: ColumnMap | None,
    added: Sequence[str],
) -> tuple[str, ...] | None:
    """Return heads that are read without a column map and without the log's kind as the file's own were with them.

    Those of the file are kept where that does; next the book's own heads with the unit, and a mark before heads that
    must stay unread. None where no heads say it.

    Parameters
    ----------
    header : sequence of str
        The file's own.
    match : HeaderMatch
        How it is read.
    words : Words
    settings : Settings
    column_map : ColumnMap, optional
        That of the file; the heads say the same where it is given again.
    added : sequence of str
        Heads that will stand beside them.
    """
    how = _How(match, words, settings, column_map)
    tries = (tuple(header), *(tuple(how.heads(header, own=own)) for own in (True, False)))
    return next((heads for heads in tries if how.is_said_by(heads, added)), None)


class _How:
    """How a header is read, held against what other heads would say."""

    def __init__(self, match: HeaderMatch, words: Words, settings: Settings, column_map: ColumnMap | None) -> None:
        self._match, self._words, self._map = match, words, column_map
        self._units: Units = settings.shop.units  # type: ignore[assignment]  # checked on loading
        self._currency = settings.shop.currency
        self._table = HeadTable(match.log, words)

    def is_said_by(self, heads: Sequence[str], added: Sequence[str]) -> bool:
        """Tell whether heads are read as the same log, with the same columns and units at the same places."""
        if guesser(self._words)([*heads, *added])[0] != self._match.log:
            return False
        wanted = _places(self._match)
        try:
            return all(_places(self._read(heads, given)) == wanted for given in (None, self._map))
        except RimebookError:
            return False

    def _read(self, heads: Sequence[str], column_map: ColumnMap | None) -> HeaderMatch:
        return match_headers(
            heads, self._match.log, words=self._words, units=self._units, currency=self._currency,
            column_map=column_map,
        )  # fmt: skip

    def heads(self, header: Sequence[str], *, own: bool) -> Iterator[str]:
        """Yield a head for each column of a file; `own` keeps what it has where that is read as it was."""
        named = {m.index: (name, m.unit) for name, m in self._match.columns.items()}
        zones = self._match.wide.zones if self._match.wide else {}
        of_zone = {i: (zone, name, unit) for zone, columns in zones.items() for name, (i, unit) in columns.items()}
        for i, head in enumerate(header):
            if i in named:
                yield self._head(head, *named[i], own=own)
            elif i in of_zone:
                yield self._head_of_zone(head, *of_zone[i])
            else:
                unread = self._table.read(head) is None and zone_figure(head, self._words, self._table) is None
                yield head if unread or head.startswith("reject_") else f"{_UNREAD}{head}"

    def _head(self, head: str, name: str, unit: str, *, own: bool) -> str:
        column = column_of(self._match.log, name)
        shown = f" ({_ORDERS.get(unit, unit)})" if unit else ""
        stems = (column.stem, *(s for s, c in self._table.spellings.items() if c == column))
        spelled = (*((head, f"{head}{shown}") if own else ()), name, *(f"{stem}{shown}" for stem in stems))
        return next((h for h in spelled if self._means(h, name, unit)), name)

    def _means(self, head: str, name: str, unit: str) -> bool:
        """Tell whether a head is read as a column whose bare figures are in a unit, and no map says otherwise."""
        meaning = self._table.read(head)
        if meaning is None or meaning.column.name != name:
            return False
        entry = self._map.entry(head) if self._map else None
        if entry and (entry.column, entry.unit or unit, entry.zone) != (name, unit, ""):
            return False
        return (meaning.unit or unit_in_book(meaning.column, self._units)) == unit

    def _head_of_zone(self, head: str, zone: str, name: str, unit: str) -> str:
        stem = column_of("jobs", name).stem
        for spelled in (head, f"{zone} {stem}", f"{zone} {stem} ({unit})", f"{zone} {name}"):
            found = zone_figure(spelled, self._words, self._table)
            if found and (found[0], found[1].column.name, found[1].unit) == (zone, name, unit):
                return spelled
        return head


def _places(match: HeaderMatch) -> tuple[object, object]:
    """Return where each column stands and in which unit its bare figures are."""
    return {name: (m.index, m.unit) for name, m in match.columns.items()}, match.wide.zones if match.wide else None
