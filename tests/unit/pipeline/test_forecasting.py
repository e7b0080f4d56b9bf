"""The command `forecast`: its answer, its words, and what it makes of a log that is odd."""

import json
import math
from datetime import date, timedelta

import pytest
from forecast_books import TODAY, answered, book_jobs, job, weekday_jobs

from pipeline.answers.answer import Asking
from pipeline.answers.forecast_words import future_jobs
from pipeline.cli.main import main
from pipeline.present.figures import Style
from pipeline.present.forecast_text import render_forecast
from pipeline.present.json_text import plain, render_answer
from shared.errors import UsageError

QUANTITY = {"mean", "quantiles", "interval"}
MEASURES = ("jobs", "pellets_used_lb", "pellets_bought_lb", "lost_lb", "minutes", "spend_usd")


def deliver(book, first, last, *, every=7, lb=400.0, usd=1.1):
    with book.writing() as connection:
        day = first
        while day <= last:
            connection.execute(
                "insert into deliveries (day, container, weight_lb, price_usd_per_lb, fee_usd, supplier, batch,"
                " row_hash) values (?, 'tote', ?, ?, 40, 'ice', 0, ?)",
                [day, lb, usd, day.toordinal()],
            )
            day += timedelta(days=every)


@pytest.fixture
def half_year(new_book):
    """Return a book of half a year with a job every other weekday and ice each week."""
    book = new_book(rows=weekday_jobs(date(2026, 1, 5), date(2026, 6, 30), every=2))
    deliver(book, date(2026, 1, 5), date(2026, 6, 30))
    return book


def test_answer_is_the_contracts(half_year):
    """Every key of the contract is there, months are whole and in order, and all figures finite."""
    answer = answered(half_year)
    told = json.loads(render_answer("forecast", "shop", TODAY, answer))["result"]
    assert [m["month"] for m in told["months"]] == ["2026-07", "2026-08", "2026-09"]
    for month in told["months"]:
        assert {"month", "from", "to", "part", *MEASURES, "basis", "booked"} == set(month)
        assert all(set(month[m]) == QUANTITY for m in MEASURES)
        bought = month["pellets_used_lb"]["mean"] + month["lost_lb"]["mean"]
        assert month["pellets_bought_lb"]["mean"] == pytest.approx(bought, rel=1e-5)
    assert {b["of"] for b in told["because"]} == {"jobs", "mix", "soil", "technique", "ice"}
    assert set(told["backtest"]) == {"months", "held", "scores", "past", "forecasts", "begun", "begun_held"}
    assert told["backtest"]["months"] == len(told["backtest"]["past"]) > 2
    assert set(told["backtest"]["held"]) == {"0.5", "0.8", "0.95"}


def test_reasons_add_up_to_the_change(half_year):
    """The reasons sum to the ice of the first whole month less that of the last one."""
    result = answered(half_year).result
    change = result.months[0].pellets_bought_lb.mean - result.against.pellets_bought_lb
    assert sum(b.pellets_lb for b in result.because) == pytest.approx(change, rel=1e-6)


def test_running_month_comes_first_as_a_part(half_year):
    """In the middle of a month what is left of it is told as a part, and the whole months follow."""
    months = answered(half_year, date(2026, 6, 16), n_months=1).result.months
    assert [(m.month, m.part) for m in months] == [("2026-06", True), ("2026-07", False)]
    assert months[0].from_ == date(2026, 6, 16)
    assert months[0].jobs.mean < months[1].jobs.mean


@pytest.mark.parametrize(
    "supposed",
    [[], ["--jobs-change", "0.3", "--ice-price", "2"], ["--add-machine", "rig-9"]],
    ids=["plain", "more", "rig"],
)
def test_a_month_is_told_alike_however_many_are_asked_for(half_year, capsys, supposed):
    """The months of a short forecast stand in a long one as they are, with bookings in all of them, and its reasons."""
    booked = [(date(2026, 6, 10), date(2026, 12, 20) - timedelta(days=11 * i), "booked") for i in range(18)]
    book_jobs(half_year, booked)
    at = ["forecast", "--json", "--book", str(half_year.folder), "--today", "2026-06-16", *supposed]
    told = {}
    for n in (1, 3, 6):
        assert main([*at, "--months", str(n)]) == 0
        told[n] = json.loads(capsys.readouterr().out)["result"]
    months = told[6].pop("months")
    assert len(months) == 7
    for n in (1, 3):
        assert told[n].pop("months") == months[: n + 1]
        assert told[n] == told[6]


def test_a_month_is_asked_for_its_own_time_of_year(new_book):
    """Where winter jobs take twice the pellets of summer ones, a far month is told by its own season."""
    rows = weekday_jobs(date(2024, 1, 1), date(2026, 6, 30), every=4)
    for row in rows:
        row["pellets_lb"] *= 1.0 + 0.5 * math.cos(2 * math.pi * row["day"].timetuple().tm_yday / 365.25)
    book = new_book(rows=rows)
    assert main(["learn", "--book", str(book.folder), "--today", "2026-07-01"]) == 0
    months = answered(book, n_months=6).result.months
    july, december = (m.pellets_used_lb.mean / m.jobs.mean for m in (months[0], months[-1]))
    assert december / july > 1.8


def test_more_jobs_and_a_dearer_pound(half_year):
    """A quarter more jobs is a quarter more work; a price of twice the ice's own doubles all but the fees."""
    plain_month = answered(half_year, n_months=1).result.months[0]
    more = answered(half_year, n_months=1, jobs_change=0.25).result.months[0]
    assert more.jobs.mean / plain_month.jobs.mean == pytest.approx(1.25, abs=0.04)
    assert more.pellets_used_lb.mean / plain_month.pellets_used_lb.mean == pytest.approx(1.25, abs=0.05)
    dear = answered(half_year, n_months=1, ice_price_usd=2.2).result.months[0]
    extra = dear.spend_usd.mean - plain_month.spend_usd.mean
    assert extra == pytest.approx(1.1 * plain_month.pellets_bought_lb.mean, rel=1e-3)


def test_another_machine_says_what_it_does_not_know(half_year):
    """A machine without a job is told to be a guess, and not to bring jobs."""
    warnings = answered(half_year, n_months=1, machine="rig-9").warnings
    assert any("rig-9 has no job in the log" in w for w in warnings)
    assert any("brings no jobs by itself" in w for w in warnings)


def test_bookings_lift_the_month(half_year):
    """Forty bookings for July leave no scenario with few jobs; those already cancelled do not count."""
    before = answered(half_year, n_months=1).result.months[0]
    book_jobs(half_year, [(date(2026, 6, 20), date(2026, 7, 6 + i % 5), "booked") for i in range(40)])
    with_list = answered(half_year, n_months=1, statuses_known=True).result.months[0]
    assert with_list.jobs.quantiles[0.05] > before.jobs.mean + 15
    with half_year.writing() as connection:
        connection.execute("update bookings set status = 'cancelled'")
    cancelled = answered(half_year, n_months=1, statuses_known=True).result.months[0]
    assert cancelled.jobs.mean == pytest.approx(before.jobs.mean, rel=0.1)


def test_absurd_jobs_later_move_nothing(half_year, new_book):
    """Jobs, deliveries and bookings from a day on leave the answer of that day as it was."""
    day = date(2026, 5, 1)
    clean = new_book(
        rows=[r for r in weekday_jobs(date(2026, 1, 5), date(2026, 6, 30), every=2) if r["day"] < day], name="clean"
    )
    deliver(clean, date(2026, 1, 5), date(2026, 4, 30))
    with half_year.writing() as connection:
        connection.execute("update job_lines set pellets_lb = 790, minutes = 1400 where day >= ?", [day])
    deliver(half_year, day + timedelta(days=1), date(2026, 6, 20), every=1, lb=5000.0)
    book_jobs(half_year, [(day, date(2026, 5, 20), "booked")] * 30)
    one, two = answered(clean, day), answered(half_year, day)
    assert plain(one.result) == plain(two.result)
    assert one.warnings == two.warnings


def test_month_that_was_not_logged_is_not_a_month_without_jobs(new_book):
    """A month without rows but with ice is told as not logged and does not halve the forecast."""
    rows = weekday_jobs(date(2026, 1, 5), date(2026, 6, 30))
    full = new_book(rows=rows, name="full")
    holed = new_book(rows=[r for r in rows if r["day"].month != 5], name="holed")
    for book in (full, holed):
        deliver(book, date(2026, 1, 5), date(2026, 6, 30))
    one, two = answered(full, n_months=1), answered(holed, n_months=1)
    assert two.result.months[0].jobs.mean == pytest.approx(one.result.months[0].jobs.mean, rel=0.12)
    assert any("taken as not logged" in w for w in two.warnings)
    assert all(p.month != "2026-05" for p in two.result.backtest.past)


def test_a_log_of_over_a_year_with_a_gap_is_not_called_short(new_book):
    """Weeks that were not logged are a guess, but the log is as long as it is; one that begins later is short."""
    rows = weekday_jobs(date(2025, 6, 2), date(2026, 6, 30), every=3)
    holed = answered(new_book(rows=[r for r in rows if r["day"].month not in (9, 10)], name="holed"), n_months=1)
    late = answered(new_book(rows=[r for r in rows if r["day"] > date(2025, 10, 31)], name="late"), n_months=1)
    assert any("Less than a year of weeks is logged" in w for w in holed.warnings)
    assert not any("shorter than a year" in w for w in holed.warnings)
    assert any("shorter than a year" in w for w in late.warnings)


def test_silent_month_without_a_delivery_log_is_asked_about(new_book):
    """Without deliveries nobody can tell, and the owner is asked to import or confirm."""
    rows = [r for r in weekday_jobs(date(2026, 1, 5), date(2026, 6, 30)) if r["day"].month != 4]
    assert any("no delivery log tells" in w for w in answered(new_book(rows=rows), n_months=1).warnings)


def test_empty_book_answers_from_planning(new_book):
    """Without a job the answer is the planning figures', wide, and says so."""
    answer = answered(new_book(), n_months=2)
    month = answer.result.months[0]
    assert month.basis == "planning"
    assert month.jobs.mean == pytest.approx(6 * 31 / 7, rel=0.7)
    assert month.pellets_used_lb.interval.high > 3 * month.pellets_used_lb.interval.low
    assert answer.result.because == ()
    assert answer.result.backtest.months == 0
    assert any("planning figure" in w for w in answer.warnings)
    assert "No past month" in render_forecast(answer, Style())


def test_one_job(new_book):
    """One job is enough for an answer, which is wide and says why."""
    answer = answered(new_book(rows=[job(1, date(2026, 6, 29))]), n_months=1)
    assert answer.result.months[0].basis != "learned"
    assert any("too short to know the season" in w for w in answer.warnings)


def test_all_jobs_on_one_day(new_book):
    """Thirty jobs under one date teach no rate: the planning figure answers and the dates are doubted."""
    book = new_book(rows=[job(i, date(2026, 6, 15)) for i in range(30)])
    answer = answered(book, n_months=1)
    assert answer.result.months[0].jobs.quantiles[0.5] < 80
    assert any("All 30 jobs bear the date 2026-06-15" in w for w in answer.warnings)


def test_jobs_dated_ahead_are_left_out_and_told(half_year):
    """A job dated next month changes nothing and is named where the answer is for the present day."""
    before = answered(half_year, n_months=1).result
    with half_year.writing() as connection:
        connection.execute(
            "insert into job_lines (job_id, vehicle, day, vehicle_class, zone, pass, pellets_lb, minutes, batch,"
            " row_hash) values ('X', '', date '2026-08-03', 'van', 'undercarriage', 1, 700, 900, 0, 99)"
        )
    assert plain(answered(half_year, n_months=1).result) == plain(before)
    assert "1 job is dated 2026-07-02 or later" in future_jobs(Asking(half_year, TODAY))[0]
    assert future_jobs(Asking(half_year, date(2026, 9, 1))) == ()


def test_two_months_answer_wide_and_say_why(new_book, half_year):
    """A log of two months gives a wider relative range than one of six, and the words say why."""
    short = answered(new_book(rows=weekday_jobs(date(2026, 5, 4), date(2026, 6, 30), every=2), name="two"), n_months=3)
    long = answered(half_year, n_months=3)

    def width(answer):
        jobs = answer.result.months[-1].jobs
        return (jobs.interval.high - jobs.interval.low) / jobs.mean

    assert width(short) > width(long)
    assert any("too short" in w and "wide" in w for w in short.warnings)


def test_text_fits_and_answers_first(half_year):
    """The text begins with the next month and what to buy, and no line is over 80 columns."""
    text = render_forecast(answered(half_year, date(2026, 6, 16), n_months=6), Style())
    assert text.startswith("Jul 2026: about ")
    assert "rest of Jun 2026" in text
    assert max(map(len, text.splitlines())) <= 80
    assert "ice than May 2026" in text.replace("\n", " ")
    assert "ranges of pellets used held" in text.replace("\n", " ")


def test_the_record_tells_the_share_of_the_months_in_its_table(half_year):
    """Beside the share over all forecasts stands that of those made when their month began, as the table shows them."""
    answer = answered(half_year)
    told = answer.result.backtest
    ranges = [p.pellets_used_lb for p in told.past if p.pellets_used_lb.actual is not None]
    assert told.begun == len(ranges)
    assert told.begun_held == sum(r.low <= r.actual <= r.high for r in ranges)
    assert told.forecasts > told.begun
    assert told.held["0.8"] * told.forecasts == pytest.approx(round(told.held["0.8"] * told.forecasts))
    text = " ".join(render_forecast(answer, Style()).split())
    assert f" of {told.forecasts} forecasts, and in {told.begun_held} of the {told.begun} made on the morning" in text


@pytest.mark.parametrize(
    "question",
    [{"n_months": 0}, {"n_months": 7}, {"jobs_change": 10.0}, {"jobs_change": -1.5}, {"ice_price_usd": 0.0}],
)
def test_questions_that_make_no_sense(half_year, question):
    """Months beyond 1 to 6, changes beyond reason and prices of nothing are refused in words."""
    with pytest.raises(UsageError):
        answered(half_year, **question)


def test_command_prints_json_and_refuses_with_code_2(half_year, capsys):
    """The command answers as JSON on stdout; a bad month count ends with usage."""
    at = ["--book", str(half_year.folder), "--today", "2026-07-01"]
    assert main(["forecast", "--months", "1", "--json", *at]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["command"] == "forecast"
    assert len(told["result"]["months"]) == 1
    assert main(["forecast", "--months", "9", *at]) == 2
    assert "1 to 6" in capsys.readouterr().err


def test_a_what_if_says_what_was_supposed(new_book, capsys):
    """Changed jobs and a changed price are told first, in the book's units; a metric book's bare price is a kg's."""
    rows = weekday_jobs(date(2026, 1, 5), date(2026, 6, 30), every=4)
    book = new_book('[shop]\nunits = "metric"\ncurrency = "EUR"\nas_of = "2026-07-01"\n', rows)
    asked = ["forecast", "--book", str(book.folder), "--json"]
    assert main([*asked, "--ice-price", "3", "--jobs-change", "-0.1"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "What-if: 10 % fewer jobs" in told["warnings"][0]
    assert "What-if: ice at €3.00 a kg" in told["warnings"][1]
    assert main([*asked, "--ice-price", "1.36078/lb", "--jobs-change", "-0.1"]) == 0
    by_lb = json.loads(capsys.readouterr().out)
    assert by_lb["result"]["months"][0]["spend_usd"]["mean"] == pytest.approx(
        told["result"]["months"][0]["spend_usd"]["mean"], rel=1e-4)  # fmt: skip
    assert main(asked) == 0
    assert not any("What-if" in w for w in json.loads(capsys.readouterr().out)["warnings"])


def test_bookings_of_this_morning_are_told_to_be_left_out(half_year):
    """A booking taken today for a month that is told is named; one for later months, or of yesterday, is not."""
    book_jobs(half_year, [(TODAY, date(2026, 7, 20), "booked"), (TODAY, date(2026, 11, 2), "booked"),
                          (date(2026, 6, 30), date(2026, 7, 21), "booked")])  # fmt: skip
    (said,) = [w for w in answered(half_year, statuses_known=True).warnings if "taken today" in w]
    assert said.startswith("1 booking (B-2026-07-01-2026-07-20-0) was taken today, 2026-07-01, and was not counted")
    assert not any("taken today" in w for w in answered(half_year, statuses_known=False).warnings)
