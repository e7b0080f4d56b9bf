"""A package that means other zones by now: visits of before keep those with which they came in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from log_files import log_file

from pipeline.answers import housekeeping
from pipeline.answers.logging_a_job import JobEntry, ZoneWorked, log_job
from pipeline.book.store import Book, open_book
from pipeline.intake.importing import ImportAnswer, import_files

TODAY = date(2026, 7, 1)
HEAD = "job_id,date,vehicle_class,zone,pellets_lb,minutes"
THEN = ("suspension", "undercarriage", "wheel_wells")
PACKAGE = '[words]\npackages = {{"full underside" = ["undercarriage", "wheel_wells", "{}"]}}\n'


@pytest.fixture
def shop(new_book: Callable[..., Book], tmp_path: Path) -> Book:
    """Return a book with the visit A from when the package had suspension; now it has interior."""
    book = new_book(PACKAGE.format("suspension"))
    _put(book, tmp_path, "A,2026-03-02,van,full underside,200,240", "B,2026-03-03,van,undercarriage,100,90")
    (book.folder / "book.toml").write_text(PACKAGE.format("interior"), encoding="utf-8")
    return open_book(book.folder)


def _put(book: Book, folder: Path, *rows: str) -> ImportAnswer:
    return import_files(book, [log_file(folder, "jobs.csv", HEAD, *rows)], today=TODAY)


def _zones(book: Book, job_id: str) -> list[tuple[str, float]]:
    with book.reading() as connection:
        found = connection.execute(
            "select zone, coalesce(package_pellets_lb, pellets_lb) from job_lines where job_id = ? order by 1", [job_id]
        )
        return [(str(zone), float(lb)) for zone, lb in found.fetchall()]


def test_a_file_imported_again_changes_nothing_and_says_which_zones_stay(shop: Book, tmp_path: Path) -> None:
    """The old visit is a duplicate, a new one has today's zones."""
    old = ("a,2026-03-02,van,full underside,200,240", "B,2026-03-03,van,undercarriage,100,90")
    answer = _put(shop, tmp_path, *old, "C,2026-06-01,van,full underside,150,200")
    (file,) = answer.result.files
    assert (file.accepted, file.duplicate, file.rejected) == (1, 2, 0)
    assert _zones(shop, "A") == [(zone, 200.0) for zone in THEN]
    assert _zones(shop, "C") == [(zone, 150.0) for zone in ("interior", "undercarriage", "wheel_wells")]
    assert answer.warnings == (
        "1 row whose package means other zones in book.toml by now; the visit keeps those it has: where they are "
        "wrong, undo its batch and import it again: A full underside (suspension, undercarriage, wheel_wells)",
    )


def test_a_corrected_total_goes_to_the_zones_of_then(shop: Book, tmp_path: Path) -> None:
    """Other figures replace those of every zone that the visit has, and of no other."""
    answer = _put(shop, tmp_path, "A,2026-03-02,van,full underside,180,240")
    assert (answer.result.files[0].accepted, answer.result.files[0].rejected) == (1, 0)
    assert _zones(shop, "A") == [(zone, 180.0) for zone in THEN]


def test_another_line_logged_adds_that_line_alone(shop: Book) -> None:
    """The package that comes with the rest of the visit keeps its zones."""
    entry = JobEntry("A", TODAY, "van", (ZoneWorked("engine_bay", pellets="20lb", minutes="30min"),), dated=False)
    change = log_job(shop, entry, today=TODAY).result.change
    assert change is not None
    assert change.lines_added == ("engine_bay",)
    assert _zones(shop, "A") == [("engine_bay", 20.0), *((zone, 200.0) for zone in THEN)]
    log_job(shop, replace(entry, zones=(ZoneWorked("interior", pellets="9lb"),)), today=TODAY)
    assert ("interior", 9.0) in _zones(shop, "A")


def test_an_export_names_the_packages_that_a_new_book_would_read_otherwise(shop: Book, tmp_path: Path) -> None:
    """Each with its zones here and in `book.toml`; nothing is told where they are the same, in whatever order."""
    (told,) = housekeeping.export(shop, tmp_path / "one").warnings
    assert "1 visit has the package full underside with suspension, undercarriage, wheel_wells, and" in told
    assert "book.toml gives it undercarriage, wheel_wells, interior" in told
    (shop.folder / "book.toml").write_text("", encoding="utf-8")
    assert "has no such package" in housekeeping.export(open_book(shop.folder), tmp_path / "two").warnings[0]
    (shop.folder / "book.toml").write_text(PACKAGE.format("suspension"), encoding="utf-8")
    assert housekeeping.export(open_book(shop.folder), tmp_path / "three").warnings == ()
