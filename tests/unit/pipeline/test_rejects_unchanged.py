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
