"""Commands that take the shop's logs in: `import`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.common import HERE, BookOption, JsonOption, Progress, TodayOption, ask, show


class Kind(StrEnum):
    """The four logs."""

    jobs = "jobs"
    deliveries = "deliveries"
    weighings = "weighings"
    bookings = "bookings"


class Prefer(StrEnum):
    """Which of two lines with one key stays."""

    newest = "newest"
    stored = "stored"


def import_logs(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Job logs and the like: CSV, TSV, XLSX, ODS.")],
    kind: Annotated[Kind | None, typer.Option("--kind", help="What every file is (default: from its headers).")] = None,
    columns: Annotated[Path | None, typer.Option("--columns", metavar="MAP.toml", help="A column map.")] = None,
    write_map: Annotated[Path | None, typer.Option("--write-map", metavar="FILE", help="Draft a column map.")] = None,
    sheet: Annotated[str | None, typer.Option("--sheet", help="Sheet of a workbook.")] = None,
    encoding: Annotated[str | None, typer.Option("--encoding", help="Encoding of a text file, such as cp1252.")] = None,
    prefer: Annotated[Prefer, typer.Option("--prefer", help="Which figures stay where two differ.")] = Prefer.newest,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Read and check only; write nothing.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="End with 1 where any row was rejected.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
) -> None:
    """Take in job, delivery, weighing and booking logs."""
    from pipeline.answers.answer import Answer
    from pipeline.intake.importing import import_files
    from pipeline.present.import_text import render_import

    asking = ask(book, today)
    with Progress("importing") as progress:
        done = import_files(
            asking.book, files, today=asking.today, kind=kind.value if kind else None, columns=columns,
            write_map=write_map, sheet=sheet, encoding=encoding, prefer=prefer.value, dry_run=dry_run, strict=strict,
            progress=progress,
        )  # fmt: skip
    show("import", asking, Answer(done.result, done.warnings), render_import, as_json=as_json, dated=False)
    if done.failed:
        raise typer.Exit(1)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("import")(import_logs)
