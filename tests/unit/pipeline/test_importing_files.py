"""Whole files: what stops an import, several files at once, habits found in a file, kills and second processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from log_files import log_file

from pipeline.book.store import Book, create_book, open_book
from pipeline.intake.columns import LOGS, Log
from pipeline.intake.importing import import_files
from shared.errors import Problem, RimebookError

TODAY = date(2026, 7, 1)
CLEAN = Path(__file__).parents[3] / "data_demo" / "clean"
HEAD = "job_id,date,vehicle_class,zone,pellets_lb,minutes"


def _file(folder: Path, name: str, *lines: str, head: str = HEAD) -> Path:
    return log_file(folder, name, head, *lines)


def _refused(book: Book, *files: Path, **options: object) -> Problem:
    with pytest.raises(RimebookError) as raised:
        import_files(book, list(files), today=TODAY, **options)  # type: ignore[arg-type]
    with book.reading() as connection:
        counted = connection.execute(
            "select (select count(*) from job_lines) + (select count(*) from batches)"
        ).fetchone()
    assert counted == (0,)
    return raised.value.problem


def test_files_of_one_import_are_one_batch_or_nothing(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Two files are two parts of one batch; where the second cannot be read, the first is not in the book either."""
    book = new_book()
    jobs = _file(tmp_path, "jobs.csv", "A,2026-03-02,van,interior,8,40")
    problem = _refused(book, jobs, tmp_path / "missing.csv")
    assert problem.code == "no-such-file"
    ice = _file(tmp_path, "ice.csv", "2026-03-01,tote,200,1.1", head="date,container,weight_lb,price_usd_per_lb")
    done = import_files(book, [jobs, ice], today=TODAY).result
    assert [(f.file, f.kind, f.accepted) for f in done.files] == [("jobs.csv", "jobs", 1), ("ice.csv", "deliveries", 1)]
    with book.reading() as connection:
        assert connection.execute("select batch, part, kind from batches order by all").fetchall() == [
            (done.batch, 1, "jobs"), (done.batch, 2, "deliveries"),
        ]  # fmt: skip


def test_a_file_may_correct_an_earlier_one_of_the_same_import(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The later file of one command is the newer one."""
    book = new_book()
    first = _file(tmp_path, "a.csv", "A,2026-03-02,van,interior,8,40")
    second = _file(tmp_path, "b.csv", "A,2026-03-02,van,interior,9,40")
    import_files(book, [first, second], today=TODAY)
    with book.reading() as connection:
        assert connection.execute("select pellets_lb from job_lines").fetchall() == [(9.0,)]


def test_a_dry_run_of_several_files_says_that_each_is_checked_alone(
    new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Its account may differ from the import's where files of one kind meet; else nothing is said."""
    book = new_book()
    jobs = _file(tmp_path, "a.csv", "A,2026-03-02,van,interior,8,40")
    more = _file(tmp_path, "b.csv", "A,2026-03-02,van,interior,8,40", "B,2026-03-02,van,interior,9,40")
    ice = _file(tmp_path, "ice.csv", "2026-03-01,tote,200,1.1", head="date,container,weight_lb,price_usd_per_lb")

    def said(*files: Path, dry_run: bool) -> bool:
        answer = import_files(book, list(files), today=TODAY, dry_run=dry_run)
        return any("a dry run checks each file against the book alone" in w for w in answer.warnings)

    assert said(jobs, more, dry_run=True)
    assert not said(jobs, ice, dry_run=True)
    assert not said(jobs, dry_run=True)
    assert not said(jobs, more, dry_run=False)


def test_a_missing_column_is_named(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Where, what the header has, what it lacks and how to say which head it is."""
    file = _file(tmp_path, "jobs.csv", "A,2026-03-02,interior,8,40", head="job_id,date,zone,pellets_lb,minutes")
    problem = _refused(new_book(), file)
    assert problem.code == "missing-columns"
    assert problem.where == "jobs.csv, line 1"
    assert "'zone'" in problem.found
    assert "vehicle_class" in problem.expected
    assert "--write-map" in problem.do


def test_heads_of_two_logs_must_be_named(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Heads that fit deliveries and weighings alike are not guessed at; `kind` says which."""
    file = _file(tmp_path, "ice.csv", "2026-03-02,a,200", head="when,tote,weight")
    book = new_book()
    problem = _refused(book, file)
    assert problem.code == "unknown-kind"
    assert problem.where == "ice.csv, line 1"
    assert "weight" in problem.found
    assert "weighings" in problem.expected
    assert "--kind" in problem.do
    assert import_files(book, [file], today=TODAY, kind="weighings").result.files[0].accepted == 1


@pytest.mark.parametrize("named", LOGS)
@pytest.mark.parametrize("kind", LOGS)
def test_a_log_named_as_another_is_refused(kind: Log, named: Log, new_book: Callable[..., Book]) -> None:
    """Its rows would be taken for what they are not; nothing is written, and the right name is told."""
    book, file = new_book(), CLEAN / f"{kind}.csv"
    if kind == named:
        assert import_files(book, [file], today=TODAY, kind=named, dry_run=True).result.files[0].kind == kind
        return
    problem = _refused(book, file, kind=named)
    assert (problem.code, problem.found) == ("other-kind", f"--kind {named} for the heads of {kind}")
    assert f"--kind {kind}" in problem.expected


def test_a_short_log_with_a_head_that_only_deliveries_have_is_refused_too(
    new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """Ice that came at a price is no weighing."""
    file = _file(tmp_path, "ice.csv", "2026-03-02,a,200,1.1", head="date,container,weight_lb,price_usd_per_lb")
    assert _refused(new_book(), file, kind="weighings").code == "other-kind"


def test_few_heads_that_fit_either_log_are_what_the_user_says(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Date, container and weight may be ice that came or ice that was weighed."""
    file = _file(tmp_path, "totes.csv", "2026-03-02,tote-a,200", head="date,container,weight_lb")
    for kind in ("deliveries", "weighings"):
        told = import_files(new_book(name=kind), [file], today=TODAY, kind=kind).result.files[0]
        assert (told.kind, told.accepted) == (kind, 1)


def test_a_wrong_column_stops_the_import_early(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Where one column spoils most of the first 1,000 rows, the import stops and says which; 900 bad rows do not."""
    book = new_book()
    rows = [f"J{i},2026-03-02,van,interior,{'red' if i % 3 else 5},40" for i in range(1500)]
    problem = _refused(book, _file(tmp_path, "jobs.csv", *rows))
    assert problem.code == "most-rows-rejected"
    assert problem.where == "jobs.csv, column 'pellets_lb'"
    assert "666 of the first 1000 rows" in problem.found
    assert "pellets through the hose" in problem.expected
    assert "--columns" in problem.do
    few = import_files(book, [_file(tmp_path, "few.csv", *rows[:900])], today=TODAY, dry_run=True)
    assert few.result.files[0].rejected == 600


def test_a_column_map_decides_and_is_drafted(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """`write_map` drafts a map and never overwrites one; `columns` follows it."""
    book = new_book()
    file = _file(
        tmp_path, "jobs.csv", "A,2026-03-02,van,interior,8,40", head="job_id,date,vehicle_class,zone,stuff,minutes"
    )
    draft = tmp_path / "map.toml"
    import_files(book, [file], today=TODAY, write_map=draft, dry_run=True)
    text = draft.read_text(encoding="utf-8")
    assert "stuff" in text
    problem = _refused(book, file, write_map=draft, dry_run=True)
    assert problem.code == "map-exists"
    chosen = tmp_path / "chosen.toml"
    chosen.write_text('[columns]\n"stuff" = {column = "pellets_lb", unit = "kg"}\n', encoding="utf-8")
    import_files(book, [file], today=TODAY, columns=chosen)
    with book.reading() as connection:
        (lb,) = connection.execute("select pellets_lb from job_lines").fetchone() or (0.0,)
    assert lb == pytest.approx(8 / 0.45359237)  # NIST SP 811: the pound is 0.45359237 kg exactly


def test_a_moved_occurrence_alone_changes_its_booking(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A series, and later one of its days moved in a file of its own, are the same bookings."""
    book = new_book()
    head = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\nBEGIN:VEVENT\r\nUID:s\r\nSUMMARY:van interior\r\n"
    tail = "END:VEVENT\r\nEND:VCALENDAR\r\n"
    series, moved = tmp_path / "series.ics", tmp_path / "moved.ics"
    series.write_text(head + "DTSTART;VALUE=DATE:20260302\r\nRRULE:FREQ=WEEKLY;COUNT=3\r\n" + tail, newline="")
    moved.write_text(head + "RECURRENCE-ID;VALUE=DATE:20260309\r\nDTSTART;VALUE=DATE:20260311\r\n" + tail, newline="")
    import_files(book, [series], today=TODAY)
    import_files(book, [moved], today=TODAY)
    with book.reading() as connection:
        found = connection.execute("select booking_id, day from bookings order by booking_id").fetchall()
    assert found == [
        ("s/2026-03-02", date(2026, 3, 2)),
        ("s/2026-03-09", date(2026, 3, 11)),
        ("s/2026-03-16", date(2026, 3, 16)),
    ]


def test_a_missing_column_map_is_told(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A map that is not there stops the import."""
    file = _file(tmp_path, "jobs.csv", "A,2026-03-02,van,interior,8,40")
    problem = _refused(new_book(), file, columns=tmp_path / "none.toml")
    assert problem.code == "column-map-read"
    assert "--write-map" in problem.do


def test_a_file_is_read_again_with_the_habits_it_proves(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A day above 12 on a late row settles the dates before it, a decimal comma the thousands sign; both are told."""
    book = new_book()
    file = _file(
        tmp_path, "jobs.csv",
        "A;03/04/2026;van;interior;1,125;40", "B;25/04/2026;van;interior;8,5;40",
        head=HEAD.replace(",", ";"),
    )  # fmt: skip
    answer = import_files(book, [file], today=TODAY)
    assert answer.result.files[0].accepted == 2
    with book.reading() as connection:
        rows = connection.execute("select day, pellets_lb from job_lines order by job_id").fetchall()
    assert rows == [(date(2026, 4, 3), 1.125), (date(2026, 4, 25), 8.5)]
    assert any("day-first" in w for w in answer.warnings)
    assert any("decimal commas" in w and "pellets_lb" in w for w in answer.warnings)


def test_a_figure_that_could_be_two_is_refused_where_other_columns_prove_commas(
    new_book: Callable[..., Book], tmp_path: Path
) -> None:
    """1.200 alone in its column is 1200 or 1.2 in a file of decimal commas; its own column or a point settles it."""
    head = f"{HEAD},price_usd".replace(",", ";")
    asked = _file(
        tmp_path, "asked.csv",
        "A;2026-03-02;van;interior;12,5;45;1.200", "B;2026-03-02;van;interior;11,5;45;950", head=head,
    )  # fmt: skip
    done = import_files(new_book(), [asked], today=TODAY).result.files[0]
    (reason,) = done.reasons
    assert (done.accepted, done.rejected) == (1, 1)
    assert (reason.code, reason.column, reason.example) == ("figure-could-be-two", "price_usd", "1.200")
    assert "write 1200 or 1,2" in reason.hint
    for name, rows, price in (
        ("tail.csv", ("A;2026-03-02;van;interior;12,5;45;1.200,-",), 1200.0),
        ("proven.csv", ("A;2026-03-02;van;interior;12,5;45;1.200", "B;2026-03-02;van;interior;8;45;99,50"), 1200.0),
        ("point.csv", ("A;2026-03-02;van;interior;12,5;45.5;1.200",), 1.2),
        ("none.csv", ("A;2026-03-02;van;interior;12;45;1.200",), 1.2),
    ):
        book = create_book(tmp_path / f"book of {name}")
        import_files(book, [_file(tmp_path, name, *rows, head=head)], today=TODAY)
        with book.reading() as connection:
            assert connection.execute("select price_usd from job_lines where job_id = 'A'").fetchone() == (price,)


def test_many_figures_that_could_be_two_are_told_row_by_row(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The column is the right one, so that the import does not stop with the advice to name another."""
    rows = [f"J{i};2026-03-02;van;interior;12,5;45;1.{i % 900 + 100}" for i in range(1100)]
    file = _file(tmp_path, "jobs.csv", *rows, head=f"{HEAD},price_usd".replace(",", ";"))
    done = import_files(new_book(), [file], today=TODAY).result.files[0]
    assert (done.accepted, done.rejected) == (0, 1100)


def test_a_full_disk_is_told_before_anything_is_read(
    new_book: Callable[..., Book], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Less free space than three times the files stops the import."""
    from pipeline.intake import importing

    monkeypatch.setattr(importing.shutil, "disk_usage", lambda _: importing.shutil._ntuple_diskusage(10, 5, 5))
    problem = _refused(new_book(), _file(tmp_path, "jobs.csv", "A,2026-03-02,van,interior,8,40"))
    assert problem.code == "disk-full"
    assert (problem.found, problem.expected) == ("0 kB free", "at least 1 kB, three times the size of the files")


_HOLDER = """
import sys, time
from pathlib import Path
from pipeline.book.store import open_book
with open_book(Path(sys.argv[1])).writing():
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_book_in_use_is_told_with_who_holds_it(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """While another process writes, an import waits, then says which process holds the book; nothing is lost."""
    book = new_book()
    file = _file(tmp_path, "jobs.csv", "A,2026-03-02,van,interior,8,40")
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDER, str(book.folder)], stdout=subprocess.PIPE, text=True
    ) as holder:
        try:
            assert holder.stdout is not None
            assert holder.stdout.readline() == "held\n"
            with pytest.raises(RimebookError) as raised:
                import_files(open_book(book.folder, wait_s=0.2), [file], today=TODAY)
        finally:
            holder.kill()
    problem = raised.value.problem
    assert problem.code == "book-in-use"
    assert str(holder.pid) in problem.found
    assert "http" not in raised.value.problem.sentence()
    assert import_files(book, [file], today=TODAY).result.files[0].accepted == 1


_IMPORTER = """
import sys
from datetime import date
from pathlib import Path
from pipeline.book.store import open_book
from pipeline.intake.importing import import_files
print("ready", flush=True)
import_files(open_book(Path(sys.argv[1])), [Path(sys.argv[2])], today=date(2026, 7, 1))
"""


@pytest.mark.slow
def test_a_killed_import_leaves_all_or_nothing_and_the_retry_ends_the_same(tmp_path: Path) -> None:
    """Killed at any moment, the book holds no row or every row; importing again always ends with every row once."""
    rows = [f"J{i // 2},2026-03-02,van,{('interior', 'engine_bay')[i % 2]},{5 + i % 7},40" for i in range(4000)]
    file = _file(tmp_path, "jobs.csv", *rows)
    for round_ in range(12):
        book = create_book(tmp_path / f"book{round_}", "")
        with subprocess.Popen(
            [sys.executable, "-c", _IMPORTER, str(book.folder), str(file)], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(0.25 * round_)
            os.kill(process.pid, signal.SIGKILL)
        with book.reading() as connection:
            (found,) = connection.execute("select count(*) from job_lines").fetchone() or (None,)
            (batches,) = connection.execute("select count(*) from batches").fetchone() or (None,)
        assert (found, batches) in ((0, 0), (4000, 1))
        import_files(book, [file], today=TODAY)
        with book.reading() as connection:
            assert connection.execute("select count(*) from job_lines").fetchone() == (4000,)


def test_a_map_is_drafted_where_a_needed_column_is_missing(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The file that needs a map most gets one: what is missing stands on top, and the error names the draft."""
    book = new_book()
    file = _file(
        tmp_path, "jobs.csv", "A,2026-03-02,van,interior,8,40", head="job_id,date,Veh.,zone,pellets_lb,minutes"
    )
    draft = tmp_path / "map.toml"
    problem = _refused(book, file, write_map=draft, dry_run=True)
    assert problem.code == "missing-columns"
    assert f"--columns {draft}" in problem.do
    text = draft.read_text(encoding="utf-8")
    assert "Still missing: vehicle_class" in text
    assert '"Veh." = ""' in text
    draft.write_text(text.replace('"Veh." = ""', '"Veh." = "vehicle_class"'), encoding="utf-8")
    assert import_files(book, [file], today=TODAY, columns=draft).result.files[0].accepted == 1
