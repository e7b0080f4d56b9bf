"""Batches, undo, export, schemas, and one job typed in."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Literal

import duckdb
import pytest
from log_files import log_file

from pipeline.answers import housekeeping
from pipeline.answers.logging_a_job import JobEntry, ZoneWorked, last_used, log_job, parse_total, parse_zone
from pipeline.book.costing_rows import visit_columns
from pipeline.book.log_tables import LOG_TABLES
from pipeline.book.store import Book
from pipeline.book.tables import deliveries, job_table, visits
from pipeline.intake.importing import import_files
from shared.errors import RimebookError, UsageError

TODAY = date(2026, 7, 1)
HEAD = "job_id,date,vehicle_class,zone,pellets_lb,minutes,notes"


def _put(book: Book, folder: Path, name: str, *lines: str, head: str = HEAD) -> int | None:
    return import_files(book, [log_file(folder, name, head, *lines)], today=TODAY).result.batch


def _state(book: Book) -> list[list[tuple[object, ...]]]:
    with book.reading() as connection:
        return [connection.execute(f"select * from {t.name} order by all").fetchall() for t in LOG_TABLES.values()]


def test_undo_takes_the_last_batch_out_and_puts_back_what_it_replaced(
    new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Every table is row for row what it was before the batch, hashes too."""
    book = new_book()
    _put(book, tmp_path, "a.csv", "A,2026-03-02,van,interior,8.1,40,=x", "B,2026-03-02,van,interior,9,,")
    head = "booking_id,date,vehicle_class,zone,deposit_usd"
    _put(book, tmp_path, "b.csv", "K,2026-07-05,van,interior,20", "K,2026-07-05,van,engine_bay,20", head=head)
    before = _state(book)
    _put(book, tmp_path, "c.csv", "A,2026-03-02,van,interior,10,45,", "A,2026-03-02,van,door_jambs,1,4,")
    housekeeping.undo(book)
    assert _state(book) == before
    _put(book, tmp_path, "d.csv", "K,2026-07-06,van,interior,25", head=head)
    done = housekeeping.undo(book, 4).result
    assert (done.files, done.lines_removed, done.lines_restored) == (("d.csv",), 1, 2)
    assert _state(book) == before
    assert [b.undone for b in housekeeping.batches(book).result.batches] == [False, False, True, True]


def test_undo_refuses_what_a_later_batch_builds_on(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A batch whose lines were corrected, or whose visits were added to, is taken out after the later one."""
    book = new_book()
    _put(book, tmp_path, "a.csv", "A,2026-03-02,van,interior,8,40,", "B,2026-03-02,van,interior,9,40,")
    _put(book, tmp_path, "b.csv", "A,2026-03-02,van,interior,10,45,")
    _put(book, tmp_path, "c.csv", "B,2026-03-02,van,engine_bay,10,45,")
    with pytest.raises(RimebookError) as raised:
        housekeeping.undo(book, 1)
    problem = raised.value.problem
    assert (problem.code, problem.where) == ("batch-built-upon", "batch 1")
    assert problem.found.endswith("2, 3")
    assert "Undo 2, 3 first" in problem.do
    for _ in range(3):
        housekeeping.undo(book)
    assert _state(book) == [[], [], [], []]
    with pytest.raises(RimebookError, match="no batch to take out"):
        housekeeping.undo(book)


def test_undo_tells_of_files_that_held_the_same_rows(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A later file with the same rows is named, since its duplicates go with the batch."""
    book = new_book()
    row = "A,2026-03-02,van,interior,8,40,"
    _put(book, tmp_path, "january.csv", row)
    _put(book, tmp_path, "all.csv", row, "B,2026-03-02,van,interior,9,40,")
    (told,) = housekeeping.undo(book, 1).warnings
    assert "1 rows of all.csv (batch 2)" in told


def test_unknown_and_undone_batches_are_told(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The batches there are stand in the error."""
    book = new_book()
    _put(book, tmp_path, "a.csv", "A,2026-03-02,van,interior,8,40,")
    with pytest.raises(RimebookError, match="no batch 7; expected one of the batches in the book: 1"):
        housekeeping.undo(book, 7)
    housekeeping.undo(book, 1)
    with pytest.raises(RimebookError, match="batch 1, which was undone already"):
        housekeeping.undo(book, 1)


def test_batches_tell_of_lines_lost_elsewhere(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Where rows vanished outside of this tool, `batches` says of which batch and how many."""
    book = new_book()
    _put(book, tmp_path, "a.csv", "A,2026-03-02,van,interior,8,40,", "B,2026-03-02,van,interior,9,40,")
    _put(book, tmp_path, "b.csv", "A,2026-03-02,van,interior,10,45,")
    assert housekeeping.batches(book).warnings == ()
    with duckdb.connect(str(book.database)) as connection:
        connection.execute("delete from job_lines where job_id = 'B'")
    (told,) = housekeeping.batches(book).warnings
    assert "batch 1 wrote 2 jobs lines and 1 are there" in told


def test_export_writes_every_table_and_guards_texts(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Texts that start like formulas get one more quote, which import takes off; numbers never do."""
    book = new_book()
    head = "job_id,date,vehicle_class,zone,pellets_lb,minutes,ambient_f,notes"
    _put(
        book,
        tmp_path,
        "a.csv",
        "'=A,2026-03-02,van,interior,8,40,-4,'-x",
        "'@B,2026-03-02,van,interior,8,40,,''+y",
        head=head,
    )
    done = housekeeping.export(book, tmp_path / "out").result
    assert [(f.table, f.rows) for f in done.files] == [
        ("jobs", 2), ("deliveries", 0), ("weighings", 0), ("bookings", 0), ("history", 0), ("quotes", 0),
    ]  # fmt: skip
    with (tmp_path / "out" / "jobs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["job_id"], r["notes"], r["ambient_f"], r["pellets_lb"]) for r in rows] == [
        ("'=A", "'-x", "-4", "8"), ("'@B", "''+y", "", "8"),
    ]  # fmt: skip
    again = import_files(book, [tmp_path / "out" / "jobs.csv"], today=TODAY).result.files[0]
    assert (again.accepted, again.duplicate) == (0, 2)


def test_deliveries_at_midnight_come_back_as_the_same_ones(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A stamp at local midnight is in the book as its export is read: no ice stands there twice."""
    book = new_book('[shop]\ntime_zone = "America/New_York"\n')
    rows = ("2026-03-14 12:00 AM,T1,300", "2026-03-15T04:00Z,T1,200", "2026-03-16 07:30,T1,100")
    _put(book, tmp_path, "ice.csv", *rows, head="date,container,weight_lb")
    housekeeping.export(book, tmp_path / "out")
    again = import_files(book, [tmp_path / "out" / "deliveries.csv"], today=TODAY).result.files[0]
    assert (again.accepted, again.duplicate) == (0, 3)


def test_export_does_not_overwrite_without_force(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Files that stand there stay, unless `force` says otherwise."""
    book = new_book()
    housekeeping.export(book, tmp_path / "out")
    with pytest.raises(RimebookError) as raised:
        housekeeping.export(book, tmp_path / "out")
    assert raised.value.problem.code == "export-exists"
    assert "--force" in raised.value.problem.do
    housekeeping.export(book, tmp_path / "out", force=True)


def test_parquet_holds_the_same_rows(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Figures stay numbers and texts stand as they are."""
    book = new_book()
    _put(book, tmp_path, "a.csv", "A,2026-03-02,van,interior,8.25,40,'=x", "B,2026-03-02,van,interior,,40,")
    housekeeping.export(book, tmp_path / "out", format="parquet")
    with duckdb.connect() as connection:
        rows = connection.execute(
            "select job_id, date::date, pellets_lb, notes from read_parquet(?)",
            [str(tmp_path / "out" / "jobs.parquet")],
        ).fetchall()
    assert rows == [("A", date(2026, 3, 2), 8.25, "=x"), ("B", date(2026, 3, 2), None, "")]


def test_old_values_are_exported_as_history(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Each replaced line stands there with the batch it came from and the one that replaced it."""
    book = new_book()
    _put(book, tmp_path, "a.csv", "A,2026-03-02,van,interior,8,40,")
    _put(book, tmp_path, "b.csv", "A,2026-03-02,van,interior,10,45,")
    housekeeping.export(book, tmp_path / "out")
    with (tmp_path / "out" / "history.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["kind"], row["old_batch"], row["replaced_by"]) == ("jobs", "1", "2")
    assert '"pellets_lb":8.0' in row["figures"]


def test_a_log_that_comes_back_in_another_order_gives_the_very_same_figures(
    new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Passes, air and ages of a visit and alike deliveries add up to the last digit as before export and import."""
    jobs = "job_id,date,vehicle_class,zone,pass,pellets_lb,minutes,ambient_f,ice_age_days"
    rows = [f"A,2026-03-02,van,interior,{n},{0.1 * n:.1f},{1.1 * n:.1f},{0.1 * n:.1f},{0.1 * n:.1f}"
            for n in (3, 2, 1)]  # fmt: skip
    came = "date,container,weight_lb,price_usd_per_lb,fee_usd"
    prices = ("1.7", "1.3", "1.1", "0.9", "0.3")
    book, again = new_book(name="first"), new_book(name="again")
    _put(book, tmp_path, "jobs.csv", *rows, head=jobs)
    _put(book, tmp_path, "came.csv", *(f"2026-03-02,tote,100.1,{usd},{usd}" for usd in prices), head=came)
    housekeeping.export(book, tmp_path / "out")
    import_files(again, [tmp_path / "out" / f"{log}.csv" for log in ("jobs", "deliveries")], today=TODAY)
    one, two = job_table(book), job_table(again)
    assert [one.pellets.value.tolist(), one.minutes.value.tolist()] == [
        two.pellets.value.tolist(), two.minutes.value.tolist(),
    ]  # fmt: skip
    assert visits(book) == visits(again)
    assert visit_columns(book, TODAY).ice_age_days.tolist() == visit_columns(again, TODAY).ice_age_days.tolist()
    assert len(deliveries(book, TODAY)) == len(prices)
    assert deliveries(book, TODAY) == deliveries(again, TODAY)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("undercarriage:heavy=38lb/55min", ZoneWorked("undercarriage", "heavy", "38lb", "55min")),
        ("engine bay : light = 20 kg / 1:15", ZoneWorked("engine bay", "light", "20 kg", "1:15")),
        ("interior", ZoneWorked("interior")),
        ("interior:moderate", ZoneWorked("interior", "moderate")),
        ("interior=1h 15m", ZoneWorked("interior", "", "", "1h 15m")),
        ("interior=8lb", ZoneWorked("interior", "", "8lb", "")),
        ("interior=8/45", ZoneWorked("interior", "", "8", "45")),
    ],
)
def test_a_zone_option_is_read(text: str, wanted: ZoneWorked) -> None:
    """Soil, pellets and minutes may each be left out."""
    assert parse_zone(text) == wanted


@pytest.mark.parametrize("text", ["", "=8lb/4min", "interior=8", "interior=1/2/3", "interior=lots"])
def test_a_zone_option_of_another_form_is_a_usage_error(text: str) -> None:
    """It says which option, what stood there and what form it has."""
    with pytest.raises(UsageError) as raised:
        parse_zone(text)
    assert raised.value.problem.where == "--zone"
    assert "undercarriage:heavy=38lb/55min" in raised.value.problem.expected


def test_one_job_is_recorded_like_a_file(new_book: Callable[..., Book]) -> None:
    """The same checks, a batch of its own, a second time nothing; a zone named twice is a second pass."""
    book = new_book()
    assert last_used(book).next_job_id == "1"
    pellets, minutes = parse_total("60lb/90min")
    entry = JobEntry(
        "W-099", date(2026, 6, 30), "Van", (parse_zone("underbody:heavy=38lb/55min"), parse_zone("engine bay")),
        pellets, minutes, operator="vn", machine="rig-1", price="$280",
    )  # fmt: skip
    done = log_job(book, entry, today=TODAY, dry_run=True).result
    assert (done.lines, done.batch) == (2, None)
    assert log_job(book, entry, today=TODAY).result.batch == 1
    assert log_job(book, entry, today=TODAY).result.batch is None
    used = last_used(book)
    assert (used.next_job_id, used.vehicle_class, used.operator, used.machine) == ("W-100", "van", "vn", "rig-1")
    twice = JobEntry(
        "W-100", date(2026, 6, 30), "van", (ZoneWorked("interior", "", "8"), ZoneWorked("interior", "", "3"))
    )
    assert log_job(book, twice, today=TODAY).result.lines == 2
    assert [b.file for b in housekeeping.batches(book).result.batches] == ["log", "log"]


def test_a_wrong_job_is_not_recorded(new_book: Callable[..., Book]) -> None:
    """The error names the field, what stood there and what to write."""
    book = new_book()
    entry = JobEntry("W-1", date(2026, 6, 30), "van", (ZoneWorked("engin bay", "", "8", "40"),))
    with pytest.raises(RimebookError) as raised:
        log_job(book, entry, today=TODAY)
    problem = raised.value.problem
    assert (problem.code, problem.where, problem.found) == ("unknown-zone", "log, zone", "'engin bay'")
    assert "Did you mean 'engine_bay'?" in problem.do
    with pytest.raises(UsageError, match="no zone"):
        log_job(book, JobEntry("W-1", date(2026, 6, 30), "van", ()), today=TODAY)
    assert housekeeping.batches(book).result.batches == ()


@pytest.mark.parametrize("kind", [None, "jobs"])
def test_what_an_export_writes_beside_the_logs_is_not_imported_and_said(
    kind: Literal["jobs"] | None, new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """History, quotes and Parquet files are refused by what they are, not with advice to call them a log."""
    book = new_book()
    _put(book, tmp_path, "a.csv", "A,2026-03-02,van,interior,8,40,")
    _put(book, tmp_path, "b.csv", "A,2026-03-02,van,interior,9,40,")
    tables = housekeeping.export(book, tmp_path / "out").result.files
    for name in ("history", "quotes"):
        with pytest.raises(RimebookError, match=f"found the {name} of an export, which is not imported") as raised:
            import_files(book, [Path(t.file) for t in tables if t.table in ("jobs", name)], today=TODAY, kind=kind)
        assert raised.value.problem.where.endswith(f"{name}.csv")
        assert "rimebook backup" in raised.value.problem.do
    housekeeping.export(book, tmp_path / "out", format="parquet")
    for name in ("jobs", "bookings"):  # with rows and without
        with pytest.raises(RimebookError, match="found a Parquet file, which is for other programs"):
            import_files(book, [tmp_path / "out" / f"{name}.parquet"], today=TODAY, kind=kind)
