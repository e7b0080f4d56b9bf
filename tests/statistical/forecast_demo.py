"""The shipped demo as a forecast sees it, imported into a book in a temporary folder."""

from __future__ import annotations

import shutil
import tempfile
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.answers.answer import Asking
from pipeline.answers.forecast_ground import Ground, gather
from pipeline.book.store import create_book
from pipeline.cli.main import main

if TYPE_CHECKING:
    from datetime import date

CLEAN = Path(__file__).parents[2] / "data_demo" / "clean"


def demo_book(folder: Path) -> Path:
    """Make a book of the shipped logs in a folder and return it; nothing is learned yet."""
    book = create_book(folder / "demo", (CLEAN / "book.toml").read_text(encoding="utf-8"))
    files = []
    for name in ("jobs", "deliveries", "weighings", "bookings"):
        files.append(str(shutil.copy(CLEAN / f"{name}.csv", folder)))
    out = StringIO()
    with redirect_stdout(out), redirect_stderr(out):
        code = main(["import", *files, "--book", str(book.folder)])
    if code:
        raise SystemExit(out.getvalue())
    return book.folder


def demo_ground(today: date | None = None) -> Ground:
    """Return what is known of the demo on a morning, its `as_of` where none is given."""
    from pipeline.book.store import open_book

    with tempfile.TemporaryDirectory() as folder:
        book = open_book(demo_book(Path(folder)))
        return gather(Asking(book, today or book.settings.shop.as_of))
