"""The rejects file: the rows as they were with the reasons, made to be corrected and imported again."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from pipeline.book.store import Book
from pipeline.intake import rejects
from pipeline.intake.importing import FileResult, import_files
from shared.errors import RimebookError

TODAY = date(2026, 7, 1)
LOG = """Ticket,Date,Class,Zone,Pellets lb,Minutes,Colour
A,2026-03-02,van,interior,-8,40,red
A,2026-03-02,van,engine bay,20,30,red
B,2026-03-02,van,roof,8 lb,40,blue
C,2026-03-02,van,interior,8,40,"=1+1"
D,2026-03-02,vna,interior,9,40,"=cmd|' /C calc'!A0"
"""


def _import(book: Book, file: Path, **options: bool) -> FileResult:
    (only,) = import_files(book, [file], today=TODAY, **options).result.files  # type: ignore[arg-type]
    assert only.accepted + only.duplicate + only.rejected == only.rows
    return only


def _read(file: str | None) -> list[dict[str, str]]:
    assert file is not None
    with Path(file).open(encoding="utf-8-sig", newline="") as text:
        return list(csv.DictReader(text))


def test_rows_stand_there_as_they_were_with_their_reasons(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Original columns first, also those not imported, then file, sheet, line, column, value, code and hint."""
    file = tmp_path / "march.csv"
    file.write_text(LOG, encoding="utf-8")
    done = _import(new_book(), file)
    assert (done.accepted, done.rejected, done.unmatched_headers) == (1, 4, ("Colour",))
    assert done.rejects_file == str(tmp_path / "march.csv.rejects.csv")
    rows = _read(done.rejects_file)
    assert list(rows[0]) == [*LOG.splitlines()[0].split(","), *rejects.REJECT_COLUMNS]
    assert [(r["Ticket"], r["reject_line"], r["reject_column"], r["reject_value"], r["reject_code"]) for r in rows] == [
        ("A", "2", "Pellets lb", "-8", "negative"),
        ("A", "3", "", "", "visit-rejected"),
        ("B", "4", "Zone", "roof", "unknown-zone"),
        ("D", "6", "Class", "vna", "unknown-class"),
    ]
    assert {r["reject_file"] for r in rows} == {"march.csv"}
    assert "line 2" in rows[1]["reject_hint"]
    assert rows[0]["Pellets lb"] == "-8"
    assert rows[2]["Pellets lb"] == "8 lb"


def test_formulas_are_guarded(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A cell that a spreadsheet would run gets one more quote, in the columns and in the reasons."""
    file = tmp_path / "march.csv"
    file.write_text(LOG, encoding="utf-8")
    rows = _read(_import(new_book(), file).rejects_file)
    assert rows[-1]["Colour"] == "'=cmd|' /C calc'!A0"
    for row in rows:
        assert not any(cell.startswith(("=", "+", "@", "\t", "\r")) for cell in row.values())


def test_corrected_rejects_lose_and_double_no_row(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """After correction every row is in the book once; the `reject_` columns are no column of the log."""
    file = tmp_path / "march.csv"
    file.write_text(LOG, encoding="utf-8")
    book = new_book()
    wrong = Path(_import(book, file).rejects_file or "")
    text = wrong.read_text(encoding="utf-8-sig")
    for was, right in (("A,2026-03-02,van,interior,-8", "A,2026-03-02,van,interior,8"), ("van,roof", "van,bed"),
                       ("D,2026-03-02,vna", "D,2026-03-02,van")):  # fmt: skip
        assert was in text
        text = text.replace(was, right)
    wrong.write_text(text, encoding="utf-8-sig")
    again = _import(book, wrong)
    assert (again.rows, again.accepted, again.rejected) == (4, 4, 0)
    assert again.unmatched_headers == ("Colour",)
    with book.reading() as connection:
        lines = connection.execute("select job_id, zone from job_lines order by all").fetchall()
    assert lines == [("A", "engine_bay"), ("A", "interior"), ("B", "cargo_bed"), ("C", "interior"), ("D", "interior")]


def test_a_half_corrected_file_is_never_overwritten(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The same rejects are written once; where another file of that name stands, the new one gets a number."""
    file = tmp_path / "march.csv"
    file.write_text(LOG, encoding="utf-8")
    book = new_book()
    first = Path(_import(book, file).rejects_file or "")
    assert _import(book, file).rejects_file == str(first)
    first.write_text("half corrected", encoding="utf-8")
    assert _import(book, file).rejects_file == str(tmp_path / "march.csv.rejects-2.csv")
    assert first.read_text(encoding="utf-8") == "half corrected"
    assert not list(tmp_path.glob(".*.part"))


def test_rejects_go_to_the_book_where_the_folder_cannot_be_written(tmp_path: Path) -> None:
    """Where nothing can be written beside the input, the book's own `rejects` folder takes the file."""
    not_a_folder = tmp_path / "taken"
    not_a_folder.write_text("", encoding="utf-8")
    place = rejects.write_rejects("text", not_a_folder / "march.csv", tmp_path / "book" / "rejects")
    assert place == tmp_path / "book" / "rejects" / "march.csv.rejects.csv"
    assert place.read_text(encoding="utf-8") == "text"


def test_rejects_that_cannot_be_written_anywhere_stop_the_import(
    new_book: Callable[..., Book], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No reason is lost: nothing is imported, and the error says what to do."""
    book = new_book()
    file = tmp_path / "march.csv"
    file.write_text(LOG, encoding="utf-8")

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "write_bytes", refuse)
    with pytest.raises(RimebookError) as raised:
        import_files(book, [file], today=TODAY)
    problem = raised.value.problem
    assert problem.code == "rejects-not-writable"
    assert "rejects" in problem.where
    assert problem.found == "Permission denied"
    assert "march.csv" in problem.expected
    assert "nothing was imported" in problem.do
    with book.reading() as connection:
        assert connection.execute("select count(*) from job_lines").fetchone() == (0,)


def test_a_wide_sheets_rejects_are_its_own_rows(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A row of a sheet with columns for each zone is rejected once and as it was, although it is several lines."""
    file = tmp_path / "wide.csv"
    file.write_text(
        "Ticket,Date,Class,Undercarriage lb,Undercarriage min,Interior lb,Interior min\n"
        "A,2026-03-02,van,40,55,900,30\n"
        "B,2026-03-02,van,38,50,,\n",
        encoding="utf-8",
    )
    done = _import(new_book(), file)
    assert (done.rows, done.accepted, done.rejected) == (2, 1, 1)
    (row,) = _read(done.rejects_file)
    assert (row["Ticket"], row["Undercarriage lb"], row["Interior lb"], row["reject_code"]) == (
        "A", "40", "900", "too-large",
    )  # fmt: skip


def test_a_wide_sheets_reasons_name_its_own_heads(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A zone's figure is told under its head in the sheet, and what the sheet has no head for under none."""
    file = tmp_path / "wide.csv"
    file.write_text(
        "Ticket,Date,Class,Undercarriage lb,Undercarriage soil,Interior lb,Interior min\n"
        "A,2026-03-02,van,40,,40x,30\nB,2026-03-02,van,40,,,1500\nC,2026-03-02,van,40,filthy,,\n"
        "D,2026-03-02,van,,,,\nE,2026-03-02,van,40,,,\nE,2026-03-02,van,41,,,\nF,2026-03-02,vna,40,,,\n",
        encoding="utf-8",
    )
    done = _import(new_book(), file)
    found = [(r["Ticket"], r["reject_code"], r["reject_column"]) for r in _read(done.rejects_file)]
    assert found == [
        ("A", "unknown-unit", "Interior lb"), ("B", "too-large", "Interior min"),
        ("C", "unknown-soil", "Undercarriage soil"), ("D", "missing", ""),
        ("E", "same-line-differs", ""), ("E", "same-line-differs", ""), ("F", "unknown-class", "Class"),
    ]  # fmt: skip
    assert {r.column for r in done.reasons} == {column for _, _, column in found}
    assert any(r.hint.startswith("no zone has a figure in this row") for r in done.reasons)


def test_corrected_rejects_are_read_as_in_their_file(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Figures and dates that other rows prove are written so that they need no proof; all else stays as it was."""
    file = tmp_path / "march.csv"
    file.write_text(
        "job_id;date;vehicle_class;zone;pellets_lb;minutes;price_usd;setup_min\n"
        "A;25/04/2026;van;interior;12,5;1:30:30.000;1.200,50;5\n"
        "B;03/04/2026;van;interiorrrx;11,125;45 min;1.250;10.5\n"
        "C;26/04/2026;van;interiorrrx;11,5 lb;45,5;1.250 foo;10\n",
        encoding="utf-8",
    )
    book = new_book()
    wrong = Path(_import(book, file).rejects_file or "")
    kept = ("date", "pellets_lb", "minutes", "price_usd", "setup_min")
    assert [tuple(row[k] for k in kept) for row in _read(str(wrong))] == [
        ("2026-04-03", "11,1250", "45 min", "1250", "10.5"),
        ("26/04/2026", "11,5 lb", "45,5", "1.250 foo", "10"),
    ]
    text = wrong.read_text(encoding="utf-8-sig").splitlines()[:2]
    wrong.write_text("\n".join(text).replace("interiorrrx", "interior", 1), encoding="utf-8-sig")
    assert _import(book, wrong).accepted == 1
    with book.reading() as connection:
        found = connection.execute("select day, pellets_lb, price_usd from job_lines where job_id = 'B'").fetchall()
    assert found == [(date(2026, 4, 3), 11.125, 1250.0)]


def test_a_wide_sheets_rejects_need_no_proof_either(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The columns of a zone are read as one with those of the others, and written so."""
    file = tmp_path / "wide.csv"
    file.write_text(
        "Ticket;Date;Class;Undercarriage lb;Interior lb\nA;2026-03-02;van;40,5;\nB;2026-03-02;vna;10,125;5\n",
        encoding="utf-8",
    )
    (row,) = _read(_import(new_book(), file).rejects_file)
    assert (row["Undercarriage lb"], row["Interior lb"]) == ("10,1250", "5")


def test_reasons_name_the_columns_of_the_file(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A reason of a whole visit stands under the file's own head, also where the book splits or renames the column."""
    file = tmp_path / "kilograms.csv"
    file.write_text(
        "Ticket,Day,Class,Zone,Ice (kg),Total ice kg\n"
        "A,2026-03-02,van,interior,10,50\n"
        "B,2026-03-02,van,full underside,25,\nB,2026-03-02,van,full underside,26,\n"
        "C,2026-03-02,van,interior,10,\nC,2026-03-03,van,interior,10,\n"
        "D,2026-03-02,van,full underside,25,\nD,2026-03-02,van,suspension,9,\n",
        encoding="utf-8",
    )
    book = new_book('[words]\npackages = {"full underside" = ["undercarriage", "suspension"]}\n')
    done = _import(book, file)
    found = {r["Ticket"]: (r["reject_column"], r["reject_value"]) for r in _read(done.rejects_file)}
    assert found == {
        "A": ("Total ice kg", "22.0462 and 110.231"),
        "B": ("Ice (kg)", "pellets_lb 25 kg or 26 kg"),
        "C": ("Day", "date 2026-03-02 or 2026-03-03"),
        "D": ("Zone", "zone full underside or suspension; pellets_lb 25 kg or 9 kg"),
    }
    assert {r.column for r in done.reasons} == {column for column, _ in found.values()}


def test_a_total_beyond_belief_says_what_to_do(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Like a line beyond belief it asks for the figure or its unit."""
    file = tmp_path / "march.csv"
    file.write_text("job_id,date,vehicle_class,zone,job_pellets_lb\nA,2026-03-02,van,interior,900\n", encoding="utf-8")
    (row,) = _read(_import(new_book(), file).rejects_file)
    assert row["reject_hint"].startswith("a total of 900 lb over 1 line; at most 800 lb")
    assert row["reject_hint"].endswith("correct the total or its unit")


def test_a_mended_delivery_like_another_of_its_file_is_told(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Equal to a delivery of the book it may be that one; the note says how both are counted."""
    log = "date,container,weight_lb,fee_usd\n2026-03-05,A,40O,45\n2026-03-05,A,400,45\n"
    file = tmp_path / "ice.csv"
    file.write_text(log, encoding="utf-8")
    book = new_book()
    wrong = Path(_import(book, file).rejects_file or "")
    wrong.write_text(wrong.read_text(encoding="utf-8-sig").replace("A,40O", "A,400"), encoding="utf-8-sig")
    answer = import_files(book, [wrong], today=TODAY)
    assert (answer.result.files[0].accepted, answer.result.files[0].duplicate) == (0, 1)
    (told,) = answer.warnings
    assert told.startswith("1 row is equal to one that the book has (line 2) and not counted again")
    assert "correct it in the log that reject_file names and import that" in told
    file.write_text(log.replace("40O", "400"), encoding="utf-8")
    assert _import(book, file).accepted == 1
    assert not any("equal" in warning for warning in import_files(book, [file], today=TODAY).warnings)
    with book.reading() as connection:
        assert connection.execute("select sum(weight_lb), sum(fee_usd) from deliveries").fetchone() == (800.0, 90.0)
