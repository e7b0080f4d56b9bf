"""A rejects file imported as it is: what was refused stays refused until it is written over, and then it is taken."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipeline.book.store import Book
from pipeline.intake.importing import FileResult, import_files

TODAY = date(2026, 7, 1)
JOBS = ["job_id", "date", "vehicle_class", "zone", "pellets_lb", "minutes", "price_usd"]


def _import(book: Book, file: Path, **options: Any) -> FileResult:
    (only,) = import_files(book, [file], today=TODAY, **options).result.files
    return only


def _written_over(file: Path, **right: list[str]) -> None:
    """Write columns of a rejects file anew, as somebody who mends it does; all else stays as it is."""
    with file.open(encoding="utf-8-sig", newline="") as text:
        rows = list(csv.DictReader(text))
    for column, cells in right.items():
        for row, cell in zip(rows, cells, strict=True):
            row[column] = cell
    with file.open("w", encoding="utf-8-sig", newline="") as text:
        write = csv.DictWriter(text, list(rows[0]))
        write.writeheader()
        write.writerows(rows)


def _text(folder: Path, *lines: str) -> Path:
    file = folder / "march.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def _workbook(folder: Path, rows: list[list[object]], *merged: str) -> Path:
    book = openpyxl.Workbook()
    sheet: Any = book.active
    for row in (JOBS, *rows):
        sheet.append(row)
    for cells in merged:
        sheet.merge_cells(cells)
    file = folder / "march.xlsx"
    book.save(file)
    return file


def _surplus(folder: Path) -> Path:
    return _text(folder, ",".join(JOBS[:6]), "J1,2026-03-02,van,undercarriage,1,250,90")


def _surplus_before_notes(folder: Path) -> Path:
    return _text(folder, "job_id,date,vehicle_class,zone,minutes,notes", "J1,2026-03-02,van,undercarriage,90,cold,wet")


def _swallowed(folder: Path) -> Path:
    head, job = "job_id,date,vehicle_class,zone,minutes,notes", "2026-03-02,van,undercarriage,90"
    return _text(folder, head, f'J1,{job},"cold', f"J2,{job},wet", f'J3,{job},"')


def _no_text(folder: Path) -> Path:
    file = folder / "march.csv"
    file.write_bytes(b"\xef\xbb\xbfjob_id,date,vehicle_class,zone,minutes,notes\nJ1,2026-03-02,van,interior,90,\xff\n")
    return file


def _merged_lines(folder: Path) -> Path:
    rows: list[list[object]] = [
        ["J1", "2026-03-02", "van", "undercarriage", 120, 90, 500],
        ["J1", "2026-03-02", "van", "suspension"],
    ]
    return _workbook(folder, rows, "E2:E3", "F2:F3")


def _merged_price(folder: Path) -> Path:
    rows: list[list[object]] = [
        ["J1", "2026-03-02", "van", "undercarriage", 60, 90, 900],
        ["J2", "2026-03-02", "van", "undercarriage", 50, 80],
    ]
    return _workbook(folder, rows, "G2:G3")


def _uncalculated(folder: Path) -> Path:
    return _workbook(folder, [["J1", "2026-03-02", "van", "undercarriage", "=40+5", "=60+30", 500]])


def _could_be_two(folder: Path) -> Path:
    return _text(
        folder, "job_id;date;vehicle_class;zone;pellets_lb;minutes",
        "J0;2026-03-02;van;suspension;12,5;90", "J1;2026-03-02;van;undercarriage;45;1.250",
    )  # fmt: skip


def _contradicted_dates(folder: Path) -> Path:
    days = (("25/04/2026", "interior"), ("04/26/2026", "interior"), ("03/04/2026", "interior"), ("27/04/2026", "inter"))
    rows = [f"J{k},{day},van,{zone},45,90" for k, (day, zone) in enumerate(days)]
    return _text(folder, ",".join(JOBS[:6]), *rows)


CASES: dict[str, tuple[Callable[[Path], Path], dict[str, list[str]]]] = {
    "surplus fields": (_surplus, {"pellets_lb": ["125"], "minutes": ["90"]}),
    "surplus fields at a text": (_surplus_before_notes, {"notes": ["cold, wet"]}),
    "rows in one quote": (_swallowed, {"notes": ["cold"]}),
    "bytes that are no text": (_no_text, {"notes": ["cold"]}),
    "figures merged over lines": (_merged_lines, {"pellets_lb": ["120", ""], "minutes": ["90", ""]}),
    "a price merged over jobs": (_merged_price, {"price_usd": ["500", "400"]}),
    "formulas never calculated": (_uncalculated, {"pellets_lb": ["45"], "minutes": ["90"]}),
    "a figure that could be two": (_could_be_two, {"minutes": ["1250"]}),
    "dates under contradicting ones": (
        _contradicted_dates, {"date": ["2026-04-03", "2026-04-27"], "zone": ["interior", "interior"]},
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_what_was_refused_is_refused_again_until_it_is_written_over(
    case: str, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """What speaks against a row need not come with it: its cells are marked, and the mark is refused in any column."""
    make, right = CASES[case]
    book = new_book()
    first = _import(book, make(tmp_path))
    refused = first.rejected
    assert refused >= 1
    wrong = Path(first.rejects_file or "")
    again = _import(book, wrong)
    assert (again.accepted, again.rejected) == (0, refused), case
    twice = _import(book, Path(again.rejects_file or ""))
    assert (twice.accepted, twice.rejected) == (0, refused), case
    assert [r.hint for r in twice.reasons] == [r.hint for r in again.reasons]
    _written_over(wrong, **right)
    mended = _import(book, wrong)
    assert (mended.accepted, mended.rejected) == (refused, 0), mended.reasons


@pytest.mark.parametrize("missed", ["pellets_lb", "minutes"])
@pytest.mark.parametrize("make", [_merged_lines, _uncalculated])
def test_every_cell_that_was_refused_is_marked(
    make: Callable[[Path], Path], missed: str, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """A row of two faulty cells of which one is mended stays out for the other."""
    book = new_book()
    first = _import(book, make(tmp_path))
    wrong = Path(first.rejects_file or "")
    other = "minutes" if missed == "pellets_lb" else "pellets_lb"
    _written_over(wrong, **{other: ["45", "45"][: first.rejected]})
    done = _import(book, wrong)
    assert (done.accepted, done.rejected) == (0, first.rejected)
    assert [(r.code, r.column) for r in done.reasons] == [("not-corrected", missed)]


def test_a_refused_cell_says_why_again(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The first reason stands in the second: how many fields there were, and which were left over."""
    book = new_book()
    (reason,) = _import(book, Path(_import(book, _surplus(tmp_path)).rejects_file or "")).reasons
    assert (reason.code, reason.column, reason.example) == ("not-corrected", "minutes", "[rejected] 250 | 90")
    assert reason.hint.startswith("write the right value over this cell: 7 fields under 6 heads")


def test_the_mark_means_nothing_in_a_log_of_the_shop(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Only a rejects file has it: a note of a log may begin with any word."""
    file = _text(
        tmp_path, "job_id,date,vehicle_class,zone,minutes,notes", "J1,2026-03-02,van,interior,90,[rejected] by owner"
    )
    assert _import(new_book(), file).accepted == 1


def test_a_figure_of_three_decimals_is_named_as_it_is_read_alone(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """What the hint says to write is read as what it says, in a file without another decimal comma too."""
    file = _text(
        tmp_path, "job_id;date;vehicle_class;zone;pellets_lb;minutes",
        "J0;2026-03-02;van;suspension;12,5;90", "J1;2026-03-02;van;undercarriage;45;1,125",
    )  # fmt: skip
    book = new_book()
    done = _import(book, file)
    assert "write 1125 or 1,1250" in done.reasons[0].hint
    wrong = Path(done.rejects_file or "")
    _written_over(wrong, minutes=["1,1250"])
    assert _import(book, wrong).accepted == 1
    with book.reading() as connection:
        assert connection.execute("select minutes from job_lines where job_id = 'J1'").fetchone() == (1.125,)


def test_lines_for_which_the_books_were_preferred_are_no_rejects_to_correct(
    new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """They are told with their key and stand in no rejects file: imported again they would replace the book's."""
    book = new_book()
    head = ",".join(JOBS[:6])
    _import(book, _text(tmp_path, head, "J1,2026-03-02,van,interior,8,40"))
    changed = _text(tmp_path, head, "J1,2026-03-02,van,interior,10,40")
    done = _import(book, changed, prefer="stored")
    assert (done.rejected, done.rejects_file) == (1, None)
    assert "for the line J1 interior" in done.reasons[0].hint
    both = _text(tmp_path, head, "J1,2026-03-02,van,interior,10,40", "J2,2026-03-02,van,roof,10,40")
    done = _import(book, both, prefer="stored")
    assert done.rejected == 2
    with Path(done.rejects_file or "").open(encoding="utf-8-sig", newline="") as text:
        assert [row["job_id"] for row in csv.DictReader(text)] == ["J2"]


#: A row of a rejects file as text, what an owner makes of it in a text editor, and what must be shown of it.
SHIFTS: dict[str, tuple[str, str, str]] = {
    "an unquoted decimal comma": ("interior,xx,30,500,", "interior,3,5,30,500,", "30 | 500 | march.csv |  | 2 | "),
    "two of them": ("interior,xx,30,500,", "interior,3,5,30,5,500,", "30 | 5 | 500 | march.csv |  | 2 | "),
    "a comma and no reasons": (
        "interior,xx,30,500,march.csv,,2,pellets_lb,xx,not-a-number,", "interior,3,5,30,500,,,,,,,", "30 | 500"
    ),
    "a comma and the row cut after it": (
        'interior,xx,30,500,march.csv,,2,pellets_lb,xx,not-a-number,"write one figure, for example 45, 45 lb or 20 kg"',
        "interior,3,5,30,500", "30 | 500",
    ),
    "a cell that went with its comma": ("interior,xx,30,500,", "interior,30,500,", "march.csv |  | 2 | pellets_lb"),
}  # fmt: skip


def _shifted(wrong: Path, was: str, now: str) -> None:
    text = wrong.read_text(encoding="utf-8-sig")
    assert was in text
    wrong.write_text(text.replace(was, now), encoding="utf-8-sig")


@pytest.mark.parametrize("case", SHIFTS)
def test_a_row_shifted_while_it_was_mended_stays_out_with_all_its_cells(
    case: str, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """What stood in the row's last columns is shown in the last of them, since former reasons are not written again."""
    was, now, shown = SHIFTS[case]
    book = new_book()
    file = _text(tmp_path, ",".join(JOBS), "J1,2026-03-02,van,interior,xx,30,500")
    wrong = Path(_import(book, file).rejects_file or "")
    _shifted(wrong, was, now)
    for _ in range(3):
        done = _import(book, wrong)
        assert (done.accepted, done.rejected) == (0, 1)
        wrong = Path(done.rejects_file or "")
        with wrong.open(encoding="utf-8-sig", newline="") as text:
            (row,) = csv.DictReader(text)
        assert row["price_usd"].startswith(f"[rejected] {shown}")
        assert "check each" in row["reject_hint"]
    _written_over(wrong, pellets_lb=["3.5"], minutes=["30"], price_usd=["500"])
    assert _import(book, wrong).accepted == 1
    with book.reading() as connection:
        found = connection.execute("select pellets_lb, minutes, price_usd from job_lines").fetchall()
    assert found == [(3.5, 30.0, 500.0)]


def test_a_row_shifted_twice_keeps_what_was_shown_first(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The rejects of the rejects are shifted by the next unquoted comma, and lose no cell by it."""
    book = new_book()
    file = _text(tmp_path, ",".join(JOBS), "J1,2026-03-02,van,interior,xx,30,500")
    wrong = Path(_import(book, file).rejects_file or "")
    _shifted(wrong, "interior,xx,30,500,", "interior,3,5,30,500,")
    wrong = Path(_import(book, wrong).rejects_file or "")
    _shifted(wrong, 'interior,3,5,"', 'interior,3,5,30,5,"')
    wrong = Path(_import(book, wrong).rejects_file or "")
    assert ',interior,3,5,"[rejected] 30 | 5 | [rejected] 30 | 500 | march.csv' in wrong.read_text(encoding="utf-8-sig")
    assert _import(book, wrong).rejected == 1


@pytest.mark.parametrize(("at", "shown"), [(0, "| 30 | 500"), (6, "[rejected] 30 | march.csv")])
def test_reasons_moved_elsewhere_keep_a_shifted_row_out(
    at: int, shown: str, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """With the reasons before or between the columns, as an owner may have moved them, no cell goes either."""
    reasons = "reject_file,reject_sheet,reject_line,reject_column,reject_value,reject_code,reject_hint"
    told = "march.csv,,2,pellets_lb,xx,not-a-number,no figure"
    cells = ["J1", "2026-03-02", "van", "interior", "3", "5", "30", "500"]
    behind = at + 1 if at else 0  # the unquoted comma stands before the reasons, or behind them
    row = [*cells[:behind], told, *cells[behind:]]
    file = _text(tmp_path, ",".join([*JOBS[:at], reasons, *JOBS[at:]]), ",".join(row))
    book = new_book()
    for _ in range(2):
        done = _import(book, file)
        assert (done.accepted, done.rejected) == (0, 1)
        file = Path(done.rejects_file or "")
        assert shown in file.read_text(encoding="utf-8-sig")


def test_rows_added_and_reasons_cleared_are_no_shift(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A mended row may have its reasons, none, or a remark of the owner's, and a row may be added without any."""
    book = new_book()
    rows = [f"J{k},2026-03-02,van,interior,xx,30,500" for k in range(3)]
    wrong = Path(_import(book, _text(tmp_path, ",".join(JOBS), *rows)).rejects_file or "")
    text = wrong.read_text(encoding="utf-8-sig").replace("interior,xx", "interior,8").splitlines()
    text[2] = text[2].split(",march.csv")[0] + ",,,,,,,"
    text[3] = text[3].split(",march.csv")[0] + ",,,,,,,done by hand"
    wrong.write_text("\n".join([*text, "J9,2026-03-02,van,interior,8,30,500"]) + "\n", encoding="utf-8-sig")
    assert _import(book, wrong).accepted == 4
