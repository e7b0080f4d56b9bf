"""Examples of RFC 5545 (Internet Calendaring and Scheduling Core Object Specification, 2009) read as bookings."""

from datetime import date
from pathlib import Path

import pytest

from pipeline.intake.calendar import CalendarWindow, open_calendar

NEW_YORK = "TZID=America/New_York"


def read(tmp_path: Path, event: str, window: CalendarWindow) -> list[list[str]]:
    text = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//test//EN\nBEGIN:VEVENT\n{event}\nEND:VEVENT\nEND:VCALENDAR\n"
    path = tmp_path / "example.ics"
    path.write_bytes(text.replace("\n", "\r\n").encode())
    return [row for chunk in open_calendar(path, window).chunks() for row in chunk.cells]


def days(*months: tuple[int, int, tuple[int, ...]]) -> list[str]:
    return [date(year, month, day).isoformat() for year, month, found in months for day in found]


@pytest.mark.parametrize(
    ("rule", "start", "expected"),
    [
        pytest.param(
            "FREQ=DAILY;COUNT=10", "19970902", days((1997, 9, tuple(range(2, 12)))), id="daily, 10 occurrences"
        ),
        pytest.param(
            "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
            "19970901",
            days(
                (1997, 9, (1, 3, 5, 15, 17, 19, 29)),
                (1997, 10, (1, 3, 13, 15, 17, 27, 29, 31)),
                (1997, 11, (10, 12, 14, 24, 26, 28)),
                (1997, 12, (8, 10, 12, 22)),
            ),
            id="every other week on Monday, Wednesday and Friday until 24 December 1997",
        ),
        pytest.param(
            "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
            "19970905",
            days(
                (1997, 9, (5,)),
                (1997, 10, (3,)),
                (1997, 11, (7,)),
                (1997, 12, (5,)),
                (1998, 1, (2,)),
                (1998, 2, (6,)),
                (1998, 3, (6,)),
                (1998, 4, (3,)),
                (1998, 5, (1,)),
                (1998, 6, (5,)),
            ),
            id="monthly on the first Friday, 10 occurrences",
        ),
        pytest.param(
            "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
            "19970922",
            days(
                (1997, 9, (22,)),
                (1997, 10, (20,)),
                (1997, 11, (17,)),
                (1997, 12, (22,)),
                (1998, 1, (19,)),
                (1998, 2, (16,)),
            ),
            id="monthly on the second-to-last Monday for 6 months",
        ),
        pytest.param(
            "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
            "19961105",
            days((1996, 11, (5,)), (2000, 11, (7,)), (2004, 11, (2,))),
            id="U.S. Presidential Election day",
        ),
    ],
)
def test_recurrence_examples(tmp_path: Path, rule: str, start: str, expected: list[str]) -> None:
    """Examples of section 3.8.5.3 unfold to the days printed there."""
    event = f"UID:x\nDTSTART;{NEW_YORK}:{start}T090000\nRRULE:{rule}\nSUMMARY:van interior"
    window = CalendarWindow(date(1990, 1, 1), date(2005, 1, 1), "America/New_York")
    assert [row[2] for row in read(tmp_path, event, window)] == expected


def test_folding_and_escaping(tmp_path: Path) -> None:
    """A folded line (section 3.1) and escaped text (section 3.3.11) are put together before they are understood."""
    event = "UID:x\nDTSTART;VALUE=DATE:19970902\nSUMMARY:van\\, inter\n ior\n"
    event += "DESCRIPTION:customer: Project XYZ\\; Final\\nRoom 3B"
    (row,) = read(tmp_path, event, CalendarWindow())
    assert row[3:5] == ["van", "interior"]
    assert row[7] == "Project XYZ; Final"


def test_event_examples(tmp_path: Path) -> None:
    """The anniversary of section 3.6.1 recurs on 2 November of each year; its all-day start is a day in every zone."""
    event = (
        "UID:19970901T130000Z-123403@example.com\nDTSTAMP:19970901T130000Z\nDTSTART;VALUE=DATE:19971102\n"
        "SUMMARY:van interior\nTRANSP:TRANSPARENT\nCLASS:CONFIDENTIAL\nCATEGORIES:ANNIVERSARY\nRRULE:FREQ=YEARLY"
    )
    window = CalendarWindow(date(1997, 1, 1), date(2000, 1, 1), "Pacific/Auckland")
    assert [row[2] for row in read(tmp_path, event, window)] == ["1997-11-02", "1998-11-02", "1999-11-02"]
