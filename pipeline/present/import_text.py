"""What an import did, as text: the account of each file, then why rows were kept out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.terminal import Column, item, paragraph, table
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.intake.importing import FileResult, ImportResult
    from pipeline.intake.judging import ReasonTold
    from pipeline.present.figures import Style

#: Most characters of a cell that are shown.
_EXAMPLE = 40


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
        blocks += ["", "Kept out, and what to do:", *(item(_reason(r)) for r in file.reasons)]
    if file.rejects_file:
        blocks.append(paragraph(f"Correct these rows in {file.rejects_file} and import that file."))
    return blocks


def _reason(reason: ReasonTold) -> str:
    """Return one reason as a sentence: the column, how many rows, an example of what stands there, the cure."""
    rows = counted(reason.rows, "row")
    example = reason.example if len(reason.example) <= _EXAMPLE else f"{reason.example[: _EXAMPLE - 3]}..."
    shown = f", {'such as ' if reason.rows != 1 else ''}`{example}`" if example.strip() else ", blank"
    end = "" if reason.hint.endswith(("?", ".")) else "."
    return f"{reason.column or 'the row'}, {rows}{shown}: {reason.hint}{end}"
