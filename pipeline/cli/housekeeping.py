"""Commands that keep the book: batches, undo, export, backup, restore, check, schema, licences."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.common import HERE, BookOption, JsonOption, ask, print_out, show, today_of

if TYPE_CHECKING:
    from pipeline.book.store import Book

ForceOption = Annotated[bool, typer.Option("--force", help="Write over what stands there.")]


class Format(StrEnum):
    """Forms of an export."""

    csv = "csv"
    parquet = "parquet"


def batches(book: BookOption = HERE, as_json: JsonOption = False) -> None:
    """List what was imported."""
    from pipeline.answers.housekeeping import batches as listed
    from pipeline.present.housekeeping_text import render_batches

    asking = ask(book, None)
    show("batches", asking, listed(asking.book), render_batches, as_json=as_json, dated=False)


def undo(
    batch: Annotated[int | None, typer.Argument(metavar="[BATCH]", help="Its number (default: the last).")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before the last one is taken out.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Take one imported batch out again."""
    from pipeline.answers.housekeeping import undo as take_out
    from pipeline.present.housekeeping_text import render_undone

    asking = ask(book, None)
    if batch is None and not yes and sys.stdin.isatty():
        batch = _confirmed_last(asking.book)
    show("undo", asking, take_out(asking.book, batch), render_undone, as_json=as_json, dated=False)


def _confirmed_last(book: Book) -> int | None:
    """Name the last batch and ask whether it is the one that is meant; None where there is none to take out."""
    from pipeline.answers.housekeeping import batches as listed
    from pipeline.present.housekeeping_text import batch_named

    standing = [line for line in listed(book).result.batches if not line.undone]
    if not standing:
        return None
    last = [line for line in standing if line.batch == standing[-1].batch]
    if not typer.confirm(f"Take {batch_named(last)} out again?", default=False, err=True):
        raise typer.Abort
    return last[0].batch


def export(
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Folder for the files.")],
    form: Annotated[Format, typer.Option("--format", help="What to write.")] = Format.csv,
    force: ForceOption = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Write every table to files; the four logs among them import again."""
    from pipeline.answers.housekeeping import export as write_out
    from pipeline.present.housekeeping_text import render_exported

    asking = ask(book, None)
    answer = write_out(asking.book, to, format=form.value, force=force)
    show("export", asking, answer, render_exported, as_json=as_json, dated=False)


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The backup to write.")],
    force: ForceOption = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Copy the book into one verified file."""
    from pipeline.answers.safekeeping import back_up
    from pipeline.present.housekeeping_text import render_backed_up

    asking = ask(book, None)
    show("backup", asking, back_up(asking.book, file, force=force), render_backed_up, as_json=as_json, dated=False)


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file that `backup` wrote.")],
    force: Annotated[bool, typer.Option("--force", help="Even over a newer book or other settings.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Put a backup in the place of a book, which is kept."""
    from pipeline.answers.answer import Asking
    from pipeline.answers.safekeeping import restore as put_back
    from pipeline.book.store import open_book
    from pipeline.present.housekeeping_text import render_restored

    answer = put_back(book, file, force=force)
    restored = open_book(book)
    show("restore", Asking(restored, today_of(restored, None)), answer, render_restored, as_json=as_json, dated=False)


def check(book: BookOption = HERE, as_json: JsonOption = False) -> None:
    """Read the whole book and tell whether it is sound."""
    from pipeline.answers.safekeeping import check as examine
    from pipeline.present.housekeeping_text import render_checked

    asking = ask(book, None)
    answer = examine(asking.book)
    show("check", asking, answer, render_checked, as_json=as_json, dated=False)
    if not answer.result.sound:
        raise typer.Exit(1)


def schema(
    answers: Annotated[bool, typer.Option("--answers", help="The JSON Schema of each answer instead.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,  # noqa: ARG001 - every command takes it, and a schema is JSON anyway
) -> None:
    """Print the layout of the logs as Table Schema (JSON)."""
    from pipeline.present.answer_schemas import answer_schemas
    from pipeline.present.json_text import render_plain

    if answers:
        print_out(render_plain(answer_schemas()))
        return
    from pipeline.answers.housekeeping import log_schemas
    from pipeline.book.settings import Settings
    from pipeline.book.store import DATABASE_NAME, open_book

    settings = open_book(book).settings if (book / DATABASE_NAME).is_file() else Settings()
    print_out(render_plain(log_schemas(settings).result))


def licences(book: BookOption = HERE, as_json: JsonOption = False) -> None:
    """List the packages this program stands on."""
    from pipeline.answers.answer import Answer, Asking
    from pipeline.answers.licences import licences as listed
    from pipeline.book.settings import Settings
    from pipeline.book.store import Book
    from pipeline.present.housekeeping_text import render_licences

    here = Book(book, Settings())
    show(
        "licences", Asking(here, today_of(here, None)), Answer(listed()), render_licences, as_json=as_json, dated=False
    )


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (batches, undo, export, backup, restore, check, schema, licences):
        app.command(command.__name__)(command)
