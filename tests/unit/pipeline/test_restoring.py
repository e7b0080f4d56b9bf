"""What a restore puts away and what it refuses: other settings, missing leave, an exchange that fails midway."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from backup_books import import_jobs, refused

from pipeline.answers.safekeeping import back_up, restore
from pipeline.book import backup, store
from pipeline.book.store import Book, open_book
from pipeline.book.toml_file import template

Maker = Callable[..., Book]


def test_edited_settings_are_not_replaced_without_a_word(new_book: Maker, tmp_path: Path) -> None:
    """Wages raised since the backup: refused with the line; with force replaced, told, and the edited file kept."""
    book = new_book("[costs]\nlabour_usd_per_hour = 34\n")
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")
    back_up(book, tmp_path / "b.rimebook")
    same = restore(book.folder, tmp_path / "b.rimebook")
    assert (same.warnings, same.result.kept is not None) == ((), True)
    toml = book.folder / "book.toml"
    edited = "[costs]\nlabour_usd_per_hour = 50\n"
    toml.write_text(edited)
    before = sorted(book.folder.iterdir())
    told = refused("settings-differ", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert str(toml) in told
    assert "`labour_usd_per_hour = 50`, which the backup lacks" in told
    assert "--force" in told
    assert str(book.folder / "before-restore-") in told
    assert (toml.read_text(), sorted(book.folder.iterdir())) == (edited, before)
    done = restore(book.folder, tmp_path / "b.rimebook", force=True)
    assert done.result.kept is not None
    kept = Path(done.result.kept) / "book.toml"
    assert kept.read_text() == edited
    assert len(done.warnings) == 1
    assert "book.toml was replaced" in done.warnings[0]
    assert str(kept) in done.warnings[0]
    assert open_book(book.folder).settings.costs.labour_usd_per_hour == 34


def test_settings_taken_away_or_of_a_newer_book_are_told(new_book: Maker, tmp_path: Path) -> None:
    """A line that is gone is named, a newer book's error says that its settings differ too, line ends are nothing."""
    book = new_book("[costs]\nlabour_usd_per_hour = 34\n")
    import_jobs(book, tmp_path, "A,2026-03-02,van,interior,8,40")
    back_up(book, tmp_path / "b.rimebook")
    toml = book.folder / "book.toml"
    toml.write_bytes(b"[costs]\r\nlabour_usd_per_hour = 34\r\n")
    assert restore(book.folder, tmp_path / "b.rimebook").warnings == ()
    toml.write_text("[costs]\n")
    told = refused("settings-differ", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert "without the line `labour_usd_per_hour = 34`" in told
    book.database.unlink()
    refused("settings-differ", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert restore(book.folder, tmp_path / "b.rimebook", force=True).warnings
    toml.write_text("[costs]\n")
    import_jobs(book, tmp_path, "B,2026-03-03,van,interior,9,40")
    told = refused("book-is-newer", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert "Its book.toml differs too" in told


def test_a_new_book_gives_way_to_a_backup(new_book: Maker, tmp_path: Path) -> None:
    """After `init` nothing was set yet: the backup comes in without force; once a job is in, the settings count."""
    shop = new_book("[costs]\nlabour_usd_per_hour = 34\n")
    import_jobs(shop, tmp_path, "A,2026-03-02,van,interior,8,40")
    back_up(shop, tmp_path / "b.rimebook")
    fresh = store.create_book(tmp_path / "fresh")
    assert restore(fresh.folder, tmp_path / "b.rimebook").warnings == ()
    assert open_book(fresh.folder).settings.costs.labour_usd_per_hour == 34
    (fresh.folder / "book.toml").write_text(template())
    refused("settings-differ", lambda: restore(fresh.folder, tmp_path / "b.rimebook"))


@pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM, errno.EROFS])
def test_a_folder_that_may_not_be_written_is_named_with_its_owner(
    new_book: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """Missing leave is no full disk: whose folder it is, that nothing was changed, and where to restore instead."""
    book = new_book()
    back_up(book, tmp_path / "b.rimebook")

    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), str(book.folder / ".restoring-x"))

    before = sorted(book.folder.iterdir())
    monkeypatch.setattr(backup, "TemporaryDirectory", refuse)
    told = refused("restore-not-allowed", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert told.startswith(str(book.folder))
    assert f"of the user {book.folder.owner()}" in told
    assert "Nothing was changed." in told
    assert "--book FOLDER" in told
    assert "Free some space" not in told
    told = refused("restore-not-allowed", lambda: restore(book.folder / "x" / "y", tmp_path / "b.rimebook"))
    assert "rimebook restore" in told
    assert [f for f in sorted(book.folder.iterdir()) if f.name != "x"] == before


def test_a_restore_that_fails_midway_does_not_say_that_nothing_was_changed(
    new_book: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once files are being exchanged the old book may be half gone from its place: it is said to be kept beside it."""
    book = new_book()
    back_up(book, tmp_path / "b.rimebook")

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(backup.os, "replace", refuse)
    told = refused("restore-failed", lambda: restore(book.folder, tmp_path / "b.rimebook"))
    assert "in it or beside it" in told


def test_a_backup_that_may_not_be_read_is_named(
    new_book: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The missing leave is then the file's and not the folder's."""
    book, file = new_book(), tmp_path / "b.rimebook"
    back_up(book, file)

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(file))

    monkeypatch.setattr(backup.zipfile, "ZipFile", refuse)
    told = refused("restore-not-allowed", lambda: restore(book.folder, file))
    assert told.startswith(str(file))
    assert "may not read" in told
