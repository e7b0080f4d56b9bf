"""Reading and writing `book.toml`: the commented template, the checks, and errors that name the line."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields, is_dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from models.consumption.planning import ZONE_MINUTES, ZONE_PELLETS_LB
from pipeline.book import settings as s
from pipeline.book.metric_keys import metric_advice
from shared.errors import MOST_TOLD, Problem, RimebookError, nearest
from shared.limits import JURISDICTION_KEY, jurisdictions
from shared.vocabulary import CLASSES, SOILS, ZONES

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pipeline.book.keys import Check

FILE_NAME = "book.toml"
#: Sections of single keys, by their name in the file.
SECTIONS: dict[str, tuple[str, type]] = {
    "shop": ("shop", s.Shop), "words": ("words", s.Words), "costs": ("costs", s.Costs),
    "pricing": ("pricing", s.Pricing), "ice": ("ice", s.Ice), "planning": ("planning_keys", s.PlanningKeys),
}  # fmt: skip
#: Sections with one table for each name: `[bays.north]`.
NAMED: dict[str, type] = {"bays": s.Bay, "machines": s.Machine, "other_way": s.OtherWay}
#: Sections whose names are the shop's own: told as they are written there, found in any letter case.
AS_WRITTEN = ("bays", "machines")


class _Reader:
    """Gathers every problem of one file before anything is refused."""

    def __init__(self, file: Path, text: str) -> None:
        self.file, self.text = file, text
        self.problems: list[Problem] = []

    def problem(self, section: str, key: str, found: str, expected: str, do: str) -> None:
        line = _line_of(self.text, section, key)
        section, key = _cut(section), _cut(key)
        place = f"[{section}]" if key in ("", section) else f"[{section}] {key}"
        where = f"{self.file.name}{f', line {line}' if line else ''}, {place}"
        self.problems.append(Problem("book-toml", where, found, expected, do))

    def unknown(self, section: str, key: str, known: Iterable[str], found: Any = None) -> None:
        names = list(known)
        near = nearest(key, names)
        do = metric_advice(key, found, names) or (
            f"Did you mean `{near}`?" if near else f"Known here: {', '.join(sorted(names))}."
        )
        self.problem(section, key, f"`{_cut(key)}`", "a section or key of book.toml", do)

    def table(self, section: str, kind: type, value: Any) -> Any:
        """Read one table into its dataclass; keys that may not stand there are gathered as problems."""
        if not isinstance(value, dict):
            self.problem(section, "", repr(value), "a table", f"Write [{section}] and its keys below it.")
            return kind()
        declared = {f.name: f.metadata["check"] for f in fields(kind) if "check" in f.metadata}
        read: dict[str, Any] = {}
        for key, found in value.items():
            if key not in declared:
                self.unknown(section, key, declared, found)
                continue
            try:
                read[key] = declared[key].read(found)
            except ValueError:
                do = metric_advice(key, found, declared) or f"It means: {declared[key].doc}."
                self.problem(section, key, _short(found), declared[key].expected, do)
        return kind(**read)


def _short(value: Any) -> str:
    return _cut(repr(value))


def _cut(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def _line_of(text: str, section: str, key: str) -> int | None:
    """Return the 1-based line of a key in its section, or of the section's head, or None where it is not plain."""
    inside, head_line = False, None
    for n, line in enumerate(text.splitlines(), start=1):
        head = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line)
        if head and not re.match(r"\s*\[\s*[\"'{\d]", line):
            inside = head[1].replace('"', "") == section
            head_line = n if inside else head_line
        elif inside and key and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*[=.]", line):
            return n
    return head_line


def _syntax_error(file: Path, text: str, error: tomllib.TOMLDecodeError) -> RimebookError:
    match = re.search(r"line (\d+)", str(error))
    line_no = int(match[1]) if match else len(text.splitlines())
    lines = text.splitlines()
    line = lines[line_no - 1].strip() if 0 < line_no <= len(lines) else ""
    do = "Mend that line; texts stand in quotes, numbers do not."
    if re.search(r"=\s*\d+,\d", line):
        do = "Write decimals with a point: 0.8, not 0,8."
    elif re.search(r"=\s*(yes|no|on|off)\b", line, re.IGNORECASE):
        do = "Write true or false, without quotes."
    return RimebookError(
        "book-toml-syntax", where=f"{file.name}, line {line_no}", found=f"`{line}`",
        expected=f"TOML ({error.args[0] if error.args else 'a key = value'})", do=do,
    )  # fmt: skip


def load_settings(file: Path) -> s.Settings:
    """Return the settings of a `book.toml`; a missing file means all defaults.

    Raises
    ------
    RimebookError
        Where the file is no TOML or a key, value or name in it may not stand there; all problems at once, ten told.
    """
    if not file.exists():
        return s.Settings()
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RimebookError(
            "book-toml-read", where=str(file), found=str(error), expected="a readable UTF-8 text",
            do="Save it as UTF-8 and see that it can be read.",
        ) from error  # fmt: skip
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(file, text, error) from error
    except (RecursionError, ValueError) as error:  # a number of thousands of digits is a ValueError of its own
        raise RimebookError(
            "book-toml-syntax", where=file.name, expected="plain keys and tables",
            found="values nested without end" if isinstance(error, RecursionError) else "a number without end",
            do="Start again from a fresh file: rimebook init NEW_FOLDER.",
        ) from error  # fmt: skip
    reader = _Reader(file, text)
    settings = _settings(reader, raw)
    if not reader.problems:
        _cross_checks(reader, settings)
    if reader.problems:
        _refuse(reader.problems)
    return settings


def _settings(reader: _Reader, raw: dict[str, Any]) -> s.Settings:
    known = [*SECTIONS, *NAMED, "limits"]
    parts: dict[str, Any] = {}
    for section, value in raw.items():
        if section == "planning" and isinstance(value, dict):
            zones = value.pop("zones", {})
            planning = reader.table("planning", s.PlanningKeys, value)
            named = _named(reader, "planning.zones", s.PlanningZone, zones)
            parts["planning_keys"] = s.PlanningKeys(**{**_shallow(planning), "zones": named})
        elif section in SECTIONS:
            name, kind = SECTIONS[section]
            parts[name] = reader.table(section, kind, value)
        elif section in NAMED:
            parts[section] = _named(reader, section, NAMED[section], value)
        elif section == "limits":
            parts["limits"] = _limits(reader, value)
        else:
            reader.unknown(section, section, known)
    return s.Settings(**parts)


def _shallow(value: Any) -> dict[str, Any]:
    return {f.name: getattr(value, f.name) for f in fields(value)}


def _named(reader: _Reader, section: str, kind: type, value: Any) -> dict[str, Any]:
    if not isinstance(value, dict) or any(not isinstance(v, dict) for v in value.values()):
        reader.problem(section, "", _short(value), "one table for each name", f"Write [{section}.NAME].")
        return {}
    read: dict[str, Any] = {}
    seen: set[str] = set()
    for name, table in value.items():
        own = name.strip()
        if own.casefold() in seen:
            reader.problem(f"{section}.{name}", "", f"`{_cut(own)}`", "one table for a name, in any letter case",
                           "Put the keys of both into one table.")  # fmt: skip
        seen.add(own.casefold())
        read[own if section in AS_WRITTEN else own.casefold()] = reader.table(f"{section}.{name}", kind, table)
    return read


def _limits(reader: _Reader, value: Any) -> dict[str, float | str]:
    if not isinstance(value, dict):
        reader.problem("limits", "", _short(value), "a table", "Write [limits] and its keys below it.")
        return {}
    for key, found in value.items():
        if isinstance(found, bool) or not isinstance(found, int | float | str):
            reader.problem("limits", key, _short(found), "a number", "Write the lower limit as a number.")
    return value


def _cross_checks(reader: _Reader, settings: s.Settings) -> None:
    """Check what one key says of another: words that exist, a path inside the book, a known time zone."""
    for name, own in settings.words.classes.items():
        if own.like not in CLASSES:
            reader.unknown("words", own.like, CLASSES)
        if name in CLASSES:
            reader.problem("words", "classes", f"`{name}`", "a name that is not a common class",
                           "Change its factor under [planning.class_factor] instead.")  # fmt: skip
    for name, own in settings.words.zones.items():
        if own.like not in ZONES:
            reader.unknown("words", own.like, ZONES)
        if name in ZONES:
            reader.problem("words", "zones", f"`{name}`", "a name that is not a common zone",
                           "Change its figures under [planning.zones] instead.")  # fmt: skip
    zones, classes = settings.zones(), settings.classes()
    keys = settings.planning_keys
    known_words = [
        *(("words", z, zones) for package in settings.words.packages.values() for z in package),
        *(("planning.zones", z, zones) for z in keys.zones),
        *(("other_way", z, zones) for z in settings.other_way),
        *(("planning", c, classes) for c in (*keys.class_factor, *keys.minutes_class_factor)),
        *(("planning", k, SOILS) for k in (*keys.soil_factor, *keys.minutes_soil_factor)),
    ]
    for section, word, known in known_words:
        if word not in known:
            reader.unknown(section, word, known)
    if not reader.problems:
        _check_soil_order(reader, settings)
    _check_shop(reader, settings.shop)


def _check_soil_order(reader: _Reader, settings: s.Settings) -> None:
    planning = settings.planning()
    for key, soil in (("soil_factor", planning.pellets_lb.soil), ("minutes_soil_factor", planning.minutes.soil)):
        if any(low >= high for low, high in pairwise(soil)):
            reader.problem("planning", key, str(list(soil)), "light < moderate < heavy < severe",
                           "More soil never takes fewer pellets: put the factors in order.")  # fmt: skip


def _check_shop(reader: _Reader, shop: s.Shop) -> None:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    if shop.time_zone:
        try:
            ZoneInfo(shop.time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            reader.problem("shop", "time_zone", f"`{shop.time_zone}`", "a name such as America/Denver",
                           "Leave it empty to keep times as they are written.")  # fmt: skip
    if not re.fullmatch(r"[A-Z]{3}", shop.currency):
        reader.problem("shop", "currency", f"`{shop.currency}`", "three capital letters (ISO 4217)", "Such as USD.")
    folder = reader.file.parent.resolve()
    if shop.logo and not (folder / shop.logo).resolve().is_relative_to(folder):
        reader.problem("shop", "logo", f"`{shop.logo}`", "a file inside the book's folder",
                       "Copy the picture into the folder and name it here.")  # fmt: skip
    if not shop.working_days:
        reader.problem("shop", "working_days", "[]", "at least one day", 'Such as ["mon", "tue"].')


def _refuse(problems: list[Problem]) -> None:
    told = problems[:MOST_TOLD]
    more = f" (and {len(problems) - MOST_TOLD} more)" if len(problems) > MOST_TOLD else ""
    first = told[0]
    rest = "".join(f"\n{p.sentence()}" for p in told[1:])
    raise RimebookError(
        first.code, where=first.where, found=first.found, expected=first.expected, do=first.do + rest + more
    )


def template() -> str:
    """Return a fresh, commented `book.toml`: every key with its default, or a marked example, behind a `#`."""
    lines = [
        "# The settings of this job book. Every key is optional: take the # off a line to change it.",
        "# A line behind a # shows what holds anyway; where `example:` stands behind it, nothing of it holds.",
        "# `usd` in a name means the currency set below; money, weights and times are in the units the names say.",
        "# Planning figures, prices and times are starting points from memory, not from any source: make them yours.",
    ]
    for section, (_, kind) in SECTIONS.items():
        lines += ["", f"[{section}]  # {_doc(kind)}"]
        lines += _template_keys(kind)
    figures = zip(ZONES, ZONE_PELLETS_LB.values(), ZONE_MINUTES.values(), strict=True)
    for zone, pellets, minutes in figures:
        lines += [f"# [planning.zones.{zone}]", f"# pellets_lb = {pellets:g}", f"# minutes = {minutes:g}"]
    places = jurisdictions()[1:]
    lines += [
        "",
        "# [limits]  # example: where the shop is, or own limits; those above the United States' never hold",
        f'# {JURISDICTION_KEY} = "{places[0]}"  # or {" or ".join(places[1:])}',
        "# co2_8h_ppm = 4000",
    ]
    for section, example in (("bays", "main"), ("machines", "m1"), ("other_way", "undercarriage")):
        lines += ["", f"# [{section}.{example}]  # example: {_doc(NAMED[section])}", *_template_keys(NAMED[section])]
    return "\n".join(lines) + "\n"


def _doc(kind: type) -> str:
    return (kind.__doc__ or "").split(": ", 1)[-1].rstrip(".")


def _template_keys(kind: type) -> list[str]:
    if not is_dataclass(kind):
        raise TypeError(kind)
    defaults = kind()
    declared = [(f.name, f.metadata["check"]) for f in fields(kind) if "check" in f.metadata]
    shown = [
        (f"# {name} = {check.shown}", f"{_mark(kind, name, check, getattr(defaults, name))}{check.doc}")
        for name, check in declared if check.shown
    ]  # fmt: skip
    width = min(44, max(len(left) for left, _ in shown))
    return [f"{left:<{width}}  # {doc}" for left, doc in shown]


def _mark(kind: type, name: str, check: Check, default: Any) -> str:
    """Return the mark of a line of the template that shows something else than what holds without it."""
    value = check.read(tomllib.loads(f"shown = {check.shown}")["shown"])
    same = value == default
    if not same and kind is s.PlanningKeys:
        # A table of factors stands beside those that the program has: it may only say the same again.
        keys = s.PlanningKeys(**{name: value})
        same = s.Settings(planning_keys=keys).planning() == s.Settings().planning()
    return "" if same else "example: "
