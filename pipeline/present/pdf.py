"""A page as PDF, where the extra that makes it is installed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shared.errors import RimebookError

if TYPE_CHECKING:
    from types import ModuleType


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


def page_pdf(html: str, *, mark: str = "") -> bytes:
    """Return a page as PDF with tags for screen readers.

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
    return bytes(library.HTML(string=html, url_fetcher=fetcher).write_pdf(
        pdf_variant="pdf/ua-1", pdf_identifier=mark.encode() or None
    ))  # fmt: skip
