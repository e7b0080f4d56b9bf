"""The option `--sheet` of `quote`: the customer's sheet as HTML or PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from shared.errors import UsageError

if TYPE_CHECKING:
    # Nothing of this is read by typer, and every command would pay for it.
    from pipeline.answers.answer import Answer, Asking
    from pipeline.answers.quoting import QuoteResult
    from pipeline.answers.requests import JobAsked

SheetOption = Annotated[
    Path | None, typer.Option("--sheet", metavar="FILE", help="Write the customer's sheet: .html or .pdf.")
]
ForceOption = Annotated[bool, typer.Option("--force", help="Write over a sheet that is there.")]


def check_sheet(file: Path | None, *, force: bool) -> None:
    """Refuse a sheet that cannot be written, before anything is computed or saved."""
    if file is None:
        return
    from pipeline.present.output_file import check_output

    if file.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise UsageError("bad-sheet", where="--sheet", found=f"`{file}`", expected="a .html or .pdf file",
                         do="For example: --sheet quote.html")  # fmt: skip
    check_output(file, force=force)
    if file.suffix.lower() == ".pdf":
        from pipeline.present.pdf import require_pdf

        require_pdf()


def write_sheet(
    file: Path, asking: Asking, answer: Answer[QuoteResult], jobs: Sequence[JobAsked]
) -> Answer[QuoteResult]:
    """Write the sheet of the jobs as they were quoted; return the answer with what must be said of it."""
    from pipeline.answers.customer_sheet import customer_sheets, several_customers, shop_logo
    from pipeline.cli.common import style_of, tell
    from pipeline.present.output_file import write_whole
    from pipeline.present.pdf import page_pdf
    from pipeline.present.sheet import sheet_page

    sheets = customer_sheets(asking, answer.result.quotes, jobs)
    logo, said = shop_logo(asking.book)
    page = sheet_page(sheets, asking.book.settings, style_of(asking.book), cautions=answer.cautions, logo=logo)
    warnings = [note for note in (said, several_customers(sheets)) if note]
    if file.suffix.lower() == ".pdf":
        printed = page_pdf(page)
        write_whole(file, printed.data)
        warnings += printed.warnings()
    else:
        write_whole(file, page.encode())
    tell(f"Wrote {file}.")
    return replace(answer, warnings=(*answer.warnings, *warnings))
