"""Tables of the book as files: CSV that `import` reads back to the same rows, or Parquet."""

from __future__ import annotations

import csv
import io
import math
import os
from typing import TYPE_CHECKING, Any, Final, Literal

from pipeline.book.log_rows import EXPORTS, export_frame, parquet_bytes_to, visit_frame
from pipeline.book.package_zones import stored_packages
from pipeline.intake.book_words import words_of
from pipeline.intake.texts import guard
from shared.counting import counted
from shared.errors import RimebookError

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from pipeline.book.store import Book

Format = Literal["csv", "parquet"]
#: Rows turned into text at a time.
_ROWS_A_BLOCK: Final = 20_000


def export_tables(book: Book, to: Path, form: Format, *, force: bool = False) -> list[tuple[str, Path, int]]:
    """Write every table of the book to a folder; return (table, file, rows).

    Each file is written under another name and then renamed.

    Raises
    ------
    RimebookError
        Where one of the files stands there already (without `force`) or the folder cannot be written.
    """
    places = {name: to / f"{name}.{form}" for name in EXPORTS}
    there = [p.name for p in places.values() if p.exists()]
    if there and not force:
        raise RimebookError(
            "export-exists", where=str(to), found=f"{', '.join(there)} there already", expected="a folder without them",
            do="Choose another folder, or add --force to overwrite them.",
        )  # fmt: skip
    done = []
    try:
        to.mkdir(parents=True, exist_ok=True)
        for name, place in places.items():
            frame = export_frame(book, name)
            partial = place.with_name(f".{place.name}.{os.getpid()}.part")
            try:
                _write(frame, partial, form)
                partial.replace(place)
            finally:
                partial.unlink(missing_ok=True)
            done.append((name, place, len(frame)))
    except OSError as error:
        raise RimebookError(
            "export-not-writable", where=str(to), found=error.strerror or str(error), expected="a folder to write to",
            do="Choose another folder with --to.",
        ) from error  # fmt: skip
    return done


def packages_that_differ(book: Book) -> tuple[str, ...]:
    """Tell of each package that visits of the book have with other zones than `book.toml` gives it.

    An exported row names the package alone, so that a new book would read it by its own `book.toml`.
    """
    words = words_of(book.settings)
    told = []
    for package, zones, n in stored_packages(book):
        named = words.packages.get(words.read("zone", package) or "", ())
        if sorted(named) != sorted(zones):
            have = f"{counted(n, 'visit')} {'has' if n == 1 else 'have'} the package {package} with {', '.join(zones)}"
            by_now = f"book.toml gives it {', '.join(named)}" if named else "book.toml has no such package"
            told.append(
                f"jobs: {have}, and {by_now}; the file names the package alone: before it is imported into a new book, "
                "give the package these zones in the book.toml there"
            )
    return tuple(told)


def visit_cells(book: Book, job_id: str) -> list[dict[str, str]]:
    """Return the rows of one visit as cells under the canonical heads, which import to the same rows."""
    frame = visit_frame(book, job_id)
    columns = [_texts(frame[name]) for name in frame.columns]
    return [dict(zip(map(str, frame.columns), row, strict=True)) for row in zip(*columns, strict=True)]


def _write(frame: pd.DataFrame, place: Path, form: Format) -> None:
    if form == "parquet":
        parquet_bytes_to(frame, str(place))
        return
    with place.open("w", encoding="utf-8", newline="") as file:
        file.write(csv_block(list(frame.columns)))
        for start in range(0, len(frame), _ROWS_A_BLOCK):
            block = frame.iloc[start : start + _ROWS_A_BLOCK]
            columns = [_texts(block[name]) for name in frame.columns]
            file.write("".join(csv_block(row) for row in zip(*columns, strict=True)))


def csv_block(cells: Any) -> str:
    """Return one row as CSV (RFC 4180)."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue()


def _texts(column: pd.Series[Any]) -> list[str]:
    """Return a column's cells as text: figures in full, dates in ISO 8601, texts guarded, blank where nothing is."""
    kind = column.dtype.kind
    if kind == "f":
        return ["" if math.isnan(v) else figure(v) for v in column.tolist()]
    if kind in "iu":
        return [str(v) for v in column.tolist()]
    if kind == "M":
        whole_days = bool((column.dropna() == column.dropna().dt.normalize()).all())
        return [
            "" if v is None or v != v else (v.date().isoformat() if whole_days else v.isoformat())
            for v in column.tolist()
        ]  # fmt: skip
    return ["" if v is None or v != v else guard(str(v)) for v in column.tolist()]


def figure(value: float) -> str:
    """Return the shortest text that reads back as the same figure, without an exponent's or a needless point.

    A figure that was converted (28 kg) keeps all its digits: rounded, the row would import as another one, and a
    delivery, which has no key, would stand in the book twice.
    """
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
