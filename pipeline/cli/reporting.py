"""The command `report`: everything on one page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.common import (
    HERE,
    BookOption,
    JsonOption,
    LevelOption,
    Progress,
    SeedOption,
    TodayOption,
    ask,
    show,
    style_of,
)
from shared.errors import UsageError


def report(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The page to write.")] = Path("report.html"),
    pdf: Annotated[bool, typer.Option("--pdf", help="Write a PDF beside it (needs the extra [pdf]).")] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that are no report.")] = False,
    names: Annotated[bool, typer.Option("--names", help="Operators by their codes, not as Operator A, B.")] = False,
    book: BookOption = HERE,
    as_json: JsonOption = False,
    today: TodayOption = None,
    seed: SeedOption = 1,
    level: LevelOption = 0.8,
) -> None:
    """Write one page: prices, orders, pellets, forecast, air."""
    from pipeline.answers.answer import Answer
    from pipeline.answers.reporting import SECTIONS, ReportResult, report_contents
    from pipeline.present.output_file import GENERATOR, check_output, made_by_us, write_whole
    from pipeline.present.page import report_page
    from pipeline.present.pdf import page_pdf, require_pdf
    from pipeline.present.report_text import render_report

    if out.suffix.casefold() == ".pdf":
        raise UsageError(
            "page-named-pdf", where=f"--out {out}", found="the name of a PDF for the page, which is HTML",
            expected="a name such as report.html",
            do=f"Write --out {out.with_suffix('.html')} --pdf: the PDF is written beside the page, as {out.name}.",
        )  # fmt: skip
    if not out.name:
        raise UsageError("no-file-name", where="--out", found=f"`{out}`", expected="the name of a file",
                         do="For example: --out report.html")  # fmt: skip
    asking = ask(book, today, seed=seed, level=level)
    paper = out.with_suffix(".pdf")
    for file in (out, paper) if pdf else (out,):
        check_output(file, force=force or made_by_us(file))
    if pdf:
        require_pdf()
    with Progress("report") as advance:
        answer = report_contents(asking, names=names, tell=advance)
        page = report_page(answer, style_of(asking.book)).encode()
        printed = None
        if pdf:
            printed = page_pdf(report_page(answer, style_of(asking.book), for_print=True), mark=GENERATOR)
    write_whole(out, page)
    warnings = answer.warnings
    if printed is not None:
        write_whole(paper, printed.data)
        warnings = (*warnings, *printed.warnings())
    told = answer.result
    result = ReportResult(str(out), str(paper) if pdf else None, SECTIONS, told.without_ground(), len(page),
                          told.bays_unchecked())  # fmt: skip
    show("report", asking, Answer(result, warnings, answer.cautions), render_report, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("report")(report)
