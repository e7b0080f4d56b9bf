"""What a job counts that is put off for want of ice: a large one more than the usual one, and booked ones by name."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pytest

from models.ice.outlook import Terms
from pipeline.answers.answer import Answer, Asking
from pipeline.answers.bumped_jobs import bumped_job
from pipeline.answers.fitting import current_fit
from pipeline.answers.ice_answer import OrderResult
from pipeline.answers.ordering import OrderQuestion, ice_ground, order_ice
from pipeline.book.store import Book

pytestmark = pytest.mark.usefixtures("few_draws")
Make = Callable[..., Book]
TODAY = date(2026, 10, 1)  # a Thursday
HEAD = "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, soil_level, batch, row_hash) values "
LARGE = "('Z1', '2026-09-20', '2026-10-05', 'truck', 'undercarriage', 'severe', 0, 0)"
SMALL = "('Z2', '2026-09-20', '2026-10-06', 'sedan', 'door_jambs', 'light', 0, 0)"


def booked(make: Make, toml: str = "", *rows: str, name: str = "shop") -> Book:
    book = make("[planning]\njobs_per_week = 1\nwalk_in_share = 0\n" + toml, name=name)
    with book.writing() as connection:
        connection.execute(HEAD + ", ".join(rows or (LARGE, SMALL)))
    return book


def order(book: Book) -> Answer[OrderResult]:
    return order_ice(Asking(book, TODAY), OrderQuestion(statuses_known=True))


def test_a_day_of_one_large_job_is_worth_more_than_a_usual_job(new_book: Make) -> None:
    """Worth follows what the booked job would be quoted; where the owner entered a figure every job counts it."""
    asking = Asking(booked(new_book), TODAY)
    demand = ice_ground(asking, current_fit(asking), 14, statuses_known=True, seed=asking.seed).demand
    bumped = bumped_job(asking, demand, 2.0)
    monday, tuesday = bumped.worth[4], bumped.worth[5]
    assert monday > 1.3
    assert tuesday < 1.0
    entered = Asking(booked(new_book, "[ice]\nbumped_job_usd = 80\n", name="entered"), TODAY)
    assert bumped_job(entered, demand, 2.0) == type(bumped)(80.0, "book.toml")


def test_shortage_counts_a_days_jobs_at_their_worth() -> None:
    """Two jobs of which half the ice is missing: one is put off, at the day's worth times the usual one's price."""
    terms = Terms((), ((0.0, 1.0),), bumped_job_usd=100.0, job_worth=(1.0, 2.5))
    short, need, jobs = np.array([50.0, 0.0]), np.array([100.0, 100.0]), np.array([2.0, 2.0])
    assert terms.shortage_usd(0, short, need, jobs).tolist() == [100.0, 0.0]
    assert terms.shortage_usd(1, short, need, jobs).tolist() == [250.0, 0.0]


def test_ice_comes_for_a_large_booked_job_in_a_book_without_history(new_book: Make) -> None:
    """A booked truck is not given up for the price of a small job; where it is by what was entered, it is named."""
    answer = order(booked(new_book))
    assert answer.result.deliveries[0].date == date(2026, 10, 5)
    assert answer.result.deliveries[0].order_lb > 200
    assert not any("likely to lack ice" in w for w in answer.warnings)
    cheap = order(booked(new_book, "[ice]\nbumped_job_usd = 20\n", name="cheap"))
    assert cheap.result.deliveries[0].order_lb == 0
    (said,) = [w for w in cheap.warnings if "likely to lack ice" in w]
    assert said.startswith("By this plan booked work is likely to lack ice: Z1 on 2026-10-05, Z2 on 2026-10-06.")


def test_without_a_booking_list_nothing_is_thought_to_be_booked_later(new_book: Make) -> None:
    """The planned jobs of a week come as early as late where nobody books."""
    asking = Asking(new_book("[planning]\njobs_per_week = 5\nwalk_in_share = 0.3\n"), TODAY)
    demand = ice_ground(asking, current_fit(asking), 14, statuses_known=True, seed=asking.seed).demand
    working = demand.unbooked_jobs[demand.unbooked_jobs > 0]
    assert len(working) == 10
    assert working == pytest.approx(1.0)
