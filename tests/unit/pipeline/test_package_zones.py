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
TOTALS = "job_id,vehicle,date,vehicle_class,zone,pass,soil_level,pellets_lb,minutes,job_pellets_lb,job_minutes"
THEN = ("suspension", "undercarriage", "wheel_wells")
PACKAGE = '[words]\npackages = {{"full underside" = ["undercarriage", "wheel_wells", "{}"]}}\n'


@pytest.fixture
def shop(new_book: Callable[..., Book], tmp_path: Path) -> Book:
    """Return a book with the visit A from when the package had suspension; now it has interior."""
    book = new_book(PACKAGE.format("suspension"))
    _put(book, tmp_path, "A,2026-03-02,van,full underside,200,240", "B,2026-03-03,van,undercarriage,100,90")
    (book.folder / "book.toml").write_text(PACKAGE.format("interior"), encoding="utf-8")
    return open_book(book.folder)


def _put(book: Book, folder: Path, *rows: str, head: str = HEAD) -> ImportAnswer:
    return import_files(book, [log_file(folder, "jobs.csv", head, *rows)], today=TODAY)


def _counts(answer: ImportAnswer) -> tuple[int, int, int]:
    (file,) = answer.result.files
    return file.accepted, file.duplicate, file.rejected


def _with_packages(book: Book, packages: str) -> Book:
    (book.folder / "book.toml").write_text(f"[words]\npackages = {{{packages}}}\n", encoding="utf-8")
    return open_book(book.folder)


def _lines(book: Book, job_id: str) -> list[tuple[object, ...]]:
    """Return plate, pass, zone, soil and total of a visit's lines."""
    with book.reading() as connection:
        return connection.execute(
            "select vehicle, pass, zone, soil_level, job_pellets_lb from job_lines where job_id = ? order by all",
            [job_id],
        ).fetchall()


@pytest.fixture
def totalled(new_book: Callable[..., Book], tmp_path: Path) -> Book:
    """Return a book with two vehicles that have a package under the visit's total; now it has engine_bay as well."""
    book = _with_packages(new_book(), '"underside" = ["undercarriage", "wheel_wells"]')
    _put(book, tmp_path, *_OF_TOTAL, head=TOTALS)
    return _with_packages(book, '"underside" = ["undercarriage", "wheel_wells", "engine_bay"]')


_OF_TOTAL = ("A,P1,2026-03-02,suv,underside,,heavy,,,60,90", "A,P2,2026-03-02,van,underside,,,,,60,90")


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


def test_a_package_under_the_visits_total_gets_no_zone_by_an_import_again(totalled: Book, tmp_path: Path) -> None:
    """The rows are duplicates, and the note names each vehicle."""
    before = _lines(totalled, "A")
    answer = _put(totalled, tmp_path, *_OF_TOTAL, head=TOTALS)
    assert _counts(answer) == (0, 2, 0)
    assert answer.result.batch is None
    assert _lines(totalled, "A") == before
    (told,) = answer.warnings
    assert told.startswith("2 rows whose package means other zones in book.toml by now; the visit keeps those it has")
    zones = "(undercarriage, wheel_wells)"
    assert told.endswith(f": A underside of P1 {zones}, A underside of P2 {zones}")


def test_a_new_vehicle_a_new_pass_and_a_new_visit_have_the_zones_of_today(totalled: Book, tmp_path: Path) -> None:
    """What the book does not have comes in whole, beside a vehicle that stays as it is."""
    new = (
        "A,P3,2026-03-02,suv,underside,,,,,60,90",
        "A,P1,2026-03-02,suv,underside,2,heavy,,,60,90",
        "C,,2026-03-04,suv,underside,,,,,50,80",
    )
    answer = _put(totalled, tmp_path, *_OF_TOTAL, *new, head=TOTALS)
    assert _counts(answer) == (3, 2, 0)
    lines = [line[:3] for line in _lines(totalled, "A")]
    assert [zone for *of, zone in lines if of == ["P1", 1]] == ["undercarriage", "wheel_wells"]
    for of, job in ((["P1", 2], "A"), (["P3", 1], "A"), (["", 1], "C")):
        today = [zone for *this, zone, _, _ in _lines(totalled, job) if this == of]
        assert today == ["engine_bay", "undercarriage", "wheel_wells"]


@pytest.mark.parametrize(
    "zones",
    ['"undercarriage", "wheel_wells", "engine_bay"', '"undercarriage", "engine_bay"', '"undercarriage", "interior"'],
)
def test_a_corrected_visits_total_reaches_every_zone_of_then(totalled: Book, tmp_path: Path, zones: str) -> None:
    """Also those that the package lacks by now, which else stay as they are."""
    book = _with_packages(totalled, f'"underside" = [{zones}]')
    corrected = [row.replace("heavy", "severe").replace("60,90", "70,90") for row in _OF_TOTAL]
    assert _counts(_put(book, tmp_path, *corrected, head=TOTALS)) == (2, 0, 0)
    kept = "severe" if "wheel_wells" in zones else "heavy"
    assert _lines(book, "A") == [
        ("P1", 1, "undercarriage", "severe", 70.0), ("P1", 1, "wheel_wells", kept, 70.0),
        ("P2", 1, "undercarriage", "", 70.0), ("P2", 1, "wheel_wells", "", 70.0),
    ]  # fmt: skip


def test_a_package_that_gets_its_own_figures_later_keeps_its_zones(totalled: Book, tmp_path: Path) -> None:
    """The figures are of the zones that were worked; without them again the zones are the same."""
    book = _with_packages(totalled, '"underside" = ["undercarriage", "engine_bay"]')
    own = [row.replace(",,,60,90", ",30,45,60,90") for row in _OF_TOTAL]
    assert _counts(_put(book, tmp_path, *own, head=TOTALS)) == (2, 0, 0)
    worked = [("undercarriage", 30.0), ("undercarriage", 30.0), ("wheel_wells", 30.0), ("wheel_wells", 30.0)]
    assert _zones(book, "A") == worked
    assert _counts(_put(book, tmp_path, *_OF_TOTAL, head=TOTALS)) == (2, 0, 0)
    assert sorted(str(line[2]) for line in _lines(book, "A")) == [zone for zone, _ in worked]


def test_other_lines_of_a_ticket_are_no_part_of_a_package(totalled: Book, tmp_path: Path) -> None:
    """Two packages alike in all but their zones stay apart, one line is no package, and single lines stay."""
    then = '"underside" = ["undercarriage", "wheel_wells"], "cabin" = ["interior", "body_panels"]'
    book = _with_packages(totalled, then)
    both = [f"D,,2026-03-05,van,{zone},,,,,60,90" for zone in ("underside", "cabin")]
    _put(book, tmp_path, *both, "E,,2026-03-06,van,undercarriage,,,,,40,50", head=TOTALS)
    before = _lines(book, "D")
    book = _with_packages(book, then.replace("wheel_wells", "suspension").replace("body_panels", "door_jambs"))
    assert _counts(_put(book, tmp_path, *both, head=TOTALS)) == (0, 2, 0)
    assert _lines(book, "D") == before
    assert _counts(_put(book, tmp_path, "E,,2026-03-06,van,underside,,,,,40,50", head=TOTALS)) == (1, 0, 0)
    assert [line[2] for line in _lines(book, "E")] == ["suspension", "undercarriage"]


def test_a_package_logged_again_adds_no_zone_to_its_ticket(totalled: Book) -> None:
    """`log` with the package of a ticket under a total leaves its zones alone and says so."""
    entry = JobEntry("L", TODAY, "van", (ZoneWorked("underside"),), total_pellets="50lb", total_minutes="80min")
    log_job(totalled, entry, today=TODAY)
    before = _lines(totalled, "L")
    book = _with_packages(totalled, '"underside" = ["undercarriage", "suspension"]')
    answer = log_job(book, entry, today=TODAY)
    assert answer.result.batch is None
    assert _lines(book, "L") == before
    assert any("means other zones" in told for told in answer.warnings)


@pytest.mark.parametrize("name", ["Full Underside", "full-underside", "FULL_UNDERSIDE"])
def test_a_package_spelled_otherwise_in_the_book_toml_is_the_same(shop: Book, tmp_path: Path, name: str) -> None:
    """The old file is a duplicate whatever zones the name has by now, and a corrected total comes in."""
    old = "A,2026-03-02,van,full underside,200,240"
    for zones in ('"undercarriage", "engine_bay"', '"undercarriage", "wheel_wells", "suspension"'):
        book = _with_packages(shop, f'"{name}" = [{zones}]')
        assert _counts(_put(book, tmp_path, old)) == (0, 1, 0)
        assert _counts(_put(book, tmp_path, old.replace("200", "190"))) == (1, 0, 0)
        assert _zones(book, "A") == [(zone, 190.0) for zone in THEN]
        old = old.replace("200", "190")
        assert not [told for told in housekeeping.export(book, tmp_path, force=True).warnings if "no such" in told]
        _put(book, tmp_path, old := old.replace("190", "200"))
    assert housekeeping.export(book, tmp_path, force=True).warnings == ()
