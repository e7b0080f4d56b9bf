"""The messy demo imports with only the rows that truly are wrong in the rejects; the rest are the clean rows."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from pipeline.book.log_tables import LOG_TABLES
from pipeline.book.store import Book, create_book
from pipeline.intake.importing import ImportAnswer, import_files

DEMO = Path(__file__).parents[2] / "data_demo"
TODAY = date(2026, 7, 1)
MESSY = {"jobs": "jobs.xlsx", "deliveries": "deliveries.csv", "weighings": "weighings.tsv", "bookings": "bookings.ics"}
EXPECTED = json.loads((DEMO / "messy" / "expected_rejects.json").read_text(encoding="utf-8"))
Imported = dict[str, tuple[Book, ImportAnswer]]


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Imported:
    """Import the clean and the messy demo into a book each."""
    toml = (DEMO / "clean" / "book.toml").read_text(encoding="utf-8")
    done = {}
    for name, files in (("clean", [f"{kind}.csv" for kind in MESSY]), ("messy", list(MESSY.values()))):
        folder = tmp_path_factory.mktemp(name)
        book = create_book(folder / "book", toml)
        places = [Path(shutil.copy(DEMO / name / file, folder)) for file in files]
        done[name] = (book, import_files(book, places, today=TODAY))
    return done


def _refused(answer: ImportAnswer) -> set[tuple[str, int]]:
    import csv

    found = set()
    for file in answer.result.files:
        if file.rejects_file is not None:
            with Path(file.rejects_file).open(encoding="utf-8-sig", newline="") as text:
                found |= {(row["reject_file"], int(row["reject_line"])) for row in csv.DictReader(text)}
    return found


def test_only_the_wrong_rows_are_refused(both: Imported) -> None:
    """Every listed row of the tables is in the rejects, and no other; of the calendar one event."""
    wanted = {(row["file"], int(row["line"])) for row in EXPECTED["rejects"] if not row["file"].endswith(".ics")}
    refused = _refused(both["messy"][1])
    assert {r for r in refused if not r[0].endswith(".ics")} == wanted
    n_events = sum(row["file"].endswith(".ics") for row in EXPECTED["rejects"])
    assert len([r for r in refused if r[0].endswith(".ics")]) == n_events


def test_doubled_rows_are_duplicates(both: Imported) -> None:
    """Rows that the messy files hold twice count once."""
    found = {f.file: f.duplicate for f in both["messy"][1].result.files if f.duplicate}
    assert found == EXPECTED["duplicates"]


#: Columns that the calendar and the tables of the messy shop do not carry in the same form.
_LEFT_OUT = {"bookings": {"booking_id", "taken_on"}}


@pytest.mark.parametrize("kind", list(MESSY))
def test_the_rest_is_the_clean_demo(kind: str, both: Imported, new_book: Callable[..., Book]) -> None:
    """Row for row the same, codes folded and figures to a thousandth."""
    table = LOG_TABLES[kind]
    columns = ", ".join(
        f"round({c}, 3)" if kind_of == "double" else table.folded(c)
        for c, kind_of in table.types.items()
        if c not in _LEFT_OUT.get(kind, ())
    )
    rows = []
    for book, _ in both.values():
        with book.reading() as connection:
            rows.append(connection.execute(f"select {columns} from {table.name} order by all").fetchall())
    clean, messy = rows
    assert len(clean) > 100
    assert [r for r in clean if r not in messy] == []
    assert [r for r in messy if r not in clean] == []
    assert len(clean) == len(messy)
