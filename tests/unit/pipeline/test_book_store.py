from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import pytest

from pipeline.book import fits, tables
from pipeline.book.backup import back_up, restore
from pipeline.book.store import Book, create_book, open_book
from shared.errors import RimebookError

Maker = Callable[..., Book]


def row(job: str, zone: str, **more: object) -> dict[str, object]:
    return {"job_id": job, "zone": zone, "day": date(2026, 1, 5), "vehicle_class": "van", **more}


def test_a_book_is_never_made_over_another_one(tmp_path: Path) -> None:
    """`init` refuses a folder that holds a book or anything else, and changes nothing in it."""
    create_book(tmp_path / "shop")
    with pytest.raises(RimebookError, match="holds a book already"):
        create_book(tmp_path / "shop")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "note.txt").write_text("mine")
    with pytest.raises(RimebookError, match="other files"):
        create_book(tmp_path / "other")
    assert [f.name for f in (tmp_path / "other").iterdir()] == ["note.txt"]


def test_a_folder_without_a_book_says_how_to_make_one(tmp_path: Path) -> None:
    """Opening an ordinary folder names the command that makes a book."""
    with pytest.raises(RimebookError, match="rimebook init"):
        open_book(tmp_path)


def test_a_book_without_its_settings_does_not_answer_in_others(new_book: Maker) -> None:
    """Pounds and dollars for a metric shop would look right; an empty `book.toml` does say that all defaults hold."""
    book = new_book('[shop]\nunits = "metric"\n')
    (book.folder / "book.toml").unlink()
    with pytest.raises(RimebookError) as caught:
        open_book(book.folder)
    assert caught.value.problem.code == "no-book-toml"
    assert "rimebook restore" in caught.value.problem.do
    (book.folder / "book.toml").write_text("")
    assert open_book(book.folder).settings.shop.units == "us"


def test_a_file_that_is_no_book_is_told(tmp_path: Path) -> None:
    """A text renamed to the database's name is refused in words, without links."""
    (tmp_path / "book.duckdb").write_text("job,date\n1,2026-01-01\n")
    with pytest.raises(RimebookError) as caught, open_book(tmp_path).reading():
        pass
    assert "http" not in str(caught.value)
    assert "restore" in str(caught.value)


def test_a_newer_book_is_refused(new_book: Maker) -> None:
    """A book whose schema is beyond this version is left alone."""
    book = new_book()
    with book.writing() as connection:
        connection.execute("insert into book_schema values (99, now()::timestamp)")
    with pytest.raises(RimebookError, match="newer version"), book.reading():
        pass


def test_a_failed_write_leaves_nothing_and_no_log_file(new_book: Maker) -> None:
    """An error inside a write takes back all of it; a finished write leaves no write-ahead log."""
    book = new_book()
    with pytest.raises(ZeroDivisionError), book.writing() as connection:
        connection.execute("insert into deliveries (day, weight_lb, batch, row_hash) values ('2026-01-01', 5, 1, 1)")
        raise ZeroDivisionError
    assert tables.deliveries(book, date(2027, 1, 1)) == []
    assert sorted(f.name for f in book.folder.iterdir()) == ["book.duckdb", "book.toml"]


def test_a_second_process_is_told_who_holds_the_book(new_book: Maker) -> None:
    """While another process writes, opening waits the stated time, then names that process."""
    book = new_book()
    code = (
        "import sys, time, pathlib\nfrom pipeline.book.store import open_book\n"
        "with open_book(pathlib.Path(sys.argv[1])).writing():\n    print('held', flush=True)\n    time.sleep(30)\n"
    )
    holder = subprocess.Popen([sys.executable, "-c", code, str(book.folder)], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == "held"
        began = time.monotonic()
        with pytest.raises(RimebookError, match=f"process {holder.pid}") as caught:
            open_book(book.folder, wait_s=0.5).reading().__enter__()
        assert 0.4 < time.monotonic() - began < 5
        assert "http" not in str(caught.value)
    finally:
        holder.kill()
        holder.wait()


def test_both_grains_become_groups_of_lines(new_book: Maker) -> None:
    """A line, a package total and what is left of a visit's total are each one group; a 0 is no record."""
    book = new_book(
        rows=[
            row("A", "interior", pellets_lb=10, job_pellets_lb=30, job_minutes=50),
            row("A", "engine_bay", job_pellets_lb=30, job_minutes=50),
            row("A", "suspension", job_pellets_lb=30, job_minutes=50),
            row("B", "undercarriage", package="under", package_pellets_lb=22),
            row("B", "wheel_wells", package="under", package_pellets_lb=22),
            row("B", "interior", pellets_lb=0, minutes=12, soil_level="heavy"),
        ]
    )
    table = tables.job_table(book)
    assert table.job_id == ("A", "B")
    assert table.zone.words() == ["engine_bay", "interior", "suspension", "interior", "undercarriage", "wheel_wells"]
    groups = {tuple(np.flatnonzero(table.pellets.group == g)): v for g, v in enumerate(table.pellets.value.tolist())}
    assert groups == {(1,): 10.0, (0, 2): 20.0, (4, 5): 22.0}
    assert table.minutes.group.tolist() == [1, 1, 1, 0, -1, -1]
    assert table.minutes.value.tolist() == [12.0, 50.0]
    np.testing.assert_allclose(table.job_total("pellets_lb"), [30.0, np.nan])
    assert table.soil.tolist() == [-1, -1, -1, 2, -1, -1]


def test_what_is_known_on_a_morning_ends_with_that_morning(new_book: Maker) -> None:
    """Jobs of the day itself, and a weighing stamped that afternoon, are not known yet; one at seven is."""
    book = new_book(rows=[row("A", "interior"), {**row("B", "interior"), "day": date(2026, 1, 6)}])
    with book.writing() as connection:
        connection.execute(
            "insert into weighings (day, net_lb, stamped, batch, row_hash) values "
            "('2026-01-06', 90, '2026-01-06 07:00', 1, 1), ('2026-01-06', 80, '2026-01-06 16:00', 1, 2), "
            "('2026-01-06', 70, null, 1, 3), ('2026-01-05', 99, null, 1, 4)"
        )
    assert tables.job_table(book, date(2026, 1, 6)).job_id == ("A",)
    assert [w.net_lb for w in tables.weighings(book, date(2026, 1, 6))] == [99, 90]


def test_the_data_hash_follows_the_content_and_the_day(new_book: Maker) -> None:
    """The hash is that of the jobs before a day, whatever their order; another job changes it, a later one not."""
    first = new_book(rows=[row("A", "interior"), row("B", "interior")], name="one")
    second = new_book(rows=[row("B", "interior"), row("A", "interior")], name="two")
    third = {**row("C", "interior"), "day": date(2026, 3, 1)}
    later = new_book(rows=[row("A", "interior"), row("B", "interior"), third], name="three")
    day = date(2026, 2, 1)
    assert fits.data_hash(first, day) == fits.data_hash(second, day) == fits.data_hash(later, day)
    assert fits.data_hash(later, date(2026, 4, 1)) != fits.data_hash(first, date(2026, 4, 1))


def _with(folder: Path, sql: str) -> bytes:
    """Run SQL over a folder's database past the tool and return the file's bytes."""
    with duckdb.connect(str(folder / "book.duckdb")) as connection:
        connection.execute(sql)
        connection.execute("checkpoint")
    return (folder / "book.duckdb").read_bytes()


@pytest.mark.parametrize(
    "sql",
    [
        "create table customers (name varchar); create table bookings (x integer)",
        "create table book_schema (v varchar)",
        "create table book_schema (version varchar); insert into book_schema values ('1')",
    ],
)
def test_a_database_of_another_program_is_left_alone(
    sql: str, tmp_path: Path, new_book: Maker, run: Callable[..., tuple[int, str, str]]
) -> None:
    """Neither a reader, a writer nor a restore answers from it or puts a table of ours into it."""
    other = tmp_path / "other"
    other.mkdir()
    was = _with(other, sql)
    backup = str(tmp_path / "b.rimebook")
    assert run("backup", backup, "--book", str(new_book().folder))[0] == 0
    zone = ("--vehicle", "van", "--zone", "interior=9lb/40min")
    for call in (("check",), ("order",), ("learn",), ("log", "--job-id", "A", *zone), ("restore", backup, "--force")):
        code, out, err = run(*call, "--book", str(other))
        assert (code, out) == (1, "")
        assert "a database of another program, with the table" in err
        assert (other / "book.duckdb").read_bytes() == was
    assert [f.name for f in other.iterdir()] == ["book.duckdb"]


@pytest.mark.parametrize("command", [("check",), ("estimate", "--vehicle", "van", "--zone", "interior"), ("batches",)])
def test_a_book_without_some_of_its_tables_is_damaged(
    command: tuple[str, ...], new_book: Maker, run: Callable[..., tuple[int, str, str]]
) -> None:
    """Each command names the tables that are lacking and restore, also where it would not read them."""
    book = new_book()
    _with(book.folder, "drop table deliveries; drop table quotes")
    code, _, err = run(*command, "--book", str(book.folder))
    assert code == 1
    assert "found a book without the tables `deliveries`, `quotes`;" in err
    assert "rimebook restore FILE" in err


@pytest.mark.parametrize("bytes_left", [False, True])
def test_an_empty_database_is_no_new_book(new_book: Maker, tmp_path: Path, bytes_left: bool) -> None:
    """What is left where a copy failed is not answered from as a shop without jobs; a backup goes in its place."""
    book = new_book(rows=[row("A", "interior")])
    back_up(book, tmp_path / "b.rimebook")
    book.database.unlink()
    if bytes_left:
        _with(book.folder, "select 1")
    else:
        book.database.touch()
    for opened in (book.reading, book.writing):
        with pytest.raises(RimebookError, match=r"without a single table|not a valid") as caught, opened():
            pass
        assert caught.value.problem.code == "book-damaged"
    restore(book.folder, tmp_path / "b.rimebook")
    assert tables.job_table(book).job_id == ("A",)
