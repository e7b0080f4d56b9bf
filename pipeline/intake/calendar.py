"""Bookings from an iCalendar file (RFC 5545): one row per zone of each event that names a vehicle class and zones."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from pipeline.intake.event_text import EventText, read_event_text
from pipeline.intake.faults import Fault
from pipeline.intake.raw import RawChunk, RawLog
from pipeline.intake.unchanged import Unchanged
from pipeline.intake.words import Words, book_words
from shared.counting import counted
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HEADER: Final = (
    "booking_id", "taken_on", "date", "vehicle_class", "zone", "soil_level", "coating_removed", "customer",
    "deposit_usd", "status", "job_id",
)  # fmt: skip
#: Occurrences in the window beyond which a calendar is refused.
MOST_OCCURRENCES: Final = 5_000
#: What the libraries raise on contradictory calendars and events (a time zone named twice), found by mutating sound
#: ones.
_CANNOT_UNFOLD: Final = (ValueError, TypeError, AttributeError, LookupError, OverflowError)
_ONCE: Final = (
    "UID", "DTSTART", "DTEND", "DURATION", "RECURRENCE-ID", "SUMMARY", "DESCRIPTION", "STATUS", "CREATED",
    "SEQUENCE",
)  # fmt: skip
_DAY: Final = timedelta(days=1)
_YEAR: Final = timedelta(days=366)
_TOO_FINE: Final = frozenset(("SECONDLY", "MINUTELY", "HOURLY"))
_WITHIN_A_DAY: Final = ("BYHOUR", "BYMINUTE", "BYSECOND")


@dataclass(frozen=True)
class CalendarWindow:
    """Which events of a calendar are taken, and how its times and words are read.

    Attributes
    ----------
    start, stop : date
        Events that start on a day in [start, stop).
    time_zone : str
        IANA name of the shop's zone, in which an event's day is taken; '' leaves times as written.
    words : Words
        Words of the book, to tell class, zones and soil in an event's text.
    """

    start: date = date(1990, 1, 1)
    stop: date = date(2100, 1, 1)
    time_zone: str = ""
    words: Words | None = None


@dataclass(frozen=True)
class _Row:
    line: int
    cells: list[str]
    fault: Fault | None = None


def open_calendar(path: Path, window: CalendarWindow | None = None) -> RawLog:
    """Return an iCalendar file as a bookings log.

    The day is that of DTSTART in the shop's time zone; ``booking_id`` is the one in the text, else UID, followed by
    ``/2026-03-16`` for an occurrence of a series: the day of its RECURRENCE-ID, which stays when it is moved, alone in
    a file, or moved with all before it (RANGE=THISANDFUTURE; RFC 5545, section 3.8.4.4). A cancelled event or
    occurrence has status ``cancelled``; an occurrence without text of its own has the series'. How the text is read
    stands in `event_text.read_event_text`. Events whose text names neither class nor zone are set aside under
    ``events``. An event that cannot be read, that recurs more often than daily, or that says nothing without its
    series, is a row with a fault.

    Raises
    ------
    RimebookError
        ``damaged-calendar``, ``undecodable``, ``too-many-events``; and from `chunks` ``file-changed``.
    """
    unchanged = Unchanged(path)
    how = window or CalendarWindow()
    text = _text(path)
    events, lines = _events(path, text)
    reader = _Reader(how, events, lines)
    rows = list(reader.rows(path))
    log = RawLog(path, "", "bookings", HEADER, 1, lambda n: _blocks(rows, n, unchanged))
    log.set_aside["events"] = reader.n_other
    log.notes.extend(reader.notes)
    if reader.n_utc:
        log.notes.append(
            f"{counted(reader.n_utc, 'event')} at a time in UTC ('Z') taken for the day there, since book.toml names "
            "no time zone: where the day is another for the shop, undo this batch, set time_zone under [shop] and "
            "import again"
        )
    if reader.n_other:
        shown = ", ".join(repr(title) for title in reader.others)
        log.notes.append(f"{reader.n_other} events name no vehicle class or zone and are set aside (such as {shown})")
    log.remember_opening()
    return log


def _text(path: Path) -> str:
    data = path.read_bytes()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise RimebookError(
            "undecodable",
            where=f"{path}, line {line}",
            found=f"the bytes {data[error.start : error.start + 4].hex(' ')}, which are no UTF-8 text",
            expected="UTF-8, in which calendars are written (RFC 5545, section 3.1.4)",
            do="Export the calendar anew.",
        ) from None


def _events(path: Path, text: str) -> tuple[list[Any], dict[int, int]]:
    """Return the events of all calendars in a file, and the line at which each starts by its position."""
    from icalendar import Calendar

    try:
        calendars = Calendar.from_ical(text, multiple=True)
    except _CANNOT_UNFOLD as error:
        calendars = []
        why = (str(error) or type(error).__name__).splitlines()[0][:120]
    else:
        why = "it ends before END:VCALENDAR" if not calendars else ""
    if why or "END:VCALENDAR" not in text.upper():
        raise RimebookError(
            "damaged-calendar",
            where=str(path),
            found=f"a calendar that cannot be read ({why or 'it ends before END:VCALENDAR'})",
            expected="an iCalendar file (RFC 5545)",
            do="Export it anew from the calendar program.",
        )
    starts = [n for n, line in enumerate(text.splitlines(), start=1) if line.strip().upper() == "BEGIN:VEVENT"]
    events = []
    for calendar in calendars:
        void = str(calendar.get("METHOD", "")).upper() == "CANCEL"
        for event in calendar.walk("VEVENT"):
            if void:
                event["STATUS"] = "CANCELLED"
            events.append(event)
    return events, dict(enumerate(starts))


class _Reader:
    """Turns events into rows; keeps what each series says for occurrences without text of their own."""

    def __init__(self, window: CalendarWindow, events: list[Any], lines: dict[int, int]) -> None:
        self._window = window
        self._words = window.words or book_words()
        self._zone = ZoneInfo(window.time_zone) if window.time_zone else None
        self._events = events
        self._lines = {self._key(e): lines.get(i, 1) for i, e in reversed(list(enumerate(events)))}
        self._line_of = [lines.get(i, 1) for i in range(len(events))]
        self._series = {str(e.get("UID", "")): e for e in events if e.get("RRULE") or e.get("RDATE")}
        self._from_here_on: dict[tuple[str, str], Any] = {}
        self.n_other = 0
        self.n_utc = 0
        self.others: list[str] = []
        self.notes: list[str] = []

    def rows(self, path: Path) -> Iterator[_Row]:
        """Yield the rows of all events in the window, in the order of the file, occurrences by day."""
        series: dict[str, list[tuple[int, Any]]] = {}
        for i, event in enumerate(self._events):
            fault = _fault_of(event) or self._nothing_said(event)
            if fault:
                yield from self._faulty_rows(self._line_of[i], event, fault)
            else:
                series.setdefault(str(event["UID"]), []).append((self._line_of[i], event))
                if _range(event):
                    self._goes_on(self._line_of[i], event)
        found: list[tuple[int, date, Any]] = []
        for events in series.values():
            try:
                unfolded = self._unfolded([event for _, event in events], MOST_OCCURRENCES - len(found))
            except _CANNOT_UNFOLD as error:
                why = str(error).splitlines()[0][:80] if str(error) else type(error).__name__
                fault = Fault(
                    "bad-event", f"its days cannot be reckoned ({why}); correct it in the calendar", "date", ""
                )
                for line, event in events:
                    yield from self._faulty_rows(line, event, fault)
                continue
            if unfolded is None:
                raise self._too_many(path)
            found += unfolded
        for line, day, event in sorted(found, key=lambda item: item[:2]):
            yield from self._rows_of(line, day, event)

    def _unfolded(self, events: list[Any], n_most: int) -> list[tuple[int, date, Any]] | None:
        """Return (line, day, event) of the occurrences of one UID inside the window, None for more than `n_most`."""
        import recurring_ical_events
        from icalendar import Calendar

        days = [self._day(event["DTSTART"].dt) for event in events]
        if len(events) == 1 and not events[0].get("RRULE") and not events[0].get("RDATE"):
            inside = self._window.start <= days[0] < self._window.stop
            return [(self._line(events[0]), days[0], events[0])] if inside else []
        calendar = Calendar()
        for event in events:
            calendar.add_component(event)
        query = recurring_ical_events.of(calendar)
        found: list[tuple[int, date, Any]] = []
        start = max(self._window.start, min(days))
        while start < self._window.stop and len(found) <= n_most:  # year by year: a rule may have no end
            stop = min(start + _YEAR, self._window.stop)
            for event in query.between(start - _DAY, stop + _DAY):
                day = self._day(event["DTSTART"].dt)
                if start <= day < stop:
                    found.append((self._line(event), day, event))
            start = stop
        return found if len(found) <= n_most else None

    def _too_many(self, path: Path) -> RimebookError:
        return RimebookError(
            "too-many-events",
            where=str(path),
            found=f"more than {MOST_OCCURRENCES:,} events from {self._window.start} to {self._window.stop}",
            expected="the bookings of one shop",
            do="Export a shorter time, or give recurring events an end.",
        )

    def _rows_of(self, line: int, day: date, event: Any) -> Iterator[_Row]:
        uid = str(event.get("UID", ""))
        series = self._series.get(uid)
        if series is not None and not event.get("SUMMARY") and not event.get("DESCRIPTION"):
            text = self._said(series)
        else:
            text = self._said(event)
        if not text.is_booking:
            self.n_other += 1
            if len(self.others) < 3:
                self.others.append(str(event.get("SUMMARY", ""))[:40])
            return
        start = event["DTSTART"].dt
        self.n_utc += self._zone is None and isinstance(start, datetime) and start.tzname() == "UTC"
        fields = dict(text.fields)
        of_series = self._said(series).fields.get("booking_id", "") if series is not None else ""
        booking_id = fields.pop("booking_id", "") or of_series or uid
        if event.get("RECURRENCE-ID"):
            booking_id += f"/{self._day(self._slot(event, series)).isoformat()}"
        void = str(event.get("STATUS", "")).upper() == "CANCELLED"
        status = fields.pop("status", "")
        if void and status in ("", "booked"):
            status = "cancelled"
        created = event.get("CREATED")
        taken = fields.pop("taken_on", "") or (self._day(created.dt).isoformat() if created else "")
        own = {"booking_id": booking_id, "taken_on": taken, "date": day.isoformat(), "status": status or "booked"}
        for zone in text.zones or ({},):
            cells = own | fields | {key: value for key, value in zone.items() if value}
            yield _Row(line, [cells.get(head, "") for head in HEADER])

    def _nothing_said(self, event: Any) -> Fault | None:
        """Return why an occurrence that leaves its text to a series outside the file cannot be used."""
        if not event.get("RECURRENCE-ID") or str(event["UID"]) in self._series:
            return None
        if event.get("SUMMARY") or event.get("DESCRIPTION"):
            return None
        hint = "it changes one day of a series that is not in this file, and names no vehicle or zone; "
        return Fault("bad-event", hint + "export the calendar with the whole series", "vehicle_class", "")

    def _goes_on(self, line: int, event: Any) -> None:
        """Remember a change of an occurrence and all later ones; tell where the later ones are not in the file."""
        uid, key = str(event["UID"]), self._key(event)
        if uid not in self._series:
            day = self._day(event["RECURRENCE-ID"].dt)
            self.notes.append(
                f"line {line} changes the booking of {day} and all later ones of its series ({uid[:40]!r}), which is "
                "not in this file: only that one is changed; export the calendar with the whole series and import it"
            )
        before = self._from_here_on.get(key)
        if before is None or int(event.get("SEQUENCE", 0)) > int(before.get("SEQUENCE", 0)):
            self._from_here_on[key] = event
        event["RECURRENCE-ID"].params["RANGE"] = "THISANDFUTURE"  # parameters may be written in any case

    def _slot(self, event: Any, series: Any | None) -> date | datetime:
        """Return the moment that the series has for an occurrence, wherever it was moved."""
        zoned = (series if series is not None else event)["DTSTART"].dt
        slot = _in_zone_of(event["RECURRENCE-ID"].dt, zoned)
        change = self._from_here_on.get(self._key(event))
        if change is None:
            return slot
        # All occurrences from a change on bear the RECURRENCE-ID of the change; their days tell them apart.
        first, own = (_in_zone_of(each["DTSTART"].dt, zoned) for each in (change, event))
        return slot + (date(own.year, own.month, own.day) - date(first.year, first.month, first.day))

    def _faulty_rows(self, line: int, event: Any, fault: Fault) -> Iterator[_Row]:
        """Yield what a faulty event says, without its day, so that the rejected rows can be completed and imported."""
        text = self._said(event)
        own = {"booking_id": str(event.get("UID", "")) or f"line {line}"} | text.fields
        for zone in text.zones or ({},):
            yield _Row(line, [(own | zone).get(head, "") for head in HEADER], fault)

    def _said(self, event: Any) -> EventText:
        return read_event_text(str(event.get("SUMMARY", "")), str(event.get("DESCRIPTION", "")), self._words)

    def _day(self, moment: date | datetime) -> date:
        if not isinstance(moment, datetime):
            return moment
        if moment.tzinfo is not None and self._zone is not None:
            with suppress(OverflowError):  # in the year 1 or 9999
                moment = moment.astimezone(self._zone)
        return moment.date()

    def _line(self, event: Any) -> int:
        own = self._lines.get(self._key(event))
        return own if own is not None else self._lines.get((str(event.get("UID", "")), ""), 1)

    def _key(self, event: Any) -> tuple[str, str]:
        """Return (UID, moment of the RECURRENCE-ID in UTC, '' for a series or single event)."""
        # An event that names it twice has a list there, and is a fault later.
        moment = getattr(event.get("RECURRENCE-ID"), "dt", None) if not event.errors else None
        if isinstance(moment, datetime) and moment.tzinfo is not None:
            with suppress(OverflowError):  # in the year 1 or 9999
                moment = moment.astimezone(UTC)
        return str(event.get("UID", "")), moment.isoformat() if moment else ""


def _in_zone_of(moment: date | datetime, other: date | datetime) -> date | datetime:
    """Return a moment in the time zone in which another is written, as it is where one of them has none."""
    if not isinstance(moment, datetime) or not isinstance(other, datetime):
        return moment
    if moment.tzinfo is not None and other.tzinfo is not None:
        with suppress(OverflowError):  # in the year 1 or 9999
            return moment.astimezone(other.tzinfo)
    return moment


def _range(event: Any) -> str:
    moment = event.get("RECURRENCE-ID")
    return str(moment.params.get("RANGE", "")).upper() if moment else ""


def _fault_of(event: Any) -> Fault | None:
    """Return why an event cannot be used, None where it can."""
    if event.errors:
        name, why = event.errors[0]
        return Fault("bad-event", f"{name} cannot be read ({why}); correct it in the calendar", name or "", "")
    twice = next((name for name in _ONCE if isinstance(event.get(name), list)), None)
    if twice:
        return Fault("bad-event", f"{twice} stands in it more than once; correct it in the calendar", twice, "")
    if not event.get("UID"):
        return Fault("bad-event", "the event has no UID; export the calendar anew", "booking_id", "")
    if not event.get("DTSTART"):
        return Fault("bad-event", "the event has no start (DTSTART); give it a day", "date", "")
    if _range(event) not in ("", "THISANDFUTURE"):
        hint = (
            f"it changes a range of a series ({_range(event)[:20]}) that is no longer in use; export the calendar anew"
        )
        return Fault("bad-event", hint, "RECURRENCE-ID", "")
    rule = event.get("RRULE")
    rules = rule if isinstance(rule, list) else [rule] if rule else []
    for one in rules:
        often = str((one.get("FREQ") or [""])[0]).upper()
        if often in _TOO_FINE or any(len(one.get(part) or ()) > 1 for part in _WITHIN_A_DAY):
            return Fault(
                "recurs-too-often", "the event recurs more than once a day; make it daily or less", "date", often
            )
    return None


def _blocks(rows: list[_Row], n_rows: int, unchanged: Unchanged) -> Iterator[RawChunk]:
    for at in range(0, len(rows), n_rows):
        part = rows[at : at + n_rows]
        faults = {i: row.fault for i, row in enumerate(part) if row.fault}
        yield RawChunk([row.line for row in part], [list(row.cells) for row in part], faults)
    unchanged.check()
