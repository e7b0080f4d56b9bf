"""What `schema` prints is a Frictionless Table Schema, and the demo's clean logs and every export follow it.

Judged by the frictionless package, which implements Table Schema of the Frictionless Data specifications.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from frictionless import Dialect, Resource, Schema, system, validate

from pipeline.answers import housekeeping
from pipeline.book.settings import Settings
from pipeline.book.store import Book
from pipeline.book.toml_file import load_settings
from pipeline.intake.columns import LOGS
from pipeline.intake.importing import import_files
from pipeline.intake.logs import SHAPES

DEMO = Path(__file__).parents[2] / "data_demo"
LOG_NAMES = tuple(LOGS)


def _demo_settings() -> Settings:
    return load_settings(DEMO / "clean" / "book.toml")


def _schema(name: str, settings: Settings) -> dict[str, Any]:
    return housekeeping.log_schemas(settings).result[name]


def _errors(file: Path, descriptor: dict[str, Any]) -> list[str]:
    with system.use_context(trusted=True):  # absolute paths of a temporary folder
        resource = Resource(
            path=str(file), format="csv", encoding="utf-8", dialect=Dialect(), schema=Schema.from_descriptor(descriptor)
        )
        report = validate(resource)
    return [str(row) for row in report.flatten(["rowNumber", "fieldName", "type", "note"])]


@pytest.mark.parametrize("name", LOG_NAMES)
def test_each_log_is_a_valid_table_schema(name: str) -> None:
    """The descriptor passes the specification's own checks and survives JSON."""
    descriptor = json.loads(json.dumps(_schema(name, Settings()), allow_nan=False))
    report = Schema.validate_descriptor(descriptor)
    assert report.valid, report.errors
    assert [f["name"] for f in descriptor["fields"]] == [c.name for c in LOGS[name]]  # type: ignore[index]
    assert all(f["description"] for f in descriptor["fields"])


@pytest.mark.parametrize("name", LOG_NAMES)
def test_a_log_is_declared_completely(name: str) -> None:
    """Every column has its sentence and every column of numbers its limits."""
    shape = SHAPES[name]  # type: ignore[index]
    assert set(shape.doc) == {c.name for c in shape.columns}
    numbers = {c.name for c in shape.columns if c.reads not in
               ("text", "code", "date", "moment", "class", "zone", "soil", "yes_no", "status")}  # fmt: skip
    assert set(shape.limits) == numbers


@pytest.mark.parametrize("name", LOG_NAMES)
def test_the_demo_follows_its_schema(name: str) -> None:
    """The clean demo logs validate under the schema of the demo's settings."""
    assert _errors(DEMO / "clean" / f"{name}.csv", _schema(name, _demo_settings())) == []


def test_an_export_follows_its_schema(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """What `export` writes of the demo validates too."""
    book = new_book((DEMO / "clean" / "book.toml").read_text(encoding="utf-8"))
    import_files(book, [DEMO / "clean" / f"{name}.csv" for name in LOG_NAMES], today=date(2026, 7, 1))
    housekeeping.export(book, tmp_path / "out")
    for name in LOG_NAMES:
        assert _errors(tmp_path / "out" / f"{name}.csv", _schema(name, book.settings)) == []


def test_wrong_rows_do_not_follow_it(tmp_path: Path) -> None:
    """A negative, an unknown zone, a missing date and a yes that is none are each found."""
    file = tmp_path / "jobs.csv"
    head = [c.name for c in LOGS["jobs"]]
    row = {"job_id": "A", "vehicle_class": "van", "zone": "roof", "pellets_lb": "-3", "coating_removed": "maybe"}
    file.write_text("\n".join([",".join(head), ",".join(row.get(h, "") for h in head)]), encoding="utf-8")
    found = _errors(file, _schema("jobs", Settings()))
    for column in ("date", "zone", "pellets_lb", "coating_removed"):
        assert any(f"'{column}'" in error for error in found), (column, found)
