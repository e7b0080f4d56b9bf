"""One figure in a cell merged over several rows never counts once for each of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipeline.book.store import Book
from pipeline.intake.importing import FileResult, import_files

DAY = date(2026, 3, 1)
JOBS = ["job_id", "date", "vehicle_class", "zone"]
BOOKINGS = ["booking_id", "date", "vehicle_class", "zone"]
Put = Callable[..., FileResult]


@pytest.fixture
def put(new_book: Callable[..., Book], tmp_path: Path) -> Put:
    """Return an import of one sheet with merged ranges into a new book."""

    def run(rows: Sequence[Sequence[Any]], *merged: str) -> FileResult:
        made = openpyxl.Workbook()
        sheet = made.active
        for row in rows:
            sheet.append(list(row))
        for cells in merged:
            sheet.merge_cells(cells)
        made.save(tmp_path / "a.xlsx")
        return import_files(new_book(), [tmp_path / "a.xlsx"], today=date(2026, 7, 1)).result.files[0]

    return run


@pytest.mark.parametrize(
    ("head", "first", "second", "merged", "column"),
    [
        ([*JOBS, "pellets_lb"], ["J1", DAY, "suv", "interior", 60], ["J1", DAY, "suv", "engine_bay"], "E2:E3",
         "pellets_lb"),
        ([*JOBS, "Time"], ["J1", DAY, "suv", "interior", 60], ["J1", DAY, "suv", "engine_bay"], "E2:E3", "Time"),
        (["date", "supplier", "Weight kg"], [DAY, "S", 600], [DAY, "S"], "C2:C3", "Weight kg"),
        (["date", "container", "weight_lb", "Fee"], [DAY, "T1", 600, 40], [DAY, "T2", 500], "D2:D3", "Fee"),
        (["at", "container", "net_lb"], [DAY, "T1", 600], [DAY, "T2"], "C2:C3", "net_lb"),
        ([*BOOKINGS, "Deposit"], ["B1", DAY, "suv", "interior", 50], ["B2", DAY, "suv", "interior"], "E2:E3",
         "Deposit"),
        ([*JOBS[:3], "Undercarriage lb", "Engine bay lb"], ["J1", DAY, "suv", 100, 20], ["J2", DAY, "suv", None, 30],
         "D2:D3", "Undercarriage lb"),
        ([*JOBS[:3], "Interior lb", "Engine bay lb", "Time"], ["J1", DAY, "suv", 9, 20, 90], ["J2", DAY, "suv", 8, 30],
         "F2:F3", "Time"),
        *(([*JOBS, name], ["J1", DAY, "suv", "interior", 60], ["J2", DAY, "suv", "interior"], "E2:E3", name)
          for name in ("job_pellets_lb", "job_minutes", "price_usd", "setup_min", "cleanup_min")),
    ],
)  # fmt: skip
def test_a_merged_figure_is_refused(
    put: Put, head: list[str], first: list[Any], second: list[Any], merged: str, column: str
) -> None:
    """What adds up over rows, and what a visit or booking has once, is not read on each row of a merged range."""
    result = put([head, first, second], merged)
    assert (result.accepted, result.rejected) == (0, 2)
    assert [(r.code, r.column, r.rows) for r in result.reasons] == [("merged-figure", column, 2)]


def test_what_stands_once_may_be_merged_over_its_own_rows(put: Put) -> None:
    """A visit's total, price and set-up merged over its rows are its own, beside another visit with the same ones."""
    head = [*JOBS, "job_pellets_lb", "job_minutes", "price_usd", "setup_min", "cleanup_min"]
    figures = [60, 90, 500, 15, 10]
    rows = [
        ["J1", DAY, "suv", "interior", *figures], [None, None, None, "engine_bay"],
        ["J2", DAY, "suv", "interior", *figures], ["j2", None, None, "engine_bay"],
    ]  # fmt: skip
    merged = [f"{c}{top}:{c}{top + 1}" for top in (2, 4) for c in "ABCEFGHI" if (c, top) != ("A", 4)]
    result = put([head, *rows], *merged)
    assert (result.accepted, result.rejected) == (4, 0)


def test_what_stands_once_for_a_booking_may_be_merged_over_its_rows(put: Put) -> None:
    """A deposit merged over the zones of one booking is its deposit."""
    rows = [["B1", DAY, "suv", "interior", 50], [None, None, None, "engine_bay", None]]
    result = put([[*BOOKINGS, "deposit_usd"], *rows], "A2:A3", "B2:B3", "C2:C3", "E2:E3")
    assert (result.accepted, result.rejected) == (2, 0)


def test_words_and_prices_by_weight_may_be_merged(put: Put) -> None:
    """What is no amount says the same on each row: a day, a supplier, a price by weight."""
    rows = [["date", "container", "weight_lb", "price_usd_per_lb", "supplier"], [DAY, "T1", 600, 1.2, "S"]]
    result = put([*rows, [None, "T2", 500, None, None]], "A2:A3", "D2:D3", "E2:E3")
    assert (result.accepted, result.rejected) == (2, 0)


def test_settings_may_be_merged(put: Put) -> None:
    """A pressure that is merged over two jobs was that of each."""
    jobs = [[*JOBS, "minutes", "pressure_psi"], ["J1", DAY, "suv", "interior", 60, 90]]
    result = put([*jobs, ["J2", DAY, "suv", "interior", 50, None]], "F2:F3")
    assert (result.accepted, result.rejected) == (2, 0)
