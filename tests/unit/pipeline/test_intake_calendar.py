"""A calendar's events become bookings: what the text says, which day, which occurrence, cancelled or not."""

from datetime import date
from pathlib import Path

import pytest
from log_files import faults

from pipeline.intake.calendar import HEADER, MOST_OCCURRENCES, CalendarWindow
from pipeline.intake.event_text import read_event_text
from pipeline.intake.headers import guesser
from pipeline.intake.raw import RawLog
from pipeline.intake.reading import open_log
from pipeline.intake.words import book_words
from shared.errors import RimebookError

WORDS = book_words(packages={"full underside": ("undercarriage", "wheel_wells")})
WINDOW = CalendarWindow(date(2026, 1, 1), date(2027, 1, 1), "America/Denver", WORDS)


def opened(tmp_path: Path, *events: str, window: CalendarWindow | None = WINDOW, head: str = "") -> RawLog:
    body = "".join(f"BEGIN:VEVENT\n{event.strip()}\nEND:VEVENT\n" for event in events)
    text = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//test//EN\n{head}{body}END:VCALENDAR\n"
    path = tmp_path / "bookings.ics"
    path.write_bytes(text.replace("\n", "\r\n").encode())
    return open_log(path, guess=guesser(WORDS), calendar=window)


def rows(log: RawLog) -> list[dict[str, str]]:
    found = [dict(zip(HEADER, row, strict=True)) for chunk in log.chunks() for row in chunk.cells]
    return [{key: value for key, value in row.items() if value} for row in found]


def test_one_row_per_zone(tmp_path: Path) -> None:
    """An event in the words of the trade is one row per zone, with UID as booking number and the day of its start."""
    log = opened(
        tmp_path,
        "UID:a1\nDTSTART;VALUE=DATE:20260302\nCREATED:20260220T030000Z\nSUMMARY:van: undercarriage heavy\\, engine bay",
    )
    common = {
        "booking_id": "a1",
        "taken_on": "2026-02-19",
        "date": "2026-03-02",
        "vehicle_class": "van",
        "status": "booked",
    }
    assert rows(log) == [
        common | {"zone": "undercarriage", "soil_level": "heavy"},
        common | {"zone": "engine bay"},
    ]
    assert (log.kind, log.header) == ("bookings", HEADER)


def test_description_goes_before_the_summary(tmp_path: Path) -> None:
    """Lines of 'key: value' in the description name any column, zone by zone, folded and escaped as they are."""
    log = opened(
        tmp_path,
        "UID:a1\nDTSTART:20260302T030000Z\nSUMMARY:FARM: pickup interior\n"
        "DESCRIPTION:booking no: B-7\\nvehicle type: SUV\\ncustomer: FARM\\nzone: undercarriage\\nsoil: hea\n"
        " vy\\nzone: interior\\ndeposit: 50\\nstatus: done\\njob: T-1\\nlate",
    )
    common = {
        "booking_id": "B-7",
        "date": "2026-03-01",
        "vehicle_class": "SUV",
        "customer": "FARM",
        "deposit_usd": "50",
    }
    common |= {"status": "done", "job_id": "T-1"}
    assert rows(log) == [
        common | {"zone": "undercarriage", "soil_level": "heavy"},
        common | {"zone": "interior"},
    ]


@pytest.mark.parametrize(
    ("summary", "vehicle", "zones"),
    [
        ("van: undercarriage heavy, engine bay", "van", [("undercarriage", "heavy"), ("engine bay", "")]),
        ("FARM: pickup undercarriage, wheel_wells", "pickup", [("undercarriage", ""), ("wheel_wells", "")]),
        ("Miller box truck under body (severe) + inside", "box truck", [("under body", "severe"), ("inside", "")]),
        ("heavy undercarriage van", "van", [("undercarriage", "heavy")]),
        ("crew cab: bad engine bay & door jambs", "crew cab", [("engine bay", "bad"), ("door jambs", "")]),
        ("SUV full underside", "SUV", [("full underside", "")]),
        ("sedan: chimney", "sedan", [("chimney", "")]),
        ("SUV", "SUV", []),
    ],
)
def test_grammar_of_the_summary(summary: str, vehicle: str, zones: list[tuple[str, str]]) -> None:
    """Class and zones are found in a summary; soil stands before or after its zone; unknown zones are kept."""
    said = read_event_text(summary, "", WORDS)
    assert said.fields == {"vehicle_class": vehicle}
    assert [(zone["zone"], zone.get("soil_level", "")) for zone in said.zones] == zones


def test_other_events_are_set_aside_and_told(tmp_path: Path) -> None:
    """An event that names neither class nor zone is no booking, and is counted."""
    log = opened(
        tmp_path,
        "UID:a\nDTSTART;VALUE=DATE:20260302\nSUMMARY:Dentist",
        "UID:b\nDTSTART;VALUE=DATE:20260302\nSUMMARY:van interior",
    )
    assert [row["booking_id"] for row in rows(log)] == ["b"]
    assert log.set_aside["events"] == 1
    assert "'Dentist'" in log.notes[0]


def test_series_exceptions_and_cancellations(tmp_path: Path) -> None:
    """A series unfolds into bookings whose numbers stay when they are moved or cancelled; an excluded day is none."""
    log = opened(
        tmp_path,
        "UID:s\nDTSTART;TZID=America/Denver:20260302T090000\nRRULE:FREQ=WEEKLY;COUNT=4\n"
        "EXDATE;TZID=America/Denver:20260309T090000\nSUMMARY:van interior",
        "UID:s\nRECURRENCE-ID;TZID=America/Denver:20260316T090000\nDTSTART;TZID=America/Denver:20260317T100000",
        "UID:s\nRECURRENCE-ID;TZID=America/Denver:20260323T090000\nDTSTART;TZID=America/Denver:20260323T090000\n"
        "STATUS:CANCELLED\nSUMMARY:van interior",
    )
    assert [(r["booking_id"], r["date"], r["status"]) for r in rows(log)] == [
        ("s/2026-03-02", "2026-03-02", "booked"),
        ("s/2026-03-16", "2026-03-17", "booked"),
        ("s/2026-03-23", "2026-03-23", "cancelled"),
    ]
    assert all(r["vehicle_class"] == "van" for r in rows(log))
    assert [line for chunk in log.chunks() for line in chunk.lines] == [4, 11, 16]


SERIES = "UID:s\nDTSTART;TZID=America/Denver:20260302T200000\nRRULE:FREQ=WEEKLY;COUNT=4\nSUMMARY:van interior"


def test_an_occurrence_alone_has_the_number_it_has_in_its_series(tmp_path: Path) -> None:
    """RECURRENCE-ID numbers an occurrence with or without its series in the file, in whatever zone it is written."""
    unzoned = CalendarWindow(WINDOW.start, WINDOW.stop)
    local = "UID:s\nRECURRENCE-ID;TZID=America/Denver:20260316T200000\nDTSTART;TZID=America/Denver:20260317T100000\n"
    universal = "UID:s\nRECURRENCE-ID:20260317T020000Z\nDTSTART;TZID=America/Denver:20260317T100000\n"
    for window in (WINDOW, unzoned):
        whole = {row["booking_id"] for row in rows(opened(tmp_path, SERIES, window=window))}
        for head in (local, universal):
            (alone,) = rows(opened(tmp_path, head + "SUMMARY:van interior", window=window))
            assert (alone["booking_id"], alone["date"]) == ("s/2026-03-16", "2026-03-17")
            both = rows(opened(tmp_path, SERIES, head + "SUMMARY:van interior", window=window))
            assert {row["booking_id"] for row in both} == whole


def test_an_occurrence_keeps_the_number_in_the_text_of_its_series(tmp_path: Path) -> None:
    """An occurrence whose own text names no booking has the number that its series names."""
    moved = "UID:s\nRECURRENCE-ID;TZID=America/Denver:20260316T200000\nDTSTART;TZID=America/Denver:20260317T100000\n"
    found = rows(opened(tmp_path, SERIES + "\nDESCRIPTION:booking no: B-7", moved + "SUMMARY:suv interior"))
    assert "B-7/2026-03-16" in {row["booking_id"] for row in found}


def test_a_change_of_this_and_all_later_ones(tmp_path: Path) -> None:
    """RANGE=THISANDFUTURE moves all later bookings, each under its own number; without the series that is told."""
    change = "UID:s\nRECURRENCE-ID;RANGE=thisandfuture;TZID=America/Denver:20260309T200000\n"
    change += "DTSTART;TZID=America/Denver:20260310T100000\nSUMMARY:suv interior"
    found = [(r["booking_id"], r["date"], r["vehicle_class"]) for r in rows(opened(tmp_path, SERIES, change))]
    assert found == [
        ("s/2026-03-02", "2026-03-02", "van"),
        ("s/2026-03-09", "2026-03-10", "suv"),
        ("s/2026-03-16", "2026-03-17", "suv"),
        ("s/2026-03-23", "2026-03-24", "suv"),
    ]
    log = opened(tmp_path, change)
    assert [(r["booking_id"], r["date"]) for r in rows(log)] == [("s/2026-03-09", "2026-03-10")]
    assert "all later ones" in log.notes[0]
    assert "export the calendar with the whole series" in log.notes[0]


def test_an_occurrence_that_says_nothing_without_its_series_is_a_fault(tmp_path: Path) -> None:
    """A cancelled day of a series that is not in the file must not pass as an event of no matter."""
    log = opened(tmp_path, "UID:s\nRECURRENCE-ID;VALUE=DATE:20260309\nDTSTART;VALUE=DATE:20260309\nSTATUS:CANCELLED")
    assert faults(log) == {4: "bad-event"}


def test_cancelled_events(tmp_path: Path) -> None:
    """STATUS:CANCELLED cancels, a calendar with METHOD:CANCEL cancels all, and a no-show in the text stays one."""
    one = "UID:a\nDTSTART;VALUE=DATE:20260302\nSTATUS:CANCELLED\nSUMMARY:van interior"
    two = "UID:b\nDTSTART;VALUE=DATE:20260303\nSTATUS:CANCELLED\nSUMMARY:van interior\nDESCRIPTION:status: no show"
    three = "UID:c\nDTSTART;VALUE=DATE:20260304\nSTATUS:CONFIRMED\nSUMMARY:van interior"
    assert [r["status"] for r in rows(opened(tmp_path, one, two, three))] == ["cancelled", "no show", "booked"]
    assert [r["status"] for r in rows(opened(tmp_path, three, head="METHOD:CANCEL\n"))] == ["cancelled"]


def test_day_is_taken_in_the_shops_zone(tmp_path: Path) -> None:
    """An event late in UTC belongs to the shop's day; without a zone the day is as written."""
    event = "UID:a\nDTSTART:20260302T030000Z\nSUMMARY:van interior"
    assert rows(opened(tmp_path, event))[0]["date"] == "2026-03-01"
    unzoned = CalendarWindow(WINDOW.start, WINDOW.stop)
    assert rows(opened(tmp_path, event, window=unzoned))[0]["date"] == "2026-03-02"


def test_window(tmp_path: Path) -> None:
    """Only events that start inside the window are taken, and an endless series ends with it."""
    endless = "UID:a\nDTSTART;VALUE=DATE:20251228\nRRULE:FREQ=WEEKLY\nSUMMARY:van interior"
    late = "UID:b\nDTSTART;VALUE=DATE:20270101\nSUMMARY:van interior"
    found = rows(opened(tmp_path, endless, late))
    assert len(found) == 52
    assert (found[0]["date"], found[-1]["date"]) == ("2026-01-04", "2026-12-27")


def test_bad_events_are_faults_of_their_own(tmp_path: Path) -> None:
    """A bad start, none at all, or a rule finer than daily rejects that event, with its line; the others are read."""
    log = opened(
        tmp_path,
        "UID:a\nDTSTART:notadate\nSUMMARY:van interior",
        "UID:b\nSUMMARY:van interior",
        "UID:c\nDTSTART;VALUE=DATE:20260302\nRRULE:FREQ=SECONDLY\nSUMMARY:van interior",
        "UID:d\nDTSTART;VALUE=DATE:20260302\nRRULE:FREQ=DAILY;BYHOUR=1,2,3\nSUMMARY:van interior",
        "DTSTART;VALUE=DATE:20260302\nSUMMARY:van interior",
        "UID:f\nDTSTART;VALUE=DATE:20260302\nSUMMARY:van interior",
    )
    assert faults(log) == {
        4: "bad-event",
        9: "bad-event",
        13: "recurs-too-often",
        19: "recurs-too-often",
        25: "bad-event",
    }
    kept = [(row["booking_id"], row.get("date", "")) for row in rows(log)]
    assert kept == [("a", ""), ("b", ""), ("c", ""), ("d", ""), ("line 25", ""), ("f", "2026-03-02")]
    assert all(row["zone"] == "interior" for row in rows(log))


def test_endless_calendars_are_refused(tmp_path: Path) -> None:
    """More occurrences than a shop can have are refused instead of unfolded."""
    events = [f"UID:{i}\nDTSTART;VALUE=DATE:20000101\nRRULE:FREQ=DAILY\nSUMMARY:van interior" for i in range(3)]
    with pytest.raises(RimebookError) as caught:
        opened(tmp_path, *events, window=None)
    assert caught.value.problem.code == "too-many-events"
    assert f"{MOST_OCCURRENCES:,}" in caught.value.problem.found


@pytest.mark.parametrize(
    "text",
    [
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nUID:a\r\n",
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nUID:a\r\nEND:VCALENDAR\r\n",
        "BEGIN:VCALENDAR\r\n",
        "BEGIN:VCALENDAR\r\nBEGIN:VTIMEZONE\r\nTZID:A\r\nTZID:B\r\nEND:VTIMEZONE\r\nEND:VCALENDAR\r\n",
    ],
)
def test_cut_calendars(tmp_path: Path, text: str) -> None:
    """A calendar that ends in the middle, or contradicts itself, is refused as damaged."""
    path = tmp_path / "cut.ics"
    path.write_text(text)
    with pytest.raises(RimebookError) as caught:
        open_log(path, guess=guesser(WORDS))
    assert caught.value.problem.code == "damaged-calendar"


def test_a_moment_named_twice_or_out_of_reach_is_a_fault(tmp_path: Path) -> None:
    """An event with two RECURRENCE-IDs is a row with its reason; one at the end of time is no trouble."""
    twice = "UID:a\nRECURRENCE-ID:20260203\nRECURRENCE-ID:20260204\nDTSTART;VALUE=DATE:20260204\nSUMMARY:van interior"
    late = "UID:b\nRECURRENCE-ID:99991231T235959Z\nDTSTART;VALUE=DATE:20260204\nSUMMARY:van interior"
    early = "UID:c\nRECURRENCE-ID;TZID=Asia/Tokyo:00010101T000000\nDTSTART;VALUE=DATE:20260204\nSUMMARY:van interior"
    log = opened(tmp_path, twice, late, early)
    assert set(faults(log).values()) == {"bad-event"}
    assert [row["booking_id"].split("/")[0] for row in rows(log)] == ["a", "b", "c"]


def test_calendar_in_another_encoding_is_refused_with_its_line(tmp_path: Path) -> None:
    """Bytes that are no UTF-8 are named with their line."""
    path = tmp_path / "a.ics"
    path.write_bytes(b"BEGIN:VCALENDAR\r\nX:Se\xf1or\r\nEND:VCALENDAR\r\n")
    with pytest.raises(RimebookError) as caught:
        open_log(path, guess=guesser(WORDS))
    assert caught.value.problem.code == "undecodable"
    assert "line 2" in caught.value.problem.where


def test_calendar_without_events(tmp_path: Path) -> None:
    """A calendar without events is a log without rows."""
    assert rows(opened(tmp_path)) == []


def test_times_in_utc_that_a_shop_without_a_time_zone_cannot_place_are_told(tmp_path: Path) -> None:
    """Bookings at such a time are counted; a day, a local time and one in a named zone are the day they say."""
    events = (
        "UID:a1\nDTSTART:20260310T033000Z\nSUMMARY:van undercarriage",
        "UID:a2\nDTSTART:20260310T033000Z\nSUMMARY:dentist",
        "UID:a3\nDTSTART;TZID=America/Denver:20260310T083000\nSUMMARY:van undercarriage",
        "UID:a4\nDTSTART:20260310T083000\nSUMMARY:van undercarriage",
        "UID:a5\nDTSTART;VALUE=DATE:20260310\nSUMMARY:van undercarriage",
    )
    log = opened(tmp_path, *events, window=CalendarWindow(WINDOW.start, WINDOW.stop, "", WORDS))
    assert {row["date"] for row in rows(log)} == {"2026-03-10"}
    (told,) = [note for note in log.notes if "UTC" in note]
    assert told.startswith("1 event at a time in UTC ('Z') taken for the day there")
    assert not any("UTC" in note for note in opened(tmp_path, *events).notes)
