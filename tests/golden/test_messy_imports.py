"""Each messy file of `messy/` gives the rows of its clean twin in the book, and refuses exactly the listed rows."""

from __future__ import annotations

import csv
import math
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.book.log_rows import export_frame
from pipeline.book.log_tables import LOG_TABLES
from pipeline.book.store import create_book
from pipeline.intake.importing import ImportAnswer, import_files

MESSY = Path(__file__).parent / "messy"
NAMES = sorted(path.name.removesuffix(".expected.csv") for path in MESSY.glob("*.expected.csv"))
CODES = {code for table in LOG_TABLES.values() for code in table.codes}
TODAY = date(2026, 12, 31)


def _kind(name: str) -> str:
    return next((kind for kind in ("deliveries", "weighings", "bookings") if name.startswith(f"{kind}-")), "jobs")


def _book_of(folder: Path, name: str, source: Path) -> tuple[ImportAnswer, list[dict[str, Any]], Path]:
    """Import one file into an empty book with the pair's settings; return the account, the book's rows, the input."""
    toml = MESSY / f"{name}.book.toml"
    book = create_book(folder / "book", toml.read_text(encoding="utf-8") if toml.exists() else "")
    place = Path(shutil.copy(source, folder))
    answer = import_files(book, [place], today=TODAY, kind=_kind(name))  # type: ignore[arg-type]
    frame = export_frame(book, _kind(name))
    return answer, [dict(zip(frame.columns, row, strict=True)) for row in frame.itertuples(index=False)], place


def _comparable(row: dict[str, Any]) -> tuple[str, ...]:
    """Return a row's texts: codes folded, figures to six digits, blanks equal whatever their type."""
    cells = []
    for name, value in row.items():
        if value is None or value != value or value == "":
            cells.append("")
        elif isinstance(value, float):
            cells.append("0" if value == 0 else f"{round(value, 5 - math.floor(math.log10(abs(value)))):.9g}")
        else:
            cells.append(str(value).casefold() if name in CODES else str(value))
    return tuple(cells)


@pytest.mark.parametrize("name", NAMES)
def test_messy_file_gives_the_rows_of_its_twin(name: str, tmp_path: Path) -> None:
    """Same rows as the clean twin, none lost or doubled."""
    source = next(
        p for p in MESSY.glob(f"{name}.*") if p.suffixes in ([".csv"], [".tsv"], [".xlsx"], [".ods"], [".ics"])
    )
    for sub in ("messy", "clean"):
        (tmp_path / sub).mkdir()
    answer, rows, place = _book_of(tmp_path / "messy", name, source)
    twin, wanted, _ = _book_of(tmp_path / "clean", name, MESSY / f"{name}.expected.csv")
    assert [f.rejected for f in twin.result.files] == [0]
    assert sorted(map(_comparable, rows)) == sorted(map(_comparable, wanted)), answer
    done = answer.result.files[0]
    assert done.accepted + done.duplicate + done.rejected == done.rows
    listed = MESSY / f"{name}.rejects.csv"
    if not listed.exists():
        assert done.rejected == 0, done.reasons
        return
    with listed.open(encoding="utf-8", newline="") as file:
        refused = {int(row["reject_line"]) for row in csv.DictReader(file)}
    with (place.parent / f"{place.name}.rejects.csv").open(encoding="utf-8-sig", newline="") as file:
        assert {int(row["reject_line"]) for row in csv.DictReader(file)} == refused
