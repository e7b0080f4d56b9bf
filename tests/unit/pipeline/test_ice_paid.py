"""What deliveries cost: several containers at once, fees that are written once, ice of times nobody logged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.costed import costed_visits
from pipeline.answers.costing import cost_jobs
from pipeline.answers.forecasting import ForecastQuestion, forecast
from pipeline.answers.ice_paid import paid
from pipeline.answers.landed import landed_price
from pipeline.book.settings import Settings
from pipeline.book.store import Book
from pipeline.book.tables import Delivery
from pipeline.present.costing_text import render_costing
from pipeline.present.figures import Style

Make = Callable[..., Book]
TODAY = date(2026, 6, 1)
ICE = Settings().ice


def delivery(day: date, lb: float, *, price: float | None = None, fee: float | None = None, container: str = "a",
             supplier: str = "") -> Delivery:  # fmt: skip
    return Delivery(day, None, container, lb, price, fee, supplier, emptied=False)


def put(book: Book, rows: Sequence[tuple[date, str, float]]) -> Book:
    with book.writing() as connection:
        for i, row in enumerate(rows):
            connection.execute(
                "insert into deliveries (day, container, weight_lb, batch, row_hash) values (?, ?, ?, 0, ?)", [*row, i]
            )
    return book


def jobs(days: Sequence[date]) -> list[dict[str, object]]:
    return [{"job_id": f"J{d:%y%m%d}", "day": d, "vehicle_class": "sedan", "zone": "undercarriage", "price_usd": 300.0,
             "soil_level": "moderate", "pellets_lb": 45.0, "minutes": 60.0} for d in days]  # fmt: skip


def workdays(n: int) -> list[date]:
    return [d for k in range(n, 0, -1) if (d := TODAY - timedelta(days=k)).weekday() < 5]


def test_two_containers_of_one_truck_are_one_delivery() -> None:
    """Price break and fee are those of the whole truck, shared by weight; another supplier's is another."""
    one = paid([delivery(TODAY, 400.0)], ICE)
    two = paid([delivery(TODAY, 300.0), delivery(TODAY, 100.0, container="b")], ICE)
    assert (one.n_deliveries, two.n_deliveries) == (1, 1)
    assert two.bought_usd.sum() == pytest.approx(one.bought_usd.sum())
    assert two.fee_usd == pytest.approx(ICE.delivery_fee_usd * np.array([0.75, 0.25]))
    assert two.begins.tolist() == [True, False]
    other = paid([delivery(TODAY, 200.0), delivery(TODAY, 200.0, supplier="another")], ICE)
    assert other.n_deliveries == 2
    assert other.fee_usd.sum() == pytest.approx(2 * ICE.delivery_fee_usd)


def test_a_fee_that_was_written_once_is_the_trucks() -> None:
    """A blank fee beside a written one is none; prices that were written stand."""
    bill = paid([delivery(TODAY, 200.0, fee=20.0, price=1.0), delivery(TODAY, 200.0, container="b", price=2.0)], ICE)
    assert bill.fee_usd.tolist() == [20.0, 0.0]
    assert bill.bought_usd.tolist() == [200.0, 400.0]
    assert paid([], ICE).n_deliveries == 0


def test_a_truck_into_two_totes_costs_what_one_into_one_does(new_book: Make) -> None:
    """The landed price, the cost of past jobs and the bill of the month ahead are those of the trucks that came."""
    mondays = [TODAY - timedelta(days=14 * k) for k in range(1, 12)]
    still = "[ice]\nsublimation_lb_per_day = 0.1\n"  # two totes lose more than one
    one = put(new_book(still, jobs(workdays(150))), [(d, "a", 400.0) for d in mondays])
    two = put(new_book(still, jobs(workdays(150)), "two"), [(d, name, 200.0) for d in mondays for name in ("a", "b")])
    prices, costs, bills = [], [], []
    for book in (one, two):
        asking = Asking(book, TODAY)
        prices.append(landed_price(asking).usd_per_lb)
        costs.append(costed_visits(asking).cost_usd)
        bills.append(forecast(asking, ForecastQuestion(n_months=1)).result.months[0].spend_usd.mean)
    assert prices[1] == pytest.approx(prices[0])
    assert costs[1] == pytest.approx(costs[0])
    assert bills[1] == pytest.approx(bills[0], rel=0.02)


def test_ice_of_weeks_that_nobody_logged_is_not_lost(new_book: Make) -> None:
    """Six weeks without jobs in which ice came make neither today's price nor past jobs dearer."""
    days = workdays(150)
    silent = [d for d in days if not timedelta(days=50) < TODAY - d < timedelta(days=92)]
    came = [(TODAY - timedelta(days=k), "a", 400.0) for k in range(7, 150, 7)]
    whole, gappy = put(new_book(rows=jobs(days)), came), put(new_book(rows=jobs(silent), name="gappy"), came)
    price = [landed_price(Asking(book, TODAY)) for book in (whole, gappy)]
    assert price[1].lost_share == pytest.approx(price[0].lost_share, abs=0.05)
    cost = [costed_visits(Asking(book, TODAY)).cost_usd.mean() for book in (whole, gappy)]
    assert cost[1] == pytest.approx(cost[0], rel=0.04)


def test_rare_deliveries_tell_their_loss_together(new_book: Make) -> None:
    """Where too few came around a day, its loss is that of the whole record, not a planning figure."""
    came = [(TODAY - timedelta(days=30 * k), "a", 1350.0) for k in range(1, 9)]
    book = put(new_book(rows=jobs(workdays(240))), came)
    visits = costed_visits(Asking(book, TODAY))
    middle = (visits.table.day > TODAY.toordinal() - 150) & (visits.table.day < TODAY.toordinal() - 60)
    used, lost = 45.0 * len(workdays(240)), 8 * 1350.0 - 45.0 * len(workdays(240))
    assert lost / (used + lost) == pytest.approx(0.29, abs=0.01)
    one = put(new_book("[ice]\nsublimation_lb_per_day = 200\n", jobs(workdays(240)), "planned"), came)
    planned = costed_visits(Asking(one, TODAY)).cost_usd[middle]
    assert planned == pytest.approx(visits.cost_usd[middle])


def test_costing_without_a_finished_job_is_an_answer(new_book: Make) -> None:
    """Deliveries alone, or a day before the first job, leave nothing to cost and no fault."""
    book = put(new_book(rows=jobs(workdays(20))), [(TODAY - timedelta(days=40), "a", 400.0)])
    for today in (TODAY - timedelta(days=30), TODAY):
        answer = cost_jobs(Asking(book, today))
        text = render_costing(answer, Style())
        assert ("No finished job has both" in text) == (today < TODAY)
