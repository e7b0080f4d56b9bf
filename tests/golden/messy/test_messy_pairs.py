"""The golden pairs are well formed: each messy file has a twin in canonical columns that itself follows the layout."""

from __future__ import annotations

import csv
import importlib.util
from collections import defaultdict
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import python_calamine

from data_demo.generate import LOG_COLUMNS
from shared.vocabulary import CLASSES, SOILS, ZONES

HERE = Path(__file__).parent
MESSY = sorted(
    path
    for path in HERE.iterdir()
    if path.suffix in (".csv", ".tsv", ".xlsx", ".ods", ".ics")
    and not path.name.endswith((".expected.csv", ".rejects.csv"))
)
TWINS = sorted(HERE.glob("*.expected.csv"))


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _kind(name: str) -> str:
    return next((kind for kind in ("deliveries", "weighings", "bookings") if name.startswith(f"{kind}-")), "jobs")


def test_there_are_twenty_habits_and_each_has_its_twin() -> None:
    """At least twenty messy files, no file without a twin, no twin, setting or rejects list without a file."""
    names = {path.stem for path in MESSY}
    assert len(MESSY) == len(names) >= 20
    assert {path.name.removesuffix(".expected.csv") for path in TWINS} == names
    others = [*HERE.glob("*.book.toml"), *HERE.glob("*.rejects.csv")]
    assert {path.name.split(".")[0] for path in others} <= names
    listed = (HERE / "README.md").read_text(encoding="utf-8")
    assert all(f"| `{name}` |" in listed for name in names)


@pytest.mark.parametrize("path", TWINS, ids=lambda path: path.name)
def test_twin_is_clean(path: Path) -> None:
    """A twin has canonical heads, ISO dates, plain numbers and the trade's words, or the book's own."""
    kind = _kind(path.name)
    rows = _rows(path)
    assert rows
    assert set(rows[0]) <= set(LOG_COLUMNS[kind])
    own_words = path.name.startswith(("own-words", "package-names"))
    for row in rows:
        assert None not in row
        for column, value in row.items():
            if column in ("date", "taken_on"):
                date.fromisoformat(value)
            elif column == "at":
                datetime.fromisoformat(value)
            elif column.endswith(("_lb", "_usd", "_min", "_psi", "_in", "_f", "_per_lb")) or column == "minutes":
                assert value == "" or float(value) >= -40
        if kind in ("jobs", "bookings"):
            assert row["vehicle_class"] in CLASSES or own_words
            assert row["zone"] in ZONES or own_words
            assert row["soil_level"] in (*SOILS, "", "unknown")


@pytest.mark.parametrize("path", [p for p in TWINS if _kind(p.name) == "jobs"], ids=lambda path: path.name)
def test_twin_visits_are_whole(path: Path) -> None:
    """In a twin each visit has one date, unique lines, and lines or a total of both quantities that agree."""
    jobs: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in _rows(path):
        jobs[row["job_id"]].append(row)
    for job_id, rows in jobs.items():
        assert len({row["date"] for row in rows}) == 1, job_id
        keys = {(row.get("vehicle", ""), row["zone"], row.get("pass", "")) for row in rows}
        assert len(keys) == len(rows), job_id
        for line, total, slack in (("pellets_lb", "job_pellets_lb", 1.0), ("minutes", "job_minutes", 5.0)):
            lines = [row.get(line, "") for row in rows]
            totals = {row.get(total, "") for row in rows}
            assert len(totals) == 1, job_id
            told = totals.pop()
            assert told or all(lines), job_id
            if told and all(lines):
                assert abs(sum(map(float, lines)) - float(told)) <= 0.02 * float(told) + slack, job_id


@pytest.mark.parametrize("path", sorted(HERE.glob("*.rejects.csv")), ids=lambda path: path.name)
def test_rejects_point_at_rows_of_their_file(path: Path) -> None:
    """A list of rejects names lines below the heads, once each, with a reason; no such visit is in the twin."""
    name = path.name.removesuffix(".rejects.csv")
    lines = (HERE / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    kept = {row["job_id"] for row in _rows(HERE / f"{name}.expected.csv")}
    rows = _rows(path)
    numbers = [int(row["reject_line"]) for row in rows]
    assert numbers == sorted(set(numbers))
    for row in rows:
        assert row["why"]
        ticket = lines[int(row["reject_line"]) - 1].split(",")[0]
        assert ticket not in kept
    refused = {lines[n - 1].split(",")[0] for n in numbers}
    left = [line for n, line in enumerate(lines[1:], start=2) if line.split(",")[0] in refused and n not in numbers]
    assert not left


def _contents(path: Path) -> Any:
    if path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path)
        return [(s.title, [tuple(r) for r in s.values], {str(m) for m in s.merged_cells.ranges}) for s in book]
    if path.suffix == ".ods":
        book = python_calamine.load_workbook(path)
        return [
            (meta.name, meta.visible, book.get_sheet_by_name(meta.name).to_python()) for meta in book.sheets_metadata
        ]
    return path.read_bytes()


def test_built_files_are_what_the_script_builds(tmp_path: Path) -> None:
    """The checked-in workbooks and odd texts hold what `build.py` writes."""
    spec = importlib.util.spec_from_file_location("build_messy_pairs", HERE / "build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.build(tmp_path)
    built = sorted(path.name for path in tmp_path.iterdir())
    assert len(built) == 9
    for name in built:
        assert _contents(tmp_path / name) == _contents(HERE / name), name
