"""What ice costs where no delivery is logged: by the shop's own weeks, the same in quotes, costing and forecasts."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta

import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.costed import costed_visits
from pipeline.answers.forecasting import ForecastQuestion, forecast
from pipeline.answers.landed import Volume, landed_price, planning_price, weekly_volume
from pipeline.book.settings import Settings
from pipeline.book.store import Book
from pipeline.book.tables import deliveries

Make = Callable[..., Book]
TODAY = date(2026, 6, 1)


def jobs(every_days: int, n: int, lb: float = 45.0) -> list[dict[str, object]]:
    return [
        {"job_id": f"J{k}", "day": TODAY - timedelta(days=1 + every_days * k), "vehicle_class": "sedan",
         "zone": "undercarriage", "soil_level": "moderate", "pellets_lb": lb, "minutes": 60.0}
        for k in range(n)
    ]  # fmt: skip


def test_a_week_is_the_logs_own_once_there_is_one(new_book: Make) -> None:
    """Half a year of a job a week is a job a week, whatever book.toml plans; without a log the plan stands."""
    planned = weekly_volume(Asking(new_book(), TODAY))
    assert planned == Volume(6.0, pytest.approx(6 * Settings().planning().pellets_lb.zone["undercarriage"]))
    week = weekly_volume(Asking(new_book(rows=jobs(7, 25), name="slow"), TODAY))
    assert week.jobs == pytest.approx((25 + 6) / (169 / 7 + 1), rel=1e-6)
    assert 45 < week.used_lb < 60
    busier = weekly_volume(Asking(new_book("[planning]\njobs_per_week = 60\n", jobs(7, 25), "busier"), TODAY))
    assert busier.jobs < 1.1 * week.jobs + 60 / 25


def test_weeks_that_were_not_logged_make_no_slow_shop(new_book: Make) -> None:
    """Two months missing from a log of a job a day change the week by little."""
    whole = jobs(1, 150)
    gappy = [row for k, row in enumerate(whole) if not 40 <= k < 100]
    expected = weekly_volume(Asking(new_book(rows=whole), TODAY))
    found = weekly_volume(Asking(new_book(rows=gappy, name="gappy"), TODAY))
    assert found.jobs == pytest.approx(expected.jobs, rel=0.05)


def test_fewer_jobs_pay_more_a_pound_but_not_for_ice_that_never_was() -> None:
    """The price rises as jobs get fewer and stays below three pounds bought, with a delivery, for each one used."""
    prices = [planning_price(Settings(), Volume(n, 45.0 * n)).usd_per_lb for n in (0.5, 1.4, 3.0, 6.0, 12.0)]
    assert prices == sorted(prices, reverse=True)
    assert prices[0] < 3 * 1.3 + 45 / 45
    lost = [planning_price(Settings(), Volume(n, 45.0 * n)).lost_share for n in (0.5, 6.0)]
    assert lost[0] == pytest.approx(lost[1], abs=0.2)


def test_quote_costing_and_forecast_price_ice_alike(new_book: Make) -> None:
    """In a slow shop without deliveries a used pound costs about the same in all three."""
    book = new_book(rows=[row | {"price_usd": 300.0} for row in jobs(5, 30)])
    asking = Asking(book, TODAY)
    quoted = landed_price(asking)
    assert quoted.basis == "planning"
    assert costed_visits(asking).usd_per_lb == pytest.approx(quoted.usd_per_lb)
    month = forecast(asking, ForecastQuestion()).result.months[0]
    used, spent = month.pellets_used_lb.mean, month.spend_usd.mean
    assert spent / used == pytest.approx(quoted.usd_per_lb, rel=0.25)


def test_quote_and_costing_say_which_weeks_their_price_of_ice_is_from(
    new_book: Make, run: Callable[..., tuple[int, str, str]]
) -> None:
    """Where ice got dearer a quote goes by half a year, a costed job by its own weeks: each says so, with its price."""
    book = new_book(rows=[row | {"price_usd": 300.0} for row in jobs(5, 60)])
    with book.writing() as connection:
        for k in range(40):
            connection.execute(
                "insert into deliveries (day, container, weight_lb, price_usd_per_lb, batch, row_hash) "
                "values (?, 'tote', 120, ?, 0, ?)", [TODAY - timedelta(days=3 + 7 * k), 2.0 if k < 5 else 1.0, k],
            )  # fmt: skip
    at = ("--book", str(book.folder), "--today", TODAY.isoformat())
    quoted = " ".join(run("quote", "--vehicle", "sedan", "--zone", "undercarriage", *at)[1].split())
    costed = " ".join(run("costing", *at)[1].split())
    prices = [re.search(r"Ice counts at (\$[\d.]+)/lb", text) for text in (quoted, costed)]
    assert all(prices)
    assert prices[0][1] != prices[1][1]  # type: ignore[index]
    assert "(the deliveries of the last 26 logged weeks)" in quoted
    assert "(for each job the deliveries of the 7 days before it and what was lost in the 90 days around it)" in costed
    bare = new_book(rows=[row | {"price_usd": 300.0} for row in jobs(5, 30)], name="bare")
    told = " ".join(run("costing", "--book", str(bare.folder), "--today", TODAY.isoformat())[1].split())
    assert "delivery and lost ice included (planning figures)" in told


def test_a_month_without_jobs_buys_nothing(new_book: Make) -> None:
    """A forecast of no jobs at all loses no ice and pays no delivery."""
    asking = Asking(new_book(rows=jobs(5, 30)), TODAY)
    for month in forecast(asking, ForecastQuestion(jobs_change=-1.0)).result.months:
        assert (month.pellets_bought_lb.mean, month.spend_usd.mean) == (0.0, 0.0)


def test_a_forecast_reads_the_ordinary_week_once(new_book: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lost ice, deliveries and the price of ice rest on one reading of the log's week, where no delivery is logged."""
    read: list[Asking] = []

    def counted(asking: Asking) -> Volume:
        read.append(asking)
        return weekly_volume(asking)

    for room in ("landed", "forecast_ice"):
        monkeypatch.setattr(f"pipeline.answers.{room}.weekly_volume", counted)
    forecast(Asking(new_book(rows=jobs(5, 9)), TODAY), ForecastQuestion(n_months=1))
    assert len(read) == 1


def test_ice_that_is_in_store_is_not_lost(new_book: Make) -> None:
    """Large deliveries of yesterday and this morning move neither loss nor price: nobody could use much of them yet."""
    book = new_book(rows=[row | {"price_usd": 300.0} for row in jobs(2, 60)])
    insert = (
        "insert into deliveries (day, stamped, container, weight_lb, price_usd_per_lb, fee_usd, batch, row_hash) "
        "values (?, ?, 'tote', ?, 1.0, 0, 0, ?)"
    )
    with book.writing() as connection:
        for k in range(17):
            connection.execute(insert, [TODAY - timedelta(days=1 + 7 * k), None, 200, k])
    asking = Asking(book, TODAY)
    before, finished = landed_price(asking), costed_visits(asking).usd_per_lb
    assert before.basis == "learned"
    assert 0.15 < before.lost_share < 0.3
    with book.writing() as connection:
        connection.execute(insert, [TODAY - timedelta(days=1), None, 1200, 98])
        connection.execute(insert, [TODAY, datetime.combine(TODAY, time(7, 30)), 900, 99])
    assert len(deliveries(book, TODAY)) == 19
    after = landed_price(asking)
    assert after.lost_share == before.lost_share
    assert after.usd_per_lb == pytest.approx(before.usd_per_lb)
    assert costed_visits(asking).usd_per_lb == pytest.approx(finished, rel=0.02)


@pytest.mark.parametrize("weeks", [7, 9, 12, 20])
def test_quote_and_finished_jobs_count_one_loss_in_a_short_record(new_book: Make, weeks: int) -> None:
    """A hundred pounds come each week and eighty are used: a fifth is lost, however few the weeks on record."""
    rows = [row | {"price_usd": 300.0, "day": TODAY - timedelta(days=2 + 7 * k)}
            for k, row in enumerate(jobs(7, weeks, lb=80.0))]  # fmt: skip
    book = new_book(rows=rows, name=f"weeks{weeks}")
    with book.writing() as connection:
        for k in range(weeks + 1):
            connection.execute(
                "insert into deliveries (day, container, weight_lb, price_usd_per_lb, fee_usd, batch, row_hash) "
                "values (?, 'tote', 100, 1.0, 0, 0, ?)",
                [TODAY - timedelta(days=1 + 7 * k), k],
            )
    asking = Asking(book, TODAY)
    landed = landed_price(asking)
    assert landed.lost_share == pytest.approx(0.2, abs=0.03)
    assert costed_visits(asking).usd_per_lb == pytest.approx(landed.usd_per_lb, rel=0.05)
