"""Wide sheets: a figure that stands once for a visit, beside columns for each zone, is counted once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from log_files import log_file

from pipeline.book.store import Book
from pipeline.intake.column_map import draft_map, parse_column_map
from pipeline.intake.headers import match_headers
from pipeline.intake.importing import import_files
from pipeline.intake.words import book_words
from shared.errors import RimebookError

WORDS = book_words()
NEEDED = ["Ticket", "Date", "Class"]
ZONES = ["Undercarriage lb", "Engine bay lb", "Interior lb"]


def test_a_visits_figure_beside_the_zones_is_its_total(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Three hours of a visit with pellets by zone are three hours once, and it is told how they are read."""
    book = new_book()
    file = log_file(tmp_path, "a.csv", ",".join([*NEEDED, *ZONES, "Labor hours"]), "J1,2026-03-01,suv,60,30,5,3")
    told = import_files(book, [file], today=date(2026, 7, 1)).warnings
    with book.reading() as connection:
        lines = connection.execute(
            "select zone, pellets_lb, minutes, job_minutes from job_lines order by zone"
        ).fetchall()
    assert lines == [
        ("engine_bay", 30.0, None, 180.0), ("interior", 5.0, None, 180.0), ("undercarriage", 60.0, None, 180.0),
    ]  # fmt: skip
    assert "'Labor hours' beside columns for each zone is the visit's total, read as job_minutes" in " ".join(told)


def test_a_total_of_the_zones_own_quantity_is_held_against_them(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """A plain pellets column beside the zones' pellets is their total: a visit that contradicts it is rejected."""
    file = log_file(
        tmp_path, "a.csv", ",".join([*NEEDED, *ZONES[:2], "Pellets lb"]),
        "J1,2026-03-01,suv,60,30,300", "J2,2026-03-01,suv,60,30,90",
    )  # fmt: skip
    result = import_files(new_book(), [file], today=date(2026, 7, 1)).result.files[0]
    assert (result.accepted, result.rejected) == (1, 1)
    assert [(r.code, r.column, r.example) for r in result.reasons] == [
        ("lines-contradict-total", "Pellets lb", "90 and 300")
    ]


@pytest.mark.parametrize("total", ["job_pellets_lb", "Total lb"])
def test_two_totals_of_a_wide_sheet_are_refused(total: str) -> None:
    """A plain figure beside the total's own column could be either; a map that leaves one out settles it."""
    header = [*NEEDED, *ZONES, "Pellets lb", total]
    with pytest.raises(RimebookError) as raised:
        match_headers(header, "jobs", words=WORDS)
    problem = raised.value.problem
    assert problem.code == "doubled-columns"
    assert problem.found == f"'Pellets lb' (column 7) and {total!r} (column 8), which both mean job_pellets_lb"
    settled = parse_column_map('[columns]\n"Pellets lb" = ""', "map.toml")
    assert match_headers(header, "jobs", words=WORDS, column_map=settled).columns["job_pellets_lb"].head == total
    drafted = draft_map(header, match_headers(header, "jobs", words=WORDS, first_of_doubled=True))
    assert '"Pellets lb" = "" # not understood' in drafted


@pytest.mark.parametrize("head", ["Minutes", "Minuts"])
def test_every_way_to_a_plain_figure_leads_to_the_total(head: str) -> None:
    """A head that is misspelt, or named by a column map, is the visit's as well."""
    match = match_headers([*NEEDED, *ZONES, head], "jobs", words=WORDS)
    assert "minutes" not in match.columns
    assert match.columns["job_minutes"].head == head
    mapped = parse_column_map('[columns]\n"Zeit h" = "minutes"', "map.toml")
    columns = match_headers([*NEEDED, *ZONES, "Zeit h"], "jobs", words=WORDS, column_map=mapped).columns
    assert (columns["job_minutes"].head, columns["job_minutes"].unit) == ("Zeit h", "h")


def test_a_plain_soil_beside_the_zones_own_is_told_as_unread() -> None:
    """Where each zone has its soil level, that of the visit is left out and listed; else it stands on each line."""
    match = match_headers([*NEEDED, *ZONES, "Interior soil", "Soil"], "jobs", words=WORDS)
    assert match.unmatched == ("Soil",)
    assert "soil_level" in match_headers([*NEEDED, *ZONES, "Soil"], "jobs", words=WORDS).columns


def test_two_heads_for_one_zones_figure_are_refused() -> None:
    """A map that gives one zone's pellets two heads loses neither without a word, whatever the zone is called."""
    text = """
    [columns]
    "Belly" = { column = "pellets_lb", zone = "undercarriage" }
    "Below" = { column = "pellets_lb", zone = "Underbody" }
    """
    header = [*NEEDED, "Belly", "Below"]
    with pytest.raises(RimebookError) as raised:
        match_headers(header, "jobs", words=WORDS, column_map=parse_column_map(text, "map.toml"))
    problem = raised.value.problem
    assert problem.code == "doubled-columns"
    assert problem.found == "'Belly' (column 4) and 'Below' (column 5), which both mean pellets_lb of undercarriage"


def test_a_zone_of_a_figure_that_no_zone_has_is_refused() -> None:
    """A price or a total belongs to no zone: a map that says so would lose it."""
    with pytest.raises(RimebookError) as raised:
        parse_column_map('[columns]\n"Paid" = { column = "price_usd", zone = "interior" }', "map.toml")
    assert raised.value.problem.code == "bad-column-map"
    assert "the zone of 'Paid'" in raised.value.problem.found
