"""Fixtures that every kind of test may use."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

# As the console script does, before numpy is imported: small matrices want one thread.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

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


def run_command(*arguments: str) -> tuple[int, str, str]:
    """Run one command in this process; return its exit code, stdout and stderr."""
    from contextlib import redirect_stderr, redirect_stdout
    from io import StringIO

    from pipeline.cli.main import main

    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main(list(arguments))
    return code, out.getvalue(), err.getvalue()


@pytest.fixture(scope="session")
def run() -> Callable[..., tuple[int, str, str]]:
    """Return a runner of commands: `run("estimate", ...) -> (exit code, stdout, stderr)`."""
    return run_command


@pytest.fixture(scope="session")
def ask(run: Callable[..., tuple[int, str, str]]) -> Callable[..., dict[str, Any]]:
    """Return a runner that expects an answer: `ask("estimate", folder, ...) -> the JSON envelope`."""

    def asked(command: str, folder: Path, *arguments: str) -> dict[str, Any]:
        code, out, err = run(command, *arguments, "--book", str(folder), "--json")
        assert code == 0, err
        return dict(json.loads(out))

    return asked


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the demo's book, imported and learned once; tests must leave it as it is."""
    source = tmp_path_factory.mktemp("logs")
    clean = Path(__file__).parents[1] / "data_demo" / "clean"
    for file in clean.glob("*.csv"):
        (source / file.name).write_bytes(file.read_bytes())
    folder = tmp_path_factory.mktemp("demo") / "book"
    create_book(folder, (clean / "book.toml").read_text(encoding="utf-8"))
    for arguments in (["import", *map(str, sorted(source.glob("*.csv")))], ["learn"]):
        code, _, err = run_command(*arguments, "--book", str(folder))
        assert code == 0, err
    return folder


@pytest.fixture(scope="session")
def demo_report(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the demo's report page, made once."""
    file = tmp_path_factory.mktemp("report") / "demo.html"
    code, _, err = run_command("report", "--out", str(file), "--book", str(demo_folder))
    assert code == 0, err
    return file


@pytest.fixture(scope="session")
def demo_page(demo_report: Path) -> str:
    """Return the demo's report page as text."""
    return demo_report.read_text(encoding="utf-8")
