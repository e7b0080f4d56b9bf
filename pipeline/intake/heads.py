"""One head of a column understood: its spelling looked up, its unit taken off."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pipeline.intake.columns import LOGS, QUANTITIES, Column, Log
from pipeline.intake.texts import tidy, word_key
from pipeline.intake.units import is_currency, unit_of
from pipeline.intake.words import Words, spelling_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_BRACKETS: Final = re.compile(r"(?P<stem>.*?)\s*[(\[](?P<unit>[^()\[\]]*)[)\]]\s*(?P<rest>[^()\[\]]*)")
_PARTS: Final = re.compile(r"[\s_,;/|–—-]+")
#: Words between a stem and its unit that mean nothing: "weight in kg".
_FILLERS: Final = frozenset(("in", "of", "per", "the", "as", "used", "cleaned"))
_MOST_UNIT_PARTS: Final = 3
#: Remarks behind a head that say nothing of the unit.
_REMARKS: Final = frozenset(
    ("used", "total", "actual", "approx", "est", "net", "each", "perzone", "zone", "ifknown", "optional")
)
_DATE_FORMATS: Final = {"dmy": "day-first", "mdy": "month-first", "ymd": ""}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a head says: the column and the unit (for dates: the order) or currency it names ('' where none)."""

    column: Column
    unit: str
    currency: str = ""


class HeadTable:
    """Looks up heads of one log among the canonical ones, the spellings of the trade and the book's aliases."""

    def __init__(self, log: Log, words: Words) -> None:
        by_name = {c.name: c for c in LOGS[log]}
        by_stem = {c.stem: c for c in LOGS[log]}
        self.log = log
        self.canonical = {word_key(name): column for name, column in by_name.items()}
        self.spellings: dict[str, Column] = {}
        for stem, spellings in spelling_file()[log].items():
            for spelling in (*spellings, stem):
                self.spellings[word_key(spelling)] = by_stem[stem]
        own = {key: by_name[name] for key, name in words.heads.items() if name in by_name}
        self.spellings |= own
        self._own = own

    def canonical_name(self, head: str) -> str | None:
        """Return the column whose canonical head this is, letter case and punctuation apart."""
        column = self.canonical.get(word_key(head))
        return column.name if column and word_key(head) not in self._own else None

    def read(self, head: str) -> Meaning | None:
        """Return what a head means, None where it is no known spelling with or without a unit."""
        text = tidy(head).rstrip(":*?").strip()
        own = self._own.get(word_key(text))
        exact = None if own else self.canonical.get(word_key(text))
        if exact:
            return Meaning(exact, exact.unit)
        for stem, unit, bracketed in _splits(text):
            column = self.spellings.get(word_key(stem)) or self.canonical.get(word_key(stem))
            if column is None:
                continue
            meaning = _with_unit(column, stem, unit, bracketed)
            if meaning:
                return meaning
        brackets = _BRACKETS.fullmatch(text)
        if brackets:  # any remark may stand behind a word or code: "Soil (1-4)"
            column = self.spellings.get(word_key(f"{brackets['stem']} {brackets['rest']}"))
            return Meaning(column, "") if column and column.reads not in QUANTITIES else None
        return None

    def read_as(self, head: str, column: Column) -> Meaning:
        """Return what a head says of the column that a map names for it: its unit counts, whatever its words are."""
        known = self.read(head)
        if known and known.column == column:
            return known
        text = tidy(head).rstrip(":*?").strip()
        said = [m for parts in _splits(text) if (m := _with_unit(column, *parts))]
        return max(said, key=lambda m: bool(m.unit) + bool(m.currency))


def _with_unit(column: Column, stem: str, unit: str, bracketed: bool) -> Meaning | None:
    """Return the column with the unit that the head names, None where the unit does not fit the column."""
    implied = _PARTS.split(stem)[-1] if column.reads in QUANTITIES else ""
    from_stem = (unit_of(column.reads, implied) or "") if implied else ""
    if not unit:
        return Meaning(column, from_stem)
    if column.reads not in QUANTITIES:
        return _with_format(column, unit)
    if column.reads in ("money", "money_per_mass"):
        parts = [p for p in re.split(r"[\s_/]+|\bper\b", unit.casefold()) if p]
        currency = next((p for p in parts if is_currency(p)), "")
        per = unit_of("money_per_mass", unit.replace(currency, "") if currency else unit)
        if column.reads == "money_per_mass":
            return Meaning(column, per or "", currency) if per or currency else None
        return Meaning(column, "", currency) if currency and not per else None
    named = unit_of(column.reads, unit)
    if named == "h:mm" and from_stem:
        named = from_stem  # "minutes [hh:mm]": h:mm is read anyway, and a bare number is in the stem's unit
    if named is None and bracketed and word_key(unit) in _REMARKS:
        named = from_stem
    return Meaning(column, named) if named is not None else None


def _with_format(column: Column, remark: str) -> Meaning | None:
    """Return a column of words, codes or dates with the date order its head states: 'Date (dd/mm/yyyy)'."""
    letters = re.sub(r"(.)\1+", r"\1", word_key(remark))
    if column.reads in ("date", "moment") and letters in _DATE_FORMATS:
        return Meaning(column, _DATE_FORMATS[letters])
    return Meaning(column, "") if letters in ("iso", "ymd", "yn", "yesno", "code") else None


def _splits(text: str) -> Iterator[tuple[str, str, bool]]:
    """Yield (stem, unit, whether the unit stands in brackets) readings of a head, the fullest stem first."""
    yield text, "", False
    brackets = _BRACKETS.fullmatch(text)
    if brackets:
        stem = f"{brackets['stem']} {brackets['rest']}".strip()
        yield stem, brackets["unit"], True  # "Ice (total)" before "Ice" with a remark
        unit = brackets["unit"].removeprefix("in ").strip()
        yield " ".join(_without_fillers(stem.split())), unit, True
        # "Price per lb ($)": both parts together are the unit, and neither may be dropped
        yield from ((inner, f"{tail} {unit}", True) for inner, tail in _tails(stem))
        return
    yield from ((stem, unit, False) for stem, unit in _tails(text))


def _tails(text: str) -> Iterator[tuple[str, str]]:
    """Yield (stem, unit) for the last or first one to three parts of a head as its unit."""
    parts = [p for p in _PARTS.split(text) if p]
    for n in range(1, min(_MOST_UNIT_PARTS, len(parts) - 1) + 1):
        yield " ".join(_without_fillers(parts[:-n])), " ".join(parts[-n:])
    if len(parts) > 1:
        rest = parts[1:]
        while len(rest) > 1 and rest[0].casefold() in _FILLERS:
            rest = rest[1:]
        yield " ".join(rest), parts[0]
    if text.endswith(("$", "€", "£", "#", "%", '"')) and len(text) > 1:
        yield text[:-1].strip(), text[-1]


def _without_fillers(parts: list[str]) -> list[str]:
    while len(parts) > 1 and parts[-1].casefold() in _FILLERS:
        parts = parts[:-1]
    return parts


def zone_figure(head: str, words: Words, table: HeadTable) -> tuple[str, Meaning] | None:
    """Return (zone, meaning) for a head such as 'Undercarriage lb' or 'Minutes - engine bay', else None.

    The part beside the zone is a unit of mass or time, or a head of pellets, minutes or soil level.
    """
    text = tidy(head).rstrip(":*?").strip()
    brackets = _BRACKETS.fullmatch(text)
    unit = brackets["unit"] if brackets else ""
    plain = f"{brackets['stem']} {brackets['rest']}".strip() if brackets else text
    parts = [p for p in _PARTS.split(plain) if p]
    for n in range(1, len(parts) + 1):
        pairs = [(parts[:n], parts[n:]), (parts[-n:], parts[:-n])]
        for zone_parts, rest in pairs:
            zone = words.tables["zone"].get(word_key(" ".join(zone_parts)))
            if zone is None or not (rest or unit):
                continue
            meaning = _figure_meaning(" ".join(rest), unit, table)
            if meaning:
                return zone, meaning
    return None


def _figure_meaning(rest: str, unit: str, table: HeadTable) -> Meaning | None:
    by_name: Mapping[str, Column] = {c.name: c for c in LOGS["jobs"]}
    for alone in (rest, unit if not rest else ""):
        if alone and unit_of("mass", alone):
            return Meaning(by_name["pellets_lb"], unit_of("mass", alone) or "")
        if alone and unit_of("duration", alone):
            return Meaning(by_name["minutes"], unit_of("duration", alone) or "")
    meaning = table.read(f"{rest} ({unit})" if unit and rest else rest) if rest else None
    return meaning if meaning and meaning.column.name in ("pellets_lb", "minutes", "soil_level") else None
