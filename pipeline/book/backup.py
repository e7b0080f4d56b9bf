"""Copies of a book: made consistent, read again before they count, restored without losing what they replace."""

from __future__ import annotations

import os
import zipfile
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

from pipeline.book.store import DATABASE_NAME, Book
from pipeline.book.toml_file import FILE_NAME, load_settings
from shared.errors import RimebookError

if TYPE_CHECKING:
    import duckdb

SUMS_NAME: Final = "sums.txt"
#: What a backup may unpack to: far above any shop's book, far below a disk.
MOST_BYTES: Final = 20_000_000_000
_CHUNK: Final = 1 << 20


@dataclass(frozen=True)
class BackupMade:
    """A finished backup."""

    file: Path
    rows: int
    size_bytes: int


def row_counts(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Return the rows of every table of the book by name."""
    names = connection.execute("select table_name from duckdb_tables() where not temporary order by 1").fetchall()
    found = {}
    for (name,) in names:
        row = connection.execute(f'select count(*) from "{name}"').fetchone()
        found[str(name)] = int(row[0]) if row else 0
    return found


def back_up(book: Book, file: Path, *, force: bool = False) -> BackupMade:
    """Write the book into one file: settings, database and their checksums.

    The write lock is held while the database file is copied, after a checkpoint, so that the copy is whole. The
    archive is written under another name, read again, compared by checksum and row counts, and only then named.

    Raises
    ------
    RimebookError
        Where the file stands already (without `force`), cannot be written, or does not read again as written.
    """
    if file.exists() and not force:
        raise RimebookError(
            "file-exists", where=str(file), found="a file of that name", expected="a new name",
            do="Choose another name, or add --force to write over it.",
        )  # fmt: skip
    part = file.with_name(file.name + ".part")
    try:
        with book.held() as connection:
            connection.execute("checkpoint")
            counts = row_counts(connection)
            _write(book, part)
        with TemporaryDirectory(dir=file.parent) as folder:
            copy = unpack(part, Path(folder))
            with copy.reading() as connection:
                again = row_counts(connection)
        if again != counts:
            raise RimebookError(
                "backup-differs", where=str(file), found="other row counts than the book's", expected="a true copy",
                do="Try again; check the disk where it keeps happening.",
            )  # fmt: skip
        os.replace(part, file)
    except OSError as error:
        raise RimebookError(
            "backup-failed", where=str(file), found=error.strerror or str(error), expected="room and leave to write",
            do="Choose another place; the book itself was not changed.",
        ) from error  # fmt: skip
    finally:
        part.unlink(missing_ok=True)
    return BackupMade(file, sum(counts.values()), file.stat().st_size)


def _write(book: Book, part: Path) -> None:
    sums = []
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name in (FILE_NAME, DATABASE_NAME):
            source = book.folder / name
            if source.is_file():
                archive.write(source, name)
                sums.append(f"{_sum(source)}  {name}\n")
        archive.writestr(SUMS_NAME, "".join(sums))


def _sum(file: Path) -> str:
    digest = sha256()
    with file.open("rb") as stream:
        while block := stream.read(_CHUNK):
            digest.update(block)
    return digest.hexdigest()


def unpack(file: Path, folder: Path) -> Book:
    """Unpack a backup into a folder and return the book in it, its checksums compared.

    Only the names a backup has are read, so that no member can reach outside the folder.

    Raises
    ------
    RimebookError
        Where the file is missing, no backup, too large, or damaged.
    """
    if not file.is_file():
        raise RimebookError(
            "no-backup", where=str(file), found="no such file", expected="a file that `rimebook backup` wrote",
            do="Check the name.",
        )  # fmt: skip
    try:
        with zipfile.ZipFile(file) as archive:
            sizes = {m.filename: m.file_size for m in archive.infolist()}
            if not {DATABASE_NAME, SUMS_NAME} <= sizes.keys() or sum(sizes.values()) > MOST_BYTES:
                raise _no_backup(file, "an archive that is no backup of a book")
            stated: dict[str, str] = {}
            for line in archive.read(SUMS_NAME).decode("utf-8").splitlines():
                digest, _, name = line.partition("  ")
                stated[name] = digest
            for name in (FILE_NAME, DATABASE_NAME):
                if name in sizes:
                    _unpack_one(archive, name, folder)
                    if stated.get(name) != _sum(folder / name):
                        raise _no_backup(file, f"a {name} whose checksum differs: the backup is damaged")
    except (zipfile.BadZipFile, ValueError, EOFError, NotImplementedError, RuntimeError) as error:
        raise _no_backup(file, "a file that does not open as a backup") from error
    return Book(folder, load_settings(folder / FILE_NAME))


def _unpack_one(archive: zipfile.ZipFile, name: str, folder: Path) -> None:
    with archive.open(name) as source, (folder / name).open("wb") as target:
        while block := source.read(_CHUNK):
            target.write(block)


def _no_backup(file: Path, found: str) -> RimebookError:
    return RimebookError(
        "not-a-backup", where=str(file), found=found, expected="a file that `rimebook backup` wrote",
        do="Choose another backup; the book was not changed.",
    )  # fmt: skip


@dataclass(frozen=True)
class RestoreMade:
    """A finished restore; `kept` is the folder with the book as it was."""

    rows: int
    kept: Path


def restore(folder: Path, file: Path, *, force: bool = False) -> RestoreMade:
    """Put a backup in the place of a book; the book as it was is moved aside and kept.

    Raises
    ------
    RimebookError
        Where the backup is damaged, or the book there has rows that the backup lacks (without `force`).
    """
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=folder, prefix=".restoring-") as place:
        copy = unpack(file, Path(place))
        with copy.reading() as connection:
            rows, newest = sum(row_counts(connection).values()), last_change(connection)
        if (folder / DATABASE_NAME).is_file() and not force:
            with Book(folder, copy.settings).reading() as connection:
                here = last_change(connection)
            if here is not None and (newest is None or here > newest):
                raise RimebookError(
                    "book-is-newer", where=str(folder), found=f"a book changed at {here:%Y-%m-%d %H:%M} UTC",
                    expected="one no newer than the backup"
                    + (f" of {newest:%Y-%m-%d %H:%M} UTC" if newest else ", which is empty"),
                    do="Add --force to put the backup in its place all the same; the newer book is kept beside it.",
                )  # fmt: skip
        kept = folder / f"before-restore-{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
        kept.mkdir()
        for name in (DATABASE_NAME, DATABASE_NAME + ".wal", FILE_NAME):
            if (folder / name).exists():
                os.replace(folder / name, kept / name)
        for name in (FILE_NAME, DATABASE_NAME):
            if (copy.folder / name).exists():
                os.replace(copy.folder / name, folder / name)
    return RestoreMade(rows, kept)


def last_change(connection: duckdb.DuckDBPyConnection) -> datetime | None:
    """Return when the book was last written to by an import, an undo, a fit or a quote; None where never."""
    row = connection.execute(
        "select max(t) from (select max(greatest(made_at, coalesce(undone_at, made_at))) as t from batches "
        "union all select max(made_at) from fits union all select max(made_at) from quotes)"
    ).fetchone()
    return row[0] if row else None
