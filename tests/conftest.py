"""Fixtures that every kind of test may use."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.book.store import Book, create_book

#: Columns of the plain job rows that tests write down.
ROW_DEFAULTS = {"pass": 1, "batch": 0, "row_hash": 0}


@pytest.fixture
def new_book(tmp_path: Path) -> Callable[..., Book]:
    """Return a maker of books: `new_book(toml="", rows=[...])`, rows being columns of `job_lines`."""

    def make(toml: str = "", rows: list[dict[str, object]] | None = None, name: str = "shop") -> Book:
        book = create_book(tmp_path / name, toml)
        add_rows(book, rows or [])
        return book

    return make


def add_rows(book: Book, rows: list[dict[str, object]]) -> None:
    """Put rows into `job_lines` as they are, past the import's checks; each gets a hash of its content."""
    with book.writing() as connection:
        for row in rows:
            filled = {**ROW_DEFAULTS, **row}
            columns = ", ".join(filled)
            marks = ", ".join("?" for _ in filled)
            connection.execute(f"insert into job_lines ({columns}) values ({marks})", list(filled.values()))
        connection.execute("update job_lines set row_hash = hash(job_lines)")
