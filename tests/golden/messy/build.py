"""Writes the messy files that no text editor keeps as they are: `python tests/golden/messy/build.py`."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import xlsxwriter
from odf.opendocument import OpenDocumentSpreadsheet
from odf.style import Style, TableProperties
from odf.table import Table, TableCell, TableRow
from odf.text import P

HERE = Path(__file__).parent
HEADS = ["Ticket", "Date", "Class", "Zone", "Soil", "Pellets (lb)", "Minutes"]


def _workbook(path: Path) -> tuple[Any, dict[str, Any]]:
    book = xlsxwriter.Workbook(str(path))
    book.set_properties({"created": datetime(2026, 7, 1)})
    styles = {name: book.add_format({"num_format": name}) for name in ("yyyy-mm-dd", "h:mm", "[h]:mm")}
    return book, styles


def _fill(sheet: Any, at: int, rows: list[list[Any]], styles: dict[str, Any]) -> None:
    """Write rows from a row on; None leaves a cell empty."""
    for r, row in enumerate(rows, start=at):
        for c, value in enumerate(row):
            if isinstance(value, timedelta):
                sheet.write_number(r, c, value.total_seconds() / 86400, styles["[h]:mm"])
            elif isinstance(value, time):
                sheet.write_number(r, c, (value.hour * 60 + value.minute) / 1440, styles["h:mm"])
            elif isinstance(value, date):
                sheet.write_datetime(r, c, datetime(value.year, value.month, value.day), styles["yyyy-mm-dd"])
            elif isinstance(value, str):
                sheet.write_string(r, c, value)
            elif value is not None:
                sheet.write_number(r, c, value)


def merged_visits(folder: Path) -> None:
    """What a visit has in common is one cell over its rows; a blank cell that is not merged stays blank."""
    book, styles = _workbook(folder / "merged-visits.xlsx")
    sheet = book.add_worksheet("March")
    sheet.merge_range(0, 0, 0, 9, "March, first bay")
    _fill(sheet, 1, [[*HEADS, "Total pellets (lb)", "Total minutes", "Operator"]], styles)
    day = styles["yyyy-mm-dd"]
    rows = [
        [None, None, None, "undercarriage", "heavy", None, None, None, None, None],
        [None, None, None, "wheel wells", None, None, None, None, None, None],
        [None, None, None, "suspension", "moderate", None, None, None, None, None],
        ["H-2", date(2026, 3, 17), "sedan", "interior", "light", 6, 45, None, None, "VN"],
        [None, None, None, "undercarriage", "moderate", 80, 95, None, None, None],
        [None, None, None, "engine bay", "severe", 38, 70, None, None, None],
    ]
    _fill(sheet, 2, rows, styles)
    sheet.merge_range(2, 0, 4, 0, "H-1")
    sheet.merge_range(2, 1, 4, 1, datetime(2026, 3, 16), day)
    sheet.merge_range(2, 2, 4, 2, "suv")
    sheet.merge_range(2, 7, 4, 7, 96)
    sheet.merge_range(2, 8, 4, 8, 125)
    sheet.merge_range(2, 9, 3, 9, "KO")
    sheet.merge_range(6, 0, 7, 0, "H-3")
    sheet.merge_range(6, 1, 7, 1, datetime(2026, 3, 18), day)
    sheet.merge_range(6, 2, 7, 2, "truck")
    sheet.merge_range(6, 9, 7, 9, "LB")
    book.close()


def two_sheets(folder: Path) -> None:
    """The first sheet is a price list and only the second is a log."""
    book, styles = _workbook(folder / "two-sheets.xlsx")
    prices = [["What we charge", None], ["Area", "Price"], ["Undercarriage", 195], ["Wheel wells", 65]]
    _fill(book.add_worksheet("Prices"), 0, prices, styles)
    rows = [
        [*HEADS, "Price"],
        ["2S-1", date(2026, 5, 18), "van", "undercarriage", "moderate", 63, 75, 290],
        ["2S-2", date(2026, 5, 19), "coupe", "door jambs", "light", 3, 10, 95],
    ]
    _fill(book.add_worksheet("Jobs"), 0, rows, styles)
    book.close()


def clock_times(folder: Path) -> None:
    """Times are cells with a clock's format, a duration's, text with a colon, or a bare number of minutes."""
    book, styles = _workbook(folder / "clock-times.xlsx")
    rows = [
        ["Ticket", "Date", "Class", "Zone", "Soil", "Pellets (lb)", "Time"],
        ["K-1", date(2026, 4, 27), "sedan", "undercarriage", "moderate", 45, time(1, 30)],
        ["K-2", date(2026, 4, 27), "van", "undercarriage", "heavy", 88, timedelta(minutes=135)],
        ["K-3", date(2026, 4, 28), "suv", "engine bay", "light", 14, "0:45"],
        ["K-4", date(2026, 4, 28), "pickup", "cargo bed", "light", 12, 50],
        ["K-5", date(2026, 4, 29), "truck", "undercarriage", "severe", 140, timedelta(minutes=610)],
    ]
    _fill(book.add_worksheet("Log"), 0, rows, styles)
    book.close()


def leading_zeros(folder: Path) -> None:
    """Tickets and plates keep their leading zeros; a number as ticket has no decimals."""
    book, styles = _workbook(folder / "leading-zeros.xlsx")
    rows = [
        ["Ticket", "Plate", *HEADS[1:], "Customer"],
        ["0012", "007", date(2026, 2, 23), "pickup", "undercarriage", "moderate", 52, 70, "010"],
        [12, 7, date(2026, 2, 24), "pickup", "undercarriage", "moderate", 49, 66, 10],
        [104.0, None, date(2026, 2, 25), "sedan", "wheel wells", "light", 9, 15, None],
        ["00104", None, date(2026, 2, 26), "sedan", "suspension", "light", 12, 20, None],
    ]
    _fill(book.add_worksheet("Log"), 0, rows, styles)
    book.close()


def _table(document: Any, name: str, rows: list[list[Any]], style: Any = None) -> None:
    table = Table(name=name, stylename=style) if style is not None else Table(name=name)
    for row in rows:
        line = TableRow()
        for value in row:
            if value is None:
                cell = TableCell()
            elif isinstance(value, date):
                cell = TableCell(valuetype="date", datevalue=value.isoformat())
                cell.addElement(P(text=value.isoformat()))
            elif isinstance(value, int | float):
                cell = TableCell(valuetype="float", value=str(value))
                cell.addElement(P(text=str(value)))
            else:
                cell = TableCell(valuetype="string")
                cell.addElement(P(text=value))
            line.addElement(cell)
        table.addElement(line)
    document.spreadsheet.addElement(table)


def hidden_lists(folder: Path) -> None:
    """A hidden sheet holds the words of the pick lists and is no log."""
    document = OpenDocumentSpreadsheet()
    hidden = Style(name="hidden", family="table")
    hidden.addElement(TableProperties(display="false"))
    document.automaticstyles.addElement(hidden)
    _table(document, "lists", [["class", "zone", "soil"], ["sedan", "undercarriage", "light"]], hidden)
    rows = [
        [*HEADS, "Coating removed"],
        ["HL1", date(2026, 6, 1), "wagon", "undercarriage", "severe", 155, 190, "y"],
        ["HL2", date(2026, 6, 2), "compact", "body panels", "light", 4, 15, "n"],
    ]
    _table(document, "Log", rows)
    document.save(str(folder / "hidden-lists.ods"))


def footers_and_gaps(folder: Path) -> None:
    """Empty columns stand between the filled ones, and the sheet ends in a sum and a footer."""
    document = OpenDocumentSpreadsheet()
    spread = [[None, "Winter log", *[None] * 12], [None] * 14]
    rows = [
        HEADS,
        ["FG1", date(2026, 1, 19), "sedan", "undercarriage", "heavy", 61, 75],
        ["FG2", date(2026, 1, 20), "suv", "suspension", "moderate", 22, 35],
        [None] * 7,
        ["FG3", date(2026, 1, 21), "van", "interior", "light", 9.5, 60],
        ["Sum", None, None, None, None, 92.5, 170],
        ["Printed from the office computer", *[None] * 6],
    ]
    spread += [[cell for value in row for cell in (None, value)] for row in rows]
    _table(document, "Log", spread)
    document.save(str(folder / "footers-and-gaps.ods"))


def odd_texts(folder: Path) -> None:
    """Text in UTF-16 under tabs, in Windows' Western encoding, and with three kinds of line end."""
    rows = [
        [*HEADS, "Operator"],
        ["U16-1", "2026-03-30", "sedan", "undercarriage", "moderate", "43", "60", "ÅS"],
        ["U16-2", "2026-03-31", "pickup", "cargo bed", "heavy", "19", "25", "KO"],
    ]
    text = "".join("\t".join(row) + "\r\n" for row in rows)
    (folder / "utf16-tabs.tsv").write_bytes(b"\xff\xfe" + text.encode("utf-16-le"))
    rows = [
        [*HEADS, "Customer", "Notes"],
        ["É-1", "2026-03-05", "van", "undercarriage", "moderate", "60", "70", "MÜHLE", "½ day \u2013 hurry"],
        ["É-2", "2026-03-06", "truck", "undercarriage", "heavy", "110", "120", "FORÊT", "salt crust"],
    ]
    (folder / "cp1252-accents.csv").write_bytes("".join(",".join(row) + "\r\n" for row in rows).encode("cp1252"))
    mixed = (
        "Ticket,Date,Class,Zone,Soil,Pellets (lb),Minutes,Notes\r\n"
        "L1,2026-05-26,sedan,undercarriage,moderate,44,60,plain\n"
        'L2,2026-05-27,van,wheel wells,heavy,20,30,"salt, straw"\r\n'
        'L3,2026-05-28,suv,engine bay,light,13,35,"said ""again"""\r'
        "L4,2026-05-29,coupe,interior,light,5,40,"
    )
    (folder / "mixed-line-ends.csv").write_bytes(mixed.encode())


BUILDERS = (merged_visits, two_sheets, clock_times, leading_zeros, hidden_lists, footers_and_gaps, odd_texts)


def build(folder: Path) -> None:
    """Write all built files into a folder."""
    for builder in BUILDERS:
        builder(folder)


if __name__ == "__main__":
    build(HERE)
