"""The trade's words: spelling -> canonical word, or a suggestion that is shown and never accepted silently."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final, Literal

from pipeline.intake.faults import Fault
from pipeline.intake.texts import is_blank, tidy, word_key
from shared.errors import RimebookError
from shared.vocabulary import CLASSES, SOILS, UNKNOWN, ZONES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Group = Literal["class", "zone", "soil", "yes_no", "status"]
GROUPS: Final[tuple[Group, ...]] = ("class", "zone", "soil", "yes_no", "status")
STATUSES: Final = ("booked", "done", "cancelled", "no_show")
_CANONICAL: Final[dict[Group, tuple[str, ...]]] = {
    "class": CLASSES,
    "zone": ZONES,
    "soil": (*SOILS, UNKNOWN),
    "yes_no": ("yes", "no"),
    "status": STATUSES,
}
#: Score of rapidfuzz's WRatio (0..100) from which a spelling is near enough to be suggested.
NEAR: Final = 75.0


@dataclass(frozen=True)
class Words:
    """The words one book knows.

    Attributes
    ----------
    tables : mapping of group to mapping of comparison key to canonical word
    packages : mapping of package name to its zones
        A package stands in the zone column for its zones and carries a total over them.
    heads : mapping of comparison key to canonical column head
        Heads that the book's aliases add, for any log.
    """

    tables: Mapping[Group, Mapping[str, str]]
    packages: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    heads: Mapping[str, str] = field(default_factory=dict)

    def canonical(self, group: Group) -> tuple[str, ...]:
        """Return the canonical words of a group, the book's own and its packages included."""
        return tuple(dict.fromkeys(self.tables[group].values()))

    def read(self, group: Group, text: str) -> str | None:
        """Return the canonical word for a spelling, '' for a blank cell, None where it is no known spelling."""
        found = self.tables[group].get(word_key(text))
        if found is not None:
            return found
        return "" if is_blank(text) else None

    def suggest(self, group: Group, text: str) -> str | None:
        """Return the canonical word whose spelling is nearest (WRatio >= 75), None where none is near."""
        return nearest_spelling(text, self.tables[group])

    def zones_of(self, zone: str) -> tuple[str, ...]:
        """Return the zones that a canonical zone or package stands for."""
        return self.packages.get(zone, (zone,))


@dataclass(frozen=True)
class ParsedWords:
    """One column's cells as canonical words ('' where blank or faulty), and the faulty cells by position."""

    values: list[str]
    faults: dict[int, Fault]


def book_words(
    *,
    classes: Sequence[str] = (),
    zones: Sequence[str] = (),
    aliases: Mapping[str, str] | None = None,
    packages: Mapping[str, Sequence[str]] | None = None,
) -> Words:
    """Return the words of a book: those of the trade, its own classes and zones, its aliases and packages.

    Parameters
    ----------
    classes, zones : sequence of str
        Names that the book adds.
    aliases : mapping of spelling to canonical word or column head
        They win over the spellings that come with the package.
    packages : mapping of name to zones

    Raises
    ------
    RimebookError
        ``unknown-alias`` or ``unknown-package-zone`` when one points at a word that nobody knows.
    """
    tables: dict[Group, dict[str, str]] = {group: dict(table) for group, table in _trade_words().items()}
    for group, names in (("class", classes), ("zone", zones)):
        for name in names:
            tables[group][word_key(name)] = name  # type: ignore[index]  # the two literals are groups
    bundles: dict[str, tuple[str, ...]] = {}
    for name, members in (packages or {}).items():
        bundles[name] = tuple(_known_zone(tables["zone"], name, member) for member in members)
    for name in bundles:
        tables["zone"][word_key(name)] = name
    heads: dict[str, str] = {}
    for spelling, target in (aliases or {}).items():
        _add_alias(tables, heads, spelling, target)
    return Words(tables, bundles, heads)


def parse_words(cells: Sequence[str], group: Group, words: Words) -> ParsedWords:
    """Return a chunk's cells as canonical words; each distinct cell is looked up once."""
    known: dict[str, str] = {}
    wrong: dict[str, Fault] = {}
    for text in set(cells):
        found = words.read(group, text)
        known[text] = found or ""
        if found is None:
            wrong[text] = _unknown(words, group, text)
    faults = {i: wrong[text] for i, text in enumerate(cells) if text in wrong} if wrong else {}
    return ParsedWords([known[text] for text in cells], faults)


def nearest_spelling(text: str, table: Mapping[str, str], *, lead: float = 0.0) -> str | None:
    """Return the word of the spelling nearest to a text, None below a WRatio of 75.

    Parameters
    ----------
    text : str
    table : mapping of comparison key to word
    lead : float
        Points by which the best word must lead the next other word; with too little lead the answer is None.
    """
    from rapidfuzz import fuzz, process

    key = word_key(text)
    if len(key) < 3:
        return None
    keys = [k for k in table if len(k) >= 3]  # one or two letters are part of almost anything
    best: dict[str, float] = {}
    for spelling, score, _ in process.extract(key, keys, scorer=fuzz.WRatio, score_cutoff=NEAR, limit=None):
        word = table[spelling]
        best[word] = max(best.get(word, 0.0), score)
    ranked = sorted(best.items(), key=lambda item: -item[1])
    if not ranked or (len(ranked) > 1 and ranked[0][1] - ranked[1][1] < lead):
        return None
    return ranked[0][0]


@lru_cache(maxsize=1)
def spelling_file() -> dict[str, dict[str, list[str]]]:
    """Return the content of `spellings.toml`: group or log -> canonical word or head -> spellings."""
    text = files("pipeline.intake").joinpath("spellings.toml").read_text(encoding="utf-8")
    content: dict[str, Any] = tomllib.loads(text)
    return content


def _trade_words() -> dict[Group, dict[str, str]]:
    tables: dict[Group, dict[str, str]] = {}
    for group in GROUPS:
        table = {word_key(word): word for word in _CANONICAL[group]}
        for word, spellings in spelling_file()[group].items():
            table |= {word_key(spelling): word for spelling in spellings}
        tables[group] = table
    return tables


def _known_zone(table: Mapping[str, str], package: str, member: str) -> str:
    zone = table.get(word_key(member))
    if zone is None:
        near = nearest_spelling(member, table)
        raise RimebookError(
            "unknown-package-zone",
            where=f"book.toml, [words] packages, {package!r}",
            found=f"the zone {member!r}",
            expected=", ".join(dict.fromkeys(table.values())),
            do=f"Did you mean {near!r}?" if near else "Name known zones, or add it under [words] zones.",
        )
    return zone


def _add_alias(tables: dict[Group, dict[str, str]], heads: dict[str, str], spelling: str, target: str) -> None:
    from pipeline.intake.columns import LOGS

    key = word_key(target)
    columns = {word_key(c.name): c.name for log in LOGS.values() for c in log}
    hit = False
    for table in tables.values():
        words = {word_key(word): word for word in table.values()}
        if key in words:
            table[word_key(spelling)] = words[key]
            hit = True
    if key in columns:
        heads[word_key(spelling)] = columns[key]
        hit = True
    if not hit:
        known = {word_key(w): w for table in tables.values() for w in table.values()} | columns
        near = nearest_spelling(target, known)
        raise RimebookError(
            "unknown-alias",
            where=f"book.toml, [words] aliases, {spelling!r}",
            found=repr(target),
            expected="a vehicle class, zone, soil level, status, package or column head",
            do=f"Did you mean {near!r}?" if near else "Point it at a known word.",
        )


#: What stands between the zones of a cell that lists several, and words by which a package is recognised.
_BETWEEN: Final = re.compile(r"\s*(?:[;,/+&|\n]|\band\b)\s*", re.I)
_PACKAGE: Final = re.compile(r"\b(?:package|pkg|bundle|full|whole|complete|all|combo|deal)\b", re.I)
_HOW_PACKAGED: Final = "name it with its zones under [words] packages in book.toml"


def _several(words: Words, text: str) -> Fault | None:
    """Return the fault of a cell that lists several zones, None where it does not."""
    parts = [part for part in _BETWEEN.split(text.strip()) if part]
    zones = [words.read("zone", part) for part in parts]
    known = [zone for zone in zones if zone]
    if len(parts) < 2 or not known:
        return None
    if len(known) < len(parts):
        known = [zone or part for zone, part in zip(zones, parts, strict=True)]
    return Fault(
        "several-zones",
        f"one row holds one zone: write {', '.join(known)} on rows of their own, with their own figures or the visit's "
        "total in job_pellets_lb and job_minutes; or, where it is a package, " + _HOW_PACKAGED,
    )


def _quoted(text: str) -> str:
    """Return a text as a TOML string, in single quotes where it holds a double one or a backslash."""
    return f"'{text}'" if set('"\\') & set(text) else f'"{text}"'


def _unknown(words: Words, group: Group, text: str) -> Fault:
    if group == "zone":
        several = _several(words, text)
        if several:
            return several
        if _PACKAGE.search(text):
            return Fault("unknown-zone", f"{tidy(text)!r} is no known zone; if it is a package, {_HOW_PACKAGED}")
    near = words.suggest(group, text)
    known = ", ".join(words.canonical(group))
    shown = tidy(text)
    name = {"class": "vehicle class", "zone": "zone", "soil": "soil level", "yes_no": "yes or no", "status": "status"}[
        group
    ]
    hint = f"did you mean {near!r}?" if near else f"{shown!r} is no known {name}; known: {known}"
    if group == "soil" and near:  # nearness of letters says little of dirt: the other levels must be in sight
        hint += f" known: {known}"
    if group in ("class", "soil") and not near:
        hint += f'; or say what it means in book.toml, under [words]: aliases = {{{_quoted(shown)} = "one of these"}}'
    if group == "zone" and not near:
        hint += f"; if it is a package, {_HOW_PACKAGED}"
    return Fault(f"unknown-{group.replace('_', '-')}", hint)
