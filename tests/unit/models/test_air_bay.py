"""Jobs, pauses, stored ice and doors in a room, and the air that keeps a limit."""

import numpy as np
import pytest

from models.air.course import Course
from models.air.room import (
    Airing,
    Room,
    Source,
    co2_course,
    flow_needed_cfm,
    looked_at_min,
    shift_exposure,
    store_source,
    timeline,
    work_sources,
)

ROOM = Room(9600.0, 600.0, 8.742, mixing_share=0.7)
DAY = np.full(1, 480.0)


def _column(*values: float) -> np.ndarray:
    return np.array(values)[:, None]


def _day(pause_min: float = 0.0, room: Room = ROOM, extra: tuple[Airing, ...] = ()) -> Course:
    sources = work_sources(_column(45.0, 30.0), _column(60.0, 40.0), pause_min)
    return co2_course(room, timeline(sources, extra, DAY))


def test_all_ice_of_the_work_becomes_gas():
    """Without air the gas that ends up in the room is that of all the ice: V ln((1 - C0) / (1 - C))."""
    course = _day(room=Room(9600.0, 0.0, 8.742))
    held = 9600.0 * np.log((1 - 420e-6) / (1 - course.level[-1, 0]))
    assert held == pytest.approx(75.0 * 8.742, rel=1e-9)


def test_a_pause_between_jobs_lowers_the_peak():
    """Half an hour without blasting between two jobs lets the air clear, so the peak is lower or equal."""
    assert _day(30.0).peak()[0] <= _day().peak()[0]
    assert _day(30.0).at(_column(90.0))[0, 0] < _day().at(_column(90.0))[0, 0]


def test_the_air_clears_after_the_last_vehicle_has_left():
    """Once the work is done the curve falls towards outdoor air."""
    seen = _day().at(_column(100.0, 130.0, 160.0, 480.0))[:, 0]
    assert (np.diff(seen) < 0).all()
    assert seen[-1] == pytest.approx(420e-6, rel=1e-3)


def test_an_open_door_counts_only_by_its_measured_flow():
    """A door that stands open with a measured flow clears faster; one with no measured flow changes nothing."""
    door = (np.full(1, 100.0), np.full(1, 130.0))
    open_door, unmeasured = _day(extra=(Airing(*door, 2000.0),)), _day(extra=(Airing(*door, 0.0),))
    assert open_door.at(_column(120.0))[0, 0] < _day().at(_column(120.0))[0, 0]
    assert np.allclose(unmeasured.at(_column(120.0)), _day().at(_column(120.0)), rtol=1e-12)


def test_an_open_door_clears_only_while_it_is_open():
    """Before it opens the curve is that of a closed door; while open it follows both flows; then it falls slower."""
    door = _day(extra=(Airing(np.full(1, 110.0), np.full(1, 130.0), 2000.0),))
    before = _column(30.0, 60.0, 109.0)
    assert np.allclose(door.at(before), _day().at(before), rtol=1e-12)
    above = door.at(_column(110.0, 130.0, 150.0))[:, 0] - 420e-6
    per_min = ROOM.mixing_share / ROOM.volume_ft3
    assert np.log(above[0] / above[1]) == pytest.approx(20 * per_min * (600.0 + 2000.0), rel=1e-6)
    assert np.log(above[1] / above[2]) == pytest.approx(20 * per_min * 600.0, rel=1e-6)


def test_stored_ice_off_gasses_until_it_is_gone():
    """A store of 2 lb that loses 48 lb a day is gone after an hour."""
    source = store_source(2.0, np.array([48.0]), 480.0)
    assert source.end_min[0] == pytest.approx(60.0)
    course = co2_course(Room(1000.0, 0.0, 8.742), timeline([source], [], DAY))
    assert course.level[-1, 0] == pytest.approx(course.at(_column(61.0))[0, 0])


def test_store_without_loss_gives_no_gas():
    """A store that loses nothing leaves outdoor air."""
    source = store_source(100.0, np.array([0.0]), 480.0)
    assert co2_course(ROOM, timeline([source], [], DAY)).peak()[0] == pytest.approx(420e-6)


def test_work_that_takes_ice_but_no_time_keeps_its_ice():
    """Ice with zero minutes is spread over one minute instead of being lost."""
    source = work_sources(_column(5.0), _column(0.0))[0]
    assert (source.end_min - source.start_min)[0] == 1.0
    assert source.lb_min[0] == 5.0


def test_concentration_never_passes_pure_gas():
    """Even absurd ice in a tiny closed room stays below 100 %."""
    source = Source(np.zeros(1), DAY, np.full(1, 50.0))
    for flow in (0.0, 100.0):
        assert co2_course(Room(50.0, flow, 8.742), timeline([source], [], DAY)).peak()[0] <= 1.0


@pytest.mark.parametrize(
    ("measure", "limit"),
    [
        (Course.peak, 0.04),
        (lambda c: c.highest_running_average(15.0), 0.03),
        (lambda c: c.integral[-1] / 480.0, 0.005),
        (lambda c: c.integral[-1] / 480.0, 0.001),
        (lambda c: c.stretched(420e-6, 10.0).highest_running_average(15.0), 0.03),
    ],
)
def test_flow_found_just_keeps_the_limit(measure, limit):
    """At the flow found the measure is at its limit, scenario by scenario; where no flow is needed it is 0."""
    rng = np.random.default_rng(5)
    lb, minutes = rng.lognormal(3.5, 0.6, (4, 200)), rng.lognormal(4.0, 0.5, (4, 200))
    sources = work_sources(lb, minutes, 10.0)
    line = timeline(sources, [], np.maximum(sources[-1].end_min, 480.0))
    needed = flow_needed_cfm(ROOM, line, measure, limit)
    at_needed = measure(co2_course(ROOM, line, needed))
    assert (at_needed <= limit * (1 + 1e-9)).all()
    assert np.allclose(at_needed[needed > 0], limit, rtol=1e-3)
    assert (needed > 0).any()


def test_poor_mixing_asks_for_more_air_in_proportion():
    """Half the mixing effectiveness needs twice the flow: Q' = m Q."""
    line = timeline(work_sources(_column(60.0), _column(60.0)), [], DAY)
    full = flow_needed_cfm(Room(9600.0, 0.0, 8.742, 1.0), line, Course.peak, 0.005)
    half = flow_needed_cfm(Room(9600.0, 0.0, 8.742, 0.5), line, Course.peak, 0.005)
    assert half[0] == pytest.approx(2 * full[0], rel=1e-4)


def test_exposure_is_that_of_one_shift_however_long_the_work():
    """A long stretch of steady work counts as its worst shift, not as an endless one; a 10-hour shift is over 8 h."""
    until = np.full(1, 4800.0)
    course = co2_course(Room(9600.0, 600.0, 8.742), timeline([Source(np.zeros(1), until, np.ones(1))], [], until))
    steady = course.peak()[0]
    assert shift_exposure(course, 480.0, until)[0] == pytest.approx(steady, rel=1e-6)
    assert shift_exposure(course, 600.0, until)[0] == pytest.approx(steady * 10 / 8, rel=1e-6)


def test_exposure_of_one_shift_is_its_sum_over_eight_hours():
    """Work that ends within the shift counts as the sum over the shift."""
    course = _day()
    assert shift_exposure(course, 480.0, _column(100.0)[0])[0] == pytest.approx(course.integral[-1, 0] / 480.0)


@pytest.mark.parametrize("end", [470.0, 480.0, 600.0])
def test_exposure_ends_with_the_work_and_the_shift(end):
    """What stands in the room after the work, beyond the shift, is looked at for 15 minutes but is nobody's shift."""
    ends = np.full(1, end)
    sources = [Source(np.zeros(1), ends, np.ones(1))]
    cut, whole = (
        co2_course(ROOM, timeline(sources, [], until))
        for until in (np.maximum(ends, 480.0), looked_at_min(ends, 480.0))
    )
    assert shift_exposure(whole, 480.0, ends) == pytest.approx(shift_exposure(cut, 480.0, ends), rel=1e-9)


def test_the_worst_quarter_of_an_hour_may_begin_with_the_last_shot():
    """Heavy work at the very end of a shift leaves its gas in a closed room: the 15-minute mean is about the peak."""
    lb, minutes = _column(5.0, 25.0), _column(470.0, 12.0)
    sources = work_sources(lb, minutes)
    until = looked_at_min(sources[-1].end_min, 480.0)
    assert until[0] == 482.0 + 15.0
    course = co2_course(Room(9600.0, 0.0, 8.742), timeline(sources, [], until))
    assert course.highest_running_average(15.0)[0] == pytest.approx(course.peak()[0], rel=1e-6)


def test_limit_below_outdoor_air_cannot_be_kept():
    """No flow keeps a limit that outdoor air passes by itself."""
    line = timeline(work_sources(_column(60.0), _column(60.0)), [], DAY)
    with pytest.raises(ValueError, match="no flow keeps"):
        flow_needed_cfm(ROOM, line, Course.peak, 400e-6)


@pytest.mark.parametrize(
    "field",
    [
        {"volume_ft3": 0.0}, {"flow_cfm": -1.0}, {"mixing_share": 0.0}, {"mixing_share": 1.1}, {"gas_ft3_lb": 0.0},
        {"outdoor_ppm": 1e6}, {"volume_ft3": float("nan")},
    ],
)  # fmt: skip
def test_impossible_rooms_are_refused(field):
    """A room without volume, with negative air or with more than full mixing does not exist."""
    with pytest.raises(ValueError, match="out of range"):
        Room(**{"volume_ft3": 1000.0, "flow_cfm": 0.0, "gas_ft3_lb": 8.7, **field})
