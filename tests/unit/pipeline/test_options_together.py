"""Options that an answer would leave out are refused and named; those it reads are not."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.book.store import Book

Run = Callable[..., tuple[int, str, str]]
JOB = ("--vehicle", "van", "--zone", "interior")
BAY = ("--length-ft", "40", "--width-ft", "20", "--height-ft", "12")
LEFT_OUT = "whose answer would leave it out"


@pytest.fixture
def book(new_book: Callable[..., Book], tmp_path: Path, run: Run) -> Book:
    """Return a book with a saved quote, and a file of jobs to ask for beside it."""
    made = new_book('[shop]\nas_of = "2026-05-20"\n[bays.north]\nlength_ft = 40\nwidth_ft = 20\nheight_ft = 12\n')
    (tmp_path / "jobs.csv").write_text("job_id,vehicle_class,zone\nN-1,van,interior\n")
    assert run("quote", *JOB, "--save", "--book", str(made.folder))[0] == 0
    return made


@pytest.mark.parametrize(
    ("call", "option", "beside"),
    [
        *((("quote", "--found", "1", *given), given[0], "--found 1") for given in (
            ("--vehicle", "van"), ("--jobs", "{jobs}"), ("--date", "2026-06-01"),
            ("--machine", "a"), ("--operator", "a"), ("--ice-age", "2"), ("--feed", "2"), ("--pressure", "80"),
            ("--standoff", "6"), ("--ice-on", "0.5"), ("--customer", "K-1"), ("--count", "2"), ("--job-id", "A"),
        )),
        *((("quote", "--lost", "1", *given), given[0], "--lost 1") for given in (
            JOB, ("--price", "300"), ("--save",), ("--found", "1"), ("--won", "1"), ("--job-id", "A"),
            ("--sheet", "{jobs}.html"), ("--so-far", "3lb/4min"), ("--coating-removed",), ("--compare", "soil"),
        )),
        (("quote", "--won", "1", "--job-id", "A", "--price", "300"), "--price", "--won 1"),
        *(((command, "--jobs", "{jobs}", *given), given[0], "--jobs {jobs}")
          for command in ("estimate", "quote")
          for given in (JOB, ("--zone", "interior"), ("--machine", "a"), ("--feed", "2"), ("--coating-removed",))),
        *((("order", "--fit", *given), given[0], "--fit") for given in (
            ("--days", "7"), ("--deliver", "mon"), ("--service", "0.9"))),
        (("technique", "--change", "2026-05-01", "--job", "A"), "--job", "--change 2026-05-01"),
        (("technique", "--change", "2026-05-01", "--thrift"), "--thrift", "--change 2026-05-01"),
        (("technique", "--job", "A", "--thrift"), "--thrift", "--job A"),
        (("safety", "--van", "--stored-lb", "9", "--bay", "north"), "--bay", "--van"),
        (("safety", *BAY, *JOB, "--air-changes", "3", "--flow-cfm", "400"), "--air-changes", "--flow-cfm 400"),
    ],
)  # fmt: skip
def test_an_option_that_a_mode_leaves_out_is_refused(
    call: tuple[str, ...], option: str, beside: str, book: Book, tmp_path: Path, run: Run
) -> None:
    """A call with it ends with 2 and names it and what it stands beside, before anything is written."""
    filled = [a.format(jobs=tmp_path / "jobs.csv") for a in call]
    was = book.database.read_bytes()
    code, out, err = run(*filled, "--book", str(book.folder))
    assert (code, out) == (2, "")
    assert err.startswith(f"Error: {option}: found `{option}")
    assert f"beside {beside.format(jobs=tmp_path / 'jobs.csv')}" in err
    assert LEFT_OUT in err
    assert book.database.read_bytes() == was


@pytest.mark.parametrize(
    ("call", "option", "needed"),
    [
        (("quote", *JOB, "--job-id", "A"), "--job-id", "--won"),
        (("quote", *JOB, "--force"), "--force", "--sheet"),
        (("costing", "--force"), "--force", "--price-list"),
        (("safety", *BAY, *JOB, "--protector", "formable"), "--protector", "--nrr"),
        (("safety", *BAY, *JOB, "--second-protector"), "--second-protector", "--nrr"),
        (("safety", *BAY, *JOB, "--stored-lb-day", "4"), "--stored-lb-day", "--stored-lb"),
        (("safety", *BAY, "--stored-lb", "90", "--pause-min", "5"), "--pause-min", "--vehicle"),
        (("safety", *BAY, "--stored-lb", "90", "--noise-dba", "95"), "--noise-dba", "--vehicle"),
        (("safety", *BAY, *JOB, "--nrr", "25"), "--nrr", "--noise-dba"),
        (("safety", *BAY, *JOB, "--door-flow-cfm", "300"), "--door-flow-cfm", "--doors-open"),
        (("safety", *BAY, "--date", "2026-06-01", "--door-flow-cfm", "300"), "--door-flow-cfm", "--doors-open"),
        (("order", "--fit", "--from", "2026-05-28"), "--from", "--fit"),
    ],
)
def test_an_option_that_says_nothing_alone_is_refused(
    call: tuple[str, ...], option: str, needed: str, book: Book, run: Run
) -> None:
    """It is named, and so is the option that it belongs to."""
    code, out, err = run(*call, "--book", str(book.folder))
    assert (code, out) == (2, "")
    assert err.startswith(f"Error: {option}: found")
    assert needed in err


@pytest.mark.parametrize(
    "call",
    [
        ("quote", "--found", "1", "--soil", "interior:heavy", "--coating-removed", "--price", "300",
         "--compare", "soil", "--save", "--so-far", "3lb/9min", "--done", "0.4", "--sheet", "{jobs}.html", "--force"),
        ("quote", "--jobs", "{jobs}", "--date", "2026-06-01", "--count", "2", "--price", "700", "--save"),
        ("estimate", "--jobs", "{jobs}", "--date", "2026-06-01", "--like", "1", "--level", "0.9", "--seed", "3"),
        ("order", "--fit", "--jobs", "{jobs}", "--level", "0.9"),
        ("order", "--fit", "--from", "2026-05-01"),
        ("safety", "--bay", "north", *BAY, *JOB, "--pause-min", "5", "--noise-dba", "100", "--nrr", "25", "--protector",
         "formable", "--second-protector", "--stored-lb", "50", "--stored-lb-day", "4", "--flow-cfm", "400"),
        ("safety", "--van", "--stored-lb", "50"),
        ("quote", "--lost", "1", "--today", "2026-05-21", "--seed", "1"),
        ("quote", "--found", "1", "--count", "1"),
        ("safety", *BAY, "--stored-lb", "90", "--pause-min", "0"),
        ("log", "--job-id", "Z-1", *JOB[:2], "--zone", "interior=9lb/40min", "--note", "--price", "--price", "280"),
    ],
)  # fmt: skip
def test_options_that_are_read_together_are_taken(call: tuple[str, ...], book: Book, tmp_path: Path, run: Run) -> None:
    """No mode refuses what it reads."""
    filled = [a.format(jobs=tmp_path / "jobs.csv") for a in call]
    code, _, err = run(*filled, "--book", str(book.folder))
    assert code == 0, err


def test_what_was_found_may_be_said_by_zones_too(book: Book, ask: Callable[..., Any]) -> None:
    """Beside --found --zone ZONE:SOIL reads as --soil does; the result is the same to the digit."""
    one, same = (
        ask("quote", book.folder, "--found", "1", o, "interior:severe")["result"] for o in ("--soil", "--zone")
    )
    assert one == same
    assert one != ask("quote", book.folder, "--found", "1")["result"]


def test_a_customer_beside_a_file_is_that_of_jobs_without_one(
    book: Book, tmp_path: Path, ask: Callable[..., Any]
) -> None:
    """Jobs that name their own keep it."""
    file = tmp_path / "two.csv"
    file.write_text("job_id,vehicle_class,zone,customer\nN-1,van,interior,\nN-2,van,interior,K-9\n")
    ask("quote", book.folder, "--jobs", str(file), "--customer", "K-1", "--save")
    with book.reading() as connection:
        rows = connection.execute("select customer from quotes order by number").fetchall()
    assert [customer for (customer,) in rows][-2:] == ["K-1", "K-9"]


def test_a_day_without_bookings_is_told_beside_stored_ice(book: Book, run: Run) -> None:
    """Where only the stored ice is left of a question, the day that has nothing is named."""
    code, _, err = run("safety", "--stored-lb", "90", "--date", "2026-05-25", "--book", str(book.folder))
    assert code == 0
    assert "Nothing is booked on 2026-05-25: the figures are those of the stored ice alone." in err


@pytest.mark.parametrize(("name", "what"), [("jobs.xlsx", "a workbook"), ("bookings.ics", "a calendar")])
def test_an_encoding_of_a_file_that_says_its_own_is_refused(
    name: str, what: str, book: Book, tmp_path: Path, run: Run
) -> None:
    """Only a text file can be read in another encoding than it was found to have."""
    file = tmp_path / name
    shutil.copyfile(Path(__file__).parents[3] / "data_demo" / "messy" / name, file)
    code, _, err = run("import", str(file), "--encoding", "cp1252", "--dry-run", "--book", str(book.folder))
    assert code == 1
    assert f"found --encoding 'cp1252' for {what}; expected a text file" in err


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (("estimate", *JOB, "--vehicle", "suv"), "--vehicle: found `van` and `suv`; expected one value"),
        (("order", "--days=3", "--days", "5"), "--days: found `3` and `5`; expected one value"),
        (("quote", "--found", "1", "--found", "2"), "--found: found `1` and `2`; expected one value"),
        (
            ("quote", "--found", "1", "--soil", "interior:heavy", "--zone", "interior:light"),
            "interior as heavy and as light",
        ),
    ],
)
def test_an_option_with_two_values_is_refused(call: tuple[str, ...], said: str, book: Book, run: Run) -> None:
    """None of them is left out without a word."""
    code, out, err = run(*call, "--book", str(book.folder))
    assert (code, out) == (2, "")
    assert said in err


def test_an_option_may_come_twice_where_nothing_is_left_out(book: Book, run: Run) -> None:
    """Zones are many, the same value is one, a flag is as good as two, and an alias sets what all answers take."""
    call = ("estimate", *JOB, "--vehicle", "van", "--zone", "engine_bay", "--coating-removed", "--coating-removed",
            "--seed", "3", "--seed", "4")  # fmt: skip
    code, _, err = run(*call, "--book", str(book.folder))
    assert code == 0, err


@pytest.mark.parametrize(
    ("told", "head", "code", "said"),
    [
        ("weighings", 'kind = "jobs"\n', 2, "--kind: found `weighings` beside a column map of jobs"),
        ("weighings", "", 1, "found the head `job_id`, by the column map `job_id`; expected a column of the weighings"),
        ("jobs", 'kind = "jobs"\n', 0, ""),
    ],
)
def test_a_kind_against_the_column_map_is_told(
    told: str, head: str, code: int, said: str, book: Book, tmp_path: Path, run: Run
) -> None:
    """A map of one log does not read another, and says so."""
    columns = tmp_path / "map.toml"
    columns.write_text(f'{head}[columns]\n"job_id" = "job_id"\n')
    file = tmp_path / "log.csv"
    file.write_text("job_id,date,vehicle_class,zone,pellets_lb\nA,2026-03-02,van,interior,9\n")
    call = ("import", str(file), "--kind", told, "--columns", str(columns), "--dry-run")
    found, _, err = run(*call, "--book", str(book.folder))
    assert found == code
    assert said in err
    assert "RIMEBOOK_TRACE" not in err


def test_a_calendar_is_of_no_other_kind(book: Book, run: Run) -> None:
    """A calendar holds bookings; another kind told of it is refused and not dropped."""
    file = Path(__file__).parents[3] / "data_demo" / "messy" / "bookings.ics"
    at = ("--dry-run", "--book", str(book.folder))
    code, _, err = run("import", str(file), "--kind", "jobs", *at)
    assert code == 1
    assert "found --kind jobs for bookings; expected --kind bookings" in err
    assert run("import", str(file), "--kind", "bookings", *at)[0] == 0
