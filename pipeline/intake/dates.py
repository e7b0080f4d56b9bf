"""Dates and timestamps as people write them; a date that could be two is a fault unless shop or column tell."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Final, Literal
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.intake.faults import Fault
from pipeline.intake.texts import is_blank, is_error_cell, tidy

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

DateOrder = Literal["", "day-first", "month-first"]

_FIRST_YEAR: Final = 1990
_LAST_YEAR: Final = 2099
_MONTH_NAMES: Final = (
    ("jan", "january"), ("feb", "february"), ("mar", "march"), ("apr", "april"), ("may",), ("jun", "june"),
    ("jul", "july"), ("aug", "august"), ("sep", "sept", "september"), ("oct", "october"), ("nov", "november"),
    ("dec", "december"),
)  # fmt: skip
_MONTHS: Final = {name: number for number, names in enumerate(_MONTH_NAMES, start=1) for name in names}
_DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_ISO: Final = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})")
_PACKED: Final = re.compile(r"((?:19|20)\d\d)(\d\d)(\d\d)")
_ISO_WEEK: Final = re.compile(r"\d{4}-?W\d\d-?[1-7]")
_NUMERIC: Final = re.compile(r"(\d{1,2})\s?([-/.])\s?(\d{1,2})\s?\2\s?(\d{4}|\d{2})")
_NAMED: Final = (
    re.compile(r"(?P<d>\d{1,2})(?:st|nd|rd|th)?[\s./-]*(?:of )?(?P<m>[a-z]{3,9})[\s.,/-]*(?P<y>\d{4}|'?\d{2})?", re.I),
    re.compile(r"(?P<m>[a-z]{3,9})[\s./-]*(?P<d>\d{1,2})(?:st|nd|rd|th)?(?:[\s,./-]+(?P<y>\d{4}|'?\d{2}))?", re.I),
    re.compile(r"(?P<y>\d{4})[\s./-]*(?P<m>[a-z]{3,9})[\s./-]*(?P<d>\d{1,2})", re.I),
)
_WEEKDAY: Final = re.compile(r"(mon|tues?|wed(?:nes)?|thu(?:rs?)?|fri|sat(?:ur)?|sun)(?:day)?[.,]*\s+(?=\S)", re.I)
_CLOCK: Final = re.compile(
    r"(?:[T ]|, | at )\s?(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,]\d{1,9})?)?\s?(?P<half>[ap]\.?m\.?)?\s?"
    r"(?P<zone>Z|UTC|[+-]\d{2}:?\d{2}|[+-]\d{2})?",
    re.I,
)
_SERIAL: Final = re.compile(r"\d{5}(?:\.\d+)?")
#: Day 0 of spreadsheets in the 1900 system, for dates after February 1900.
_SERIAL_ZERO: Final = date(1899, 12, 30)


@dataclass(frozen=True)
class ParsedDates:
    """One column's cells as dates.

    Attributes
    ----------
    days : datetime64[D] array (n_cells,)
        NaT where the cell is blank or faulty.
    stamps : datetime64[s] array (n_cells,)
        Wall-clock moment in the shop's time zone where the cell has a time of day; NaT elsewhere.
    faults : dict of int to Fault
    unplaced : frozenset of int
        Cells whose stamp names an offset from UTC ('...T14:00:00Z') where no time zone of the shop is known: their
        wall clock stands as written.
    """

    days: NDArray[np.datetime64]
    stamps: NDArray[np.datetime64]
    faults: dict[int, Fault] = field(default_factory=dict)
    unplaced: frozenset[int] = frozenset()


@dataclass(frozen=True)
class OrderEvidence:
    """What a column's cells prove about the order of day and month; add the evidence of chunks with `+`.

    Attributes
    ----------
    day_first, month_first : str
        The first cell that can only be read so ('14/03/2026', '03/14/2026'); '' where there is none.
    n_either : int
        Distinct cells that could be two dates.
    """

    day_first: str = ""
    month_first: str = ""
    n_either: int = 0

    def __add__(self, other: OrderEvidence) -> OrderEvidence:
        return OrderEvidence(
            self.day_first or other.day_first, self.month_first or other.month_first, self.n_either + other.n_either
        )


@dataclass(frozen=True)
class OrderFinding:
    """The order in which a column's ambiguous dates are read.

    Attributes
    ----------
    order : {"", "day-first", "month-first"}
        '' means that each date that could be two is a fault.
    note : str
        What to tell the user; '' where there is nothing to tell.
    """

    order: DateOrder
    note: str


def order_evidence(cells: Iterable[str]) -> OrderEvidence:
    """Return what cells (all of a column, or its distinct ones) prove about the order of day and month."""
    found = OrderEvidence()
    for text in dict.fromkeys(cells):
        match = _NUMERIC.match(tidy(_split_weekday(text)[1]))
        if not match or _maybe_year_first(match):
            continue
        first, second = int(match[1]), int(match[3])
        if first > 12 >= second:
            found += OrderEvidence(day_first=text.strip())
        elif second > 12 >= first:
            found += OrderEvidence(month_first=text.strip())
        elif first != second and max(first, second) <= 12:
            found += OrderEvidence(n_either=1)
    return found


def settle_order(
    evidence: OrderEvidence, setting: DateOrder = "", column: str = "date", *, said_by: str = "book.toml"
) -> OrderFinding:
    """Return how to read a column's ambiguous dates, given what it proves and what the book or the head says.

    A setting holds unless the column proves the other order: then neither is trusted. Without a setting the column
    decides where it proves itself and never contradicts itself.
    """
    proven: dict[DateOrder, str] = {"day-first": evidence.day_first, "month-first": evidence.month_first}
    against = {order: text for order, text in proven.items() if text and order != setting}
    if setting:
        if not against or not evidence.n_either:
            return OrderFinding(setting, "")
        (order, text), *_ = against.items()
        told = f"{column}: {said_by} says {setting}, but {text!r} can only be {order}"
        return OrderFinding("", f"{told}; dates that could be two are rejected")
    if not evidence.n_either:
        return OrderFinding("", "")
    if len(against) == 2:
        both = f"{evidence.day_first!r} is day-first and {evidence.month_first!r} month-first"
        return OrderFinding("", f"{column}: {both}; dates that could be two are rejected")
    for order, text in against.items():
        return OrderFinding(
            order, f"{column}: read {order}, because {text!r} can only be that and no cell contradicts it"
        )
    return OrderFinding(
        "", f"{column}: no cell shows whether the day or the month comes first; set date_order in book.toml"
    )


def parse_dates(cells: Sequence[str], order: DateOrder = "", *, time_zone: str = "") -> ParsedDates:
    """Return a chunk's cells as days and, where they have a time of day, wall-clock stamps.

    Parameters
    ----------
    cells : sequence of str
    order : {"", "day-first", "month-first"}
        How dates that could be two are read (see `settle_order`); '' makes them faults with both readings in the hint.
    time_zone : str
        IANA name of the shop's zone: a stamp with an offset ('...T14:00:00Z') is brought to it. With '' the wall
        clock stands as written.
    """
    zone = ZoneInfo(time_zone) if time_zone else None
    distinct = list(dict.fromkeys(cells))
    position = {text: i for i, text in enumerate(distinct)}
    days = np.full(len(distinct), "NaT", dtype="datetime64[D]")
    stamps = np.full(len(distinct), "NaT", dtype="datetime64[s]")
    wrong: dict[str, Fault] = {}
    for text, i in position.items():
        read = parse_date(text, order, zone)
        if isinstance(read, Fault):
            wrong[text] = read
        elif read is not None:
            days[i] = np.datetime64(read.date() if isinstance(read, datetime) else read, "D")
            if isinstance(read, datetime):
                stamps[i] = np.datetime64(read, "s")
    index = np.fromiter(map(position.__getitem__, cells), dtype=np.int64, count=len(cells))
    offset = set() if zone else {t for t, i in position.items() if not np.isnat(stamps[i]) and _names_offset(t)}
    unplaced = frozenset(i for i, text in enumerate(cells) if text in offset) if offset else frozenset()
    faults = {i: wrong[text] for i, text in enumerate(cells) if text in wrong} if wrong else {}
    return ParsedDates(days[index], stamps[index], faults, unplaced)


def _names_offset(text: str) -> bool:
    clock = _clock(_split_weekday(tidy(text))[1])
    return not isinstance(clock, Fault) and clock[2] is not None


def parse_date(text: str, order: DateOrder = "", zone: ZoneInfo | None = None) -> date | datetime | Fault | None:
    """Return one cell as a date, as a datetime where it has a time of day, as a fault, or None where it is blank."""
    if is_blank(text):
        return None
    if is_error_cell(text):
        return Fault("error-cell", "the spreadsheet shows an error here; correct the formula or type the date")
    weekday, rest = _split_weekday(tidy(text))
    clock = _clock(rest)
    if isinstance(clock, Fault):
        return clock
    day_text, at, offset = clock
    day = _day(day_text.rstrip(" ,"), order)
    if isinstance(day, Fault):
        return day
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        believed = f"years {_FIRST_YEAR} to {_LAST_YEAR} are believed; correct the year, in four digits"
        return Fault("absurd-year", f"this reads as {day.isoformat()}; {believed}")
    if weekday and _DAYS[day.weekday()] != weekday:
        return Fault("wrong-weekday", f"{day.isoformat()} is a {_DAYS[day.weekday()]}; correct the date or the weekday")
    if at is None:
        return day
    stamp = datetime.combine(day, at)
    if offset is not None and zone is not None:
        utc = stamp - timedelta(minutes=offset)
        stamp = utc.replace(tzinfo=ZoneInfo("UTC")).astimezone(zone).replace(tzinfo=None)
    # Programs write days as midnights, so midnight is no time of day, however it was written.
    return stamp.date() if stamp.time() == time(0) else stamp


def _split_weekday(text: str) -> tuple[str, str]:
    match = _WEEKDAY.match(text.strip())
    return (match[1][:3].casefold(), text.strip()[match.end() :]) if match else ("", text)


def _clock(text: str) -> tuple[str, time | None, int | None] | Fault:
    """Return (text before the time of day, the time, minutes east of UTC), the latter two None where absent."""
    match = next((m for m in _CLOCK.finditer(text) if m.end() == len(text)), None)
    if not match:
        return text, None, None
    hour, minute, second = int(match["h"]), int(match["m"]), int(match["s"] or 0)
    half = (match["half"] or "")[:1].casefold()
    if half and not 1 <= hour <= 12:
        return Fault("bad-time", "a time with AM or PM runs from 1:00 to 12:59")
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return Fault("bad-time", "write the time as hh:mm, 00:00 to 23:59")
    zone = (match["zone"] or "").upper()
    offset = None
    if zone in ("Z", "UTC"):
        offset = 0
    elif zone:
        digits = zone[1:].replace(":", "").ljust(4, "0")
        offset = (int(digits[:2]) * 60 + int(digits[2:])) * (-1 if zone[0] == "-" else 1)
    at = time(hour, minute, second)
    return text[: match.start()], at, offset


def _day(text: str, order: DateOrder) -> date | Fault:
    iso = _ISO.fullmatch(text)
    if iso:
        return _made(int(iso[1]), int(iso[3]), int(iso[4]))
    packed = _PACKED.fullmatch(text)
    if packed:
        return _made(int(packed[1]), int(packed[2]), int(packed[3]))
    if _ISO_WEEK.fullmatch(text):
        try:
            return date.fromisoformat(text)
        except ValueError:
            return Fault("no-such-date", "this year has no such week; write for example 2026-03-14")
    numeric = _NUMERIC.fullmatch(text)
    if numeric:
        return _numeric_day(numeric, order)
    for pattern in _NAMED:
        named = pattern.fullmatch(text)
        if named and named["m"].casefold() in _MONTHS:
            if not named["y"]:
                return Fault("no-year", "write the year too, for example 2026-03-14")
            return _made(_year(named["y"].strip("'")), _MONTHS[named["m"].casefold()], int(named["d"]))
    if _SERIAL.fullmatch(text):
        day = _SERIAL_ZERO + timedelta(days=int(float(text)))
        hint = f"a spreadsheet's day number ({day.isoformat()} if it counts from 1900); format the column as date"
        return Fault("spreadsheet-serial", hint)
    return Fault("not-a-date", "write for example 2026-03-14")


def _numeric_day(match: re.Match[str], order: DateOrder) -> date | Fault:
    """Return the date of a/b/year by the order, by the only reading there is, or a fault with both readings."""
    first, second, year = int(match[1]), int(match[3]), _year(match[4])
    readings: dict[str, date] = {}
    for name, month, day in (("day-first", second, first), ("month-first", first, second)):
        made = _made(year, month, day)
        if not isinstance(made, Fault):
            readings[name] = made
    if order in readings:
        return readings[order]
    if _maybe_year_first(match):
        made = _made(_year(match[1]), second, int(match[4]))
        if not isinstance(made, Fault):
            readings["year-first"] = made
    found = sorted(set(readings.values()))
    if not found:
        return Fault("no-such-date", "no month has this day; write for example 2026-03-14")
    if len(found) == 1:
        return found[0]
    both = " or ".join(day.isoformat() for day in found)
    return Fault("date-could-be-two", f"this is {both}; write it so, or set date_order in book.toml")


def _maybe_year_first(match: re.Match[str]) -> bool:
    """Tell whether 'aa-bb-cc' could be year, month, day: two digits each with dashes."""
    return match[2] == "-" and len(match[1]) == len(match[4]) == 2


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _made(year: int, month: int, day: int) -> date | Fault:
    try:
        return date(year, month, day)
    except ValueError:
        return Fault("no-such-date", "the calendar has no such day; write for example 2026-03-14")
