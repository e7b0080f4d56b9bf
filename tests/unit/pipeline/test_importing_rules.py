"""Rules of an import that need more than one row: twins, clashes, visits, totals, corrections, bookings, deliveries."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from log_files import log_file

from pipeline.book.store import Book
from pipeline.intake.importing import FileResult, ImportAnswer, import_files
from pipeline.intake.raw import RawLog
from shared.errors import RimebookError

TODAY = date(2026, 7, 1)
HEAD = "job_id,vehicle,date,vehicle_class,zone,soil_level,pellets_lb,minutes,job_pellets_lb,job_minutes,pass"
Put = Callable[..., ImportAnswer]


@pytest.fixture
def shop(new_book: Callable[..., Book]) -> Book:
    return new_book('[words]\npackages = {"full underside" = ["undercarriage", "wheel_wells", "suspension"]}\n')


@pytest.fixture
def put(shop: Book, tmp_path: Path) -> Put:
    """Import lines under a head as a file of the given name."""

    def importer(*lines: str, head: str = HEAD, name: str = "jobs.csv", **options: Any) -> ImportAnswer:
        return import_files(shop, [log_file(tmp_path, name, head, *lines)], today=TODAY, **options)

    return importer


def _one(answer: ImportAnswer) -> FileResult:
    (only,) = answer.result.files
    assert only.accepted + only.duplicate + only.rejected == only.rows
    return only


def _ends(answer: ImportAnswer) -> tuple[int, int, int]:
    only = _one(answer)
    return only.accepted, only.duplicate, only.rejected


def _reason(answer: ImportAnswer, code: str) -> tuple[str, str, str]:
    (found,) = [r for r in _one(answer).reasons if r.code == code]
    return found.column, found.example, found.hint


def _lines(book: Book, columns: str = "job_id, zone, pellets_lb") -> list[tuple[Any, ...]]:
    with book.reading() as connection:
        return connection.execute(f"select {columns} from job_lines order by job_id, vehicle, zone, pass").fetchall()


def test_importing_twice_changes_nothing(put: Put, shop: Book) -> None:
    """The second time every row is a duplicate and no batch is made."""
    rows = ("A,,2026-03-02,van,interior,,8,40,,,", "A,,2026-03-02,van,engine_bay,,20,30,,,")
    assert _ends(put(*rows)) == (2, 0, 0)
    before = _lines(shop, "*")
    again = put(*rows)
    assert _ends(again) == (0, 2, 0)
    assert again.result.batch is None
    assert _lines(shop, "*") == before


def test_identical_rows_are_duplicates(put: Put, shop: Book) -> None:
    """A row that stands twice in one file counts once, whatever the case of its codes."""
    assert _ends(put("a-1,,2026-03-02,van,interior,,8,40,,,", "A-1,,2026-03-02,van,interior,,8,40,,,")) == (1, 1, 0)
    assert len(_lines(shop)) == 1


def test_rows_that_differ_only_in_figures_are_rejected_together(put: Put, shop: Book) -> None:
    """Neither is believed: both are told with their lines and both figures, and their visit goes with them."""
    answer = put(
        "A,,2026-03-02,van,interior,,8,40,,,",
        "A,,2026-03-02,van,interior,,9,40,,,",
        "A,,2026-03-02,van,engine_bay,,20,30,,,",
        "B,,2026-03-02,van,engine_bay,,20,30,,,",
    )
    assert _ends(answer) == (1, 0, 3)
    column, example, hint = _reason(answer, "same-line-differs")
    assert (column, example) == ("pellets_lb", "pellets_lb 8 or 9")
    assert "lines 2, 3" in hint
    assert "number the passes" in hint
    assert "line 2" in _reason(answer, "visit-rejected")[2]
    assert [job for job, *_ in _lines(shop)] == ["B"]


def test_passes_are_lines_of_their_own(put: Put) -> None:
    """A zone worked again is no clash where the pass says so."""
    assert _ends(put("A,,2026-03-02,van,interior,,8,40,,,1", "A,,2026-03-02,van,interior,,9,40,,,2")) == (2, 0, 0)


def test_a_visit_is_rejected_whole(put: Put, shop: Book) -> None:
    """One bad cell keeps the whole visit out; the other rows say which line to correct."""
    answer = put("A,,2026-03-02,van,interior,,-8,40,,,", "A,,2026-03-02,van,engine_bay,,20,30,,,")
    assert _ends(answer) == (0, 0, 2)
    assert _reason(answer, "negative")[:2] == ("pellets_lb", "-8")
    assert answer.result.batch is None
    assert _lines(shop) == []


@pytest.mark.parametrize(
    ("rows", "code", "told"),
    [
        (("A,,2026-03-02,van,interior,,8,40,50,,", "A,,2026-03-02,van,engine_bay,,20,30,50,,"),
         "lines-contradict-total", "the lines come to 28 lb, the total says 50 lb"),
        (("A,,2026-03-02,van,interior,,8,40,,100,", "A,,2026-03-02,van,engine_bay,,20,30,,100,"),
         "lines-contradict-total", "the lines come to 70 min, the total says 100 min"),
        (("A,,2026-03-02,van,interior,,80,40,50,,", "A,,2026-03-02,van,engine_bay,,,30,50,,"),
         "lines-contradict-total", "the lines come to 80 lb, the total says 50 lb"),
        (("A,,2026-03-02,van,interior,,8,40,,,", "A,,2026-03-03,van,engine_bay,,20,30,,,"),
         "visit-disagrees", "2026-03-02 and 2026-03-03"),
        (("A,,2026-03-02,van,interior,,,,50,,", "A,,2026-03-02,van,engine_bay,,,,60,,"),
         "visit-disagrees", "50 and 60"),
        (("A,,2026-03-02,van,interior,,8,40,,,", "A,,2026-03-02,suv,engine_bay,,20,30,,,"),
         "class-disagrees", "suv and van"),
        (("A,,2026-03-02,van,interior,,,,2000,,", "A,,2026-03-02,van,engine_bay,,,,2000,,"),
         "too-large", "2000 lb over 2 lines"),
    ],
)  # fmt: skip
def test_a_visit_that_contradicts_itself_is_rejected(put: Put, rows: tuple[str, ...], code: str, told: str) -> None:
    """Both numbers, days or classes are told, and every row of the visit is kept out."""
    answer = put(*rows, "B,,2026-03-02,van,interior,,8,40,,,")
    assert _ends(answer) == (1, 0, 2)
    assert told in _reason(answer, code)[2]


def test_lines_may_differ_from_the_total_a_little(put: Put) -> None:
    """Within 2 % and 1 lb, or 2 % and 5 min, they agree."""
    rows = ("A,,2026-03-02,van,interior,,49,40,102,76,", "A,,2026-03-02,van,engine_bay,,50.1,30,102,76,")
    assert _ends(put(*rows)) == (2, 0, 0)


def test_vehicles_of_one_visit_may_differ_in_class(put: Put) -> None:
    """Only rows of one vehicle must agree on its class."""
    assert _ends(put("A,p1,2026-03-02,van,interior,,8,40,,,", "A,p2,2026-03-02,suv,interior,,9,40,,,")) == (2, 0, 0)


def test_a_new_key_is_added_to_its_visit(put: Put, shop: Book) -> None:
    """A second file may bring another zone of a visit that is in the book."""
    put("A,,2026-03-02,van,interior,,8,40,,,")
    assert _ends(put("A,,2026-03-02,van,engine_bay,,20,30,,,", name="more.csv")) == (1, 0, 0)
    assert _lines(shop) == [("A", "engine_bay", 20.0), ("A", "interior", 8.0)]


def test_an_added_line_is_checked_against_the_stored_total(put: Put, shop: Book) -> None:
    """The figures of the merged visit must agree, else the new rows are kept out with both numbers."""
    put("A,,2026-03-02,van,interior,,8,40,9,,")
    answer = put("A,,2026-03-02,van,engine_bay,,20,30,,,", name="more.csv")
    assert _ends(answer) == (0, 0, 1)
    assert "the lines come to 28 lb, the total says 9 lb" in _reason(answer, "lines-contradict-total")[2]
    assert "2026-03-03" in _reason(put("A,,2026-03-03,van,engine_bay,,2,3,,,", name="day.csv"), "visit-disagrees")[1]
    assert _lines(shop) == [("A", "interior", 8.0)]


def test_other_figures_replace_and_the_old_ones_are_kept(put: Put, shop: Book) -> None:
    """The newest file wins, is told side by side, and the value before it is in the history."""
    put("A,,2026-03-02,van,interior,,8,40,,,")
    answer = put("A,,2026-03-02,van,interior,,10,40,,,", name="corrected.csv")
    assert _ends(answer) == (1, 0, 0)
    assert "A interior: the book had pellets_lb 8, now pellets_lb 10" in answer.warnings
    assert _lines(shop) == [("A", "interior", 10.0)]
    with shop.reading() as connection:
        kept = connection.execute(
            "select kind, batch, old_batch, figures->>'$.pellets_lb' from replaced_rows"
        ).fetchall()
    assert kept == [("jobs", 2, 1, "8.0")]


def test_stored_figures_may_be_preferred(put: Put, shop: Book) -> None:
    """With `prefer=stored` the new line is kept out with both figures; equal and new lines are not touched by it."""
    put("A,,2026-03-02,van,interior,,8,40,,,", "A,,2026-03-02,van,door_jambs,,2,10,,,")
    answer = put(
        "A,,2026-03-02,van,interior,,10,40,,,",
        "A,,2026-03-02,van,door_jambs,,2,10,,,",
        "A,,2026-03-02,van,engine_bay,,20,30,,,",
        name="other.csv",
        prefer="stored",
    )
    assert _ends(answer) == (1, 1, 1)
    _, example, hint = _reason(answer, "kept-stored")
    assert example == "pellets_lb 10"
    assert "its own: pellets_lb 8" in hint
    assert _lines(shop) == [("A", "door_jambs", 2.0), ("A", "engine_bay", 20.0), ("A", "interior", 8.0)]


def test_a_package_is_its_zones_with_one_total(put: Put, shop: Book) -> None:
    """A package row becomes a line for each zone that share its figures, and may be corrected only whole."""
    assert _ends(put("A,,2026-03-02,van,Full Underside,heavy,96,115,,,")) == (1, 0, 0)
    columns = "zone, package, pellets_lb, package_pellets_lb, package_minutes"
    assert _lines(shop, columns) == [
        (zone, "full underside", None, 96.0, 115.0) for zone in ("suspension", "undercarriage", "wheel_wells")
    ]
    assert _ends(put("A,,2026-03-02,van,Full Underside,heavy,96,115,,,", name="again.csv")) == (0, 1, 0)
    broken = put("A,,2026-03-02,van,suspension,heavy,30,40,,,", name="part.csv")
    assert "one total for the package full underside" in _reason(broken, "package-broken")[2]
    whole = [f"A,,2026-03-02,van,{zone},heavy,30,40,,," for zone in ("suspension", "undercarriage", "wheel_wells")]
    assert _ends(put(*whole, name="whole.csv")) == (3, 0, 0)
    assert _lines(shop, "package, pellets_lb") == [("", 30.0)] * 3


def test_a_package_beside_one_of_its_zones_is_a_clash(put: Put) -> None:
    """The same zone by itself and inside a package is one line with two figures."""
    answer = put("A,,2026-03-02,van,full underside,heavy,96,115,,,", "A,,2026-03-02,van,suspension,heavy,30,40,,,")
    assert _ends(answer) == (0, 0, 2)
    assert {r.code for r in _one(answer).reasons} == {"same-line-differs"}


@pytest.mark.parametrize(
    ("row", "code", "column", "hint"),
    [
        ("A,,2026-03-02,van,engine bay,,900,40,,,", "too-large", "pellets_lb", "at most 800 lb"),
        ("A,,2026-03-02,van,engine bay,,9,25 h,,,", "too-large", "minutes", "at most 1440 min"),
        ("A,,2026-03-02,van,full underside,,2500,40,,,", "too-large", "pellets_lb", "at most 800 lb"),
        ("A,,2026-03-02,van,engine bay,,9,-40,,,", "negative", "minutes", "a negative cannot be"),
        ("A,,2026-03-02,vna,engine bay,,9,40,,,", "unknown-class", "vehicle_class", "vna"),
        ("A,,2026-03-02,van,engin bay,,9,40,,,", "unknown-zone", "zone", "did you mean 'engine_bay'?"),
        ("A,,2026-03-02,van,engine bay,filthy,9,40,,,", "unknown-soil", "soil_level", "light"),
        ("A,,,van,engine bay,,9,40,,,", "missing", "date", "may not be blank"),
        (",,2026-03-02,van,engine bay,,9,40,,,", "missing", "job_id", "may not be blank"),
        ("A,,03/04/2026,van,engine bay,,9,40,,,", "date-could-be-two", "date", "2026-03-04"),
        ("A,,2062-03-02,van,engine bay,,9,40,,,", "far-future", "date", "correct the year"),
        ("A,,2026-03-02,van,engine bay,,a few,40,,,", "not-a-number", "pellets_lb", "45 lb"),
        ("A,,2026-03-02,van,engine bay,,#DIV/0!,40,,,", "error-cell", "pellets_lb", "the spreadsheet shows an error"),
        ("A,,2026-03-02,van,engine bay,,9,40,,,0", "too-small", "pass", "at least 1"),
    ],
)  # fmt: skip
def test_a_bad_cell_is_told_where_what_and_how(put: Put, row: str, code: str, column: str, hint: str) -> None:
    """Each has its code, its column, the cell as it stands and what to write instead."""
    answer = put(row, "B,,2026-03-02,van,interior,,8,40,,,")
    assert _ends(answer) == (1, 0, 1)
    where, example, told = _reason(answer, code)
    assert where == column
    assert example in row
    assert hint in told


def test_all_reasons_of_a_row_are_told_at_once(put: Put) -> None:
    """A row with three bad cells is one rejected row with three reasons."""
    answer = put("A,,2026-03-02,vna,roof,,-9,40,,,")
    assert _ends(answer) == (0, 0, 1)
    assert {r.code for r in _one(answer).reasons} == {"unknown-class", "unknown-zone", "negative"}


def test_zero_and_large_figures_are_kept_and_told(put: Put, shop: Book) -> None:
    """A 0 is kept and told; 400 lb in one interior is possible, kept and named."""
    answer = put("A,,2026-03-02,van,interior,,0,40,,,", "B,,2026-03-02,sedan,interior,,400,40,,,")
    assert _ends(answer) == (2, 0, 0)
    assert any("figure of 0" in w and "A interior" in w for w in answer.warnings)
    assert any("over 6 times the planning figure" in w and "B interior: 400 lb" in w for w in answer.warnings)


def test_jobs_after_today_are_told(put: Put) -> None:
    """A job dated after today is kept and named."""
    answer = put("A,,2026-07-02,van,interior,,8,40,,,")
    assert _ends(answer) == (1, 0, 0)
    assert any("dated after 2026-07-01" in w and "2026-07-02 (line 2)" in w for w in answer.warnings)


def test_one_code_has_one_spelling(put: Put, shop: Book) -> None:
    """Codes that differ in case are one code: spelt as the book has it, else as most rows do."""
    put("A,pl-7,2026-03-02,van,interior,,8,40,,,", "B,PL-7,2026-03-02,van,interior,,8,40,,,",
        "C,PL-7,2026-03-02,van,interior,,8,40,,,")  # fmt: skip
    assert _lines(shop, "vehicle") == [("PL-7",)] * 3
    put("D,Pl-7,2026-03-03,van,interior,,8,40,,,", name="more.csv")
    assert _lines(shop, "vehicle") == [("PL-7",)] * 4


def test_ids_keep_their_zeros(put: Put, shop: Book) -> None:
    """007 and 7 are different tickets, and no number is made of either."""
    assert _ends(put("007,,2026-03-02,van,interior,,8,40,,,", "7,,2026-03-02,van,interior,,9,40,,,")) == (2, 0, 0)
    assert [job for job, *_ in _lines(shop)] == ["007", "7"]


def test_bookings_are_replaced_whole(put: Put, shop: Book) -> None:
    """A booking imported again loses the zones it no longer has; unchanged ones are duplicates."""
    head = "booking_id,date,vehicle_class,zone,status"
    put("B1,2026-07-05,van,interior,", "B1,2026-07-05,van,engine_bay,", "B2,2026-07-06,suv,interior,", head=head)
    answer = put("b1,2026-07-05,van,interior,", "B2,2026-07-06,suv,interior,booked", head=head, name="again.csv")
    assert _ends(answer) == (1, 1, 0)
    with shop.reading() as connection:
        left = connection.execute("select booking_id, zone, status from bookings order by all").fetchall()
        old = connection.execute("select count(*) from replaced_rows where kind = 'bookings'").fetchone()
    assert left == [("B1", "interior", "booked"), ("B2", "interior", "booked")]
    assert old == (2,)


def test_a_booking_has_one_day(put: Put) -> None:
    """A booking whose rows disagree is rejected whole."""
    head = "booking_id,date,vehicle_class,zone"
    answer = put("B1,2026-07-05,van,interior", "B1,2026-07-06,van,engine_bay", "B2,2026-07-06,suv,interior", head=head)
    assert _ends(answer) == (1, 0, 2)
    assert "2026-07-05 and 2026-07-06" in _reason(answer, "booking-disagrees")[2]


def test_equal_deliveries_of_one_file_are_different_deliveries(put: Put, shop: Book) -> None:
    """Two totes of one weight on one day are two; the same file again brings none."""
    head, row = "date,container,weight_lb,price_usd_per_lb", "2026-03-02,tote-a,200,1.10"
    assert _ends(put(row, row, head=head, name="d.csv")) == (2, 0, 0)
    assert _ends(put(row, row, head=head, name="d.csv")) == (0, 2, 0)
    assert _ends(put(row, row, row, head=head, name="e.csv")) == (1, 2, 0)


def test_a_corrected_delivery_is_told(put: Put) -> None:
    """A delivery has no number of its own, so another weight for a day and container is named, not replaced."""
    head = "date,container,weight_lb,supplier"
    put("2026-03-02,tote-a,200,n", head=head, name="d.csv")
    answer = put("2026-03-02,tote-a,220,n", head=head, name="e.csv")
    assert _ends(answer) == (1, 0, 0)
    assert any("220 lb beside 200 lb" in w for w in answer.warnings)


def test_a_delivery_of_the_same_weight_is_told_as_such(put: Put) -> None:
    """A second one may be right, so it is kept; one weight is not set beside itself."""
    head = "date,container,weight_lb,supplier"
    put("2026-03-02,tote-a,200,n", head=head, name="d.csv")
    answer = put("2026-03-02,tote-a,200,other", head=head, name="e.csv")
    assert _ends(answer) == (1, 0, 0)
    assert any(w.endswith(": 2026-03-02 tote-a: 200 lb twice") for w in answer.warnings)


def test_a_dry_run_writes_nothing(put: Put, shop: Book, tmp_path: Path) -> None:
    """The account is the same as that of a real run, and neither book nor folder change."""
    answer = put("A,,2026-03-02,van,interior,,8,40,,,", "B,,2026-03-02,van,roof,,8,40,,,", dry_run=True)
    assert _ends(answer) == (1, 0, 1)
    assert _one(answer).rejects_file is None
    assert answer.result.batch is None
    assert _lines(shop) == []
    assert not list(tmp_path.glob("*.rejects*"))


def test_strict_fails_where_anything_was_rejected(put: Put, shop: Book) -> None:
    """It is a failure for the exit code; the good visits are in the book all the same."""
    assert put("A,,2026-03-02,van,interior,,8,40,,,", "B,,2026-03-02,van,roof,,8,40,,,", strict=True).failed
    assert len(_lines(shop)) == 1
    assert not put("A,,2026-03-02,van,interior,,8,40,,,", strict=True, name="good.csv").failed


def test_a_file_in_another_unit_is_doubted(put: Put) -> None:
    """Three interiors of about an hour, written in hours under a bare head, are told; in minutes they are not."""
    rows = [f"H{i},,2026-03-0{i},sedan,interior,,9,{h},,," for i, h in enumerate(("1", "1.25", "0.75"), start=1)]
    told = [
        w for w in put(*rows, head=HEAD.replace("minutes", "Time", 1), dry_run=True).warnings if "a usual line" in w
    ]
    assert len(told) == 1
    assert told[0].startswith("a usual line has minutes of 1 min, where about ")
    assert not any("a usual line" in w for w in put(*rows[:2]).warnings)
    right = [
        row.replace(f",{h},,,", f",{60 * float(h):g},,,") for row, h in zip(rows, ("1", "1.25", "0.75"), strict=True)
    ]
    assert not any("a usual line" in w for w in put(*right, dry_run=True).warnings)


@pytest.mark.parametrize(
    ("kind", "head", "row"),
    [("jobs", "job_id,date,vehicle_class,zone,pellets_lb", "A,2026-03-02,van,interior,8"),
     ("deliveries", "date,container,weight_lb", "2026-03-02,tote,300"),
     ("weighings", "date,container,net_lb", "2026-03-02,tote,120"),
     ("bookings", "booking_id,date,vehicle_class,zone", "B1,2026-07-09,van,interior")],
)  # fmt: skip
def test_every_log_may_prefer_what_is_stored(put: Put, kind: str, head: str, row: str) -> None:
    """--prefer stored is taken for each log, with and without a key; the second time all is known."""
    assert _ends(put(row, head=head, name=f"{kind}.csv", prefer="stored", kind=kind)) == (1, 0, 0)
    assert _ends(put(row, head=head, name=f"{kind}.csv", prefer="stored", kind=kind)) == (0, 1, 0)


def test_a_supplier_called_total_is_no_totals_row(put: Put) -> None:
    """A row with a day is a delivery, whatever its first word; one without is a sum."""
    rows = ("Total Ice Supply,2026-03-02,300", "Total Ice Supply,23.03.2026,280", "Total,,580")
    only = _one(put(*rows, head="supplier,date,weight_lb", name="deliveries.csv"))
    assert (only.accepted, only.set_aside) == (2, 1)


def test_rows_set_aside_are_counted_with_rejects_too(put: Put, monkeypatch: pytest.MonkeyPatch) -> None:
    """The count holds where rejects make the file be read again, however long it is."""
    whole = RawLog.chunks
    monkeypatch.setattr(RawLog, "chunks", lambda log: whole(log, 3))
    rows = [f"J{k},,2026-03-02,van,interior,,{-8 if k == 0 else 8},40,,," for k in range(9)]
    only = _one(put(*rows, ",,,,,,,,,,", "Total,,,,,,64,360,,,"))
    assert (only.rejected, only.accepted, only.set_aside) == (1, 8, 2)


def test_figures_that_clash_are_told_as_they_were_written(put: Put) -> None:
    """A file in kilograms is corrected in kilograms."""
    head = HEAD.replace("pellets_lb", "Pellets (kg)", 1)
    answer = put("A,,2026-03-02,van,interior,,3,40,,,", "A,,2026-03-02,van,interior,,4,40,,,", head=head)
    assert _reason(answer, "same-line-differs")[:2] == ("Pellets (kg)", "pellets_lb 3 kg or 4 kg")


def test_a_price_that_is_too_large_is_told_as_a_price(put: Put) -> None:
    """A price of ice is money a pound, no weight."""
    answer = put("2026-03-02,BOX,200,1150.50", head="date,container,weight_lb,price_usd_per_lb", name="ice.csv")
    assert "at most 1000 a lb is believed" in _reason(answer, "too-large")[2]


def test_heads_that_mean_one_column_name_the_file_and_draft_a_map(put: Put, tmp_path: Path) -> None:
    """The error tells the file and its line; the drafted map takes the first of them and can be imported with."""
    head, row = HEAD.replace("job_id", "Job,Invoice", 1), "A,7,,2026-03-02,van,interior,,8,40,,,"
    with pytest.raises(RimebookError) as doubled:
        put(row, head=head)
    assert doubled.value.problem.where == "jobs.csv, line 1"
    draft = tmp_path / "map.toml"
    with pytest.raises(RimebookError) as drafted:
        put(row, head=head, write_map=draft)
    assert "map.toml" in drafted.value.problem.do
    assert _ends(put(row, head=head, columns=draft)) == (1, 0, 0)
