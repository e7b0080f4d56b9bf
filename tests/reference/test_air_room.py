"""Build-up and dilution against published worked examples and closed forms."""

import numpy as np
import pytest

from models.air.course import Course
from models.air.gas import gas_ft3_per_lb
from models.air.room import Room, Source, co2_course, flow_needed_cfm, timeline


def _constant(rate: float, drive: float, until: float, start: float = 0.0) -> Course:
    edges = np.array([[0.0], [until]])
    return Course.solve(edges, np.array([[rate]]), np.array([[drive]]), start)


def _bay(lb_min: float, until: float, room: Room) -> Course:
    source = Source(np.zeros(1), np.full(1, until), np.full(1, lb_min))
    return co2_course(room, timeline([source], [], np.full(1, until)))


#: Engineering ToolBox, "Pollution Concentration in Rooms": q = 1, V = 1; changes an hour, minutes, concentration.
BUILD_UP = [
    (0.5, 10, 0.1599), (0.5, 80, 0.9732), (0.5, 1280, 2.0000), (1, 20, 0.2835), (1, 80, 0.7364), (1, 320, 0.9952),
    (2, 40, 0.3682), (4, 10, 0.1216), (8, 20, 0.1163), (16, 10, 0.0582),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "minutes", "concentration"), BUILD_UP)
def test_build_up_table(changes, minutes, concentration):
    """The printed table of build-up in a room is reproduced to its four digits."""
    course = _constant(changes / 60, 1 / 60, 3000.0)
    assert course.at(np.array([[float(minutes)]]))[0, 0] == pytest.approx(concentration, abs=1e-4)


def test_time_to_a_level():
    """A 40 m3 room with 3 L/s of air and 1.2 mL/s of gas reaches 120 ppm after 1.3 h (Southampton EdShare 5370)."""
    course = _constant(0.003 / 40 * 60, 1.2e-6 / 40 * 60, 600.0)
    minutes = float(course.minutes_to_level(0.00012)[0])
    assert minutes * 60 == pytest.approx(4755.67, rel=5e-4)
    assert minutes / 60 == pytest.approx(1.3, abs=0.05)


def test_purge_with_poor_mixing():
    """From 20 to 1.4 at two changes a minute, a fifth of them effective, takes 6.65 min (HVAC design guide, p. 106)."""
    course = _constant(0.2 * 2, 0.0, 20.0, start=20.0)
    assert course.at(np.array([[6.65]]))[0, 0] == pytest.approx(1.4, rel=1e-3)


def test_store_of_ice_that_a_ventilated_hold_may_take():
    """TM 38-250 (2001) fig. A13.1 allows V A 0.47 / 32.3 = 1,455 lb in 10,000 ft3 at 10 changes an hour.

    Its constants read as 0.5 % less 0.03 % outdoor air, over 0.323 ft3 of gas an hour from each lb: that ice, so
    off-gassing, settles at 5,000 ppm.
    """
    stored_lb = 10_000 * 10 * 0.47 / 32.3
    assert stored_lb == pytest.approx(1455.1, rel=1e-3)
    room = Room(10_000, 10 * 10_000 / 60, gas_ft3_lb=0.323, outdoor_ppm=300.0)
    course = _bay(stored_lb / 60, 600.0, room)
    assert course.peak()[0] * 1e6 == pytest.approx(5000, rel=1e-3)


def test_pound_a_minute_in_a_fan_aired_bay():
    """1 lb/min in 7,200 ft3 with 1,500 cfm: 5,503 ppm at 10 min, 6,215 at 30, 6,226 in the end (mass balance)."""
    dilute = _constant(1500 / 7200, (8.709 + 1500 * 420e-6) / 7200, 400.0, start=420e-6)
    seen = dilute.at(np.array([[10.0], [30.0], [400.0]]))[:, 0] * 1e6
    assert seen == pytest.approx([5503, 6215, 6226], abs=1)
    with_displaced_air = _bay(1.0, 400.0, Room(7200, 1500, 8.709)).peak()[0] * 1e6
    assert with_displaced_air == pytest.approx(6226, rel=6e-4)


def test_share_is_by_volume_not_by_mass():
    """0.25 lb an hour in 60 ft3 at 10 changes an hour settles at 3,642 ppm by volume (0.25 x 8.742 / 600)."""
    course = _bay(0.25 / 60, 600.0, Room(60, 10.0, 8.742, outdoor_ppm=0.0))
    assert course.peak()[0] * 1e6 == pytest.approx(3642.5, rel=1e-3)


@pytest.mark.parametrize(("ppm", "lb"), [(5000, 3.8), (30000, 24.8), (40000, 33.4)])
def test_ice_that_an_unaired_bay_takes(ppm, lb):
    """Without air, 7,200 ft3 holds V ln((1 - C0) / (1 - C)) of gas at a level C: 3.8, 24.8 and 33.4 lb."""
    course = _bay(1.0, 200.0, Room(7200, 0.0, gas_ft3_per_lb(68.0)))
    assert float(course.minutes_to_level(ppm / 1e6)[0]) == pytest.approx(lb, abs=0.05)
    closed_form = 7200 * np.log((1 - 420e-6) / (1 - ppm / 1e6)) / gas_ft3_per_lb(68.0)
    assert float(course.minutes_to_level(ppm / 1e6)[0]) == pytest.approx(closed_form, rel=1e-9)


def test_closed_van_with_ice():
    """A closed 250 ft3 van with 1 lb an hour reaches 5,000 ppm in 8 minutes and 30,000 in 52 (V ln form)."""
    course = _bay(1 / 60, 120.0, Room(250, 0.0, gas_ft3_per_lb(68.0)))
    assert float(course.minutes_to_level(0.005)[0]) == pytest.approx(8, abs=0.5)
    assert float(course.minutes_to_level(0.03)[0]) == pytest.approx(52, abs=0.5)


def test_air_for_a_pound_a_minute_without_a_pause():
    """Keeping 1 lb/min at 5,000 ppm takes about 1,900 cfm: g (1 - C_outdoor) / (C - C_outdoor)."""
    until = np.full(1, 2000.0)
    line = timeline([Source(np.zeros(1), until, np.ones(1))], [], until)
    needed = float(flow_needed_cfm(Room(7200, 0.0, gas_ft3_per_lb(68.0)), line, Course.peak, 0.005)[0])
    assert needed == pytest.approx(1900, rel=0.01)


def test_shift_average_of_the_standard():
    """150 ppm for 2 h, 75 for 2 h and 50 for 4 h average to 81.25 ppm (29 CFR 1910.1000(d)(1)(ii))."""
    level = np.array([[150.0], [75.0], [50.0]])
    fast = 1e6  # air changes a minute: the room is at each level at once
    course = Course.solve(np.array([[0.0], [120.0], [240.0], [480.0]]), np.full((3, 1), fast), level * fast, 150.0)
    assert course.integral[-1, 0] / 480.0 == pytest.approx(81.25, abs=1e-3)
