"""What an order expects to be done: the log's gaps are no weeks without work, and a job that is done comes no more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.fitting import current_fit
from pipeline.answers.ice_demand import Demand
from pipeline.answers.ice_state import ice_log, records_of
from pipeline.answers.ordering import ice_ground
from pipeline.book.store import Book
from pipeline.book.tables import logged_use

Make = Callable[..., Book]
TODAY = date(2026, 6, 1)
SILENT = (date(2026, 4, 4), date(2026, 5, 3))


def job(name: str, day: date) -> dict[str, object]:
    return {"job_id": name, "day": day, "vehicle_class": "sedan", "zone": "undercarriage", "soil_level": "moderate",
            "pellets_lb": 45.0, "minutes": 60.0, "pass": 1}  # fmt: skip


def workdays(*, silent: bool) -> list[dict[str, object]]:
    days = [TODAY - timedelta(days=k) for k in range(1, 120)]
    return [job(f"J{d:%m%d}", d) for d in days
            if d.weekday() < 5 and not (silent and SILENT[0] <= d <= SILENT[1])]  # fmt: skip


def put(book: Book, table: str, columns: str, rows: Sequence[Sequence[object]]) -> None:
    marks = ", ".join("?" for _ in range(len(columns.split(", ")) + 2))
    with book.writing() as connection:
        for i, row in enumerate(rows):
            connection.execute(f"insert into {table} ({columns}, batch, row_hash) values ({marks})", [*row, 0, i])


def coming(book: Book) -> Demand:
    asking = Asking(book, TODAY)
    return ice_ground(asking, current_fit(asking), 14, statuses_known=True, seed=0).demand


@pytest.mark.parametrize("with_ice", [False, True])
def test_weeks_that_were_not_logged_are_no_weeks_without_work(new_book: Make, with_ice: bool) -> None:
    """Four weeks missing from a log of a job a day leave the expected jobs as they are, and are told."""
    whole = new_book(rows=workdays(silent=False))
    gappy = new_book(rows=workdays(silent=True), name="gappy")
    if with_ice:
        mondays = [TODAY - timedelta(days=7 * k) for k in range(1, 17)]
        for book in (whole, gappy):
            put(book, "deliveries", "day, container, weight_lb", [(d, "tote", 300.0) for d in mondays])
    expected, found = coming(whole), coming(gappy)
    assert float(found.jobs.mean()) == pytest.approx(float(expected.jobs.mean()), rel=0.05)
    (said,) = [w for w in found.warnings if "No job is logged from" in w]
    assert f"{SILENT[0]} to {SILENT[1]}" in said
    assert ("ice came" in said) == with_ice
    assert not any("No job is logged" in w for w in expected.warnings)


def test_a_booking_whose_job_is_done_comes_no_more(new_book: Make) -> None:
    """A job finished before the day it was booked for needs no ice on that day."""
    columns = "booking_id, taken_on, day, vehicle_class, zone, soil_level, status, job_id"
    booked = [(name, TODAY - timedelta(days=9), TODAY + timedelta(days=2), "sedan", "undercarriage", "moderate",
               "booked", done) for name, done in (("B1", ""), ("B2", "early"))]  # fmt: skip
    book = new_book(rows=[*workdays(silent=False), job("EARLY", TODAY - timedelta(days=1))])
    put(book, "bookings", columns, booked)
    demand = coming(book)
    assert [b.booking_id for b in demand.booked] == ["B1"]
    assert np.all(demand.comes.sum(axis=0) <= 1)


def test_jobs_of_saturdays_count_where_the_settings_know_none(new_book: Make) -> None:
    """A shop of Monday to Friday that logs two jobs each Saturday has ice for about two, and is told."""
    saturdays = [TODAY - timedelta(days=k) for k in range(1, 120) if (TODAY - timedelta(days=k)).weekday() == 5]
    extra = [job(f"S{d:%m%d}{i}", d) for d in saturdays for i in range(2)]
    plain, busy = coming(new_book(rows=workdays(silent=False))), coming(
        new_book(rows=[*workdays(silent=False), *extra], name="busy")
    )  # fmt: skip
    off = [i for i, day in enumerate(busy.days) if day.weekday() == 5]
    sundays = [i for i, day in enumerate(busy.days) if day.weekday() == 6]
    assert float(busy.jobs[off].mean()) == pytest.approx(2.0, rel=0.2)
    assert float(busy.need_lb[off].mean()) > 60.0
    assert not busy.jobs[sundays].any()
    on = [i for i, day in enumerate(busy.days) if day.weekday() < 5]
    assert float(busy.jobs[on].mean()) == pytest.approx(float(plain.jobs[on].mean()), rel=0.05)
    assert not plain.jobs[off].any()
    (said,) = [w for w in busy.warnings if "no working days" in w]
    assert f"{len(extra)} on a sat" in said
    assert 'Add "sat" to working_days' in said
    assert not any("no working days" in w for w in plain.warnings)


def test_a_booking_on_a_day_without_work_is_told(new_book: Make) -> None:
    """A booking on a Sunday is planned for, and named with its day."""
    columns = "booking_id, taken_on, day, vehicle_class, zone, soil_level, status, job_id"
    days = {"B1": TODAY + timedelta(days=2), "B2": TODAY + timedelta(days=6)}
    book = new_book(rows=workdays(silent=False))
    put(book, "bookings", columns, [
        (name, TODAY - timedelta(days=9), day, "sedan", "undercarriage", "moderate", "booked", "")
        for name, day in days.items()
    ])  # fmt: skip
    demand = coming(book)
    (said,) = [w for w in demand.warnings if "no working days" in w]
    assert "B2 on sun 2026-06-07" in said
    assert "B1" not in said
    assert float(demand.need_lb[6].mean()) > 20.0


def test_what_visits_used_does_not_depend_on_the_order_of_lines(new_book: Make) -> None:
    """Lines of a visit, and its packages, add up to the very same pounds in whatever order they stand in the book."""
    zones = ("undercarriage", "engine_bay", "interior")
    visits = [[0.1, 0.2, 0.3], [1e16, 1.0, 1.0], [12.1, 7.7, 3.3]]
    rows = []
    for i, each in enumerate(visits):
        for zone, lb in zip(zones, each, strict=True):
            rows.append(job(f"L{i}", TODAY - timedelta(days=9)) | {"zone": zone, "pellets_lb": lb})
            packed = {"zone": zone, "pellets_lb": None, "package": zone, "package_pellets_lb": lb}
            rows.append(job(f"P{i}", TODAY - timedelta(days=8)) | packed)
    one, other = (logged_use(new_book(rows=r, name=n), TODAY) for n, r in (("a", rows), ("b", rows[::-1])))
    assert len(one) == 6
    assert [use.pellets_lb for use in one] == [use.pellets_lb for use in other]


def test_a_written_zero_is_no_use_and_a_blank_is_the_usual_one(new_book: Make) -> None:
    """A visit for which 0 lb was written takes nothing from the store; one without a figure takes the median."""
    day = TODAY - timedelta(days=5)
    zero, blank = {"pellets_lb": 0.0}, {"pellets_lb": None}
    book = new_book(rows=[
        *(job(f"U{k}", day) | {"pellets_lb": 40.0 + k} for k in range(3)),
        job("written", day) | zero, job("total", day) | blank | {"job_pellets_lb": 0.0}, job("blank", day) | blank,
        # A 0 for one zone says nothing of the other, whose figure is missing.
        job("part", day) | zero, job("part", day) | blank | {"zone": "interior"},
    ])  # fmt: skip
    assert {u.job_id: u.pellets_lb for u in logged_use(book, TODAY)} == {
        "U0": 40.0, "U1": 41.0, "U2": 42.0, "written": 0.0, "total": 0.0,
    }  # fmt: skip
    records = records_of(Asking(book, TODAY))
    assert records.jobs_without_pellets == (day, day)
    log, _ = ice_log(records, TODAY)
    assert sorted(log.lb.tolist()) == [0.0, 0.0, 40.0, 41.0, 41.0, 41.0, 42.0]


@pytest.mark.parametrize("past_days", [0, 1, 20])
def test_a_list_of_bookings_that_was_just_begun_doubles_no_work(new_book: Make, past_days: int) -> None:
    """A shop of a job a day that begins a booking list, one booking for each day, has as much work as ever."""
    columns = "booking_id, taken_on, day, vehicle_class, zone, soil_level, status, job_id"

    def row(day: date, done: str) -> tuple[object, ...]:
        return (f"B{day:%m%d}", day - timedelta(days=14), day, "sedan", "undercarriage", "moderate",
                "done" if done else "booked", done)  # fmt: skip

    ahead = [TODAY + timedelta(days=k) for k in range(14)]
    behind = [d for k in range(past_days, 0, -1) if (d := TODAY - timedelta(days=k)).weekday() < 5]
    book = new_book(rows=workdays(silent=False))
    usual = float(coming(book).jobs.sum(axis=0).mean())
    put(book, "bookings", columns, [*(row(d, f"J{d:%m%d}") for d in behind),
                                    *(row(d, "") for d in ahead if d.weekday() < 5)])  # fmt: skip
    expected = float(coming(book).jobs.sum(axis=0).mean())
    assert 0.8 * usual < expected < 1.35 * usual
