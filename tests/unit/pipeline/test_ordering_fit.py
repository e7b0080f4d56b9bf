"""Which jobs fit in the ice that is left: booked ones first, waiting ones in what those leave."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from models.ice.outlook import Outlook
from pipeline.answers.answer import Asking
from pipeline.answers.ice_fitting import fit_jobs, free_lb
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.book.store import Book
from pipeline.present.figures import Style
from pipeline.present.ordering_text import render_fit

TODAY = date(2026, 6, 1)  # a Monday
TOML = "[ice]\ncontainer_lb = 600\nnotice_days = 0\n"


def outlook_of(stock: float, rate: float = 20.0, n_days: int = 5) -> Outlook:
    zero = np.zeros((n_days, 2))
    return Outlook(np.full((1, 2), stock), zero, zero, np.full((1, 2), rate), np.ones((n_days, 2)), np.zeros(2),
                   np.zeros(2), 600.0, 600.0)  # fmt: skip


def test_what_is_free_leaves_enough_for_later_bookings() -> None:
    """100 lb losing 20 a day: 50 lb booked on the third day leave at most what that day has to spare."""
    free = free_lb(outlook_of(100.0), np.array([2]), np.array([[50.0, 0.0]]))
    by_noon = 100 - 20 * (np.arange(5) + 5 / 24)
    assert free[:, 1] == pytest.approx(np.maximum(by_noon, 0))
    spare = by_noon[2] - 50
    assert free[:3, 0] == pytest.approx([spare] * 3)
    assert free[3:, 0] == pytest.approx(0)


def test_a_later_booking_that_lacks_ice_anyway_keeps_nothing_back() -> None:
    """Ice that a later booking could not live on is free for a job today."""
    free = free_lb(outlook_of(100.0), np.array([4]), np.array([[90.0, 90.0]]))
    assert free[0, 0] == pytest.approx(100 - 20 * 5 / 24)


@pytest.fixture
def stocked(new_book) -> Book:
    book = new_book(TOML)
    with book.writing() as connection:
        connection.execute("insert into deliveries (day, container, weight_lb, batch, row_hash) values "
                           "('2026-05-31', 'tote', 200, 0, 0)")  # fmt: skip
        connection.execute(
            "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, soil_level, batch, row_hash) values "
            "('B1', '2026-05-20', '2026-06-01', 'sedan', 'wheel_wells', 'moderate', 0, 0),"
            "('B2', '2026-05-20', '2026-06-10', 'truck', 'undercarriage', 'severe', 0, 0)"
        )
    return book


def asked(name: str, zone: str, day: date = TODAY) -> JobAsked:
    return JobAsked(name, day, (LineAsked("sedan", zone, "moderate"),))


def test_small_jobs_fit_and_large_late_ones_do_not(stocked: Book) -> None:
    """A booking on today's ice fits, one in ten days does not; a waiting job fits while the ice lasts."""
    waiting = [asked("small", "door_jambs"), asked("large", "undercarriage", date(2026, 6, 2))]
    result = fit_jobs(Asking(stocked, TODAY), waiting, statuses_known=True).result
    found = {f.booking_id: f for f in result.fits}
    assert list(found) == ["B1", "B2", "small", "large"]
    assert found["B1"].chance_fits > 0.95
    assert found["B2"].chance_fits < 0.05
    assert found["small"].chance_fits > 0.95
    assert found["small"].last_day is not None
    assert date(2026, 6, 2) <= found["small"].last_day <= date(2026, 6, 8)
    assert found["large"].chance_fits < found["small"].chance_fits
    assert found["large"].pellets_lb.mean > found["small"].pellets_lb.mean


def test_the_last_day_of_a_waiting_job_is_not_before_its_date(stocked: Book) -> None:
    """Ice that would have done on an earlier day is no day for a job that comes when it is gone."""
    waiting = [asked("now", "door_jambs"), asked("later", "door_jambs", date(2026, 6, 12)),
               asked("beyond", "door_jambs", date(2026, 8, 3))]  # fmt: skip
    found = {f.booking_id: f for f in fit_jobs(Asking(stocked, TODAY), waiting, statuses_known=True).result.fits}
    assert found["now"].last_day is not None
    assert found["now"].last_day < date(2026, 6, 12)
    assert found["later"].chance_fits < 0.5
    assert found["later"].last_day is None
    assert (found["beyond"].chance_fits, found["beyond"].last_day) == (0.0, None)


def test_a_waiting_job_of_an_odd_date_is_told(stocked: Book) -> None:
    """A year's slip in the file of waiting jobs is told as it is beside an estimate."""
    waiting = [asked("slip", "door_jambs", date(2025, 6, 2)), asked("now", "door_jambs")]
    said = " ".join(fit_jobs(Asking(stocked, TODAY), waiting, statuses_known=True).warnings)
    assert "1 job asked about is dated more than a month before today (the earliest 2025-06-02)" in said


def test_the_rules_of_both_columns_stand_under_the_table(stocked: Book) -> None:
    """A job that fits on its day, but not with the level's chance on any, is not said to fit on no day."""
    text = " ".join(render_fit(fit_jobs(Asking(stocked, TODAY), statuses_known=True), Style()).split())
    assert "Fits: on the day it is booked for" in text
    assert "Last day: the last working day of the next 14 on which it would fit with a chance of 80 %" in text
    assert "on no day" not in text
    assert "none at 80 %" in text


def test_the_least_price_leaves_the_ice_out(stocked: Book) -> None:
    """It is the expected cost of labour, set-up, machine hours, consumables and overhead, with ice at 0."""
    (job,) = fit_jobs(Asking(stocked, TODAY), [asked("w", "undercarriage")], statuses_known=True).result.fits[2:]
    costs = stocked.settings.costs
    from models.consumption.predicting import predict
    from pipeline.answers.fitting import current_fit
    from pipeline.answers.ordering import N_DRAWS
    from pipeline.answers.requests import request_table

    fit = current_fit(Asking(stocked, TODAY)).fitted
    request = request_table([asked("w", "undercarriage")])
    minutes = predict(fit, request, seed=1, n_draws=N_DRAWS).jobs("minutes").draws.mean()
    hours = (minutes + costs.setup_min + costs.cleanup_min) / 60
    trigger = costs.trigger_share * minutes / 60
    expected = (
        (costs.labour_usd_per_hour + costs.overhead_usd_per_hour) * hours
        + (costs.compressor_usd_per_hour + costs.equipment_usd_per_hour) * trigger
        + costs.consumables_usd_per_job
    )
    assert job.least_usd == pytest.approx(expected, abs=0.02)


def test_nothing_to_fit_is_told(new_book) -> None:
    """Without bookings and waiting jobs the answer is empty and says so."""
    answer = fit_jobs(Asking(new_book(TOML), TODAY), statuses_known=True)
    assert answer.result.fits == ()
    assert "Nothing is booked" in answer.warnings[-1]
    assert render_fit(answer, Style()) == "No job to fit in."


def test_the_text_names_each_job(stocked: Book) -> None:
    """One row a job, within 80 columns."""
    lines = render_fit(fit_jobs(Asking(stocked, TODAY), statuses_known=True), Style()).splitlines()
    assert lines[0].startswith("Job")
    assert [line.split()[0] for line in lines[2:4]] == ["B1", "B2"]
    assert max(map(len, lines)) <= 80


def test_what_came_or_was_taken_today_is_told_to_be_left_out(stocked: Book) -> None:
    """Of today's bookings those of the coming two weeks are named, and of today's ice what has no time."""
    with stocked.writing() as connection:
        connection.execute("insert into deliveries (day, container, weight_lb, batch, row_hash) values "
                           "('2026-06-01', 'tote', 100, 0, 1)")  # fmt: skip
        connection.execute(
            "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, soil_level, batch, row_hash) values "
            "('B3', '2026-06-01', '2026-06-14', 'sedan', 'wheel_wells', 'moderate', 0, 0),"
            "('B4', '2026-06-01', '2026-06-15', 'sedan', 'wheel_wells', 'moderate', 0, 0)"
        )
    answer = fit_jobs(Asking(stocked, TODAY), statuses_known=True)
    assert [f.booking_id for f in answer.result.fits] == ["B1", "B2"]
    said = [w for w in answer.warnings if "oday, 2026-06-01" in w]
    assert len(said) == 2
    assert "1 of the deliveries" in said[0]
    assert said[1].startswith("1 booking (B3) was taken today")
    again = fit_jobs(Asking(stocked, TODAY), statuses_known=False)
    assert not any("oday, 2026-06-01" in w for w in again.warnings)


def test_ranges_of_a_long_record_are_supported_and_a_short_one_is_told(new_book) -> None:
    """A job's range stands on as many past answers as that of an estimate; where they are too few, it is said."""
    from pipeline.answers.fitting import learn_book

    for n, long in ((60, True), (4, False)):
        rows = [{"job_id": f"J{k}", "day": TODAY - timedelta(days=1 + k), "vehicle_class": "sedan",
                 "zone": ("undercarriage", "interior")[k % 2], "soil_level": "moderate",
                 "pellets_lb": 30.0 + 10 * (k % 2) + k % 7, "minutes": 50.0 + k % 5} for k in range(n)]  # fmt: skip
        book = new_book(TOML, rows, name=f"shop{n}")
        learn_book(Asking(book, TODAY))
        answer = fit_jobs(Asking(book, TODAY), [asked("w", "undercarriage")], statuses_known=True)
        (fit,) = answer.result.fits
        assert fit.pellets_lb.interval.supported == long
        assert any("record of pellets is too short" in w for w in answer.warnings) != long
