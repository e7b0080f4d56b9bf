"""The rejects file: the rejected rows with the reasons beside them, made to be corrected and imported."""

from __future__ import annotations

import csv
import io
import os
from typing import TYPE_CHECKING, Final

from pipeline.intake.faults import REJECTED
from pipeline.intake.merged import merged_figures
from pipeline.intake.texts import unguard
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from pipeline.book.rejected import Rejection
    from pipeline.intake.header_match import HeaderMatch
    from pipeline.intake.raw import RawLog

REJECT_COLUMNS: Final = (
    "reject_file", "reject_sheet", "reject_line", "reject_column", "reject_value", "reject_code", "reject_hint",
)  # fmt: skip
#: Beside them where the heads alone do not say how they are read: the options of `import` that do.
OPTIONS_COLUMN: Final = "reject_options"
_OPTIONS: Final = ("--columns", "--kind")
#: Versions of one rejects file that may stand beside each other before the user must clear up.
_MOST_VERSIONS: Final = 99


def rejects_text(
    log: RawLog,
    match: HeaderMatch,
    heads: Sequence[str],
    rejections: list[Rejection],
    without_habits: Callable[[int, str], str],
    options: str = "",
) -> str:
    """Return the rejects file of one log as CSV text (UTF-8 with a byte order mark, so that spreadsheets read it).

    The log is read once more for the rows as they were. Texts that a spreadsheet would take for formulas get one
    more ``'``, which `import` takes off. What spoke against a cell and does not come with it, such as a merged range or
    the surplus fields of its line, leaves `faults.REJECTED` before it.

    Parameters
    ----------
    log : RawLog
    match : HeaderMatch
        Of the file's own header.
    heads : sequence of str
        What is written for each head of the file, see `alone.heads_alone`.
    rejections : list of Rejection
    without_habits : callable
        ``without_habits(i, cell)`` writes the cells of the file's i-th column that were read by what other rows prove,
        figures under decimal commas and dates of a proven order, so that they need no proof: the rows that proved it
        may not be among the rejected ones. Other cells it returns as they were.
    options : str
        Options without which `import` must not read the file; '' where there are none.
    """
    own = (*REJECT_COLUMNS, OPTIONS_COLUMN)
    kept = [i for i, head in enumerate(log.header) if head not in own]
    out = io.StringIO()
    out.write("\ufeff")
    write = csv.writer(out, lineterminator="\r\n")
    write.writerow([*(_guarded(heads[i]) for i in kept), *(own if options else REJECT_COLUMNS)])
    for rejection, cells, refused in _rows(log, match, rejections):
        told = (
            log.file.name,
            log.sheet,
            str(rejection.line),
            rejection.col,
            rejection.value,
            rejection.code,
            rejection.hint,
            *([options] if options else []),
        )
        shown = (REJECTED + refused[i] if i in refused else without_habits(i, cells[i]) for i in kept)
        write.writerow([*map(_guarded, shown), *map(_guarded, told)])
    return out.getvalue()


def _guarded(cell: str) -> str:
    """Guard a text that a spreadsheet would take for a formula; figures and guarded cells stay as they were."""
    if not cell.startswith(("=", "+", "-", "@", "\t", "\r")):
        return cell
    try:
        float(cell)
    except ValueError:
        return "'" + cell
    return cell


def _rows(
    log: RawLog, match: HeaderMatch, rejections: list[Rejection]
) -> Iterator[tuple[Rejection, list[str], dict[int, str]]]:
    """Yield each rejected row with its cells and those of them, by column, that must not be read as they stand."""
    base, wanted = 0, iter(rejections)
    rejection = next(wanted, None)
    for chunk in log.chunks():
        merged = merged_figures(chunk, match)
        while rejection is not None and rejection.row_no < base + len(chunk.cells):
            i = rejection.row_no - base
            once = {k: fault.value for k, fault in merged.get(i, {}).items()}
            yield rejection, chunk.cells[i], once | chunk.refused.get(i, {})
            rejection = next(wanted, None)
        # Read to the end all the same: the log counts what it sets aside anew each time.
        base += len(chunk.cells)


def refuse_without_options(log: RawLog, where: str, *, has_map: bool, has_kind: bool) -> None:
    """Refuse a rejects file whose heads need a column map, or its kind named, where that is not given.

    Raises
    ------
    RimebookError
    """
    if OPTIONS_COLUMN not in log.header:
        return
    at = log.header.index(OPTIONS_COLUMN)
    cells = [row[at] for chunk in log.chunks() for row in chunk.cells]
    # In a shifted row another text stands there, and a row whose reasons were cleared has none.
    options = next((cell for cell in map(unguard, cells) if cell.startswith(_OPTIONS)), "")
    lacking = ("--columns" in options and not has_map) or ("--kind" in options and not has_kind)
    if lacking or (cells and not (options or has_map or has_kind)):
        again = options or "the --columns or --kind that its log was read with"
        raise RimebookError(
            "options-left-out", where=where,
            found=f"rejected rows of a log that was read with {options or 'a column map or a named kind'}",
            expected="the same options", do=f"Import it with {again}: alone its heads would mean something else.",
        )  # fmt: skip


def write_rejects(text: str, beside: Path, fallback: Path) -> Path:
    """Write a rejects file beside its input, or into `fallback` where that cannot be written; return where it is.

    It is written under another name and then renamed. A file of that name with other content is never overwritten
    (it may be half corrected): the new one gets a number.

    Raises
    ------
    RimebookError
        Where neither folder can be written.
    """
    data = text.encode("utf-8")
    failed: OSError | None = None
    for folder in (beside.parent, fallback):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return _write(data, folder / f"{beside.name}.rejects.csv")
        except OSError as error:
            failed = error
    raise RimebookError(
        "rejects-not-writable", where=str(fallback), found=failed.strerror if failed and failed.strerror else "no room",
        expected=f"a place for the rejected rows of {beside.name}",
        do="Make the folder of the file or of the book writable; nothing was imported.",
    )  # fmt: skip


def _write(data: bytes, wanted: Path) -> Path:
    for version in range(1, _MOST_VERSIONS + 1):
        place = wanted if version == 1 else wanted.with_name(f"{wanted.stem}-{version}.csv")
        if place.exists():
            if place.read_bytes() == data:
                return place
            continue
        partial = place.with_name(f".{place.name}.{os.getpid()}.part")
        try:
            partial.write_bytes(data)
            partial.replace(place)
        except OSError:
            partial.unlink(missing_ok=True)
            raise
        return place
    raise OSError(f"{_MOST_VERSIONS} files named {wanted.name} stand there already")
