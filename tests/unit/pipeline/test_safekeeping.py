"""Backups that are true copies, restores that lose nothing, and a check that mends what can be made anew."""

from __future__ import annotations

import os
import random
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from backup_books import TODAY, import_jobs, refused

from pipeline.answers.safekeeping import back_up, check, restore
from pipeline.book import backup, soundness, store
from pipeline.book.migrations import MIGRATIONS, SCHEMA_VERSION
from pipeline.book.store import Book, open_book
from pipeline.intake.importing import import_files
from pipeline.present.figures import Style
from pipeline.present.housekeeping_text import render_checked
from shared.errors import RimebookError

Maker = Callable[..., Book]


def _jobs(folder: Path) -> list[str]:
    with open_book(folder).reading() as connection:
        return [j for (j,) in connection.execute("select job_id from job_lines order by 1").fetchall()]


def test_a_backup_is_one_file_that_restores_to_the_same_book(new_book: Maker, tmp_path: Path) -> None:
    """What was backed up comes back with its settings; the book it replaced is kept whole."""
    book = new_book('[shop]\nname = "One"\n')
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")
    made = back_up(book, tmp_path / "b.rimebook").result
    assert made.size_bytes == (tmp_path / "b.rimebook").stat().st_size
    assert [f.name for f in tmp_path.iterdir() if "part" in f.name or f.name.startswith(".")] == []
    import_jobs(book, tmp_path, "B,2026-03-03,van,interior,9,40")
    told = refused("book-is-newer", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert "--force" in told
    done = restore(book.folder, tmp_path / "b.rimebook", force=True).result
    assert (done.rows, _jobs(book.folder)) == (made.rows, ["A"])
    assert done.kept is not None
    assert _jobs(Path(done.kept)) == ["A", "B"]
    assert open_book(book.folder).settings.shop.name == "One"


def test_a_backup_restores_into_an_empty_folder(new_book: Maker, tmp_path: Path) -> None:
    """Where there was no book, nothing is kept, and nothing is said to be."""
    book = new_book()
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")
    back_up(book, tmp_path / "b.rimebook")
    assert restore(tmp_path / "moved" / "here", tmp_path / "b.rimebook").result.kept is None
    assert [f.name for f in sorted((tmp_path / "moved" / "here").iterdir())] == ["book.duckdb", "book.toml"]


def test_an_equally_old_book_of_other_content_is_not_replaced(new_book: Maker, tmp_path: Path) -> None:
    """A quote settled since leaves no time behind; the content is compared all the same."""
    book = new_book()
    with book.writing() as connection:
        connection.execute(
            "insert into quotes (made_at, today, valid_until, quoted) values "
            "('2026-01-01', '2026-01-01', '2026-02-01', '{}')"
        )
    back_up(book, tmp_path / "b.rimebook")
    assert restore(book.folder, tmp_path / "b.rimebook").result.rows
    with book.writing() as connection:
        connection.execute("update quotes set state = 'lost'")
    told = refused("book-is-newer", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert "found a book of other content than the backup, both dated 2026-01-01 00:00 UTC" in told


@pytest.mark.parametrize(
    ("later", "shown", "of_backup"),
    [
        ("2026-01-01 01:09:00", "2026-01-01 01:09", "2026-01-01 01:08"),
        ("2026-01-01 01:08:09", "2026-01-01 01:08:09", "2026-01-01 01:08:03"),
        ("2026-01-01 01:08:03.5", "2026-01-01 01:08:03.500000", "2026-01-01 01:08:03.000000"),
    ],
)
def test_a_newer_book_is_told_with_a_time_that_shows_it(
    later: str, shown: str, of_backup: str, new_book: Maker, tmp_path: Path
) -> None:
    """Two changes within a minute or a second are told to the second or finer."""
    book = new_book()
    for number, at in enumerate(("2026-01-01 01:08:03", later)):
        if number:
            back_up(book, tmp_path / "b.rimebook")
        with book.writing() as connection:
            connection.execute(
                "insert into quotes (made_at, today, valid_until, quoted) values (?, ?, ?, '{}')", [at, at, at]
            )
    told = refused("book-is-newer", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert f"found a book changed at {shown} UTC; expected one no newer than the backup of {of_backup} UTC." in told


def test_a_damaged_book_is_replaced_and_kept(new_book: Maker, tmp_path: Path) -> None:
    """The error over a damaged book names restore, and restore then works without force."""
    book = new_book()
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")
    back_up(book, tmp_path / "b.rimebook")
    book.database.write_bytes(book.database.read_bytes()[:5000])
    assert "restore" in refused("book-damaged", lambda: _jobs(book.folder))
    done = restore(book.folder, tmp_path / "b.rimebook").result
    assert _jobs(book.folder) == ["A"]
    assert done.kept is not None
    assert (Path(done.kept) / "book.duckdb").stat().st_size == 5000


def test_a_damaged_backup_is_refused_whatever_bit_is_off(new_book: Maker, tmp_path: Path) -> None:
    """Bits flipped and tails cut anywhere: refused, or (where the bit means nothing) restored to the same rows."""
    book = new_book()
    import_jobs(book, tmp_path, *(f"J{i},2026-03-02,van,interior,{i % 50 + 1},40" for i in range(300)))
    back_up(book, tmp_path / "b.rimebook")
    whole, draw, n_refused = (tmp_path / "b.rimebook").read_bytes(), random.Random(1), 0
    bad = tmp_path / "bad.rimebook"
    for n in range(60):
        data = bytearray(whole)
        if n % 3:
            place = draw.randrange(len(data)) if n % 2 else len(data) - 1 - draw.randrange(400)
            data[place] ^= 1 << draw.randrange(8)
        else:
            del data[draw.randrange(len(data)) :]
        bad.write_bytes(data)
        folder = tmp_path / f"f{n}"
        refused = ""
        try:
            restore(folder, bad)
        except RimebookError as error:
            refused = error.problem.code
        if refused:
            assert refused == "not-a-backup"
            assert not folder.exists() or list(folder.iterdir()) == []
            n_refused += 1
        else:
            assert len(_jobs(folder)) == 300
    assert n_refused >= 40  # every cut, and every bit but those that mean nothing (dates, attributes)


@pytest.mark.parametrize("name", ["../evil.txt", "/etc/evil.txt", "..\\evil.txt", "book.duckdb/../../evil.txt"])
def test_a_member_that_points_outside_is_refused(new_book: Maker, tmp_path: Path, name: str) -> None:
    """An archive with any member beside the three of a backup is none, and nothing of it is written."""
    back_up(new_book(), tmp_path / "b.rimebook")
    with zipfile.ZipFile(tmp_path / "b.rimebook", "a") as archive:
        archive.writestr(name, "evil")
    before = sorted(tmp_path.rglob("*"))
    refused("not-a-backup", lambda: restore(tmp_path / "shop", tmp_path / "b.rimebook", force=True))
    assert sorted(tmp_path.rglob("*")) == before


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    """A gigabyte of zeros in a megabyte, or checksums without end, is no backup."""
    for name, size in (("book.duckdb", 600_000_000), ("sums.txt", 100_000), ("book.toml", 20_000_000)):
        with zipfile.ZipFile(tmp_path / "bomb", "w", zipfile.ZIP_DEFLATED) as archive:
            for member in ("book.duckdb", "sums.txt", "book.toml"):
                with archive.open(member, "w") as target:
                    for _ in range(size // 100_000 if member == name else 0):
                        target.write(bytes(100_000))
        refused("not-a-backup", lambda: restore(tmp_path / "shop", tmp_path / "bomb"))
        assert list((tmp_path / "shop").iterdir()) == []


def test_a_backup_is_never_written_over_anything(new_book: Maker, tmp_path: Path) -> None:
    """Not over a file without force, and never over the book itself; a folder that is missing is told."""
    book = new_book()
    (tmp_path / "mine").write_text("mine")
    refused("file-exists", lambda: back_up(book, tmp_path / "mine"))
    for own in ("book.duckdb", "book.toml", "../shop/book.duckdb"):
        refused("not-a-place", lambda own=own: back_up(book, book.folder / own, force=True))
    refused("backup-failed", lambda: back_up(book, tmp_path / "no" / "such" / "folder"))
    assert _jobs(book.folder) == []


def test_a_book_of_an_older_version_is_copied_before_it_is_changed(
    new_book: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A later step of the schema runs over a book with rows only after the file was kept as it was."""
    book = new_book()
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")
    before = book.database.read_bytes()
    later = SCHEMA_VERSION + 1
    monkeypatch.setattr(store, "MIGRATIONS", (*MIGRATIONS, "alter table quotes add column colour varchar"))
    monkeypatch.setattr(store, "SCHEMA_VERSION", later)
    with book.reading() as connection:
        assert connection.execute("select number, colour from quotes").fetchall() == []
    copy = book.folder / f"book.duckdb.before-v{later}"
    assert copy.read_bytes() == before
    assert sorted(f.name for f in book.folder.iterdir()) == ["book.duckdb", copy.name, "book.toml"]
    monkeypatch.undo()
    copy.rename(book.database)
    assert _jobs(book.folder) == ["A"]


def test_a_migration_that_cannot_be_copied_first_is_not_begun(
    new_book: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there is no room for the copy, the book stays at its version."""
    book = new_book()
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store, "MIGRATIONS", (*MIGRATIONS, "drop table quotes"))
    monkeypatch.setattr(store, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setattr(store.shutil, "copyfile", full)
    refused("migration-copy", lambda: _jobs(book.folder))
    monkeypatch.undo()
    assert _jobs(book.folder) == ["A"]


def test_check_makes_derived_tables_anew(demo_folder: Path, tmp_path: Path) -> None:
    """Expectations lost or changed come back from the newest fit's record, exactly."""
    back_up(open_book(demo_folder), tmp_path / "b")
    restore(tmp_path / "demo", tmp_path / "b")
    book = open_book(tmp_path / "demo")
    with book.reading() as connection:
        whole = backup.fingerprint(connection)
    for harm in ("delete from expectations where day > '2026-03-01'", "update expectations set mean = mean + 1"):
        with book.writing() as connection:
            connection.execute(harm)
        assert check(book).result.mended
        assert not check(book).result.mended
        with book.reading() as connection:
            assert backup.fingerprint(connection) == whole


def test_check_names_what_it_cannot_mend(new_book: Maker, tmp_path: Path) -> None:
    """Lines lost or changed outside of the tool are told with their batch, and nothing is added to such a book."""
    book = new_book()
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40", "B,2026-03-02,van,interior,9,40")
    assert check(book).result.sound
    with book.writing() as connection:
        connection.execute("update job_lines set pellets_lb = 80 where job_id = 'A'")
    assert "1 lines of jobs differ" in check(book).warnings[0]
    with book.writing() as connection:
        connection.execute("delete from job_lines where job_id = 'A'")
    answer = check(book)
    assert not answer.result.sound
    assert "batch 1 (jobs.csv) wrote 2 jobs lines, 1 are there" in answer.warnings[0]
    told = refused("book-lost-lines", lambda: import_jobs(book, tmp_path, "C,2026-03-02,van,interior,9,40"))
    assert "undo" in told


def test_a_log_file_left_by_a_kill_is_in_the_backup(new_book: Maker, tmp_path: Path) -> None:
    """Rows that stand only in the write-ahead log are settled before the file is copied."""
    book = new_book()
    child = os.fork() if hasattr(os, "fork") else pytest.skip("needs fork")
    if child == 0:
        connection = store.duckdb.connect(str(book.database))
        connection.execute("insert into weighings (day, net_lb, batch, row_hash) values ('2026-01-01', 9, 1, 1)")
        os.kill(os.getpid(), 9)
    os.waitpid(child, 0)
    assert book.log.exists()
    back_up(book, tmp_path / "b")
    restore(tmp_path / "new", tmp_path / "b")
    with open_book(tmp_path / "new").reading() as connection:
        assert connection.execute("select net_lb from weighings").fetchall() == [(9.0,)]


def test_check_says_why_lines_are_more_than_rows(new_book: Maker, tmp_path: Path) -> None:
    """A package is one row of the log and a line a zone: where jobs are logged, `check` says so beside its counts."""
    book = new_book('[words]\npackages = { "full underside" = ["undercarriage", "wheel_wells"] }\n')
    assert "one for each zone" not in render_checked(check(book), Style())
    import_jobs(book, tmp_path, "A1,2026-03-02,van,full underside,60,90")
    answer = check(book)
    assert {t.table: t.rows for t in answer.result.tables}["job_lines"] == 2
    assert "job_lines counts lines, one for each zone worked" in render_checked(answer, Style())


def test_the_database_makes_the_hashes_that_books_hold(new_book: Maker) -> None:
    """Where this fails, DuckDB or a log's columns changed: add the migration of DEVELOPERS.md, then the new hashes."""
    with new_book().reading() as connection:
        assert soundness.sample_hashes(connection) == soundness.STORED_HASHES


def test_a_database_with_other_hashes_accuses_nobody(
    new_book: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under a DuckDB whose hashes differ the book is sound, the gap is told, and a file that is known stays known."""
    book = new_book()
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")
    with book.writing() as connection:
        connection.execute("update job_lines set row_hash = row_hash + 1")
    monkeypatch.setattr(soundness, "STORED_HASHES", {**soundness.STORED_HASHES, "jobs": 1})
    answer = check(book)
    assert answer.result.sound
    assert "was not checked" in answer.warnings[0]
    again = import_files(book, [tmp_path / "jobs.csv"], today=TODAY).result
    assert (again.files[0].duplicate, again.batch) == (1, None)
