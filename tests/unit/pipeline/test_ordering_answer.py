"""Orders from a book: stock, demand, plan, limits and warnings; only what was known on that morning counts."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from data_demo.generate import SHIPPED_SEED, draw_shop
from pipeline.answers.answer import Asking
from pipeline.answers.fitting import current_fit
from pipeline.answers.ice_answer import OnItsWay
from pipeline.answers.ice_arrivals import is_working
from pipeline.answers.ordering import OrderQuestion, delivery_dates, four_weeks_use, ice_ground, order_ice
from pipeline.answers.requests import JobAsked, LineAsked, request_table
from pipeline.book.settings import Ice, Settings, Shop
from pipeline.book.store import Book, open_book
from pipeline.present.figures import Style
from pipeline.present.json_text import render_answer
from pipeline.present.ordering_text import render_order
from shared.errors import UsageError

pytestmark = pytest.mark.usefixtures("few_draws")
Make = Callable[..., Book]
TODAY = date(2026, 6, 1)  # a Monday
TOML = """
[shop]
closed = ["2026-06-08"]
[ice]
lot_lb = 25
least_lb = 50
container_lb = 600
notice_days = 0
rush_usd_per_lb = 3.0
[planning]
jobs_per_week = 6
walk_in_share = 0.3
"""


def add(book: Book, table: str, rows: Sequence[dict[str, object]]) -> None:
    """Put rows into a log's table as they are."""
    with book.writing() as connection:
        for row in rows:
            filled = {"batch": 0, "row_hash": 0, **row}
            marks = ", ".join("?" for _ in filled)
            connection.execute(f"insert into {table} ({', '.join(filled)}) values ({marks})", list(filled.values()))


def delivery(day: date, lb: float, container: str = "tote", **other: object) -> dict[str, object]:
    return {"day": day, "container": container, "weight_lb": lb, **other}


def weighing(day: date, lb: float, container: str = "tote") -> dict[str, object]:
    return {"day": day, "container": container, "net_lb": lb}


def booking(name: str, day: date, *, zone: str = "undercarriage", status: str = "booked", **other: object) -> dict:
    return {
        "booking_id": name, "taken_on": TODAY - timedelta(days=5), "day": day, "vehicle_class": "sedan", "zone": zone,
        "soil_level": "moderate", "status": status, **other,
    }  # fmt: skip


def job(name: str, day: date, lb: float, **other: object) -> dict[str, object]:
    return {"job_id": name, "day": day, "vehicle_class": "sedan", "zone": "undercarriage", "soil_level": "moderate",
            "pellets_lb": lb, "minutes": 60.0, "pass": 1, **other}  # fmt: skip


def order(book: Book, **question: object):
    return order_ice(Asking(book, TODAY), OrderQuestion(**{"statuses_known": True, **question}))  # type: ignore[arg-type]


@pytest.fixture
def stocked(new_book: Make) -> Book:
    """A book with eight weeks of jobs, a weekly delivery, weighings and two bookings."""
    days = [TODAY - timedelta(days=i) for i in range(1, 57)]
    jobs = [job(f"J{d:%m%d}", d, 40.0 + d.day % 7) for d in days if d.weekday() in (0, 1, 3)]
    book = new_book(TOML, jobs)
    add(book, "deliveries", [delivery(d, 350.0) for d in days if d.weekday() == 0])
    # 350 lb on Monday, less the work (about 43 lb a job) and 30 lb a day.
    add(book, "weighings", [weighing(d, 350.0 - 86.0 - 30.0 * 1.4) for d in days if d.weekday() == 1])
    add(book, "weighings", [weighing(d, 350.0 - 129.0 - 30.0 * 4.4) for d in days if d.weekday() == 4])
    add(book, "bookings", [booking("B1", TODAY + timedelta(days=1)), booking("B2", TODAY + timedelta(days=3))])
    return book


def test_the_answer_has_the_promised_shape(stocked: Book) -> None:
    """Keys, dates and finite numbers of the JSON are those that programs may rely on."""
    answer = order(stocked, deliver=("mon", "thu"))
    told = json.loads(render_answer("order", "shop", TODAY, answer))["result"]
    assert list(told) == ["stock", "deliveries", "chance_short", "short_lb_mean", "left_over_lb", "sublimated_lb",
                          "total_cost_usd", "days", "rule_of_thumb", "chance_short_before", "chance_short_after",
                          "shortage", "unlogged_lb", "turned_away_lb", "chance_short_cover",
                          "chance_short_unordered", "decide_on", "on_its_way"]  # fmt: skip
    assert list(told["stock"]) == ["now_lb", "loss_lb_day", "unlogged_lb", "containers", "weighed", "warmth",
                                   "planning_lb_day", "n_containers"]  # fmt: skip
    assert list(told["deliveries"][0]) == ["date", "order_by", "firm", "order_lb", "cost_usd"]
    assert list(told["days"][0]) == ["date", "stock_lb", "need_lb", "chance_short"]
    assert [r["name"] for r in told["rule_of_thumb"]][:2] == [
        "200 lb a week", "last four weeks' use and a quarter more",
    ]  # fmt: skip
    assert len(told["days"]) == 14
    # The second Monday is a holiday: no delivery, no walk-ins.
    assert [d["date"] for d in told["deliveries"]] == ["2026-06-01", "2026-06-04", "2026-06-11"]
    assert told["days"][7]["need_lb"]["mean"] == 0


def test_firm_is_what_must_be_decided_before_the_next_decision_day() -> None:
    """The next decision day is the first delivery day at least seven days on; later ones stay open."""
    settings = Settings(ice=Ice(notice_days=1), shop=Shop(closed=(date(2026, 6, 8),)))
    dates, decide = delivery_dates(OrderQuestion(), TODAY, settings)
    assert decide == date(2026, 6, 11)
    assert dates == [date(2026, 6, 4), date(2026, 6, 11)]  # today's could not be ordered in time
    far, none = delivery_dates(OrderQuestion(deliver=()), TODAY, settings)
    assert (far, none) == ([], None)


def test_the_plan_costs_no_more_than_the_rules(stocked: Book) -> None:
    """Over the same scenarios the plan's expected cost is the least."""
    result = order(stocked).result
    assert all(result.total_cost_usd.mean <= rule.cost_usd + 1e-6 for rule in result.rule_of_thumb)
    assert {d.order_lb % 25 for d in result.deliveries} == {0.0}
    assert all(d.order_lb == 0 or 50 <= d.order_lb <= 600 for d in result.deliveries)


def test_loss_and_stock_are_learned_from_the_record(stocked: Book) -> None:
    """About 30 lb a day are learned, and the stock follows from the last weighing."""
    stock = order(stocked).result.stock
    assert stock.loss_lb_day.mean == pytest.approx(30, abs=6)
    # Weighed 89 lb on Friday, then a weekend of loss until Monday's opening.
    assert stock.now_lb.mean == pytest.approx(89 - 2.6 * stock.loss_lb_day.mean, abs=8)
    assert stock.containers[0].container == "tote"


def test_demand_is_the_sum_of_the_draws_that_price_the_jobs(stocked: Book) -> None:
    """With nothing cancelled and no walk-ins a day's need is the sum of its jobs' draws, scenario by scenario."""
    from models.consumption.predicting import predict

    asking = Asking(stocked, TODAY)
    fit = current_fit(asking)
    ground = ice_ground(asking, fit, 14, statuses_known=True, seed=1)
    asked = [JobAsked(b, TODAY + timedelta(days=d), (LineAsked("sedan", "undercarriage", "moderate"),))
             for b, d in (("B1", 1), ("B2", 3))]  # fmt: skip
    priced = (
        predict(fit.fitted, request_table(asked), seed=1, n_draws=ground.demand.booked_lb.shape[1])
        .jobs("pellets_lb")
        .draws
    )
    assert [b.booking_id for b in ground.demand.booked] == ["B1", "B2"]
    booked_only = ground.demand.booked_lb * ground.demand.comes
    assert (ground.demand.need_lb[1] >= booked_only[0] - 1e-9).all()
    alone = ground.demand.jobs[1] == ground.demand.comes[0]
    assert alone.any()
    assert np.allclose(ground.demand.need_lb[1][alone], booked_only[0][alone])
    assert np.array_equal(ground.demand.booked_lb, priced)


def test_a_booking_raises_the_order(stocked: Book) -> None:
    """Six more bookings in the first days order more ice; the same bookings cancelled do not."""
    before = sum(d.order_lb for d in order(stocked).result.deliveries)
    more = [booking(f"N{i}", TODAY + timedelta(days=i % 3)) for i in range(6)]
    add(stocked, "bookings", [{**b, "status": "cancelled"} for b in more])
    assert sum(d.order_lb for d in order(stocked).result.deliveries) == pytest.approx(before, abs=75)
    with stocked.writing() as connection:
        connection.execute("update bookings set status = 'booked'")
    assert sum(d.order_lb for d in order(stocked).result.deliveries) >= before + 100


def test_no_day_sells_more_hours_than_the_shop_has(stocked: Book) -> None:
    """Twenty bookings on one day spill over to the next; no day's hands-on work exceeds crew x hours."""
    add(stocked, "bookings", [booking(f"N{i}", TODAY + timedelta(days=1)) for i in range(20)])
    asking = Asking(stocked, TODAY)
    ground = ice_ground(asking, current_fit(asking), 14, statuses_known=True, seed=1)
    # 2 people x 8 h are 960 minutes; a job takes about 60 and 30 beside the nozzle.
    assert ground.demand.jobs[1].mean() < 14
    assert ground.demand.jobs[2].mean() > 5
    closed = [i for i, d in enumerate(ground.demand.days) if not is_working(d, stocked.settings.shop)]
    assert ground.demand.need_lb[closed].max() == 0


def test_what_happens_later_moves_nothing(stocked: Book) -> None:
    """Absurd jobs, deliveries, weighings and bookings from that day on change no figure of the answer."""
    before = order(stocked)
    add(stocked, "job_lines", [job(f"X{i}", TODAY + timedelta(days=i), 700.0) for i in range(5)])
    add(stocked, "deliveries", [delivery(TODAY, 9000.0), delivery(TODAY + timedelta(days=2), 9000.0)])
    add(stocked, "weighings", [weighing(TODAY, 5000.0)])
    add(stocked, "bookings", [booking("later", TODAY + timedelta(days=2), taken_on=TODAY)])
    after = order(stocked).result
    assert [d.weight_lb for d in after.on_its_way] == [9000.0, 9000.0]  # named as logged ahead
    assert replace(after, on_its_way=()) == before.result


def test_made_again_later_the_answer_does_not_know_who_cancelled(stocked: Book) -> None:
    """As of a past day a booking cancelled since still counts as booked; as of today it is left out."""
    before = order(stocked, statuses_known=False).result
    with stocked.writing() as connection:
        connection.execute("update bookings set status = 'cancelled'")
    assert order(stocked, statuses_known=False).result == before
    assert order(stocked).result.days[1].need_lb.mean < before.days[1].need_lb.mean - 20


def test_cancellations_are_learned(stocked: Book) -> None:
    """Where half of the past bookings were not kept, the coming ones come about half the time."""
    past = [booking(f"P{i}", TODAY - timedelta(days=i + 1), status="no_show" if i % 2 else "done") for i in range(80)]
    add(stocked, "bookings", past)
    asking = Asking(stocked, TODAY)
    ground = ice_ground(asking, current_fit(asking), 14, statuses_known=True, seed=1)
    assert ground.demand.comes.mean() == pytest.approx(1 - (40 + 1.6) / 100, abs=0.03)


def test_the_deliver_option_and_the_horizon_are_checked(stocked: Book) -> None:
    """Nonsense is a usage error in words, never a traceback."""
    asking = Asking(stocked, TODAY)
    for question, code in (
        (OrderQuestion(n_days=0), "bad-days"),
        (OrderQuestion(deliver=("monday",)), "bad-weekday"),
        (OrderQuestion(start=TODAY - timedelta(days=1)), "from-before-today"),
        (OrderQuestion(service=95.0), "bad-service"),
    ):
        with pytest.raises(UsageError) as error:
            order_ice(asking, question)
        assert error.value.problem.code == code


def test_an_order_from_a_later_day_plans_the_days_until_then(stocked: Book) -> None:
    """With --from the shop works in the meantime: what must come before is planned too, as with more days."""
    later = order(stocked, start=TODAY + timedelta(days=7), n_days=7).result
    assert later == order(stocked, n_days=14).result
    assert later.deliveries[0].date < TODAY + timedelta(days=7)


def test_ice_dated_today_counts_by_its_time_and_else_is_told(stocked: Book) -> None:
    """A delivery of today without a time is not in store this morning, and that is said; one at seven is."""
    before = order(stocked)
    add(stocked, "deliveries", [delivery(TODAY, 200.0)])
    untimed = order(stocked)
    assert untimed.result == replace(before.result, on_its_way=(OnItsWay(TODAY, 200.0),))
    add(stocked, "deliveries", [delivery(TODAY, 200.0, stamped=datetime(2026, 6, 1, 7, 30))])
    timed = order(stocked)
    assert timed.result.stock.now_lb.mean > before.result.stock.now_lb.mean + 150
    assert timed.result.on_its_way == untimed.result.on_its_way
    add(stocked, "weighings", [weighing(TODAY, 100.0)])
    assert any("2026-06-01, without a time before noon, and so not counted: 1 of the weighings" in w
               for w in order(stocked).warnings)  # fmt: skip
    assert not any("without a time" in w for w in timed.warnings)


def test_an_empty_book_is_answered(new_book: Make) -> None:
    """Nothing known: no stock, planning loss and demand, and it says so."""
    answer = order(new_book(TOML))
    assert answer.result.stock.now_lb.mean == 0
    assert answer.result.stock.loss_lb_day.mean == pytest.approx(38, abs=4)  # median 35, log sd 0.4
    assert not answer.result.stock.now_lb.interval.supported
    assert sum(d.order_lb for d in answer.result.deliveries) > 100
    assert any("No delivery or weighing is known" in w for w in answer.warnings)


def test_no_weighings_are_told(stocked: Book) -> None:
    """Without a weighing the stock rests on the planning value, wider, and the answer says so."""
    narrow = order(stocked).result.stock.loss_lb_day.interval
    with stocked.writing() as connection:
        connection.execute("delete from weighings")
    answer = order(stocked)
    wide = answer.result.stock.loss_lb_day.interval
    assert wide.high - wide.low > 3 * (narrow.high - narrow.low)
    assert any("No weighing tells" in w for w in answer.warnings)


def test_a_weighing_above_what_was_delivered_is_told(stocked: Book) -> None:
    """It does not move the loss, and the day and the pounds are named."""
    before = order(stocked).result.stock.loss_lb_day.mean
    add(stocked, "weighings", [weighing(TODAY - timedelta(days=24), 590.0)])
    answer = order(stocked)
    assert any("2026-05-08" in w and "more than was delivered" in w for w in answer.warnings)
    assert answer.result.stock.loss_lb_day.mean == pytest.approx(before, abs=3)


def test_unknown_containers_are_told(stocked: Book) -> None:
    """A job's container that no delivery or weighing names, and a container that was only weighed."""
    add(stocked, "job_lines", [job("odd", TODAY - timedelta(days=2), 20.0, container="drum")])
    add(stocked, "weighings", [weighing(TODAY - timedelta(days=3), 60.0, "chest")])
    warnings = " ".join(order(stocked).warnings)
    assert "drum, which no delivery" in warnings
    assert "Weighed but never delivered to: chest" in warnings


def test_bookings_in_the_past_are_unclear(stocked: Book) -> None:
    """A past booking without a job is neither done nor cancelled: told, and left out of both."""
    add(stocked, "bookings", [booking("gone", TODAY - timedelta(days=4)), booking("J0528", TODAY - timedelta(days=4))])
    warnings = [w for w in order(stocked).warnings if "unclear" in w]
    assert len(warnings) == 1
    assert warnings[0].startswith("1 booking of past days")


def test_an_unmeetable_service_names_what_binds(stocked: Book) -> None:
    """One delivery for two weeks cannot keep 99 %: the plan comes as close as it can and says what binds."""
    answer = order(stocked, service=0.99, deliver=("wed",), n_days=14)
    assert any("of the delivery of" in w or "After the delivery of" in w for w in answer.warnings)
    assert any("binds" in w for w in answer.warnings)
    assert any("Before the first delivery" in w for w in answer.warnings)


def test_zero_demand_orders_nothing(new_book: Make) -> None:
    """A shop without jobs a week, bookings or history orders nothing and is told why."""
    book = new_book(TOML.replace("jobs_per_week = 6", "jobs_per_week = 0"))
    answer = order(book)
    assert {d.order_lb for d in answer.result.deliveries} == {0.0}
    assert answer.result.chance_short == 0
    assert any("No work is expected" in w for w in answer.warnings)


def test_a_least_order_above_the_container_is_told(new_book: Make) -> None:
    """Nothing can be ordered then, and the answer says why."""
    book = new_book(TOML.replace("least_lb = 50", "least_lb = 700"))
    answer = order(book)
    assert {d.order_lb for d in answer.result.deliveries} == {0.0}
    assert any("least order" in w for w in answer.warnings)


def test_cautions_name_the_amounts(stocked: Book) -> None:
    """Storing, handling and driving are warned of with the pounds ordered, before the last word on local codes."""
    answer = order(stocked)
    largest = max(d.order_lb for d in answer.result.deliveries)
    assert any(c.startswith("Store: up to") for c in answer.cautions)
    assert any(f"Driving with {largest:,.0f} lb" in c and "173.217" in c and "5.5.3" in c for c in answer.cautions)
    assert "Local codes" in answer.cautions[-1]


def test_the_text_says_the_order_first(stocked: Book) -> None:
    """The first lines are the deliveries with their pounds; 80 columns are kept; the rules stand at the end."""
    answer = order(stocked)
    lines = render_order(answer, Style()).splitlines()
    assert lines[0].split()[:2] == ["Delivery", "Order"]
    assert max(len(line) for line in lines) <= 80
    assert lines[2].startswith("Mon 2026-06-01")
    assert any(line.startswith("200 lb a week") for line in lines)


def test_default_prices_are_what_the_trade_pays() -> None:
    """Common practice, no source: 0.75 to 1.50 USD a lb by volume; a fresh book starts inside it."""
    assert all(0.75 <= b.usd_per_lb <= 1.50 for b in Ice().price_breaks)


def test_the_same_seed_gives_the_same_order(stocked: Book) -> None:
    """Two answers from one book agree in every figure."""
    assert order(stocked).result == order(stocked).result


def test_the_demo_orders_less_dearly_than_the_rules(demo_folder: Path) -> None:
    """On the demo's book the stock's 90 % range holds the truth and the plan beats every simple rule."""
    asking = Asking(open_book(demo_folder), date(2026, 7, 1))
    result = order_ice(asking, OrderQuestion()).result
    stock = result.stock.now_lb.quantiles
    assert stock[0.05] <= draw_shop(SHIPPED_SEED).ice.left_lb <= stock[0.95]
    assert 24 < result.stock.containers[0].loss_lb_day.mean < 34
    assert all(result.total_cost_usd.mean < rule.cost_usd for rule in result.rule_of_thumb)


def test_the_rule_of_recent_use_looks_at_weeks_that_were_logged(new_book: Make) -> None:
    """Weeks that the log passes over are no use of nothing: the four before count and are named; a young log has none.

    Without a gap the rule orders as much as with one, since the work of the logged weeks is the same.
    """
    for name, ended, words in (("kept", 1, "last four weeks'"), ("stale", 61, "last four logged weeks'")):
        days = [TODAY - timedelta(days=i) for i in range(ended, ended + 84)]
        worked = [d for d in days if d.weekday() < 5]
        book = new_book(TOML, [job(f"J{d:%m%d}", d, 40.0) for d in worked], name=name)
        add(book, "deliveries", [delivery(d, 350.0) for d in days if d.weekday() == 0])
        asking = Asking(book, TODAY)
        ground = ice_ground(asking, current_fit(asking), 14, statuses_known=True, seed=1)
        assert four_weeks_use(ground) == (words, 20 * 40.0)
        names = [r.name for r in order(book).result.rule_of_thumb]
        assert names == ["200 lb a week", f"{words} use and a quarter more", "mean need of each cover"]
    days = [TODAY - timedelta(days=i) for i in range(1, 13)]
    young = new_book(TOML, [job(f"J{d:%m%d}", d, 40.0) for d in days], name="young")
    assert [r.name for r in order(young).result.rule_of_thumb] == ["200 lb a week", "mean need of each cover"]
