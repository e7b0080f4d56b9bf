"""A page as PDF, where the extra that makes it is installed."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shared.errors import RimebookError

if TYPE_CHECKING:
    from types import ModuleType


@dataclass(frozen=True)
class Printed:
    """A PDF, and the letters in it that no font of this machine has: they stand there as empty boxes."""

    data: bytes
    boxes: tuple[str, ...]

    def warnings(self) -> tuple[str, ...]:
        """Return what must be said of it."""
        if not self.boxes:
            return ()
        named = ", ".join(f"{letter} (U+{ord(letter):04X})" for letter in self.boxes)
        return (
            f"The PDF shows empty boxes for letters that no font on this machine has: {named}. Install a font that has "
            "them and write it again, or write HTML and print that where they show.",
        )


class _Boxes(logging.Handler):
    """Gathers the letters without a glyph: the library tells them by its log, and nowhere else."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.letters: dict[str, None] = {}

    def emit(self, record: logging.LogRecord) -> None:
        if record.msg.startswith(".notdef glyph") and isinstance(record.args, tuple):
            self.letters[str(record.args[0])] = None


def require_pdf() -> ModuleType:
    """Return the library that makes PDF.

    Raises
    ------
    RimebookError
        Where the extra, or a library under it, is missing.
    """
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # OSError: Pango, which it loads, is not on this machine
        raise RimebookError(
            "no-pdf", where="PDF", found=str(error) or "no weasyprint", expected="the extra that makes PDF",
            do="In rimebook's own folder: .venv/bin/python -m pip install -c .ci/constraints.txt '.[pdf]' (Debian "
            "also: apt install libpango-1.0-0 libpangoft2-1.0-0). Or write HTML and print it from your browser.",
        ) from error  # fmt: skip
    found: ModuleType = weasyprint
    return found


def page_pdf(html: str, *, mark: str = "") -> Printed:
    """Return a page as PDF with tags for screen readers, and which letters it could not print.

    Parameters
    ----------
    html : str
    mark : str
        First part of the file's identifier (ISO 32000-1, 14.4), by which it is known again.

    Raises
    ------
    RimebookError
        Where the extra that makes PDF is missing.
    """
    library = require_pdf()
    from weasyprint.urls import URLFetcher

    # Pictures are inside the page; nothing else is read, neither from the net nor from this machine.
    fetcher = URLFetcher(allowed_protocols={"data"})
    boxes, log = _Boxes(), logging.getLogger("weasyprint")
    log.addHandler(boxes)
    try:
        data = library.HTML(string=html, url_fetcher=fetcher).write_pdf(
            pdf_variant="pdf/ua-1", pdf_identifier=mark.encode() or None
        )
    finally:
        log.removeHandler(boxes)
    return Printed(bytes(data), tuple(boxes.letters))
