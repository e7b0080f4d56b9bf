"""What is said when a book was made."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.setting_up import MadeBook
    from pipeline.present.figures import Style


def render_made(answer: Answer[MadeBook], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return where the book is and what to do next."""
    folder = answer.result.folder
    return (
        f"Made a job book in {folder}\n"
        "Next: look through book.toml there, then `rimebook import FILE` with your job log.\n"
        f"Elsewhere, name it with --book {folder} or in the environment variable RIMEBOOK_BOOK."
    )
