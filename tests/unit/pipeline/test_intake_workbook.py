"""Workbooks are read behind a gate: sound ones cell by cell as a person would type them, others are refused."""

import datetime as dt
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from log_files import rows

from pipeline.intake.headers import guesser
from pipeline.intake.raw import RawLog
from pipeline.intake.reading import open_log, open_logs
from pipeline.intake.sheet_scan import cell_name, column_number
from pipeline.intake.words import book_words
from pipeline.intake.workbook import cell_text
from shared.errors import RimebookError

openpyxl = pytest.importorskip("openpyxl")

GUESS = guesser(book_words())
HEAD = ["job_id", "date", "class", "zone", "pellets", "minutes"]
DELIVERIES = ["date", "container", "weight_lb", "price_usd_per_lb"]


def book(path: Path, fill: Callable[[Any], None], **sheets: Sequence[Sequence[Any]]) -> Path:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, table in sheets.items():
        sheet = made.create_sheet(name)
        for row in table:
            sheet.append(list(row))
    fill(made)
    made.save(path)
    return path


def nothing(_: Any) -> None:
    return


def faults(log: RawLog) -> dict[int, tuple[str, str]]:
    return {c.lines[i]: (f.code, f.column) for c in log.chunks() for i, f in c.faults.items()}


def refused(path: Path, **options: str) -> RimebookError:
    with pytest.raises(RimebookError) as caught:
        open_logs(path, guess=GUESS, **options)  # type: ignore[arg-type]
    assert caught.value.problem.do
    return caught.value


def test_cells_read_as_a_person_would_type_them(tmp_path: Path) -> None:
    """Whole numbers have no decimals, dates are ISO, times h:mm, ids keep their zeros."""

    def fill(made: Any) -> None:
        sheet = made["Jobs"]
        sheet.append([123, dt.date(2026, 3, 4), True, "007", 45.5, dt.time(1, 30)])
        sheet.append(["W-1", dt.datetime(2026, 3, 4, 7, 30), 0.1 + 0.2, " x ", 0, dt.timedelta(hours=26, minutes=5)])
        sheet.append([1e15, 46085, None, "=", 0.25, 1.0625])
        sheet["F4"].number_format = "h:mm"
        sheet["E4"].number_format = "0%"

    log = open_log(book(tmp_path / "a.xlsx", fill, Jobs=[HEAD]), guess=GUESS)
    assert rows(log) == [
        ["123", "2026-03-04", "TRUE", "007", "45.5", "1:30"],
        ["W-1", "2026-03-04T07:30:00", "0.3", " x ", "0", "26:05"],
        ["1e+15", "46085", "", "=", "0.25", "25:30"],
    ]
    assert [c.lines for c in log.chunks()] == [[2, 3, 4]]
    assert (log.sheet, log.kind, log.header_line) == ("Jobs", "jobs", 1)


def test_dates_of_the_1904_system(tmp_path: Path) -> None:
    """Dates of a workbook that counts from 1904 are the right days."""

    def fill(made: Any) -> None:
        made.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
        made["Jobs"].append([1, dt.date(2026, 3, 4)])

    log = open_log(book(tmp_path / "a.xlsx", fill, Jobs=[HEAD]), guess=GUESS)
    assert rows(log)[0][1] == "2026-03-04"


def test_title_rows_empty_columns_and_totals(tmp_path: Path) -> None:
    """A table that starts at C4 below a title, with a totals row, is found; lines are the sheet's row numbers."""

    def fill(made: Any) -> None:
        sheet = made["Jobs"]
        sheet["C2"] = "Job book"
        for r, row in enumerate(
            [HEAD, ["1", "", "", "", 40, 50], ["2", "", "", "", 20, 10], ["Total", *[""] * 3, 60, 60]]
        ):
            for c, value in enumerate(row):
                sheet.cell(4 + r, 3 + c, value or None)

    log = open_log(book(tmp_path / "a.xlsx", fill, Jobs=[]), guess=GUESS)
    assert log.header == tuple(HEAD)
    assert [row[0] for row in rows(log)] == ["1", "2"]
    assert [c.lines for c in log.chunks()] == [[5, 6]]
    assert log.set_aside == {"title": 1, "blank": 2, "totals": 1}


def test_merged_cells_are_filled_down_inside_their_range_only(tmp_path: Path) -> None:
    """A ticket merged over three rows stands on each; a blank outside the range stays blank; a note says so."""

    def fill(made: Any) -> None:
        sheet = made["Jobs"]
        for row in (["J1", "", "", "a"], ["", "", "", "b"], ["", "", "", "c"], ["", "", "", "d"]):
            sheet.append([v or None for v in row])
        sheet.merge_cells("A2:A4")

    log = open_log(book(tmp_path / "a.xlsx", fill, Jobs=[HEAD]), guess=GUESS)
    assert [row[0] for row in rows(log)] == ["J1", "J1", "J1", ""]
    assert [c.filled for c in log.chunks()] == [{0: {0: 1}, 1: {0: 1}, 2: {0: 1}}]
    assert [c.filled for c in log.chunks(2)] == [{0: {0: 1}, 1: {0: 1}}, {0: {0: 1}}]
    assert any("A2:A4" in note for note in log.notes)


def test_error_cells_and_formulas_without_values_are_faults(tmp_path: Path) -> None:
    """An error cell is no blank, and a formula that was never calculated is no blank either; each names its column."""

    def fill(made: Any) -> None:
        sheet = made["Jobs"]
        sheet.append(["1", None, None, "a", "#DIV/0!", 5])
        sheet["E2"].data_type = "e"
        sheet.append(["2", None, None, "b", "=1+1", 5])
        sheet.append([None, None, None, None, "=E4*2", None])
        sheet.append(["3", None, None, "c", 4, 5])

    log = open_log(book(tmp_path / "a.xlsx", fill, Jobs=[HEAD]), guess=GUESS)
    assert faults(log) == {2: ("error-cell", "pellets"), 3: ("formula-without-value", "pellets")}
    assert log.set_aside["blank"] == 1


def test_formula_with_an_empty_text_as_value_is_a_blank(tmp_path: Path) -> None:
    """A calculated formula whose value is '' is a blank cell, not one without a value."""
    sound = book(tmp_path / "a.xlsx", nothing, Jobs=[HEAD]).read_bytes()
    row = (
        b'<row r="2"><c r="A2" t="inlineStr"><is><t>1</t></is></c><c r="E2" t="str"><f>IF(1,"",4)</f><v></v></c>'
        b'<c r="F2"><f>20+20</f><v>40</v></c></row></sheetData>'
    )
    with zipfile.ZipFile(tmp_path / "a.xlsx") as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml").replace(b"</sheetData>", row)
    log = open_log(rewritten(tmp_path, sound, "xl/worksheets/sheet1.xml", sheet), guess=GUESS)
    assert rows(log) == [["1", "", "", "", "", "40"]]
    assert faults(log) == {}


def test_two_sheets_of_one_kind_need_a_name(tmp_path: Path) -> None:
    """Sheets that look like one log are refused with all names; --sheet picks, whatever its case."""
    sheets = {"May": [HEAD, ["1"]], "June": [HEAD, ["2"]], "July": [HEAD, ["3"]], "Prices": [["what", "how much"]]}
    path = book(tmp_path / "a.xlsx", nothing, **sheets)
    problem = refused(path).problem
    assert problem.code == "two-sheets"
    assert "the sheets 'May', 'June', 'July', each like" in problem.found
    assert "in a run of its own: --sheet 'May', then --sheet 'June' and so on" in problem.do
    assert rows(open_log(path, guess=GUESS, sheet="june"))[0][0] == "2"
    unknown = refused(path, sheet="Jun").problem
    assert unknown.code == "no-such-sheet"
    assert "'June'" in unknown.do


def test_sheets_of_two_kinds_are_two_logs(tmp_path: Path) -> None:
    """A workbook with a jobs and a deliveries sheet gives both; hidden and other sheets are left out and told."""

    def hide(made: Any) -> None:
        made["Old"].sheet_state = "hidden"

    tables = {
        "Jobs": [HEAD, ["1"]],
        "Ice": [DELIVERIES, ["2026-03-02"]],
        "Old": [HEAD],
        "Prices": [["what", "how much"]],
    }
    path = book(tmp_path / "a.xlsx", hide, **tables)
    logs = open_logs(path, guess=GUESS)
    assert [(log.sheet, log.kind) for log in logs] == [("Jobs", "jobs"), ("Ice", "deliveries")]
    assert any("hidden" in note and "'Old'" in note for note in logs[0].notes)
    assert any("'Prices'" in note for note in logs[0].notes)
    with pytest.raises(RimebookError) as several:
        open_log(path, guess=GUESS)
    assert several.value.problem.code == "several-logs"


def test_cells_under_no_head_are_left_out_with_a_note(tmp_path: Path) -> None:
    """A remark beside the table does not spoil its row, since cells of a sheet do not shift."""
    path = book(tmp_path / "a.xlsx", nothing, Jobs=[HEAD, ["1", None, None, "a", 4, 5, None, "check!"]])
    log = open_log(path, guess=GUESS)
    assert faults(log) == {}
    assert any("'check!'" in note for note in log.notes)


@pytest.mark.parametrize("at", ["XFD1048576", "P1048576", "XFD2000"])
def test_stray_cell_is_refused_before_it_is_allocated(tmp_path: Path, at: str) -> None:
    """A stray cell far away is named, and the process lives."""
    path = book(tmp_path / "a.xlsx", lambda made: made["Jobs"].__setitem__(at, 1), Jobs=[HEAD, ["1"]])
    problem = refused(path).problem
    assert problem.code == "stray-cell"
    assert at in problem.found


def test_formatted_empty_cells_far_away_do_no_harm(tmp_path: Path) -> None:
    """A cell with a format and no content does not reach anywhere."""

    def fill(made: Any) -> None:
        made["Jobs"]["XFD1048576"].font = openpyxl.styles.Font(bold=True)

    log = open_log(book(tmp_path / "a.xlsx", fill, Jobs=[HEAD, ["1"]]), guess=GUESS)
    assert len(rows(log)) == 1


def test_damaged_and_foreign_archives(tmp_path: Path) -> None:
    """Cut files, broken XML, other zips and binary workbooks are told apart; none gives a traceback."""
    sound = book(tmp_path / "a.xlsx", nothing, Jobs=[HEAD, ["1"]]).read_bytes()
    cut = tmp_path / "cut.xlsx"
    cut.write_bytes(sound[: len(sound) // 2])
    assert refused(cut).problem.code == "damaged-workbook"
    for name, code in (("word/document.xml", "not-a-workbook"), ("xl/workbook.bin", "not-a-workbook")):
        other = tmp_path / "other.xlsx"
        with zipfile.ZipFile(other, "w") as archive:
            archive.writestr(name, "x")
        assert refused(other).problem.code == code
    broken = rewritten(tmp_path, sound, "xl/workbook.xml", b"<workbook><sheets>")
    assert refused(broken).problem.code == "damaged-workbook"
    broken = rewritten(tmp_path, sound, "xl/worksheets/sheet1.xml", b"<worksheet><sheetData><row r='1'><c")
    assert refused(broken).problem.code == "damaged-workbook"


def rewritten(tmp_path: Path, sound: bytes, name: str, data: bytes) -> Path:
    (tmp_path / "in.zip").write_bytes(sound)
    out = tmp_path / "out.xlsx"
    with zipfile.ZipFile(tmp_path / "in.zip") as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.namelist():
            new.writestr(item, data if item == name else old.read(item))
    return out


def test_one_flipped_byte_is_noticed(tmp_path: Path) -> None:
    """A byte damaged inside a compressed part is told, not read past."""
    data = bytearray(book(tmp_path / "a.xlsx", nothing, Jobs=[HEAD, *[[str(i)] for i in range(500)]]).read_bytes())
    at = data.find(b"xl/worksheets/sheet1.xml") + 200
    data[at] ^= 0xFF
    path = tmp_path / "b.xlsx"
    path.write_bytes(bytes(data))
    assert refused(path).problem.code == "damaged-workbook"


def test_zip_bomb_is_refused_unread(tmp_path: Path) -> None:
    """A sheet that unpacks to a thousand times its size is refused by its sizes."""
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 40_000_000)
    assert refused(path).problem.code == "zip-bomb"


def test_empty_and_wordless_workbooks(tmp_path: Path) -> None:
    """A workbook without a cell, and one whose sheets are no log, are refused; one lone table is read anyway."""
    assert refused(book(tmp_path / "a.xlsx", nothing, A=[])).problem.code == "empty-file"
    path = book(tmp_path / "b.xlsx", nothing, A=[["what", "how much"]], B=[["x", "y"]])
    assert refused(path).problem.code == "no-log-sheet"
    lone = open_log(book(tmp_path / "c.xlsx", nothing, A=[["Nr", "Wann"], ["1", "2"]]), guess=GUESS)
    assert (lone.kind, lone.header) == ("", ("Nr", "Wann"))


def test_prefixed_elements_and_single_quotes(tmp_path: Path) -> None:
    """The scan follows sheets whose elements carry a prefix and whose attributes stand in single quotes."""
    sheet = (
        "<x:worksheet xmlns:x='http://schemas.openxmlformats.org/spreadsheetml/2006/main'><x:sheetData>"
        "<x:row r='1'><x:c r='A1' t='str'><x:v>job_id</x:v></x:c><x:c r='XFD1048576'><x:v>1</x:v></x:c></x:row>"
        "</x:sheetData></x:worksheet>"
    )
    sound = book(tmp_path / "a.xlsx", nothing, Jobs=[HEAD]).read_bytes()
    path = rewritten(tmp_path, sound, "xl/worksheets/sheet1.xml", sheet.encode())
    assert refused(path).problem.code == "stray-cell"


def test_references() -> None:
    """Column letters and references follow the spreadsheet's counting."""
    assert [column_number(letters) for letters in ("A", "Z", "AA", "XFD")] == [1, 26, 27, 16384]
    assert [cell_name(0, 0), cell_name(9, 26), cell_name(1048575, 16383)] == ["A1", "AA10", "XFD1048576"]


class TestOpenDocument:
    """The same care for .ods files."""

    def sheet(self, path: Path, tables: dict[str, list[list[Any]]], *, hidden: Sequence[str] = ()) -> Path:
        from odf.opendocument import OpenDocumentSpreadsheet
        from odf.style import Style, TableProperties
        from odf.table import Table, TableRow

        made = OpenDocumentSpreadsheet()
        style = Style(name="unseen", family="table")
        style.addElement(TableProperties(display="false"))
        made.automaticstyles.addElement(style)
        for name, table in tables.items():
            element = Table(name=name, stylename="unseen") if name in hidden else Table(name=name)
            for row in table:
                repeat = {"numberrowsrepeated": str(row[0])} if row and isinstance(row[0], int) else {}
                line = TableRow(**repeat)
                for value in row[1 if repeat else 0 :]:
                    line.addElement(self.cell(value))
                element.addElement(line)
            made.spreadsheet.addElement(element)
        made.save(str(path))
        return path

    def cell(self, value: Any) -> Any:
        from odf.table import CoveredTableCell, TableCell
        from odf.text import P

        if value is None:
            return TableCell()
        if isinstance(value, dict):
            kind = CoveredTableCell if value.pop("covered", False) else TableCell
            text = value.pop("text", None)
            made = kind(**value)
        else:
            text = str(value)
            made = TableCell(valuetype="string")
        if text is not None:
            made.addElement(P(text=text))
        return made

    def test_cells_merges_and_repeats(self, tmp_path: Path) -> None:
        """Typed cells and merged ranges of an OpenDocument sheet are read; a million blank rows below are not."""
        day = {"valuetype": "date", "datevalue": "2026-03-04", "text": "4 Mar"}
        clock = {"valuetype": "time", "timevalue": "PT01H30M00S", "text": "1:30"}
        number = {"valuetype": "float", "value": "123", "text": "123"}
        table = [
            HEAD,
            [
                {"valuetype": "string", "numberrowsspanned": "2", "text": "J1"},
                dict(day),
                "van",
                "a",
                dict(number),
                clock,
            ],
            [{"covered": True}, dict(day), "van", "b", "45 lb"],
            [1_000_000, {"numbercolumnsrepeated": "1000"}],
        ]
        log = open_log(self.sheet(tmp_path / "a.ods", {"Jobs": table, "Old": [HEAD]}, hidden=["Old"]), guess=GUESS)
        assert rows(log) == [
            ["J1", "2026-03-04", "van", "a", "123", "1:30"],
            ["J1", "2026-03-04", "van", "b", "45 lb", ""],
        ]
        assert any("A2:A3" in note for note in log.notes)
        assert any("'Old'" in note for note in log.notes)

    def test_formula_without_value(self, tmp_path: Path) -> None:
        """A formula that carries no value is a fault."""
        table = [HEAD, ["1", "", "", "a", {"formula": "of:=1+1"}, "5"]]
        log = open_log(self.sheet(tmp_path / "a.ods", {"Jobs": table}), guess=GUESS)
        assert faults(log) == {2: ("formula-without-value", "pellets")}

    def test_repeated_content_is_refused(self, tmp_path: Path) -> None:
        """A row written once and repeated a million times with content is refused unread."""
        table = [HEAD, [1_000_000, {"valuetype": "string", "numbercolumnsrepeated": "100", "text": "x"}]]
        assert refused(self.sheet(tmp_path / "a.ods", {"Jobs": table})).problem.code == "stray-cell"


def test_durations_of_a_day_and_more_are_read_as_such() -> None:
    """What an OpenDocument sheet stores as PT25H05M00S is 25:05; other texts stay as they are."""
    assert [cell_text(t) for t in ("PT25H05M00S", "PT30M", "PT1H0M30.0S")] == ["25:05", "0:30", "1:00:30"]
    assert [cell_text(t) for t in ("PT", "PT-7", "PT25")] == ["PT", "PT-7", "PT25"]
