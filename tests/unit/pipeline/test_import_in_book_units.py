"""A metric book tells the figures of an import in kilograms: rejections and warnings alike."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from log_files import log_file

from pipeline.book.store import Book
from pipeline.intake.importing import ImportAnswer, import_files

HEAD = "job_id,vehicle,date,vehicle_class,zone,soil_level,pellets,minutes,job_pellets"
Put = Callable[..., ImportAnswer]


@pytest.fixture
def put(new_book: Callable[..., Book], tmp_path: Path) -> Put:
    """Import rows under a head into one metric book."""
    book = new_book('[shop]\nunits = "metric"\n')

    def importer(*rows: str, head: str = HEAD, name: str = "jobs.csv") -> ImportAnswer:
        return import_files(book, [log_file(tmp_path, name, head, *rows)], today=date(2026, 7, 1))

    return importer


@pytest.mark.parametrize(
    ("rows", "code", "told"),
    [
        (("A,,2026-03-02,van,interior,,8,40,50", "A,,2026-03-02,van,engine_bay,,20,30,50"),
         "lines-contradict-total", "the lines come to 28 kg, the total says 50 kg"),
        (("A,,2026-03-02,van,interior,,,,50", "A,,2026-03-02,van,engine_bay,,,,60"),
         "visit-disagrees", "found 50 and 60"),
        (("A,,2026-03-02,van,interior,,,,900", "A,,2026-03-02,van,engine_bay,,,,900"),
         "too-large", "a total of 900 kg over 2 lines; at most 362.9 kg a line are believed"),
    ],
)  # fmt: skip
def test_a_visit_is_rejected_in_kilograms(put: Put, rows: tuple[str, ...], code: str, told: str) -> None:
    """Figures stand in the reason as they stood in the file, limits in the same unit."""
    (only,) = put(*rows).result.files
    assert any(r.code == code and told in r.hint for r in only.reasons)


def test_odd_lines_are_told_in_kilograms(put: Put) -> None:
    """A line far over planning, and a delivery beside another, name kilograms."""
    warnings = put("B,,2026-03-02,sedan,interior,,180,400,").warnings
    assert any("with pellets over 6 times the planning figure" in w and "B interior: 180 kg" in w for w in warnings)
    head = "date,container,weight,supplier"
    put("2026-03-02,tote-a,200,n", head=head, name="d.csv")
    again = put("2026-03-02,tote-a,220,n", head=head, name="e.csv").warnings
    assert any("220 kg beside 200 kg" in w for w in again)


def test_a_file_in_pounds_is_doubted_in_kilograms(put: Put) -> None:
    """Three lines far over planning are doubted beside what is planned, both in kilograms."""
    rows = [f"C{k},,2026-03-0{k},sedan,interior,,{kg},200," for k, kg in enumerate((60, 70, 65), start=1)]
    (told,) = [w for w in put(*rows).warnings if "a usual line" in w]
    assert told.startswith("a usual line has pellets of 65 kg, where about ")


def test_a_hot_day_is_told_in_celsius(put: Put) -> None:
    """Limit and cell stand in the same degrees, those of the file."""
    head = "job_id,date,vehicle_class,zone,pellets,minutes,ambient"
    (told,) = [w for w in put("A,2026-03-02,van,interior,8,40,52", head=head).warnings if "ambient" in w]
    assert "above 51.7" in told
    assert "52 (line 2)" in told
