"""Safety of what is booked: a day's vehicles, and the warning that an estimate gives unasked."""

from datetime import date

import numpy as np
import pytest
from safety_books import BAY, TODAY, book_asked, suv

from models.consumption.answer import Consumption
from pipeline.answers.answer import Asking
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.answers.safety import booked_jobs, busiest_booked_day, safety
from pipeline.answers.safety_answer import SafetyQuestion
from pipeline.answers.safety_space import SpaceAsked, asked_space, room_of
from shared.limits import limits_for


@pytest.fixture(scope="module")
def asking(tmp_path_factory):
    return book_asked(tmp_path_factory.mktemp("shop") / "book", BAY)


def _with_bookings(asking: Asking, rows: list[tuple[str, str, str, str, str]]) -> None:
    with asking.book.writing() as connection:
        for i, (booking_id, taken_on, day, zone, status) in enumerate(rows):
            connection.execute(
                "insert into bookings (batch, booking_id, taken_on, day, vehicle_class, zone, soil_level, "
                "coating_removed, customer, status, job_id, row_hash) "
                "values (1, ?, ?, ?, 'suv', ?, 'heavy', false, '', ?, '', ?)",
                [booking_id, taken_on, day, zone, status, i],
            )


def test_all_that_is_booked_on_a_day_is_asked(tmp_path):
    """A day's bookings are its vehicles; cancelled ones and those taken on or after today are not known."""
    booked = book_asked(tmp_path / "book", f"[shop]\nas_of = {TODAY}\n{BAY}")
    _with_bookings(booked, [
        ("B1", "2026-05-20", "2026-06-03", "undercarriage", "booked"),
        ("B1", "2026-05-20", "2026-06-03", "wheel_wells", "booked"),
        ("B2", "2026-05-21", "2026-06-03", "engine_bay", "booked"),
        ("B3", "2026-05-21", "2026-06-03", "undercarriage", "cancelled"),
        ("B4", "2026-06-01", "2026-06-03", "undercarriage", "booked"),
        ("B5", "2026-05-21", "2026-06-04", "interior", "booked"),
    ])  # fmt: skip
    day = date(2026, 6, 3)
    jobs = booked_jobs(booked, day)
    assert [(job.job_id, [line.zone for line in job.lines]) for job in jobs] == [
        ("B1", ["undercarriage", "wheel_wells"]), ("B2", ["engine_bay"]),
    ]  # fmt: skip
    assert busiest_booked_day(booked) == day
    answer = safety(booked, SafetyQuestion(day=day))
    assert answer.result.planned.vehicles == 2
    assert answer.result.planned.zones == 3


def test_a_later_cancellation_is_not_known_where_a_past_day_is_asked_again(tmp_path):
    """An answer as of a past morning counts bookings that were cancelled since."""
    booked = book_asked(tmp_path / "book", BAY)
    _with_bookings(booked, [("B1", "2026-05-20", "2026-06-03", "undercarriage", "cancelled")])
    assert [job.job_id for job in booked_jobs(booked, date(2026, 6, 3))] == ["B1"]


def test_nothing_booked_has_no_busiest_day(asking):
    """Without bookings there is no busiest day."""
    assert busiest_booked_day(asking) is None


def _consumption(lb: list[float], minutes: list[float]) -> Consumption:
    from pipeline.answers.requests import request_table
    from shared.predictive import Predictive

    jobs = [JobAsked(f"W-{i}", TODAY, (LineAsked("suv", "undercarriage"),)) for i in range(len(lb))]

    def draws(values: list[float], quantity: str, unit: str) -> Predictive:
        return Predictive(np.repeat(np.array(values)[:, None], 50, axis=1), quantity, unit, "learned")

    zeros = np.zeros(len(lb), dtype=np.int64)
    return Consumption(
        request_table(jobs), draws(lb, "pellets_lb", "lb"), draws(minutes, "minutes", "min"),
        ("learned",) * len(lb), zeros, zeros,
    )  # fmt: skip


def _warned(settings, consumption: Consumption) -> list[str]:
    from pipeline.answers.safety_warning import bay_chances, bay_sentences

    return bay_sentences(settings, consumption.request.job_id, bay_chances(settings, consumption))


def test_a_job_too_big_for_the_only_bay_says_so_unasked(asking):
    """A job whose ice passes a limit brings a warning that names limit and bay; a small one brings none."""
    settings = asking.book.settings
    assert _warned(settings, _consumption([3.0], [20.0])) == []
    said = _warned(settings, _consumption([400.0], [60.0]))
    assert len(said) == 3
    assert "5,000 ppm" in said[0]
    assert "bay `north`" in said[0]
    several = _warned(settings, _consumption([3.0, 400.0], [20.0, 60.0]))
    assert "W-1" in several[0]
    assert "W-0" not in several[0]


def test_no_warning_where_it_cannot_be_known(tmp_path):
    """A book with no bay, two bays or a bay without its sides gets no warning: there is no one room."""
    big = _consumption([400.0], [60.0])
    for i, toml in enumerate(("", BAY + BAY.replace("north", "south"), "[bays.north]\nlength_ft = 40\n")):
        assert _warned(book_asked(tmp_path / str(i), toml).book.settings, big) == []


def test_the_quick_warning_agrees_with_the_whole_answer(asking):
    """The chances told unasked, and the ice and time that the answer plans, are those of the same job's estimate."""
    from models.consumption.predicting import predict
    from pipeline.answers.estimating import estimate_jobs
    from pipeline.answers.fitting import current_fit
    from pipeline.answers.requests import request_table
    from pipeline.answers.safety_warning import chances_of_passing

    job = suv(asking, "undercarriage:severe", "wheel_wells:heavy")
    answer = safety(asking, SafetyQuestion(bay="north", jobs=(job,)))
    consumption = predict(current_fit(asking).fitted, request_table([job]), seed=asking.seed)
    room = room_of(asked_space(asking.book.settings, "north", SpaceAsked()))
    quick = chances_of_passing(room, limits_for({}), consumption)
    assert 0 < quick["co2_8h_ppm"][0] < 1
    assert [limit.chance_exceeded for limit in answer.result.limits] == [chance[0] for chance in quick.values()]
    estimate = estimate_jobs(asking, [job]).result.estimates[0]
    assert answer.result.planned.pellets_lb == estimate.pellets_lb
    assert answer.result.planned.minutes == estimate.minutes
