"""What keeps an order from serving the jobs, what containers cannot have held, and until when an order can be given."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import pytest

from pipeline.answers.answer import Answer, Asking
from pipeline.answers.ice_answer import OrderResult
from pipeline.answers.ordering import OrderQuestion, order_ice
from pipeline.book.store import Book

pytestmark = pytest.mark.usefixtures("few_draws")
Make = Callable[..., Book]
TODAY = date(2026, 7, 1)  # a Wednesday


def order(book: Book, today: date = TODAY, **question: object) -> Answer[OrderResult]:
    return order_ice(Asking(book, today), OrderQuestion(**{"statuses_known": True, **question}))  # type: ignore[arg-type]


def deliver(book: Book, *came: tuple[int, float], container: str = "Box 1") -> None:
    with book.writing() as connection:
        for ago, lb in came:
            connection.execute("insert into deliveries (day, container, weight_lb, batch, row_hash) values "
                               "(?, ?, ?, 0, 0)", [TODAY - timedelta(days=ago), container, lb])  # fmt: skip


def jobs(lb: float, n: int = 60) -> list[dict[str, object]]:
    return [{"job_id": f"J{k}", "day": TODAY - timedelta(days=k), "vehicle_class": "truck", "zone": "undercarriage",
             "pellets_lb": lb, "minutes": 60.0} for k in range(1, n)]  # fmt: skip


def test_a_container_filled_again_and_again_holds_no_more_than_it_can(new_book: Make) -> None:
    """Ice that the log leaves in a full box is not there: an order is made, and the box and the figures are named."""
    book = new_book("[planning]\njobs_per_week = 6\n")
    deliver(book, *((4 + 7 * k, 400.0) for k in range(31)))
    answer = order(book)
    assert answer.result.stock.now_lb.quantiles[0.95] <= 500
    assert any(d.order_lb for d in answer.result.deliveries)
    (said,) = [w for w in answer.warnings if "cannot hold all" in w]
    assert said.startswith("Box 1 cannot hold")
    assert "500 lb" in said
    assert "`emptied`" in said
    (box,) = answer.result.stock.containers
    assert box.oldest_days == 4


def test_a_delivery_larger_than_a_container_is_told(new_book: Make) -> None:
    """It counts as that large; two of them do not add up."""
    book = new_book()
    deliver(book, (2, 5000.0), (1, 5000.0), container="tote")
    answer = order(book)
    assert answer.result.stock.now_lb.mean < 5100
    assert any(w.startswith("tote held 5,000 lb at once, more than container_lb") for w in answer.warnings)
    usual = new_book(name="usual")
    deliver(usual, (20, 480.0), (1, 480.0))
    assert not any("container_lb" in w for w in order(usual).warnings)


def test_a_high_chance_that_no_order_lowers_is_explained(new_book: Make) -> None:
    """The limit is named without --service too, and that a container is only assumed; not where more ice would help."""
    toml = "[ice]\nbumped_job_usd = 3000\n"
    said = next(w for w in order(new_book(toml, jobs(600.0))).warnings if "However much is ordered" in w)
    assert "(one container of 500 lb is assumed" in said
    assert "as no delivery is logged" in said
    book = new_book(toml, jobs(600.0), name="stocked")
    deliver(book, (2, 500.0))
    said = next(w for w in order(book).warnings if "However much is ordered" in w)
    assert "1 container of 500 lb" in said
    cheap = order(new_book("[planning]\njobs_per_week = 3\n[ice]\nbumped_job_usd = 1\n", name="cheap"))
    assert cheap.result.chance_short > 0.3
    assert not any("However much is ordered" in w for w in cheap.warnings)


def test_an_order_is_due_on_a_day_the_shop_is_open(new_book: Make) -> None:
    """A notice that ends on a Sunday or a holiday ends on the open day before, unless that has passed."""
    toml = "[shop]\nclosed = ['2026-07-03']\n[ice]\ndelivery_days = ['mon', 'thu']\n"
    due = {d.date: d.order_by for d in order(new_book(toml)).result.deliveries}
    assert due[date(2026, 7, 6)] == date(2026, 7, 2)
    assert due[date(2026, 7, 9)] == date(2026, 7, 8)
    assert due[date(2026, 7, 13)] == date(2026, 7, 10)
    sunday = order(new_book(name="sunday"), date(2026, 7, 5)).result.deliveries[0]
    assert (sunday.date, sunday.order_by) == (date(2026, 7, 6), date(2026, 7, 5))


def test_every_container_that_is_filled_again_and_again_is_planned_with(new_book: Make) -> None:
    """Five boxes filled each Monday store five boxes; a name that each delivery has for itself is no box more."""
    toml = "[ice]\ncontainer_lb = 200\ndelivery_days = ['mon']\n"
    boxes = new_book(toml)
    for name in "ABCDE":
        deliver(boxes, *((2 + 7 * k, 200.0) for k in range(8)), container=name)
    named = new_book(toml, name="named")
    for k in range(10):
        deliver(named, (2 + 3 * k, 200.0), container=f"delivery {k}")
    assert order(boxes).result.stock.n_containers == 5
    assert order(named).result.stock.n_containers == 3


def test_containers_filled_on_one_day_are_all_planned_with(new_book: Make) -> None:
    """Four new boxes that came together are four, though none was filled twice."""
    book = new_book("[ice]\ncontainer_lb = 200\n")
    for name in "ABCD":
        deliver(book, (2, 200.0), container=name)
    assert order(book).result.stock.n_containers == 4


def test_an_order_is_due_today_where_no_open_day_is_left(new_book: Make) -> None:
    """Before a shop opens again after weeks closed, an order is due on the last open day; today, where that is gone."""
    closed = ", ".join(f"'{date(2026, 8, 3) + timedelta(days=k)}'" for k in range(26))
    book = new_book(f"[shop]\nclosed = [{closed}]\n")
    for today, due in ((date(2026, 8, 1), date(2026, 8, 1)), (date(2026, 7, 30), date(2026, 7, 31))):
        first = next(d for d in order(book, today, start=date(2026, 8, 24), n_days=10).result.deliveries
                     if d.date == date(2026, 8, 31))  # fmt: skip
        assert first.order_by == due
        assert first.firm
