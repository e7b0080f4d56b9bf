"""The book on disk: a folder with `book.toml` and `book.duckdb`. The only module that opens the database.

A connection is short: opened late, closed early. A write is one transaction that is checkpointed and closed before
anybody is told that it is done, so that no acknowledged row lives in the write-ahead log.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import duckdb

from pipeline.book.batch_lines import lost_lines
from pipeline.book.migrations import MIGRATIONS, SCHEMA_VERSION
from pipeline.book.recognising import newer, refuse_where_no_book, version_of
from pipeline.book.settings import Settings
from pipeline.book.toml_file import FILE_NAME, load_settings, template
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Iterator

DATABASE_NAME = "book.duckdb"
LOG_NAME = DATABASE_NAME + ".wal"
_MAKING = ".making-"
#: How long a second process waits for the first before it says who holds the book.
WAIT_S = 5.0
#: How often `still` settles a log that a killed writer left, before it gives up.
_STILL_TRIES = 3
#: How systems say that a file may not be written.
_REFUSED = "Read-only file system|Permission denied|Operation not permitted|Access is denied|read-only mode"
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "python_enable_replacements": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "enable_external_access": False,
}
#: Errors of the world outside (locks, disks, damaged files); any other database error is a fault of our own.
_OUTSIDE = (duckdb.OperationalError, duckdb.FatalException, duckdb.InternalError, duckdb.PermissionException)


@dataclass(frozen=True)
class Book:
    """One shop's book.

    Attributes
    ----------
    folder : Path
    settings : Settings
        As `book.toml` stood when the book was opened.
    wait_s : float
        Seconds to wait for a lock that another process holds.
    """

    folder: Path
    settings: Settings
    wait_s: float = WAIT_S

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.resolve().name

    @property
    def database(self) -> Path:
        """The database file."""
        return self.folder / DATABASE_NAME

    @property
    def log(self) -> Path:
        """The write-ahead log: there while somebody writes, or after a writer was killed."""
        return self.folder / LOG_NAME

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Yield a read-only connection.

        Raises
        ------
        RimebookError
            Where the book is held by another process, damaged, made by a newer version or by another program.
        """
        connection = self._connect(read_only=True)
        try:
            if version_of(connection) < SCHEMA_VERSION:
                connection.close()
                self._migrate()
                connection = self._connect(read_only=True)
            yield connection
        except _OUTSIDE as error:
            raise self._told(error) from error
        finally:
            connection.close()

    @contextmanager
    def writing(self, *, counted: bool = True) -> Iterator[duckdb.DuckDBPyConnection]:
        """Yield a connection inside one transaction: committed, checkpointed and closed on success, else rolled back.

        Parameters
        ----------
        counted : bool
            Refuse where a batch has lost lines (milliseconds); only taking such a batch out goes without.

        Raises
        ------
        RimebookError
            As `reading`, and where the disk is full or cannot be written: nothing was recorded then, except under the
            code ``recorded-not-settled``.
        """
        with self._held() as connection:
            if counted:
                self._refuse_where_lost(connection)
            try:
                connection.execute("begin transaction")
                yield connection
                connection.execute("commit")
            except BaseException:
                _roll_back(connection)
                raise
            self._settle(connection)

    @contextmanager
    def still(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Yield a read-only connection while the file is whole: no log beside it, and nobody writing. For copying it.

        A read lock, because on some systems a file that is open for writing cannot be read by its own process. Copy it
        in one go: where locks belong to the process (POSIX), closing the copied file lets the lock go.

        Raises
        ------
        RimebookError
            As `writing`.
        """
        for _ in range(_STILL_TRIES):
            if self.log.exists():
                with self._held() as connection:
                    connection.execute("checkpoint")
            with self.reading() as connection:
                if not self.log.exists():  # else a writer was killed in between
                    yield connection
                    return
        raise RimebookError(
            "book-in-use", where=str(self.database), found="a log file that comes back", expected="a book at rest",
            do="Wait until other commands have ended; try again.",
        )  # fmt: skip

    @contextmanager
    def _held(self) -> Iterator[duckdb.DuckDBPyConnection]:
        connection = self._connect(read_only=False)
        try:
            if version_of(connection) < SCHEMA_VERSION:
                connection.close()
                self._migrate()
                connection = self._connect(read_only=False)
            yield connection
        except _OUTSIDE as error:
            raise self._told(error) from error
        finally:
            connection.close()

    def _settle(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Move a committed change from the log into the database; where that fails the log has it, and keeps it."""
        try:
            connection.execute("checkpoint")
        except _OUTSIDE as error:
            told = self._told(error).problem
            if told.code == "book-damaged":
                raise
            raise RimebookError(
                "recorded-not-settled", where=told.where, found=f"{told.found}, just after the change was recorded",
                expected=f"to move it from {LOG_NAME} into {DATABASE_NAME}",
                do="Do NOT run the command again: what it does is recorded, and every command sees it. Free some space "
                "and keep the two files together; the next change or `rimebook backup` moves it.",
            ) from error  # fmt: skip

    def _refuse_where_lost(self, connection: duckdb.DuckDBPyConnection) -> None:
        lost = lost_lines(connection)
        if lost:
            raise RimebookError(
                "book-lost-lines", where=str(self.database), found="; ".join(lost),
                expected="every line that a batch wrote",
                do="Restore the last backup, or `rimebook undo` that batch and import its file again.",
            )  # fmt: skip

    def _migrate(self) -> None:
        """Bring the database to the current schema; one with rows is first copied beside itself."""
        connection = self._opened(read_only=False)  # one that is being made has no tables yet
        try:
            version = version_of(connection)
            if version:
                connection.close()
                self._keep_old(version)
                connection = self._connect(read_only=False)
            migrate(connection)
        except _OUTSIDE as error:
            raise self._told(error) from error
        finally:
            connection.close()

    def _keep_old(self, version: int) -> None:
        place, n = self.folder / f"{DATABASE_NAME}.before-v{SCHEMA_VERSION}", 1
        while place.exists():  # of another book, restored later, or of a try that failed
            n += 1
            place = place.with_name(f"{DATABASE_NAME}.before-v{SCHEMA_VERSION}-{n}")
        part = place.with_name(place.name + ".part")
        connection = self._connect(read_only=True)  # nobody writes while it is copied
        try:
            if version_of(connection) == version:  # else another process was faster
                shutil.copyfile(self.database, part)
                part.replace(place)
        except OSError as error:
            raise RimebookError(
                "migration-copy", where=str(place), found=error.strerror or str(error),
                expected="room for a copy of the book before it is brought to this version",
                do="Free some space or make the folder writable; the book was not changed.",
            ) from error  # fmt: skip
        finally:
            connection.close()
            part.unlink(missing_ok=True)

    def _connect(self, *, read_only: bool) -> duckdb.DuckDBPyConnection:
        connection = self._opened(read_only=read_only)
        try:
            refuse_where_no_book(connection, self.database, MIGRATIONS)
        except RimebookError:
            connection.close()
            raise
        return connection

    def _opened(self, *, read_only: bool) -> duckdb.DuckDBPyConnection:
        until = time.monotonic() + self.wait_s
        pause = 0.02
        while True:
            try:
                return duckdb.connect(str(self.database), read_only=read_only, config=dict(_CONFIG))
            except _OUTSIDE as error:
                if not _is_lock(error) or time.monotonic() > until:
                    raise self._told(error) from error
                time.sleep(pause)
                pause = min(pause * 1.5, 0.25)

    def _told(self, error: duckdb.Error) -> RimebookError:
        """Return our own words for a database error, without its links."""
        text = str(error).split("See also", maxsplit=1)[0].strip()
        where = str(self.database)
        if _is_lock(error):
            held = re.search(r"(?:held|open) in\s+(.+?)\s+\(PID (\d+)\)", text)
            program = re.split(r"[/\\]", held[1])[-1] if held else ""
            holder = f"process {held[2]} ({program})" if held else "another process"
            return RimebookError(
                "book-in-use", where=where, found=f"the book is in use by {holder}",
                expected=f"it to be free within {self.wait_s:g} s", do="Wait until that command has ended; try again.",
            )  # fmt: skip
        if "version number" in text or "storage version" in text:
            return newer(self.database, SCHEMA_VERSION)
        if re.search(r"No space left|File too large|disk is full", text, re.IGNORECASE):
            return RimebookError(
                "disk-full", where=where, found="no space left to write", expected="room for the new rows",
                do="Free some space and run the command again; what was in the book before is still there.",
            )  # fmt: skip
        if re.search(_REFUSED, text, re.IGNORECASE):
            return RimebookError(
                "book-not-writable", where=where, found="a file or folder that cannot be written",
                expected="a folder this user may write to", do="Change its permissions or copy the book elsewhere.",
            )  # fmt: skip
        if re.search(r"Out of Memory|failed to allocate|could not allocate", text, re.IGNORECASE):
            return RimebookError(
                "out-of-memory", where=where, found="not enough memory for the work", expected="room for it",
                do="Close other programs or split the input; nothing was left half done.",
            )  # fmt: skip
        return RimebookError(
            "book-damaged", where=where, found=text.splitlines()[0] if text else type(error).__name__,
            expected="a book made by this tool", do="Restore the last backup: rimebook restore FILE.",
        )  # fmt: skip


def _is_lock(error: duckdb.Error) -> bool:
    text = str(error)
    return "Could not set lock" in text or "being used by another process" in text or "already open" in text


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    try:
        connection.execute("rollback")
    except duckdb.Error:
        return  # a fatal error or a failed commit has already ended the transaction


def migrate(connection: duckdb.DuckDBPyConnection) -> None:
    """Bring a database to the current schema; each step and its number are one transaction."""
    connection.execute("create table if not exists book_schema (version integer primary key, made_at timestamp)")
    for version in range(version_of(connection) + 1, SCHEMA_VERSION + 1):
        connection.execute("begin transaction")
        connection.execute(MIGRATIONS[version - 1])
        connection.execute("insert into book_schema values (?, now() at time zone 'UTC')", [version])
        connection.execute("commit")
    connection.execute("checkpoint")


def open_book(folder: Path, *, wait_s: float = WAIT_S) -> Book:
    """Return the book in a folder, with its settings read and checked.

    Raises
    ------
    RimebookError
        Where the folder holds no book, or `book.toml` is missing or wrong.
    """
    if not (folder / DATABASE_NAME).is_file():
        raise RimebookError(
            "no-book", where=str(folder), found="no job book in this folder",
            expected=f"a folder with {FILE_NAME} and {DATABASE_NAME}",
            do="Make one with `rimebook init DIR`, or name it with --book DIR.",
        )  # fmt: skip
    if not (folder / FILE_NAME).exists():
        Book(folder, Settings(), wait_s)._connect(read_only=True).close()  # what is no book at all is told as that
        raise RimebookError(
            "no-book-toml", where=str(folder), found=f"a {DATABASE_NAME} without its {FILE_NAME}",
            expected="the shop's settings: without them a metric book would answer in lb, and any in USD",
            do=f"Take {FILE_NAME} from a copy of the folder, or restore a backup: rimebook restore FILE. Where there "
            "is none, copy the one that `rimebook init NEW_FOLDER` writes and set units, currency and the rest anew.",
        )  # fmt: skip
    return Book(folder, load_settings(folder / FILE_NAME), wait_s)


def create_book(folder: Path, toml: str | None = None) -> Book:
    """Make a folder, or fill an empty one, with a commented `book.toml` and an empty database.

    Both files are made aside and moved in, the database last: with it the folder becomes a book. What a killed try
    left (a `book.toml` without a database) is completed by the next; settings that stand there are never replaced.

    Parameters
    ----------
    folder : Path
    toml : str, optional
        Text of `book.toml`; the commented template where not given.

    Raises
    ------
    RimebookError
        Where the folder holds a book or anything else, or cannot be written.
    """
    _refuse_where_taken(folder, toml)
    text = template() if toml is None else toml
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder, prefix=_MAKING) as place:
            made = Book(Path(place), Settings())
            made.folder.joinpath(FILE_NAME).write_text(text, encoding="utf-8")
            settings = load_settings((folder if (folder / FILE_NAME).exists() else made.folder) / FILE_NAME)
            made._migrate()
            _refuse_where_taken(folder, toml)  # another process may have been faster
            if not (folder / FILE_NAME).exists():
                os.replace(made.folder / FILE_NAME, folder / FILE_NAME)
            os.replace(made.database, folder / DATABASE_NAME)
        for left in folder.glob(_MAKING + "*"):  # of tries that were killed
            shutil.rmtree(left, ignore_errors=True)
    except OSError as error:
        raise RimebookError(
            "folder-not-writable", where=str(folder), found=error.strerror or str(error),
            expected="a folder this user may write to", do="Choose another folder.",
        ) from error  # fmt: skip
    return Book(folder, settings)


def _refuse_where_taken(folder: Path, toml: str | None) -> None:
    """Refuse a folder that holds a book or foreign files; what an unfinished `create_book` left is neither."""
    if (folder / DATABASE_NAME).exists():
        raise RimebookError(
            "book-exists", where=str(folder), found="a folder that holds a book already",
            expected="a new or empty folder", do="Choose another folder; nothing was changed.",
        )  # fmt: skip
    if folder.is_dir():
        others = [f for f in folder.iterdir() if f.name != FILE_NAME and not f.name.startswith(_MAKING)]
        found = "a folder with other files in it" if others else ""
        if toml is not None and not others and (folder / FILE_NAME).exists():
            same = (folder / FILE_NAME).read_bytes().splitlines() == toml.encode().splitlines()
            found = "" if same else f"a folder with a {FILE_NAME} of its own"
    else:
        found = "a file of that name" if folder.exists() else ""
    if found:
        raise RimebookError(
            "folder-not-empty", where=str(folder), found=found, expected="a new or empty folder",
            do="Choose another folder; nothing was changed.",
        )  # fmt: skip
