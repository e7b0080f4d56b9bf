"""An order expects what the season brings, as the month's forecast does, where the log shows a season."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.fitting import current_fit
from pipeline.answers.ordering import ice_ground
from pipeline.book.store import Book

Make = Callable[..., Book]
FIRST = date(2023, 7, 3)


def log(last: date, per_week: Callable[[date], float]) -> list[dict[str, object]]:
    rng = np.random.default_rng(3)
    rows: list[dict[str, object]] = []
    day = FIRST
    while day < last:
        if day.weekday() < 5:
            for k in range(rng.poisson(per_week(day) / 5)):
                rows.append({"job_id": f"J{day:%Y%m%d}{k}", "day": day, "vehicle_class": "van", "zone": "interior",
                             "soil_level": "moderate", "pellets_lb": 12.0, "minutes": 45.0})  # fmt: skip
        day += timedelta(days=1)
    return rows


def expected_jobs(book: Book, today: date) -> float:
    """Return the mean number of jobs of the 14 days from a morning on, planning figures standing for a fit."""
    asking = Asking(book, today)
    ground = ice_ground(asking, current_fit(asking), 14, statuses_known=True, seed=1)
    return float(ground.demand.jobs.sum(axis=0).mean())


def winter(day: date) -> float:
    return 12.0 if day.month in (11, 12, 1, 2, 3) else 2.5


@pytest.mark.parametrize(("today", "low", "high"), [(date(2025, 11, 17), 12, 34), (date(2026, 4, 13), 3, 11)])
def test_an_order_turns_with_the_season(today: date, low: float, high: float, new_book: Make) -> None:
    """24 jobs come in two winter weeks and 5 in others: the change is seen before recent weeks could show it."""
    book = new_book(rows=log(today, winter))
    assert low < expected_jobs(book, today) < high


def test_an_even_log_and_one_of_less_than_a_year_have_no_season(new_book: Make) -> None:
    """Ten jobs in two weeks stay ten; a log of ten months keeps to its recent weeks."""
    assert expected_jobs(new_book(rows=log(date(2025, 11, 17), lambda _: 5.0)), date(2025, 11, 17)) == pytest.approx(
        10, abs=2.5
    )
    today = date(2024, 4, 22)
    rising = new_book(rows=log(today, lambda d: 12.0 if d >= date(2024, 1, 8) else 2.0), name="short")
    assert expected_jobs(rising, today) > 14


def test_jobs_after_the_morning_move_nothing(new_book: Make) -> None:
    """Absurd numbers of jobs from the day of the order on leave it as it was."""
    today = date(2025, 11, 17)
    rows = log(today, winter)
    later = [{**rows[0], "job_id": f"L{k}", "day": today + timedelta(days=k % 40)} for k in range(400)]
    assert expected_jobs(new_book(rows=rows), today) == expected_jobs(new_book(rows=[*rows, *later], name="b"), today)
