"""What an import did, as text: the account of each file, then why rows were kept out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.terminal import Column, paragraph, table

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.intake.importing import FileResult, ImportResult
    from pipeline.present.figures import Style


def render_import(answer: Answer[ImportResult], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return the account of each file: accepted + duplicate + rejected = rows."""
    result = answer.result
    changed = any(f.accepted for f in result.files)
    if result.batch is not None:
        head = f"Imported as batch {result.batch} (`rimebook undo {result.batch}` takes it out again)."
    else:
        head = "A dry run: nothing was written." if changed else "Nothing new: the book was not changed."
    grid = table(
        [Column("File"), Column("Log"), Column("rows", "number"), Column("accepted", "number"),
         Column("duplicate", "number"), Column("rejected", "number"), Column("set aside", "number")],
        [[f.file, f.kind, *(f"{n:,}" for n in (f.rows, f.accepted, f.duplicate, f.rejected, f.set_aside))]
         for f in result.files],
    )  # fmt: skip
    blocks = [head, "", grid]
    for file in result.files:
        blocks += _reasons(file)
    return "\n".join(blocks)


def _reasons(file: FileResult) -> list[str]:
    blocks: list[str] = []
    if file.unmatched_headers:
        blocks += ["", paragraph(f"{file.file}: not imported, no known column: {', '.join(file.unmatched_headers)}")]
    if file.reasons:
        reasons = [
            [r.column, f"{r.rows:,}", r.example if len(r.example) <= 40 else r.example[:37] + "...", r.hint]
            for r in file.reasons
        ]
        columns = [Column("Kept out: column"), Column("rows", "number"), Column("for example"), Column("what to do")]
        blocks += ["", table(columns, reasons)]
    if file.rejects_file:
        blocks.append(paragraph(f"Correct these rows in {file.rejects_file} and import that file."))
    return blocks
