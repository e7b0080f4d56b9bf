"""The messy demo holds the rows of the clean one, and beside them only the listed wrong ones."""

from __future__ import annotations

import json
import re
from datetime import date, datetime, time, timedelta
from importlib.resources import files
from typing import Any

import openpyxl
import pytest
from icalendar import Calendar

from data_demo.generate import MESSY_SEED, SHIPPED_SEED, draw_shop
from data_demo.logs import DemoLogs
from data_demo.mess import HEADS, N_REPEATED, SHEET, SPELLINGS, WRONG_JOBS, write_messy

MESSY = files("data_demo") / "messy"
CANONICAL = {spelling.strip("\u00a0 ").casefold(): word for word, all_ in SPELLINGS.items() for spelling in all_}


@pytest.fixture(scope="module")
def shop() -> DemoLogs:
    return draw_shop(SHIPPED_SEED)


@pytest.fixture(scope="module")
def sheet() -> Any:
    with (MESSY / "jobs.xlsx").open("rb") as file:
        return openpyxl.load_workbook(file)[SHEET]


@pytest.fixture(scope="module")
def rejects() -> dict[str, Any]:
    return json.loads((MESSY / "expected_rejects.json").read_text(encoding="utf-8"))


def _cells(sheet: Any) -> list[list[Any]]:
    """Rows of the sheet with merged cells filled."""
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    for span in sheet.merged_cells.ranges:
        for r in range(span.min_row - 1, span.max_row):
            for c in range(span.min_col - 1, span.max_col):
                rows[r][c] = rows[span.min_row - 1][span.min_col - 1]
    return rows


def _minutes(value: Any) -> int:
    if isinstance(value, time | datetime):
        return value.hour * 60 + value.minute
    if isinstance(value, timedelta):
        return round(value.total_seconds() / 60)
    if isinstance(value, int | float):
        return round(value)
    if m := re.fullmatch(r"~?(\d+)(?: min)?", value):
        return int(m[1])
    if m := re.fullmatch(r"(\d+)(?::(\d\d)|h (\d+)m)", value):
        return int(m[1]) * 60 + int(m[2] or m[3])
    if m := re.fullmatch(r"(\d+)(?: 1/2 hr|\.5 h)", value):
        return int(m[1]) * 60 + 30
    m = re.fullmatch(r"(\d+) hr", value)
    assert m, value
    return int(m[1]) * 60


def _day(value: Any) -> str:
    if isinstance(value, datetime):
        return value.date().isoformat()
    for style in ("%m/%d/%Y", "%b %d, %Y", "%Y-%m-%d"):
        try:
            return datetime.strptime(value, style).date().isoformat()
        except ValueError:
            continue
    raise AssertionError(value)


def _plain(name: str, value: Any) -> str:
    """Return a cell as the clean log has it."""
    if value is None or value == "unknown":
        return ""
    if name == "date":
        return _day(value)
    if name in ("minutes", "job_minutes"):
        return str(_minutes(value))
    if name in ("pellets_lb", "job_pellets_lb"):
        return str(round(value)) if isinstance(value, int | float) else re.sub(r"\D", "", value)
    if name in ("zone", "vehicle_class", "soil_level", "coating_removed"):
        word = value.strip("\u00a0 ").casefold()
        return CANONICAL.get(word, word)
    return value.lower() if name in ("machine", "container") else value


def test_shipped_messy_files_are_what_the_generator_writes(shop: DemoLogs, tmp_path) -> None:
    """The text files equal the generator's output byte for byte, the workbook cell for cell."""
    write_messy(shop, tmp_path, MESSY_SEED)
    for name in ("deliveries.csv", "weighings.tsv", "bookings.ics", "expected_rejects.json"):
        assert (MESSY / name).read_bytes() == (tmp_path / name).read_bytes(), name
    with (MESSY / "jobs.xlsx").open("rb") as file:
        shipped = openpyxl.load_workbook(file)
    written = openpyxl.load_workbook(tmp_path / "jobs.xlsx")
    assert shipped.sheetnames == written.sheetnames
    for name in shipped.sheetnames:
        assert list(shipped[name].values) == list(written[name].values)
        assert shipped[name].merged_cells.ranges == written[name].merged_cells.ranges


def test_workbook_holds_the_clean_rows(shop: DemoLogs, sheet: Any, rejects: dict[str, Any]) -> None:
    """Read without its title, heads, blanks, totals, repeats and wrong rows, the workbook gives the clean jobs log."""
    wrong = {item["line"] for item in rejects["rejects"] if item["file"] == "jobs.xlsx"}
    rows = _cells(sheet)
    assert rows[3] == list(HEADS.values())
    read: list[dict[str, str]] = []
    for line, row in enumerate(rows[4:], start=5):
        if line in wrong or row[0] in (None, "Total"):
            assert line in wrong or row[0] == "Total" or not any(row)
            continue
        plain = {name: _plain(name, value) for name, value in zip(HEADS, row, strict=True)}
        if plain not in read[-6:]:
            read.append(plain)
    clean = [row | {name: row[name].lower() for name in ("machine", "container")} for row in shop.jobs]
    assert len(read) == len(clean)
    assert [{k: row[k] for k in HEADS} for row in clean] == read


def test_workbook_has_the_habits_it_is_there_for(sheet: Any) -> None:
    """Merged visits, three styles of date, clock times, fractions, tildes, no-break spaces and a totals row occur."""
    text = [str(cell.value) for row in sheet.iter_rows(min_row=5) for cell in row if isinstance(cell.value, str)]
    assert len(sheet.merged_cells.ranges) > 100
    for pattern in (
        r"\d+ lbs", r"~\d+", r"\d+:\d\d", r"\d+ 1/2 hr", r"\d\d/\d\d/\d{4}", r"[A-Z][a-z]{2} \d+, \d{4}",
        r"\d{4}-\d\d-\d\d", "Undercarr\\.", ".*\u00a0.*", "Total",
    ):  # fmt: skip
        assert any(re.fullmatch(pattern, t) for t in text), pattern
    dates = {type(sheet.cell(r, 3).value) for r in range(5, 60)}
    assert datetime in dates
    assert str in dates


def test_the_order_of_dates_proves_itself(sheet: Any) -> None:
    """Among the dates written with slashes some have a day above 12 in the second place and none in the first."""
    slashed = [str(row[0]) for row in sheet.iter_rows(min_col=3, max_col=3, values_only=True) if "/" in str(row[0])]
    assert any(int(text.split("/")[1]) > 12 for text in slashed)
    assert not any(int(text.split("/")[0]) > 12 for text in slashed)


def test_every_wrong_row_is_listed_with_its_reason(sheet: Any, rejects: dict[str, Any]) -> None:
    """The listed lines are the planted ones: their cells stand there, and their visits are in no clean log."""
    listed = [item for item in rejects["rejects"] if item["file"] == "jobs.xlsx"]
    assert len(listed) == sum(len(rows) for _, rows in WRONG_JOBS)
    assert {item["reason"] for item in listed} == {reason for reason, _ in WRONG_JOBS}
    for item in listed:
        assert (sheet.cell(item["line"], 1).value or "") == item["value"]
    assert rejects["duplicates"] == {"jobs.xlsx": N_REPEATED}
    for item in rejects["rejects"]:
        if item["file"] != "jobs.xlsx":
            encoding = "cp1252" if item["file"] == "deliveries.csv" else "utf-8"
            lines = (MESSY / item["file"]).read_bytes().decode(encoding).splitlines()
            assert any(item["value"] in line for line in lines[item["line"] - 1 : item["line"] + 9]), item


def test_deliveries_hold_the_clean_rows(shop: DemoLogs, rejects: dict[str, Any]) -> None:
    """Semicolons and decimal commas read back to the clean deliveries, days first."""
    wrong = {item["line"] for item in rejects["rejects"] if item["file"] == "deliveries.csv"}
    lines = (MESSY / "deliveries.csv").read_bytes().decode("cp1252").splitlines()
    read = []
    for line, text in enumerate(lines[3:], start=4):
        if line in wrong:
            continue
        day, tote, weight, price, fee, supplier, emptied, _ = text.split(";")
        d, m, y = day.split(".")
        read.append((date(int(y), int(m), int(d)).isoformat(), tote.lower(), weight, price, fee, supplier, emptied[0]))
    clean = [tuple(row.values()) for row in shop.deliveries]
    assert len(read) == len(clean)
    for got, want in zip(read, clean, strict=True):
        assert (got[0], got[1], got[5], got[6]) == (want[0], want[1], want[5], want[6][0])
        assert float(got[2].removesuffix(" lb").replace(",", ".")) == float(want[2])
        assert (float(got[3].replace(",", ".")), float(got[4].replace(",", "."))) == (float(want[3]), float(want[4]))


def test_weighings_hold_the_clean_rows(shop: DemoLogs, rejects: dict[str, Any]) -> None:
    """Without units, stray spaces and loose time stamps the weighings are the clean ones."""
    wrong = {item["line"] for item in rejects["rejects"] if item["file"] == "weighings.tsv"}
    lines = (MESSY / "weighings.tsv").read_bytes().decode("utf-8-sig").splitlines()
    read = [text.split("\t")[:3] for line, text in enumerate(lines[1:], start=2) if line not in wrong]
    got = [(at.replace(" ", "T"), tote.strip("\u00a0 "), re.sub(r"\D", "", lb)) for at, tote, lb in read]
    assert got == [tuple(row.values()) for row in shop.weighings]


def test_calendar_is_valid_and_holds_the_clean_bookings(shop: DemoLogs) -> None:
    """The calendar parses (RFC 5545) and its events' words and days are those of the clean bookings."""
    calendar = Calendar.from_ical((MESSY / "bookings.ics").read_bytes())
    read = []
    for event in calendar.walk("VEVENT"):
        pairs = [line.split(": ", 1) for line in str(event["DESCRIPTION"]).split("\n")]
        shared = {k: v for k, v in pairs if k not in ("zone", "soil_level", "coating_removed")}
        by_zone = [(v, pairs[i + 1][1], pairs[i + 2][1]) for i, (k, v) in enumerate(pairs) if k == "zone"]
        for zone, soil, coating in by_zone:
            words = {"zone": zone, "soil_level": soil, "coating_removed": coating}
            read.append({"date": event["DTSTART"].dt.isoformat()} | shared | words)
    clean = [{k: v for k, v in row.items() if v} for row in shop.bookings]
    assert [row for row in read if row["booking_id"] != "B-X1"] == clean
    assert all(len(line) <= 75 for line in (MESSY / "bookings.ics").read_bytes().split(b"\r\n"))
