"""Copies of a book: made consistent, read again before they count, restored without losing what they replace."""

from __future__ import annotations

import errno
import os
import shlex
import shutil
import struct
import zipfile
import zlib
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

from pipeline.book.store import DATABASE_NAME, LOG_NAME, Book
from pipeline.book.toml_file import FILE_NAME, load_settings, template
from shared.counting import cut, room
from shared.errors import RimebookError

if TYPE_CHECKING:
    import duckdb

SUMS_NAME: Final = "sums.txt"
#: What each member of a backup may unpack to: far above any shop's book, far below a disk.
_MOST_OF: Final = {DATABASE_NAME: 20_000_000_000, FILE_NAME: 10_000_000, SUMS_NAME: 10_000}
#: An empty database of a fresh book compresses more than a hundredfold: below this size a high ratio is no danger.
_SMALL: Final = 50_000_000
_MOST_RATIO: Final = 200
#: What zipfile raises on damaged archives: bad offsets, unknown methods, names in no encoding, broken streams.
_ARCHIVE_ERRORS: Final = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError, LookupError, ValueError,
    NotImplementedError, RuntimeError, OverflowError,
)  # fmt: skip
_CHUNK: Final = 1 << 20
#: How the folder of a book that was replaced begins; the moment follows.
_KEPT: Final = "before-restore-"
#: Letters of a line of book.toml that an error shows.
_SHOWN: Final = 60


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

    A lock keeps writers out while the whole database file is copied. The archive is written under another name, read
    again, compared by checksum and row counts, and only then named.

    Raises
    ------
    RimebookError
        Where the file stands already (without `force`), is the book's own, cannot be written, or does not read again
        as written.
    """
    own = {(book.folder / name).resolve() for name in (FILE_NAME, DATABASE_NAME, LOG_NAME)}
    if file.resolve() in own or file.is_dir():
        raise RimebookError(
            "not-a-place", where=str(file), found="a file of the book itself" if file.resolve() in own else "a folder",
            expected="the name of a new file", do="Choose another name, such as shop.rimebook.",
        )  # fmt: skip
    if file.exists() and not force:
        raise RimebookError(
            "file-exists", where=str(file), found="a file of that name", expected="a new name",
            do="Choose another name, or add --force to write over it.",
        )  # fmt: skip
    part = file.with_name(f"{file.name}.{os.getpid()}.part")
    try:
        with book.still() as connection:
            counts = row_counts(connection)
            _write(book, part)
        with TemporaryDirectory(dir=file.parent, prefix=".rimebook-") as folder:
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
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return BackupMade(file, sum(counts.values()), file.stat().st_size)


def _write(book: Book, part: Path) -> None:
    sums = []
    with part.open("wb") as stream:
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for name in (FILE_NAME, DATABASE_NAME):
                if (book.folder / name).is_file():
                    sums.append(f"{_write_one(archive, book.folder / name)}  {name}\n")
            archive.writestr(SUMS_NAME, "".join(sums))
        stream.flush()
        os.fsync(stream.fileno())  # a backup that a power cut empties is none


def _write_one(archive: zipfile.ZipFile, file: Path) -> str:
    """Copy a file into the archive and return its checksum: read once, so that both are of the same bytes."""
    digest = sha256()
    with file.open("rb") as source, archive.open(file.name, "w", force_zip64=True) as target:
        while block := source.read(_CHUNK):
            digest.update(block)
            target.write(block)
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
            _check_members(file, archive, shutil.disk_usage(folder).free)
            stated: dict[str, str] = {}
            for line in archive.read(SUMS_NAME).decode("utf-8").splitlines():
                digest, _, name = line.partition("  ")
                stated[name] = digest
            for name in (FILE_NAME, DATABASE_NAME):
                if name in archive.namelist() and _unpack_one(archive, name, folder) != stated.get(name):
                    raise _no_backup(file, f"a {name} whose checksum differs: the backup is damaged")
    except _ARCHIVE_ERRORS as error:
        raise _no_backup(file, "a file that does not open as a backup") from error
    except OSError as error:
        if error.errno != errno.EINVAL:  # an offset before the file's start; anything else is the disk's
            raise
        raise _no_backup(file, "a file that does not open as a backup") from error
    return Book(folder, load_settings(folder / FILE_NAME))


def _check_members(file: Path, archive: zipfile.ZipFile, free: int) -> None:
    members = archive.infolist()
    names = [m.filename for m in members]
    if not {DATABASE_NAME, SUMS_NAME} <= set(names) <= set(_MOST_OF) or len(names) != len(set(names)):
        raise _no_backup(file, "an archive that is no backup of a book")
    packed = sum(m.compress_size for m in members)
    size = sum(m.file_size for m in members)
    if any(m.file_size > _MOST_OF[m.filename] for m in members) or size > _SMALL + _MOST_RATIO * packed:
        raise _no_backup(file, f"an archive that unpacks to {size / 1e6:,.0f} MB, which no backup does")
    if size > free:
        raise RimebookError(
            "disk-full", where=str(file), found=f"{room(free)} free", expected=room(size, needed=True),
            do="Free some space; the book was not changed.",
        )  # fmt: skip


def _unpack_one(archive: zipfile.ZipFile, name: str, folder: Path) -> str:
    digest = sha256()
    with archive.open(name) as source, (folder / name).open("wb") as target:
        while block := source.read(_CHUNK):
            digest.update(block)
            target.write(block)
    return digest.hexdigest()


def _no_backup(file: Path, found: str) -> RimebookError:
    return RimebookError(
        "not-a-backup", where=str(file), found=found, expected="a file that `rimebook backup` wrote",
        do="Choose another backup; the book was not changed.",
    )  # fmt: skip


@dataclass(frozen=True)
class RestoreMade:
    """A finished restore; `kept` is the folder with the book as it was, None where there was none.

    `settings_replaced` tells that the settings in it are other ones than those that hold now.
    """

    rows: int
    kept: Path | None
    settings_replaced: bool = False


def restore(folder: Path, file: Path, *, force: bool = False) -> RestoreMade:
    """Put a backup in the place of a book; the book as it was is kept beside it.

    Raises
    ------
    RimebookError
        Where the backup is damaged, the folder may not be written, another process has the book, or the book there
        has what the backup lacks or other settings (without `force`).
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder, prefix=".restoring-") as place:
            copy = unpack(file, Path(place))
            with copy.reading() as connection:
                rows = sum(row_counts(connection).values())
            differs = _settings_differ(folder, copy.folder)
            filled = False
            if (folder / DATABASE_NAME).is_file():
                filled = _refuse_where_newer(Book(folder, copy.settings), copy, differs=bool(differs), force=force)
            if differs and not filled and (folder / FILE_NAME).read_bytes().decode(errors="replace") == template():
                differs = ""  # nobody has touched the settings of this new book
            if differs and not force:
                raise RimebookError(
                    "settings-differ", where=str(folder / FILE_NAME), found=differs,
                    expected="the book.toml of the backup",
                    do="Add --force to restore the backup's settings all the same; the present book.toml is kept "
                    f"beside it, in {folder / _KEPT}...",
                )  # fmt: skip
            kept = _keep(folder)
            try:
                _exchange(folder, copy)
            except OSError as error:
                raise _failed(folder, error) from error
            return RestoreMade(rows, kept, bool(differs))
    except OSError as error:
        raise _not_allowed(folder, file, error) if _is_leave(error) else _failed(folder, error) from error


def _is_leave(error: OSError) -> bool:
    """Return whether leave is missing: of the user, or of a disk that takes no writing at all."""
    return isinstance(error, PermissionError) or error.errno == errno.EROFS


def _failed(folder: Path, error: OSError) -> RimebookError:
    return RimebookError(
        "restore-failed", where=str(folder), found=error.strerror or str(error), expected="room and leave to write",
        do="Free some space or choose another folder; the book that was there is in it or beside it.",
    )  # fmt: skip


def _not_allowed(folder: Path, file: Path, error: OSError) -> RimebookError:
    """Return what is told where leave is missing before anything of the book was touched."""
    if str(error.filename) == str(file):
        return RimebookError(
            "restore-not-allowed", where=str(file), found=f"a backup{_owned(file)} that you may not read",
            expected="leave to read it", do="Nothing was changed. Ask its owner for a copy that you may read.",
        )  # fmt: skip
    there = next((f for f in (folder, *folder.absolute().parents) if f.exists()), folder)
    read_only = " on a disk that takes no writing" if error.errno == errno.EROFS else " that you may not write to"
    return RimebookError(
        "restore-not-allowed", where=str(there), found=f"a folder{_owned(there)}{read_only}",
        expected="a folder that you may write to",
        do="Nothing was changed. Have its owner make it writable, or restore into a folder of your own: "
        f"rimebook restore {shlex.quote(str(file))} --book FOLDER",
    )  # fmt: skip


def _owned(place: Path) -> str:
    """Return whose a file or folder is, as words behind it; '' where the system does not tell."""
    try:
        return f" of the user {place.owner()}"
    except (OSError, KeyError, NotImplementedError):
        return ""


def _settings_differ(folder: Path, backup: Path) -> str:
    """Return how the book.toml of a folder differs from a backup's, in words; '' where nothing of it would be lost."""
    if not (folder / FILE_NAME).is_file() or not (backup / FILE_NAME).is_file():
        return ""
    texts = ((f / FILE_NAME).read_bytes().decode("utf-8-sig", "replace") for f in (folder, backup))
    here, there = ([line.strip() for line in text.splitlines()] for text in texts)
    if here == there:
        return ""
    told = "a book.toml other than the backup's"
    for one, other, how in ((here, set(there), "with the line `{}`, which the backup lacks"),
                            (there, set(here), "without the line `{}`")):  # fmt: skip
        line = next((line for line in one if line and line not in other), "")
        if line:
            return f"{told}: {how.format(cut(line, _SHOWN))}"
    return told


def _refuse_where_newer(here: Book, copy: Book, *, differs: bool, force: bool) -> bool:
    """Refuse where the book has what the backup lacks; one that is damaged has nothing to compare, and is kept.

    Returns
    -------
    bool
        Whether anything was ever written to the book; a damaged one may hold anything.
    """
    try:
        with here.still() as connection:
            changed, content = last_change(connection), fingerprint(connection)
    except RimebookError as error:
        if error.problem.code == "book-damaged":
            return True
        raise
    if force or changed is None:
        return changed is not None
    with copy.reading() as connection:
        newest, same = last_change(connection), fingerprint(connection) == content
    if newest is None or changed > newest or (changed == newest and not same):
        found, expected = _newer_told(changed, newest)
        raise RimebookError(
            "book-is-newer", where=str(here.folder), found=found, expected=expected,
            do="Add --force to put the backup in its place all the same; the newer book is kept beside it."
            + (" Its book.toml differs too: --force restores the backup's settings with it." if differs else ""),
        )  # fmt: skip
    return True


def _newer_told(changed: datetime, newest: datetime | None) -> tuple[str, str]:
    """Return what is told as found and expected: moments to the minute, or as much finer as tells them apart."""
    if newest is None:
        return f"a book changed at {changed:%Y-%m-%d %H:%M} UTC", "one no newer than the backup, which is empty"
    if changed == newest:  # a quote that is settled leaves no time behind
        at = f"{changed:%Y-%m-%d %H:%M} UTC"
        return f"a book of other content than the backup, both dated {at}", "the same content, or a newer backup"
    told = [f"{changed:%Y-%m-%d %H:%M} UTC", f"{newest:%Y-%m-%d %H:%M} UTC"]
    for precision in ("seconds", "microseconds"):
        if told[0] == told[1]:
            told = [f"{moment.isoformat(' ', precision)} UTC" for moment in (changed, newest)]
    return f"a book changed at {told[0]}", f"one no newer than the backup of {told[1]}"


def _keep(folder: Path) -> Path | None:
    """Copy the old files into a folder beside the new ones; None where there are none."""
    there = [name for name in (DATABASE_NAME, LOG_NAME, FILE_NAME) if (folder / name).exists()]
    if not there:
        return None
    kept = folder / f"{_KEPT}{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
    kept.mkdir()
    try:
        for name in there:
            shutil.copy2(folder / name, kept / name)
    except OSError:
        shutil.rmtree(kept, ignore_errors=True)  # half a copy would pass for the book
        raise
    return kept


def _exchange(folder: Path, copy: Book) -> None:
    """Put the files of a copy in place; killed at any step, a retry finds the old book or the new one."""
    (folder / LOG_NAME).unlink(missing_ok=True)  # it would not fit the new file
    for name in (FILE_NAME, DATABASE_NAME):
        if (copy.folder / name).exists():
            os.replace(copy.folder / name, folder / name)


def fingerprint(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int]]:
    """Return rows and a hash of the content of every table, whatever the order of its rows."""
    found = {}
    for table in row_counts(connection):
        row = connection.execute(f'select count(*), coalesce(bit_xor(hash(t)), 0) from "{table}" t').fetchone()
        found[table] = (int(row[0]), int(row[1])) if row else (0, 0)
    return found


def last_change(connection: duckdb.DuckDBPyConnection) -> datetime | None:
    """Return when the book was last written to by an import, an undo, a fit or a quote; None where never."""
    row = connection.execute(
        "select max(t) from (select max(greatest(made_at, coalesce(undone_at, made_at))) as t from batches "
        "union all select max(made_at) from fits union all select max(made_at) from quotes)"
    ).fetchone()
    return row[0] if row else None
