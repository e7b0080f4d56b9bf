"""Writes the demo's logs as a shop might keep them: the same rows in a workbook, odd text files and a calendar.

Needs the development extra (XlsxWriter); the files ship ready made.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from data_demo.logs import DemoLogs
    from data_demo.stock import Row

#: Heads of the workbook's columns, by canonical name.
HEADS = {
    "job_id": "Ticket", "vehicle": "Plate", "date": "Date", "vehicle_class": "Vehicle type", "zone": "Area",
    "soil_level": "Dirt", "pellets_lb": "Ice (lbs)", "minutes": "Time", "job_pellets_lb": "Total ice (lbs)",
    "job_minutes": "Total time", "coating_removed": "Coating removed?", "machine": "Machine",
    "operator": "Operator", "pass": "Pass", "feed_lb_min": "Feed (lb/min)", "pressure_psi": "Pressure (psi)",
    "standoff_in": "Standoff (in)", "ice_on_share": "Ice-on share", "ice_age_days": "Ice age (days)",
    "container": "Tote", "setup_min": "Setup (min)", "cleanup_min": "Cleanup (min)", "price_usd": "Price ($)",
    "customer": "Customer", "ambient_f": "Outside temp (F)", "notes": "Remarks",
}  # fmt: skip
SPELLINGS = {
    "undercarriage": ("Undercarriage", "Undercarr.", "undercarriage ", "UNDERCARRIAGE"),
    "wheel_wells": ("Wheel wells", "wheel-wells", "Wheel\u00a0wells"),
    "suspension": ("Suspension", "suspension"),
    "engine_bay": ("Engine bay", "engine-bay"),
    "interior": ("Interior", "interior"),
    "door_jambs": ("Door jambs", "door-jambs"),
    "body_panels": ("Body panels", "body panels"),
    "cargo_bed": ("Cargo bed", "cargo-bed"),
    "full underside": ("Full underside", "full underside", "FULL UNDERSIDE"),
    "cab package": ("Cab package", "cab package"),
    "pickup": ("Pickup", "pick-up", "pickup\u00a0"),
    "suv": ("SUV", "suv"),
    "moderate": ("moderate", "Moderate", "mod."),
    "light": ("light", "Light"),
    "heavy": ("heavy", "Heavy", " heavy"),
    "severe": ("severe", "Severe"),
    "yes": ("Yes", "y", "yes"),
    "no": ("No", "n", "no"),
}
SPELLED = ("zone", "vehicle_class", "soil_level", "coating_removed")
TIMES = ("minutes", "job_minutes")
WEIGHTS = ("pellets_lb", "job_pellets_lb")
#: Cells that a shop merges over the rows of a visit.
MERGED = ("job_id", "date", "job_pellets_lb", "job_minutes", "machine", "operator", "price_usd", "customer")

#: Rows that are truly wrong, each with a reason in plain words; the visits they stand for are in no clean log.
WRONG_JOBS: tuple[tuple[str, tuple[dict[str, str], ...]], ...] = (
    ("negative pellets", ({"job_id": "X-01", "pellets_lb": "-12", "minutes": "40"},)),
    (
        "900 lb is more than a line can take",
        ({"job_id": "X-02", "zone": "engine_bay", "pellets_lb": "900", "minutes": "45"},),
    ),
    ("unknown class", ({"job_id": "X-03", "vehicle_class": "hovercraft", "pellets_lb": "30", "minutes": "40"},)),
    ("unknown zone", ({"job_id": "X-04", "zone": "flagpole", "pellets_lb": "30", "minutes": "40"},)),
    (
        "lines of 40 and 20 lb contradict the total of 90",
        (
            {"job_id": "X-05", "pellets_lb": "40", "minutes": "60", "job_pellets_lb": "90"},
            {"job_id": "X-05", "zone": "engine_bay", "pellets_lb": "20", "minutes": "30", "job_pellets_lb": "90"},
        ),
    ),
    ("no such day", ({"job_id": "X-06", "date": "02/30/2026", "pellets_lb": "30", "minutes": "40"},)),
    (
        "the same line twice with different figures",
        (
            {"job_id": "X-07", "pellets_lb": "30", "minutes": "40"},
            {"job_id": "X-07", "pellets_lb": "55", "minutes": "70"},
        ),
    ),
    ("not a number", ({"job_id": "X-08", "pellets_lb": "plenty", "minutes": "40"},)),
    ("no ticket number", ({"job_id": "", "pellets_lb": "30", "minutes": "40"},)),
)
WRONG_BASE = {"date": "2026-03-18", "vehicle_class": "sedan", "zone": "undercarriage", "soil_level": "moderate"}
N_REPEATED = 3
SHEET = "Job book"


@dataclass
class Rejects:
    """What an import of the messy files must refuse: file, sheet, line (1-based, as a spreadsheet counts), reason."""

    listed: list[dict[str, Any]] = field(default_factory=list)

    def add(self, file: str, sheet: str, line: int, reason: str, value: str) -> None:
        """Note one row."""
        self.listed.append({"file": file, "sheet": sheet, "line": line, "value": value, "reason": reason})


def write_messy(logs: DemoLogs, folder: Path, seed: int) -> None:
    """Write jobs.xlsx, deliveries.csv, weighings.tsv, bookings.ics and expected_rejects.json into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, 7])))
    rejects = Rejects()
    write_workbook(rng, logs.jobs, folder / "jobs.xlsx", rejects)
    (folder / "deliveries.csv").write_bytes(messy_deliveries(logs.deliveries, rejects).encode("cp1252"))
    (folder / "weighings.tsv").write_bytes(messy_weighings(rng, logs.weighings, rejects).encode("utf-8-sig"))
    (folder / "bookings.ics").write_bytes(messy_bookings(logs.bookings, rejects).encode("utf-8"))
    document = {
        "about": "Rows that are truly wrong; all others import to the rows of the clean files.",
        "duplicates": {"jobs.xlsx": N_REPEATED},
        "rejects": rejects.listed,
    }
    text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    (folder / "expected_rejects.json").write_bytes(text.encode("utf-8"))


def write_workbook(rng: np.random.Generator, jobs: Sequence[Row], path: Path, rejects: Rejects) -> None:
    """Write the jobs as a workbook: title, heads in the fourth row, merged and odd cells, blanks, a totals row."""
    import xlsxwriter

    book = xlsxwriter.Workbook(str(path))
    book.set_properties(
        {"title": "Job book (invented)", "created": datetime(2026, 7, 1, tzinfo=UTC).replace(tzinfo=None)}
    )
    formats = {
        "date": book.add_format({"num_format": "yyyy-mm-dd"}),
        "time": book.add_format({"num_format": "h:mm"}),
        "bold": book.add_format({"bold": True}),
        "": book.add_format(),
    }
    sheet = book.add_worksheet(SHEET)
    sheet.merge_range(0, 0, 0, 6, "Lower Barn Bays: job book 2025/26", formats["bold"])
    sheet.write_string(1, 0, "one row per area worked")
    for column, head in enumerate(HEADS.values()):
        sheet.write_string(3, column, head, formats["bold"])
    at = 4
    visits = _visits(jobs)
    wrong_after = _spots(rng, len(visits), len(WRONG_JOBS))
    repeated = set(_spots(rng, len(visits), N_REPEATED))
    for i, rows in enumerate(visits):
        cells = [_messy_cells(rng, row) for row in rows]
        merge = len(rows) > 1 and i not in repeated and rng.random() < 0.4
        _write_visit(sheet, at, rows, cells, formats, merge=merge)
        at += len(rows)
        if i in repeated:
            _write_visit(sheet, at, rows[:1], cells[:1], formats, merge=False)
            at += 1
        for k in [k for k, spot in enumerate(wrong_after) if spot == i]:
            reason, wrong = WRONG_JOBS[k]
            for row in wrong:
                full = dict.fromkeys(HEADS, "") | WRONG_BASE | row
                _write_visit(sheet, at, [full], [dict(full)], formats, merge=False)
                rejects.add(path.name, SHEET, at + 1, reason, full["job_id"])
                at += 1
        if i % 45 == 44:
            at += 1 + (i % 2)
    columns = list(HEADS)
    sheet.write_string(at + 1, 0, "Total", formats["bold"])
    for name in (*WEIGHTS, "price_usd"):
        column = columns.index(name)
        letter = chr(ord("A") + column)
        total = sum(float(row[name]) for row in jobs if row[name])
        sheet.write_formula(at + 1, column, f"=SUM({letter}5:{letter}{at})", formats["bold"], total)
    _write_price_list(book, formats)
    book.close()


def messy_deliveries(rows: Iterable[Row], rejects: Rejects) -> str:
    """Return the deliveries with semicolons, decimal commas, dotted dates, a title with a dash and CRLF line ends."""
    lines = ["Lower Barn Bays \u2013 ice deliveries;;;;;;;", ";;;;;;;"]
    lines.append("Date;Tote;Weight (lb);Price per lb ($);Fee ($);Supplier;Emptied?;Driver\u2019s remark")
    for i, row in enumerate(rows):
        day = date.fromisoformat(row["date"])
        emptied = {"yes": "y", "no": "n" if i % 3 else "no"}[row["emptied"]]
        remark = "gate shut, caf\u00e9 first" if i % 41 == 7 else ""
        cells = [
            day.strftime("%d.%m.%Y"),
            row["container"] if i % 5 else row["container"].upper(),
            row["weight_lb"] + (",0" if i % 2 else " lb"),
            row["price_usd_per_lb"].replace(".", ","),
            row["fee_usd"].replace(".", ","),
            row["supplier"],
            emptied,
            remark,
        ]
        lines.append(";".join(cells))
        if i == 60:
            lines.append(f"{day:%d.%m.%Y};tote-b;-40,0;1,25;45,00;northfield ice;n;")
            rejects.add("deliveries.csv", "", len(lines), "negative weight", "-40,0")
        if i == 100:
            lines.append("31.06.2025;tote-a;200 lb;1,05;45,00;northfield ice;n;")
            rejects.add("deliveries.csv", "", len(lines), "no such day", "31.06.2025")
    return "\r\n".join(lines) + "\r\n"


def messy_weighings(rng: np.random.Generator, rows: Iterable[Row], rejects: Rejects) -> str:
    """Return the weighings under tabs, with units in some cells, loose time stamps and one row without a weight."""
    lines = ["When\tTote\tNet weight (lb)\tBy"]
    for i, row in enumerate(rows):
        at = row["at"].replace("T", " ") if i % 2 else row["at"]
        weight = row["net_lb"] + str(rng.choice(["", " lb", " lbs", "#"]))
        lines.append("\t".join([at, f" {row['container']}\u00a0" if i % 9 == 4 else row["container"], weight, "KO"]))
        if i == 75:
            lines.append(f"{at}\ttote-a\tempty?\tKO")
            rejects.add("weighings.tsv", "", len(lines), "not a number", "empty?")
    return "\n".join(lines) + "\n"


def messy_bookings(rows: Sequence[Row], rejects: Rejects) -> str:
    """Return the bookings as a calendar (RFC 5545): one event a booking, its words as `name: value` lines."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Lower Barn Bays (invented)//EN"]
    by_id: dict[str, list[Row]] = {}
    for row in rows:
        by_id.setdefault(row["booking_id"], []).append(row)
    wrong = {
        "booking_id": "B-X1", "taken_on": "2026-06-20", "date": "2026-07-09", "vehicle_class": "sedan",
        "zone": "flagpole", "soil_level": "unknown", "coating_removed": "no", "customer": "M-03",
        "deposit_usd": "", "status": "booked", "job_id": "",
    }  # fmt: skip
    for booking_id, zones in [*by_id.items(), ("B-X1", [wrong])]:
        if booking_id == "B-X1":
            begins = sum(len(_folded(line)) for line in lines) + 1
            rejects.add("bookings.ics", "", begins, "unknown zone", "flagpole")
        lines += _event(booking_id, zones)
    lines.append("END:VCALENDAR")
    return "".join(part + "\r\n" for line in lines for part in _folded(line))


def _event(booking_id: str, zones: Sequence[Row]) -> list[str]:
    first = zones[0]
    day = date.fromisoformat(first["date"])
    words = [f"booking_id: {booking_id}", f"taken_on: {first['taken_on']}", f"vehicle_class: {first['vehicle_class']}"]
    for row in zones:
        words += [f"zone: {row['zone']}", f"soil_level: {row['soil_level']}"]
        words.append(f"coating_removed: {row['coating_removed']}")
    for name in ("customer", "deposit_usd", "status", "job_id"):
        words += [f"{name}: {first[name]}"] if first[name] else []
    summary = f"{first['customer'] or 'passer-by'}: {first['vehicle_class']} {', '.join(row['zone'] for row in zones)}"
    return [
        "BEGIN:VEVENT",
        f"UID:{booking_id}@lower-barn.example",
        f"DTSTAMP:{first['taken_on'].replace('-', '')}T120000Z",
        f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
        f"DTEND;VALUE=DATE:{day + timedelta(days=1):%Y%m%d}",
        f"STATUS:{'CANCELLED' if first['status'] == 'cancelled' else 'CONFIRMED'}",
        "SUMMARY:" + _escaped(summary),
        "DESCRIPTION:" + "\\n".join(_escaped(word) for word in words),
        "END:VEVENT",
    ]


def _escaped(text: str) -> str:
    """Escape a TEXT value (RFC 5545, 3.3.11)."""
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> list[str]:
    """Fold a content line at 75 octets (RFC 5545, 3.1); the demo's text is ASCII."""
    parts = [line[:75]]
    for start in range(75, len(line), 74):
        parts.append(" " + line[start : start + 74])
    return parts


def _visits(rows: Sequence[Row]) -> list[list[Row]]:
    """Return the rows of each visit, in order."""
    grouped: dict[str, list[Row]] = {}
    for row in rows:
        grouped.setdefault(row["job_id"], []).append(row)
    return list(grouped.values())


def _spots(rng: np.random.Generator, n: int, k: int) -> list[int]:
    return sorted(int(i) for i in rng.choice(np.arange(5, n - 5), size=k, replace=False))


def _messy_cells(rng: np.random.Generator, row: Row) -> dict[str, Any]:
    """Return a row's cells as somebody types them; a date or a number is a real one in some of them."""
    cells: dict[str, Any] = dict(row)
    for name in SPELLED:
        spellings = SPELLINGS.get(row[name], (row[name], row[name].capitalize()))
        cells[name] = str(spellings[int(rng.integers(len(spellings)))])
    if row["soil_level"] == "" and rng.random() < 0.3:
        cells["soil_level"] = "unknown"
    for name in WEIGHTS:
        if row[name]:
            cells[name] = _typed_weight(rng, row[name])
    for name in TIMES:
        if row[name]:
            cells[name] = _typed_minutes(rng, int(row[name]))
    cells["date"] = _typed_date(rng, date.fromisoformat(row["date"]))
    for name in ("machine", "container"):
        cells[name] = row[name].upper() if rng.random() < 0.1 else row[name]
    return cells


def _typed_weight(rng: np.random.Generator, lb: str) -> str | float:
    style = int(rng.choice(6, p=[0.5, 0.2, 0.1, 0.1, 0.05, 0.05]))
    return (float(lb), f"{lb} lbs", f"{lb} lb", f"~{lb}", f"{lb}#", f"{lb}\u00a0lb.")[style]


def _typed_minutes(rng: np.random.Generator, minutes: int) -> str | float | timedelta:
    hours, rest = divmod(minutes, 60)
    styles: list[str | float | timedelta] = [
        float(minutes),
        f"{hours}:{rest:02d}",
        f"{minutes} min",
        f"{hours}h {rest}m",
    ]
    styles.append(timedelta(minutes=minutes))
    if rest == 30 and hours:
        styles += [f"{hours} 1/2 hr", f"{hours}.5 h"]
    if rest == 0:
        styles.append(f"{hours} hr")
    if rng.random() < 0.05:
        return f"~{minutes}"
    return styles[int(rng.integers(len(styles)))]


def _typed_date(rng: np.random.Generator, day: date) -> str | date:
    style = int(rng.choice(4, p=[0.5, 0.25, 0.15, 0.1]))
    styles = (day, day.strftime("%m/%d/%Y"), f"{_MONTHS[day.month - 1]} {day.day}, {day.year}", day.isoformat())
    return styles[style]


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _write_visit(
    sheet: Any, at: int, rows: Sequence[Row], cells: Sequence[dict[str, Any]], formats: dict[str, Any], *, merge: bool
) -> None:
    """Write a visit's rows at a row of the sheet; with `merge`, what they share is one cell over all of them."""
    for column, name in enumerate(HEADS):
        shared = merge and name in MERGED and rows[0][name] != "" and len({row[name] for row in rows}) == 1
        if shared:
            sheet.merge_range(at, column, at + len(rows) - 1, column, "", formats[""])
        for i, row in enumerate(cells[:1] if shared else cells):
            _write_cell(sheet, at + i, column, row[name], formats)


def _write_cell(sheet: Any, row: int, column: int, value: Any, formats: dict[str, Any]) -> None:
    if isinstance(value, timedelta):
        sheet.write_number(row, column, value.total_seconds() / 86400, formats["time"])
    elif isinstance(value, date):
        sheet.write_datetime(row, column, datetime(value.year, value.month, value.day), formats["date"])
    elif isinstance(value, float):
        sheet.write_number(row, column, value)
    elif value != "":
        sheet.write_string(row, column, value)


def _write_price_list(book: Any, formats: dict[str, Any]) -> None:
    """Add a second sheet that is no log: what the shop charges for an area."""
    from data_demo.truth import TRUTH

    sheet = book.add_worksheet("Price list")
    sheet.write_string(0, 0, "What we charge (sedan, moderate dirt)", formats["bold"])
    for i, (zone, usd) in enumerate(TRUTH.list_usd.items()):
        sheet.write_string(i + 2, 0, SPELLINGS[zone][0])
        sheet.write_number(i + 2, 1, usd)
