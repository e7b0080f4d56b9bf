"""Making a new book."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from pipeline.answers.answer import Answer, Asking
from pipeline.book.store import create_book

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class MadeBook:
    """Where a new book was made."""

    folder: str
    files: tuple[str, ...]


def make_book(folder: Path, toml: str | None = None) -> tuple[Asking, Answer[MadeBook]]:
    """Make a book in a new or empty folder and return it as who asks, with the answer."""
    book = create_book(folder, toml)
    made = MadeBook(str(folder.resolve()), ("book.toml", book.database.name))
    return Asking(book, book.settings.shop.as_of or date.today()), Answer(made)
