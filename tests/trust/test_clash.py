"""Two processes on one book, full disks and folders that cannot be written: told in words, and nothing is harmed."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest

from pipeline.book.store import Book, open_book
from shared.errors import Problem, RimebookError

Maker = Callable[..., Book]
HOLDER = (
    "import sys, pathlib\nfrom pipeline.book.store import open_book\n"
    "with getattr(open_book(pathlib.Path(sys.argv[1])), sys.argv[2])():\n    print('held', flush=True)\n"
    "    sys.stdin.readline()\n"
)
COMMAND = "import sys; from pipeline.cli.main import main; sys.exit(main(sys.argv[1:]))"
#: A command whose files may grow no further than argv[1] bytes, as on a full disk.
LIMITED = (
    "import resource, signal, sys\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    "from pipeline.cli.main import main\nimport pandera.pandas\n"
    "most = int(sys.argv[1]); resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))\n"
    "sys.exit(main(sys.argv[2:]))\n"
)
#: Before `LIMITED`: the process dies where the committed change could not be moved into the database.
DIES_UNSETTLED = """
import os
from pipeline.book.store import Book
settle = Book._settle
def dies(book, connection):
    try:
        settle(book, connection)
    finally:
        os.kill(os.getpid(), 9)
Book._settle = dies
"""
#: Root may write anywhere: the child gives up the two capabilities that allow it (Linux, capabilities(7)).
ORDINARY = """
import ctypes, os
if hasattr(os, "geteuid") and os.geteuid() == 0:
    head, data = (ctypes.c_uint32 * 2)(0x20080522, 0), (ctypes.c_uint32 * 6)()
    library = ctypes.CDLL(None, use_errno=True)
    assert library.capget(head, data) == 0
    data[0] &= ~0b110
    data[1] &= ~0b110
    assert library.capset(head, data) == 0
"""


@contextmanager
def held(book: Book, how: str) -> Iterator[int]:
    """Hold a book in another process."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(book.folder), how], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process.pid
        finally:
            process.stdin.write("end\n")
            process.stdin.close()


def _log(folder: Path, n: int, start: int = 0) -> Path:
    file = folder / f"jobs{start}.csv"
    rows = [f"J{i},2026-03-02,van,interior,{i % 60 + 1},40,note {i * 7919}" for i in range(start, start + n)]
    file.write_text("\n".join(["job_id,date,vehicle_class,zone,pellets_lb,minutes,notes", *rows]) + "\n")
    return file


def _n_lines(book: Book) -> int:
    with book.reading() as connection:
        row = connection.execute("select count(*) from job_lines").fetchone()
    assert row is not None
    return int(row[0])


def test_readers_read_together(new_book: Maker) -> None:
    """A reader does not wait for another reader."""
    book = new_book()
    with held(book, "reading"):
        assert _n_lines(Book(book.folder, book.settings, wait_s=0.0)) == 0


def test_a_writer_waits_for_a_reader_that_ends_in_time(new_book: Maker) -> None:
    """Waiting is enough where the other process ends within the stated time."""
    book = new_book()
    with held(book, "reading") as pid:
        with pytest.raises(RimebookError) as raised, Book(book.folder, book.settings, wait_s=0.3).writing():
            pass
        assert raised.value.problem.code == "book-in-use"
        assert f"process {pid}" in raised.value.problem.found
    with book.writing() as connection:
        connection.execute("select 1")


def test_a_backup_keeps_writers_out_while_it_copies(new_book: Maker, tmp_path: Path) -> None:
    """The lock of a copy holds until the copied file is closed; readers are let in meanwhile."""
    book = new_book()
    with held(book, "still"):
        began = time.monotonic()
        with pytest.raises(RimebookError, match="in use"), Book(book.folder, book.settings, wait_s=0.2).writing():
            pass
        assert time.monotonic() - began < 3
        assert _n_lines(book) == 0


@pytest.mark.parametrize(
    ("text", "code", "holder"),
    [
        ('IO Error: Cannot open file "c:\\shop\\book.duckdb": The process cannot access the file because it is being '
         "used by another process.\n\nFile is already open in \nC:\\Python311\\python.exe (PID 4711)",
         "book-in-use", "process 4711 (python.exe)"),
        ('IO Error: Cannot open file "c:\\shop\\book.duckdb": The process cannot access the file because it is being '
         "used by another process.", "book-in-use", "another process"),
        ('IO Error: Could not set lock on file "/shop/book.duckdb": Conflicting lock is held in /usr/bin/python3.11 '
         "(PID 21). See also https://example.org/locks", "book-in-use", "process 21 (python3.11)"),
        ('IO Error: Cannot open file "c:\\shop\\book.duckdb": Access is denied.', "book-not-writable", "cannot be"),
        ('IO Error: Cannot open file "/x/book.duckdb": Operation not permitted', "book-not-writable", "cannot be"),
        ("Out of Memory Error: failed to allocate data of size 2 GiB", "out-of-memory", "not enough memory"),
        ("Trying to read a database file with version number 99, but we can only read versions between 64 and 69",
         "book-newer", "newer version"),
    ],
)  # fmt: skip
def test_texts_of_other_systems_are_understood(
    new_book: Maker, monkeypatch: pytest.MonkeyPatch, text: str, code: str, holder: str
) -> None:
    """What the database says on Windows, out of memory, or over a newer file becomes our own words without links."""

    def refuse(*_: object, **__: object) -> None:
        raise duckdb.IOException(text)

    book = Book(new_book().folder, open_book(new_book(name="other").folder).settings, wait_s=0.05)
    monkeypatch.setattr("pipeline.book.store.duckdb.connect", refuse)
    problem = _refused(book)
    assert problem.code == code
    assert holder in problem.found
    assert "http" not in problem.sentence()


def _refused(book: Book) -> Problem:
    with pytest.raises(RimebookError) as raised, book.reading():
        pass
    return raised.value.problem


@pytest.mark.skipif(sys.platform == "win32", reason="needs RLIMIT_FSIZE")
def test_a_full_disk_is_told_and_harms_nothing(new_book: Maker, tmp_path: Path) -> None:
    """Import and backup that run out of room end with 1, a sentence, and the book as it was; with room they work."""
    book = new_book()
    for start, most in ((0, None), (2000, 40_000), (2000, 300_000), (2000, None)):
        file = _log(tmp_path, 2000, start)
        limit = ["-c", COMMAND] if most is None else ["-c", LIMITED, str(most)]
        before = _n_lines(book)
        done = subprocess.run(
            [sys.executable, *limit, "import", str(file), "--today", "2026-07-01", "--book", str(book.folder)],
            capture_output=True, text=True,
        )  # fmt: skip
        if most is None:
            assert done.returncode == 0, done.stderr
            assert _n_lines(book) == before + 2000
            continue
        assert (done.returncode, _n_lines(book)) == (1, before), done.stderr
        assert "no space left" in done.stderr
        assert "Traceback" not in done.stderr
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, "20000", "backup", str(tmp_path / "b"), "--book", str(book.folder)],
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 1
    assert "not changed" in done.stderr
    assert not (tmp_path / "b").exists()
    assert _n_lines(book) == 4000


@pytest.mark.skipif(sys.platform == "win32", reason="needs RLIMIT_FSIZE")
@pytest.mark.parametrize("killed", [False, True])
def test_what_a_full_disk_left_in_the_log_is_recorded_once_and_told_so(new_book: Maker, killed: bool) -> None:
    """A quote that fits into the log file and no further is not asked for again, and stands in the book once."""
    book = new_book()
    quote = ["quote", "--vehicle", "van", "--zone", "interior", "--save", "--book", str(book.folder)]
    most = str(book.database.stat().st_size)
    done = subprocess.run(
        [sys.executable, "-c", DIES_UNSETTLED * killed + LIMITED, most, *quote], capture_output=True, text=True
    )
    if killed:
        assert done.returncode == -signal.SIGKILL
    else:
        assert done.returncode == 1
        assert "Do NOT run the command again" in done.stderr
        assert "Traceback" not in done.stderr
    assert book.log.exists()
    assert _quotes(book) == [1]
    assert subprocess.run([sys.executable, "-c", COMMAND, *quote], capture_output=True).returncode == 0
    assert not book.log.exists()
    assert _quotes(book) == [1, 2]


def _quotes(book: Book) -> list[int]:
    with book.reading() as connection:
        return [int(number) for (number,) in connection.execute("select number from quotes order by 1").fetchall()]


@pytest.mark.skipif(not Path("/dev/shm").is_dir() or getattr(os, "geteuid", lambda: 1)() != 0, reason="needs root")
def test_a_small_file_system_that_fills_up_harms_nothing(tmp_path: Path) -> None:
    """Without room on a real file system the error is told, and what was acknowledged stays there."""
    place = tmp_path / "small"
    place.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(place)], capture_output=True).returncode:
        pytest.skip("a file system cannot be mounted here")
    try:
        run = [sys.executable, "-c", COMMAND]
        where = ["--book", str(place / "shop")]
        subprocess.run([*run, "init", str(place / "shop")], check=True, capture_output=True)
        first = [*run, "import", str(_log(tmp_path, 50)), "--today", "2026-07-01", *where]
        subprocess.run(first, check=True, capture_output=True)
        (place / "filler").write_bytes(bytes(shutil.disk_usage(place).free - 300_000))
        more = [*run, "import", str(_log(tmp_path, 90_000 // 40, 5000)), "--today", "2026-07-01", *where]
        (place / "filler2").write_bytes(bytes(max(0, shutil.disk_usage(place).free - 8_000)))
        done = subprocess.run(more, capture_output=True, text=True)
        assert done.returncode == 1, done.stdout
        assert "Traceback" not in done.stderr
        assert _n_lines(open_book(place / "shop")) == 50
        for filler in ("filler", "filler2"):
            (place / filler).unlink()
        assert subprocess.run(more, capture_output=True).returncode == 0
        assert _n_lines(open_book(place / "shop")) == 50 + 90_000 // 40
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX permissions")
def test_a_folder_that_cannot_be_written_still_answers(new_book: Maker, tmp_path: Path) -> None:
    """Over a book in a read-only folder questions are answered; a write is refused in words."""
    book = new_book()
    file = _log(tmp_path, 20)
    subprocess.run([sys.executable, "-c", COMMAND, "import", str(file), "--book", str(book.folder)], check=True,
                   capture_output=True)  # fmt: skip
    book.database.chmod(0o444)
    book.folder.chmod(0o555)
    try:
        for arguments, code in ((["batches"], 0), (["estimate", "--vehicle", "van", "--zone", "interior"], 0),
                                (["undo"], 1), (["learn"], 1)):  # fmt: skip
            done = subprocess.run(
                [sys.executable, "-c", ORDINARY + COMMAND, *arguments, "--book", str(book.folder)],
                capture_output=True, text=True,
            )  # fmt: skip
            assert done.returncode == code, (arguments, done.stderr)
            assert ("cannot be written" in done.stderr) == bool(code), done.stderr
    finally:
        book.folder.chmod(0o755)
        book.database.chmod(0o644)
    assert _n_lines(book) == 20
