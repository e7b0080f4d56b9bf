"""A known customer's jobs: estimate, quote, order and forecast count its record alike, and none of a later day."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.estimating import JobEstimate, estimate_jobs
from pipeline.answers.fitting import current_fit
from pipeline.answers.forecasting import ForecastQuestion, forecast
from pipeline.answers.ice_fitting import fit_jobs
from pipeline.answers.ordering import ice_ground
from pipeline.answers.quoting import quote_jobs
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.book.store import Book

pytestmark = pytest.mark.usefixtures("few_draws")
Make = Callable[..., Book]
DAY = date(2026, 3, 2)  # a Monday
EXPECTED = (
    "insert into expectations (version, job_id, day, quantity, mean, q10, q50, q90, pit, actual) "
    "values (1, ?, ?, ?, 85, 60, 80, 110, ?, ?)"
)


def shop(make: Make, name: str = "shop") -> Book:
    """Return a book in which FARM took half again what was expected, and CITY three quarters of it."""
    rows, told = [], []
    for k in range(40):
        customer, actual, pit = ("FARM", 120.0, 0.95) if k % 2 else ("CITY", 60.0, 0.1)
        day = DAY - timedelta(days=k + 1)
        rows.append({
            "job_id": f"J{k}", "day": day, "vehicle_class": "van", "zone": "undercarriage", "soil_level": "heavy",
            "pellets_lb": actual, "minutes": actual, "customer": customer,
        })  # fmt: skip
        told += [(f"J{k}", day, quantity, pit, actual) for quantity in ("pellets_lb", "minutes")]
    book = make(rows=rows, name=name)
    with book.writing() as connection:
        connection.executemany(EXPECTED, told)
    return book


def asked(customer: str) -> JobAsked:
    return JobAsked(f"for {customer}", DAY, (LineAsked("van", "undercarriage", "heavy"),), customer)


def estimate(book: Book, customer: str) -> JobEstimate:
    return estimate_jobs(Asking(book, DAY), [asked(customer)]).result.estimates[0]


def test_an_estimate_counts_the_customer_as_a_quote_does(new_book: Make) -> None:
    """FARM is told more than a newcomer and CITY less, as in its quote; a newcomer's name moves nothing."""
    book = shop(new_book)
    new = estimate(book, "")
    assert replace(estimate(book, "NEW"), job_id="") == replace(new, job_id="")
    farm, city = estimate(book, "farm"), estimate(book, "CITY")
    for told in (lambda e: e.pellets_lb.mean, lambda e: e.minutes.mean):
        assert told(city) < told(new) < told(farm)
    quoted = quote_jobs(Asking(book, DAY), [asked("farm")]).result.quotes[0]
    assert quoted.pellets_lb.mean == pytest.approx(farm.pellets_lb.mean)
    assert sum(line.pellets_lb.mean for line in farm.lines) == pytest.approx(farm.pellets_lb.mean)


def test_many_jobs_are_answered_for_their_own_customers(new_book: Make) -> None:
    """In a list each job has its own customer's answer, wherever it stands."""
    book = shop(new_book)
    both = estimate_jobs(Asking(book, DAY), [asked("CITY"), asked("FARM")]).result.estimates
    assert both[1].pellets_lb.mean > 1.3 * both[0].pellets_lb.mean


def test_booked_and_waiting_jobs_are_those_of_their_customers(new_book: Make) -> None:
    """What is ordered and forecast for a booking, and what a waiting job is said to take, follows its customer."""
    need, month, waiting = {}, {}, {}
    for customer in ("FARM", "CITY"):
        book = shop(new_book, customer)
        with book.writing() as connection:
            connection.execute(
                "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, soil_level, customer, batch, "
                "row_hash) values ('B1', '2026-02-20', '2026-03-04', 'van', 'undercarriage', 'heavy', ?, 0, 0)",
                [customer],
            )
        asking = Asking(book, DAY)
        ground = ice_ground(asking, current_fit(asking), 7, statuses_known=True, seed=asking.seed)
        need[customer] = float(ground.demand.booked_lb.mean())
        month[customer] = forecast(asking, ForecastQuestion(n_months=1)).result.months[0].pellets_used_lb.mean
        fits = fit_jobs(asking, [replace(asked(customer), day=DAY + timedelta(days=3))], statuses_known=True)
        waiting[customer] = fits.result.fits[-1].pellets_lb.mean
    assert need["FARM"] > 1.3 * need["CITY"]
    assert month["FARM"] > month["CITY"] + 5
    assert waiting["FARM"] > 1.3 * waiting["CITY"]


def test_nothing_of_a_later_day_moves_a_customers_answer(new_book: Make) -> None:
    """Absurd visits of the customer on the day itself and after it change no answer as of that morning."""
    book = shop(new_book)
    before = estimate(book, "FARM")
    with book.writing() as connection:
        for k, day in enumerate((DAY, DAY + timedelta(days=5))):
            connection.execute(
                "insert into job_lines (job_id, day, vehicle_class, zone, soil_level, pass, pellets_lb, minutes, "
                "customer, batch, row_hash) values (?, ?, 'van', 'undercarriage', 'heavy', 1, 790, 1400, 'FARM', 0, 0)",
                [f"Z{k}", day],
            )
            connection.executemany(EXPECTED, [(f"Z{k}", day, q, 0.999, 790.0) for q in ("pellets_lb", "minutes")])
    assert estimate(book, "FARM") == before


def test_a_customer_with_one_job_is_told_in_an_estimate(new_book: Make) -> None:
    """One visit on record counts, and the answer says how little it says."""
    book = shop(new_book)
    with book.writing() as connection:
        connection.execute(
            "update job_lines set customer = 'ONCE' where job_id = 'J0'",
        )
    assert any("ONCE has one job" in w for w in estimate_jobs(Asking(book, DAY), [asked("ONCE")]).warnings)
    assert not any("one job" in w for w in estimate_jobs(Asking(book, DAY), [asked("FARM")]).warnings)


def test_an_estimate_by_options_and_a_logged_job_count_the_customer(
    new_book: Make, run: Callable[..., tuple[int, str, str]]
) -> None:
    """`estimate --customer` is the file's column; `log` compares with what was expected of that customer's job."""
    book = shop(new_book)
    told = {}
    for customer in ("FARM", "CITY"):
        job = ("--vehicle", "van", "--customer", customer, "--book", str(book.folder), "--today", str(DAY), "--json")
        _, out, _ = run("estimate", "--zone", "undercarriage:heavy", *job)
        (one,) = json.loads(out)["result"]["estimates"]
        _, out, _ = run("log", "--job-id", f"L-{customer}", "--zone", "undercarriage:heavy=90lb/90min", *job)
        (pellets, _) = json.loads(out)["result"]["against"]
        told[customer] = one["pellets_lb"]["mean"], pellets["expected"]["mean"]
    assert told["FARM"][0] > 1.3 * told["CITY"][0]
    assert told["FARM"][1] > 1.3 * told["CITY"][1]
