"""Housekeeping as text: batches, undo, export, backup, restore, check, licences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pipeline.present.terminal import Column, paragraph, table
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.answer import Answer
    from pipeline.answers.housekeeping import BatchLine, BatchList, Exported, UndoneBatch
    from pipeline.answers.licences import Licences
    from pipeline.answers.safekeeping import BackedUp, Checked, Restored
    from pipeline.present.figures import Style


_WHY_MORE_LINES: Final = (
    "job_lines counts lines, one for each zone worked: a row of a log that names a package of zones is several of "
    "them, so there can be more than the rows that `rimebook batches` and `export` tell."
)


def render_batches(answer: Answer[BatchList], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return the imported files, the oldest first."""
    if not answer.result.batches:
        return "Nothing was imported yet."
    columns = [Column("Batch", "number"), Column("When (UTC)"), Column("Log"), Column("File"),
               Column("rows", "number"), Column("in", "number"), Column("out", "number"), Column("")]  # fmt: skip
    rows = [
        [str(b.batch), _when(b), b.kind, b.file, f"{b.rows:,}", f"{b.accepted:,}",
         f"{b.rejected:,}", "undone" if b.undone else ""]
        for b in answer.result.batches
    ]  # fmt: skip
    return table(columns, rows)


def batch_named(files: Sequence[BatchLine]) -> str:
    """Return a batch in words: its number, its files with their rows, when it was imported."""
    rows = ", ".join(f"{f.file} ({counted(f.accepted, 'row')})" for f in files)
    return f"batch {files[0].batch} of {_when(files[0])} UTC, {rows},"


def _when(line: BatchLine) -> str:
    return line.made_at[:16].replace("T", " ")


def render_undone(answer: Answer[UndoneBatch], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return what taking a batch out did."""
    done = answer.result
    gone = f"{counted(done.lines_removed, 'line')} gone"
    one = done.lines_restored == 1
    back = f"{done.lines_restored:,} earlier value{' is' if one else 's are'} back"
    restored = f"; {back}" if done.lines_restored else ""
    told = [
        f"Took batch {done.batch} ({', '.join(done.files)}) out again: {gone}{restored}. "
        "Run `rimebook learn` to forget what was learned from them.",
        *(f"Quote {q.number} is open again: job {q.job_id}, which had won it, is gone." for q in done.quotes_reopened),
    ]
    return "\n".join(paragraph(t) for t in told)


def render_exported(answer: Answer[Exported], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return the files written."""
    return table(
        [Column("Table"), Column("rows", "number"), Column("File")],
        [[f.table, f"{f.rows:,}", f.file] for f in answer.result.files],
    )


def render_backed_up(answer: Answer[BackedUp], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return where the backup is and what is in it."""
    done = answer.result
    return paragraph(
        f"Backed up to {done.file}: {counted(done.rows, 'row')}, {done.size_bytes:,} bytes, read again and equal."
    )


def render_restored(answer: Answer[Restored], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return what was restored and where the old book went."""
    done = answer.result
    kept = f" The book as it was is kept in {done.kept}." if done.kept else ""
    return paragraph(f"Restored {counted(done.rows, 'row')} from {done.file}.{kept}")


def render_checked(answer: Answer[Checked], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return the verdict on the book."""
    done = answer.result
    head = "The book is sound." if done.sound else "The book has faults; see the notes."
    rows = table([Column("Table"), Column("rows", "number")], [[t.table, f"{t.rows:,}"] for t in done.tables])
    told = [paragraph(f"Mended: {m}") for m in done.mended]
    if any(t.table == "job_lines" and t.rows for t in done.tables):
        told.append(paragraph(_WHY_MORE_LINES))
    return "\n".join([head, "", rows, *told])


def render_licences(answer: Answer[Licences], style: Style) -> str:  # noqa: ARG001 - every renderer has this form
    """Return the packages this program stands on."""
    return table(
        [Column("Package"), Column("Version"), Column("Licence")],
        [[p.name, p.version, p.licence] for p in answer.result.packages],
    )
