"""What a book's settings say to the readers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.intake.words import Words, book_words

if TYPE_CHECKING:
    from pipeline.book.settings import Settings


def words_of(settings: Settings) -> Words:
    """Return the words of a book.

    Raises
    ------
    RimebookError
        Where an alias or a package in `book.toml` points at a word nobody knows.
    """
    words = settings.words
    return book_words(
        classes=tuple(words.classes), zones=tuple(words.zones), aliases=words.aliases, packages=words.packages
    )
