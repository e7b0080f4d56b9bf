"""Logging a job that the book has, jobs of today, and amounts as people write them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.forecast_words import future_jobs
from pipeline.book.store import Book

Run = Callable[..., tuple[int, str, str]]
FIRST = ("--job-id", "7", "--vehicle", "van", "--zone", "undercarriage:heavy=38lb/55min", "--zone",
         "interior=10lb/30min", "--operator", "vn", "--machine", "rig-1", "--price", "280", "--customer", "K-1",
         "--note", "wet", "--setup", "20min", "--date", "2026-06-20")  # fmt: skip


@pytest.fixture
def logged(new_book: Callable[..., Book], run: Run) -> Callable[..., dict[str, dict[str, Any]]]:
    """Return a logger: further options in, the lines of job 7 by zone out; the first visit is in already."""
    book = new_book('[shop]\nas_of = "2026-07-01"\n')
    assert run("log", *FIRST, "--book", str(book.folder))[0] == 0

    def log(*options: str) -> dict[str, dict[str, Any]]:
        code, _, err = run("log", "--job-id", "7", "--vehicle", "van", *options, "--book", str(book.folder))
        assert code == 0, err
        with book.reading() as connection:
            found = connection.execute("select * exclude (batch, row_hash) from job_lines")
            names = [str(column[0]) for column in found.description or ()]
            rows = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
        return {str(row["zone"]): row for row in rows}

    return log


def test_what_was_not_given_stays(logged: Callable[..., dict[str, dict[str, Any]]]) -> None:
    """One corrected figure changes that figure alone: soil, time, words, price and day stay as they were."""
    before = logged("--zone", "undercarriage:heavy")
    after = logged("--zone", "Undercarr.=40lb")
    assert after["undercarriage"] == {**before["undercarriage"], "pellets_lb": 40.0}
    assert after["interior"] == before["interior"]
    line = after["undercarriage"]
    assert (line["soil_level"], line["minutes"], line["operator"], line["notes"]) == ("heavy", 55.0, "vn", "wet")
    assert (line["price_usd"], line["customer"], line["setup_min"]) == (280.0, "K-1", 20.0)
    assert str(line["day"])[:10] == "2026-06-20"


def test_figures_of_the_book_are_not_read_by_the_signs_of_typed_ones(
    logged: Callable[..., dict[str, dict[str, Any]]],
) -> None:
    """A decimal comma on one line leaves three decimals of another what they are, and is itself read as typed."""
    before = logged("--zone", "interior=10.125lb/1.125min", "--price", "280.125")
    after = logged("--zone", "engine_bay=12lb/12,5min")
    assert after["interior"] == before["interior"]
    assert (after["interior"]["minutes"], after["engine_bay"]["minutes"]) == (1.125, 12.5)
    again = logged("--zone", "engine_bay=12,5lb/1,125min", "--zone", "door_jambs=3lb/2,5min")
    assert again["interior"] == before["interior"]
    assert (again["engine_bay"]["pellets_lb"], again["engine_bay"]["minutes"]) == (12.5, 1.125)
    assert again["engine_bay"]["price_usd"] == 280.125


def test_what_a_visit_has_once_changes_on_all_of_its_rows(logged: Callable[..., dict[str, dict[str, Any]]]) -> None:
    """A new price or day holds for the whole visit, and nothing else of the other zone moves."""
    after = logged("--zone", "undercarriage", "--price", "300", "--date", "2026-06-21")
    assert {line["price_usd"] for line in after.values()} == {300.0}
    assert {str(line["day"])[:10] for line in after.values()} == {"2026-06-21"}
    assert after["interior"]["notes"] == "wet"
    assert after["interior"]["pellets_lb"] == 10.0


def test_a_zone_added_later_joins_its_visit(logged: Callable[..., dict[str, dict[str, Any]]]) -> None:
    """A further zone takes day, price and customer from its visit, and its own operator."""
    after = logged("--zone", "engine_bay=5lb/9min", "--operator", "xx")
    assert sorted(after) == ["engine_bay", "interior", "undercarriage"]
    new = after["engine_bay"]
    assert (new["operator"], new["machine"], new["price_usd"], str(new["day"])[:10]) == ("xx", "", 280.0, "2026-06-20")
    assert after["interior"]["operator"] == "vn"


def test_a_package_and_its_total_are_kept(new_book: Callable[..., Book], run: Run, tmp_path: Path) -> None:
    """A note on a visit with a package leaves the package's total one total over its zones."""
    book = new_book('[words]\npackages = {"full underside" = ["undercarriage", "wheel_wells"]}\n')
    where = ("--today", "2026-07-01", "--book", str(book.folder))
    first = ("log", "--job-id", "7", "--vehicle", "van", "--zone", "full underside=60lb/90min")
    assert run(*first, *where)[0] == 0
    code, _, err = run("log", "--job-id", "7", "--vehicle", "van", "--zone", "full underside", "--note", "n", *where)
    assert code == 0, err
    with book.reading() as connection:
        rows = connection.execute(
            "select zone, pellets_lb, package_pellets_lb, notes from job_lines order by 1"
        ).fetchall()
    assert rows == [("undercarriage", None, 60.0, "n"), ("wheel_wells", None, 60.0, "n")]


def test_a_job_of_today_is_no_mistake(new_book: Callable[..., Book], run: Run) -> None:
    """It may be logged, win a quote and draw no remark; answers as of this morning do not use it yet."""
    today = date(2026, 7, 1)
    book = new_book('[shop]\nas_of = "2026-07-01"\n')
    where = ("--book", str(book.folder))
    quote = ("quote", "--vehicle", "van", "--zone", "interior", "--customer", "K-1", "--save")
    assert run(*quote, *where)[0] == 0
    assert run("log", "--job-id", "9", "--vehicle", "van", "--zone", "interior=9lb/20min", *where)[0] == 0
    assert future_jobs(Asking(book, today)) == ()
    assert "2026-07-01 or later" in future_jobs(Asking(book, today - timedelta(days=1)))[0]
    code, out, err = run("quote", "--won", "1", "--job-id", "9", *where)
    assert (code, "Quote 1 is won" in out) == (0, True), err
    answer = json.loads(run("costing", *where, "--json")[1])["result"]
    assert answer["quotes"]["won"] == 1
    assert answer["jobs"] == 0
    estimate = json.loads(run("estimate", "--vehicle", "van", "--zone", "interior", *where, "--json")[1])
    assert estimate["result"]["estimates"][0]["similar_jobs"] == 0
    assert run("quote", "--won", "1", "--job-id", "nine", *where)[0] == 1


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--zone", "engine_bay=5lb/9min"), "added 1 line (engine bay)."),
        (("--zone", "undercarriage=40lb"), "replaced 1 line (undercarriage)."),
        (("--zone", "interior:light"), "completed 1 line (interior)."),
        (("--zone", "interior", "--price", "300"), "changed its price."),
        (("--zone", "interior=12lb", "--zone", "door_jambs=1lb/2min", "--total", "51lb/87min"),
         "added 1 line (door jambs); replaced 1 line (interior); changed its total pellets, total time."),
    ],
)  # fmt: skip
def test_what_was_done_to_an_old_ticket_is_told(
    options: tuple[str, ...], told: str, new_book: Callable[..., Book], run: Run
) -> None:
    """A new job is called so; of an old one the lines added, completed or replaced are named, and what it has once."""
    where = ("--book", str(new_book('[shop]\nas_of = "2026-07-01"\n').folder))
    assert "Recorded new job 7 (2 zones)." in run("log", *FIRST, *where)[1]
    code, out, err = run("log", "--job-id", "7", "--vehicle", "van", *options, *where)
    assert code == 0, err
    assert f"Job 7 was in the book: {told} This is batch 2;" in " ".join(out.split())


@pytest.mark.parametrize("units", ["us", "metric"])
def test_a_zone_that_exceeds_the_total_is_told_the_way_out(units: str, new_book: Callable[..., Book], run: Run) -> None:
    """The option that the error names lets the same zone in."""
    where = ("--book", str(new_book(f'[shop]\nunits = "{units}"\nas_of = "2026-07-01"\n').folder))
    assert run("log", *FIRST, "--total", "48lb/85min", *where)[0] == 0
    more = ("log", "--job-id", "7", "--vehicle", "van", "--zone", "engine_bay=12lb/20min", *where)
    code, _, err = run(*more)
    assert (code, "Nothing was recorded." in err) == (1, True)
    option = re.search(r"--total (\S+(?:lb|kg)/105min)\.", err)
    assert option, err
    code, out, err = run(*more, "--total", option[1], "--json")
    assert code == 0, err
    change = json.loads(out)["result"]["change"]
    assert change["lines_added"] == ["engine_bay"]
    assert change["changed_for_job"] == ["job_pellets_lb", "job_minutes"]


def test_the_way_out_counts_a_zone_once_however_it_is_spelled(new_book: Callable[..., Book], run: Run) -> None:
    """A line that grows by 22 lb and 35 min beside a blank one lifts the total by as much, also under another name."""
    where = ("--book", str(new_book('[shop]\nas_of = "2026-07-01"\n').folder))
    job = ("log", "--job-id", "7", "--vehicle", "van")
    first = ("--zone", "undercarriage=38lb/55min", "--zone", "interior", "--total", "48lb/85min")
    assert run(*job, *first, *where)[0] == 0
    code, _, err = run(*job, "--zone", "Undercarr.=60lb/90min", *where)
    assert (code, "--total 70lb/120min" in err) == (1, True), err


def test_a_quote_won_by_an_undone_job_is_open_again(new_book: Callable[..., Book], run: Run) -> None:
    """A quote follows its job out of the book and is told; one whose job stays in another batch keeps it."""
    where = ("--book", str(new_book('[shop]\nas_of = "2026-07-01"\n').folder))
    for job in ("8", "T9"):
        assert run("log", "--job-id", job, "--vehicle", "van", "--zone", "interior=9lb/20min", *where)[0] == 0
        assert run("quote", "--vehicle", "van", "--zone", "interior", "--customer", "K-1", "--save", *where)[0] == 0
    for number, job in (("1", "8"), ("2", "T9")):
        assert run("quote", "--won", number, "--job-id", job, *where)[0] == 0
    assert run("log", "--job-id", "8", "--vehicle", "van", "--zone", "interior=10lb/20min", *where)[0] == 0
    assert json.loads(run("undo", *where, "--json")[1])["result"]["quotes_reopened"] == []
    code, out, _ = run("undo", "2", *where)
    assert (code, "Quote 2 is open again: job T9, which had won it, is gone." in " ".join(out.split())) == (0, True)
    quotes = json.loads(run("costing", *where, "--json")[1])["result"]["quotes"]
    assert (quotes["won"], quotes["open"]) == (1, 1)
    assert run("log", "--job-id", "T10", "--vehicle", "van", "--zone", "interior=9lb/20min", *where)[0] == 0
    assert run("quote", "--won", "2", "--job-id", "T10", *where)[0] == 0


@pytest.mark.parametrize(
    ("said", "options", "left"), [("y\n", (), 0), ("\n", (), 1), ("", ("--yes",), 0), ("", ("1",), 0)]
)
def test_undo_asks_before_the_last_batch_goes(
    said: str, options: tuple[str, ...], left: int, new_book: Callable[..., Book], run: Run,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """At a terminal, with no number given, the batch is named first and stays unless the answer is yes."""
    book = new_book('[shop]\nas_of = "2026-07-01"\n')
    assert run("log", *FIRST, "--book", str(book.folder))[0] == 0
    terminal = StringIO(said)
    monkeypatch.setattr(terminal, "isatty", lambda: True)
    monkeypatch.setattr("sys.stdin", terminal)
    code, _, err = run("undo", *options, "--book", str(book.folder))
    asked = re.search(r"Take batch 1 of \d{4}-\d\d-\d\d \d\d:\d\d UTC, log \(2 rows\), out again\?", err)
    assert (code, bool(asked)) == (left, not options)
    with book.reading() as connection:
        assert connection.execute("select count(*) from job_lines").fetchone() == (2 * left,)


@pytest.mark.parametrize("text", ["400", "$400", "400.00", " $ 400 ", "USD 400", "400 dollars"])
def test_a_price_is_read_as_people_write_it(text: str, new_book: Callable[..., Book], ask: Callable[..., Any]) -> None:
    """With or without the book's sign, code or name of its currency."""
    book = new_book()
    told = ask("quote", book.folder, "--vehicle", "van", "--zone", "interior", "--price", text)
    assert told["result"]["quotes"][0]["at_price"]["price_usd"] == 400.0


@pytest.mark.parametrize(
    ("text", "words"),
    [("400 EUR", "currency is USD"), ("abc", "one figure"), ("0", "above 0"), ("-5", "above 0"), ("", "above 0")],
)
def test_a_price_that_is_none_is_told(text: str, words: str, new_book: Callable[..., Book], run: Run) -> None:
    """Another currency, no figure or nothing: our own words and exit code 2."""
    book = new_book()
    code, _, err = run("quote", "--vehicle", "van", "--zone", "interior", "--price", text, "--book", str(book.folder))
    assert code == 2
    assert "--price" in err
    assert words in err


@pytest.mark.parametrize(("units", "lb_each"), [("us", 1.0), ("metric", 1 / 0.45359237)])  # NIST SP 811: kg a lb
def test_bare_weights_are_in_the_units_of_the_book(
    units: str, lb_each: float, new_book: Callable[..., Book], run: Run
) -> None:
    """A figure without a unit is pounds or kilograms as the shop has it, by zone and in the total; a unit holds."""
    book = new_book(f'[shop]\nunits = "{units}"\nas_of = "2026-07-01"\n')
    where = ("--vehicle", "van", "--date", "2026-06-20", "--book", str(book.folder))
    for job, figures in enumerate(
        (("interior=45/100",), ("interior=45 lb/100min",), ("interior", "--total", "9,5/40"))
    ):
        code, _, err = run("log", "--job-id", str(job), "--zone", *figures, *where)
        assert code == 0, err
    with book.reading() as connection:
        rows = connection.execute("select pellets_lb, job_pellets_lb from job_lines order by job_id").fetchall()
    assert [rows[0][0], rows[1][0], rows[2][1]] == pytest.approx([45 * lb_each, 45, 9.5 * lb_each])
