"""Every job log: export reads back, rows are accounted for, twice is once, order and splits are nothing.

Every example opens databases, so the default is a few; ``RIMEBOOK_EXAMPLES=200`` asks for more.
"""

from __future__ import annotations

import csv
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.answers import housekeeping
from pipeline.book.log_tables import JOB_LINES
from pipeline.book.store import Book, create_book
from pipeline.intake.columns import LOGS
from pipeline.intake.importing import FileResult, import_files
from shared.vocabulary import CLASSES, SOILS, ZONES

TODAY = date(2026, 7, 1)
HEAD = tuple(column.name for column in LOGS["jobs"])
TOML = '[words]\npackages = {"full underside" = ["undercarriage", "wheel_wells", "suspension"]}\n'
UNDERSIDE = {"undercarriage", "wheel_wells", "suspension"}
Row = dict[str, str]

few = settings(
    max_examples=int(os.environ.get("RIMEBOOK_EXAMPLES", "5")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

# Texts as people may write them: any letters and signs, formulas and quotes among them, but no control characters.
_text = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cf", "Zl", "Zp", "Zs")), max_size=12)
_note = st.one_of(_text, st.sampled_from(["=1+1", "-x", "'=x", "''+y", '"q"', "a,b", "two\nlines", "@me", "+", "'"]))
_code = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9 #/.-]{0,5}[A-Za-z0-9]|=[a-z]{2}", fullmatch=True)
_lb = st.floats(0.1, 700, allow_nan=False).map(repr)
_min = st.floats(0.1, 1400, allow_nan=False).map(repr)


def _maybe(strategy: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(st.just(""), strategy)


@st.composite
def visits(draw: st.DrawFn, n: int) -> list[Row]:
    """Return the rows of one visit that no rule refuses: by line, as totals, or with a package."""
    grain = draw(st.sampled_from(["lines", "total", "package"]))
    shared = {
        "job_id": f"{draw(st.sampled_from(['J', '=J', '00', 'j ']))}{n}",
        "date": (date(2024, 1, 1) + timedelta(days=draw(st.integers(0, 900)))).isoformat(),
        "price_usd": draw(_maybe(st.floats(0, 1000).map(repr))),
        "customer": draw(_maybe(_code)),
        "setup_min": draw(_maybe(st.integers(0, 60).map(str))),
    }
    if grain == "total":
        shared |= {"job_pellets_lb": draw(_lb), "job_minutes": draw(_maybe(_min))}
    rows = []
    for vehicle in draw(st.lists(st.sampled_from(["", "P-1", "p2"]), min_size=1, max_size=2, unique=True)):
        vehicle_class = draw(st.sampled_from(CLASSES))
        zones = draw(st.lists(st.sampled_from(ZONES), min_size=1, max_size=3, unique=True))
        if grain == "package":
            zones = ["full underside", *(z for z in zones if z not in UNDERSIDE)]
        for zone in zones:
            row = shared | {
                "vehicle": vehicle, "vehicle_class": vehicle_class, "zone": zone,
                "soil_level": draw(_maybe(st.sampled_from(SOILS))),
                "coating_removed": draw(st.sampled_from(["", "yes", "no"])), "machine": draw(_maybe(_code)),
                "operator": draw(_maybe(_code)), "pressure_psi": draw(_maybe(st.integers(1, 150).map(str))),
                "ice_on_share": draw(_maybe(st.floats(0, 1).map(repr))),
                "ambient_f": draw(_maybe(st.integers(-40, 110).map(str))),
                "notes": draw(_note),
            }  # fmt: skip
            if grain != "total":
                row |= {"pellets_lb": draw(_lb), "minutes": draw(_maybe(_min))}
            rows.append(row)
    return rows


@st.composite
def logs(draw: st.DrawFn) -> list[list[Row]]:
    """Return the visits of a log without contradictions."""
    return [draw(visits(n)) for n in range(draw(st.integers(1, 4)))]


@contextmanager
def _shop(name: str = "book") -> Iterator[tuple[Book, Path]]:
    with tempfile.TemporaryDirectory() as folder:
        yield create_book(Path(folder) / name, TOML), Path(folder)


def _write(place: Path, rows: list[Row]) -> Path:
    with place.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, HEAD, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return place


def _import(book: Book, file: Path) -> FileResult:
    done = import_files(book, [file], today=TODAY).result.files[0]
    assert done.accepted + done.duplicate + done.rejected == done.rows
    return done


def _content(book: Book) -> list[tuple[object, ...]]:
    columns = ", ".join(JOB_LINES.columns)
    with book.reading() as connection:
        return connection.execute(f"select {columns} from job_lines order by all").fetchall()


@few
@given(logs())
def test_export_imports_to_the_same_rows(log: list[list[Row]]) -> None:
    """What `export` writes fills an empty book with the same rows, and adds nothing to the book it came from."""
    with _shop() as (book, folder), _shop() as (other, _):
        _import(book, _write(folder / "jobs.csv", [row for visit in log for row in visit]))
        housekeeping.export(book, folder / "out")
        assert _import(other, folder / "out" / "jobs.csv").rejected == 0
        assert _content(other) == _content(book)
        assert _import(book, folder / "out" / "jobs.csv").accepted == 0


@few
@given(logs(), st.data())
def test_order_and_splits_between_visits_are_nothing(log: list[list[Row]], data: st.DataObject) -> None:
    """Files that do not contradict each other give the same rows in any order and however the visits are split."""
    shuffled = data.draw(st.permutations(log))
    cut = data.draw(st.integers(0, len(shuffled)))
    with _shop() as (book, folder), _shop() as (other, _):
        assert _import(book, _write(folder / "all.csv", [row for visit in log for row in visit])).rejected == 0
        for n, part in enumerate((shuffled[:cut], shuffled[cut:], shuffled[: cut // 2])):
            rows = data.draw(st.permutations([row for visit in part for row in visit]))
            if rows:
                _import(other, _write(folder / f"part{n}.csv", rows))
        assert _folded(other) == _folded(book)


def _folded(book: Book) -> list[tuple[object, ...]]:
    """Return the rows as they are compared: which spelling of a code is kept may depend on the order."""
    columns = ", ".join(JOB_LINES.folded(c) for c in JOB_LINES.columns)
    with book.reading() as connection:
        return connection.execute(f"select {columns} from job_lines order by all").fetchall()


#: Cells of every sort, good and bad.
_cells = {
    "job_id": st.sampled_from(["A", "a", "B", "C", "", "-"]),
    "vehicle": st.sampled_from(["", "P1", "p1"]),
    "date": st.sampled_from(["2026-03-02", "3 March 2026", "03/04/2026", "31/12/2025", "soon", ""]),
    "vehicle_class": st.sampled_from(["van", "Vans", "suv", "vna", ""]),
    "zone": st.sampled_from(["interior", "Engine Bay", "full underside", "suspension", "roof", ""]),
    "soil_level": st.sampled_from(["", "heavy", "unknown", "filthy"]),
    "pellets_lb": st.sampled_from(["", "8", "8 lb", "-3", "900", "lots", "~60", "0"]),
    "minutes": st.sampled_from(["", "40", "1:30", "#REF!"]),
    "job_pellets_lb": st.sampled_from(["", "", "8", "120"]),
    "pass": st.sampled_from(["", "1", "2", "x"]),
    "price_usd": st.sampled_from(["", "", "280", "300"]),
}


@few
@given(st.lists(st.fixed_dictionaries(_cells), min_size=1, max_size=12), st.sampled_from(["newest", "stored"]))
def test_every_row_is_accounted_for_and_twice_is_once(rows: list[Row], prefer: str) -> None:
    """accepted + duplicate + rejected = rows whatever stands in them; a second import accepts none and changes nothing.

    Visits are whole: a job id of which a row was rejected has no line in a book that was empty.
    """
    with _shop() as (book, folder):
        file = _write(folder / "jobs.csv", rows)
        first = _import(book, file)
        content = _content(book)
        refused: list[Row] = []
        if first.rejects_file is not None:
            with Path(first.rejects_file).open(encoding="utf-8-sig", newline="") as text:
                refused = list(csv.DictReader(text))
        assert len(refused) == first.rejected
        assert not {r["job_id"].casefold() for r in refused if r["job_id"] not in ("", "-")} & {
            str(line[0]).casefold() for line in content
        }
        again = import_files(book, [file], today=TODAY, prefer=prefer).result  # type: ignore[arg-type]
        assert (again.files[0].accepted, again.batch) == (0, None)
        assert again.files[0].rejected == first.rejected
        assert _content(book) == content


@few
@given(logs(), logs())
def test_undo_is_as_if_it_never_was(first: list[list[Row]], second: list[list[Row]]) -> None:
    """After a second log, with corrections to the first, `undo` leaves the book as the first log made it."""
    with _shop() as (book, folder):
        _import(book, _write(folder / "a.csv", [row for visit in first for row in visit]))
        before = _content(book)
        _import(book, _write(folder / "b.csv", [row for visit in second for row in visit]))
        if len(housekeeping.batches(book).result.batches) > 1:
            housekeeping.undo(book)
        assert _content(book) == before


@pytest.mark.parametrize("kind", ["deliveries", "weighings", "bookings"])
def test_the_other_logs_export_and_import_to_the_same_rows(kind: str) -> None:
    """The demo's other logs fill a second book with the same rows."""
    demo = Path(__file__).parents[2] / "data_demo" / "clean" / f"{kind}.csv"
    with _shop() as (book, folder), _shop() as (other, _):
        assert _import(book, demo).rejected == 0
        housekeeping.export(book, folder / "out")
        assert _import(other, folder / "out" / f"{kind}.csv").rejected == 0
        housekeeping.export(other, folder / "again")
        assert (folder / "again" / f"{kind}.csv").read_bytes() == (folder / "out" / f"{kind}.csv").read_bytes()
        assert len((folder / "out" / f"{kind}.csv").read_bytes()) > 1000
