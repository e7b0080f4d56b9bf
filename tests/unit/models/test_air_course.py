"""The piecewise solution against slow, obvious versions, and its exact searches."""

import numpy as np
import pytest

from models.air.course import Course
from models.air.room import Room, co2_course, timeline, work_sources


def _random_course(seed: int, n_draws: int = 7) -> Course:
    rng = np.random.default_rng(seed)
    pieces = int(rng.integers(1, 9))
    edges = np.concatenate([np.zeros((1, n_draws)), np.cumsum(rng.exponential(20, (pieces, n_draws)), axis=0)])
    rate = rng.choice([0.0, 1e-9, 0.003, 0.1, 2.0], (pieces, n_draws))
    drive = rng.choice([0.0, 1e-5, 1e-3], (pieces, n_draws)) * rng.uniform(0.2, 1, (pieces, n_draws))
    return Course.solve(edges, rate, drive, 4e-4)


def _stepped(course: Course, draw: int, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Runge-Kutta over fine steps, piece by piece."""
    times, levels, level = [0.0], [course.level[0, draw]], course.level[0, draw]
    for i in range(len(course.rate)):
        rate, drive = course.rate[i, draw], course.drive[i, draw]
        start, end = course.edges[i, draw], course.edges[i + 1, draw]
        n = max(int(np.ceil((end - start) / step)), 1)
        h = (end - start) / n
        for j in range(n):
            k1 = drive - rate * level
            k2 = drive - rate * (level + h / 2 * k1)
            k3 = drive - rate * (level + h / 2 * k2)
            k4 = drive - rate * (level + h * k3)
            level += h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
            times.append(start + (j + 1) * h)
            levels.append(level)
    return np.array(times), np.array(levels)


@pytest.mark.parametrize("seed", range(8))
def test_levels_and_integrals_match_fine_steps(seed):
    """Level and integral agree with a fourth-order integration in fine steps."""
    course = _random_course(seed)
    for draw in (0, 3):
        times, levels = _stepped(course, draw, 0.01)
        at = np.repeat(times[:, None], course.edges.shape[1], axis=1)
        assert np.allclose(course.at(at)[:, draw], levels, rtol=1e-6, atol=1e-12)
        area = np.concatenate([[0.0], np.cumsum(np.diff(times) * (levels[1:] + levels[:-1]) / 2)])
        assert np.allclose(course.integral_to(at)[:, draw], area, rtol=1e-4, atol=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_running_average_peak_is_never_below_a_fine_grid(seed):
    """The highest running average is at least that of a dense grid, and hardly above it."""
    course = _random_course(seed)
    dense = course.edges[-1] * np.linspace(0, 1, 20001)[:, None]
    on_grid = course.running_average(dense, 15.0).max(axis=0)
    found = course.highest_running_average(15.0)
    assert (found >= on_grid * (1 - 1e-9)).all()
    assert np.allclose(found, on_grid, rtol=1e-4)


def test_the_highest_running_average_is_found_in_fast_air():
    """Where air changes fast the mean turns within minutes of a knot: no dense grid finds more."""
    rng = np.random.default_rng(5)
    lb, minutes = rng.lognormal(3.5, 0.6, (4, 400)), rng.lognormal(4.0, 0.5, (4, 400))
    sources = work_sources(lb, minutes, 10.0)
    line = timeline(sources, [], np.maximum(sources[-1].end_min + 15.0, 480.0))
    course = co2_course(Room(9600.0, 0.0, 8.742), line, np.geomspace(100.0, 20_000.0, 400))
    dense = course.edges[-1] * np.linspace(0, 1, 40_001)[:, None]
    on_grid = np.max([course.running_average(part, 15.0).max(axis=0) for part in np.array_split(dense, 40)], axis=0)
    found = course.highest_running_average(15.0)
    assert (found >= on_grid * (1 - 1e-9)).all()
    assert np.allclose(found, on_grid, rtol=1e-3)


@pytest.mark.parametrize("seed", range(8))
def test_a_stretched_course_is_the_course_stretched(seed):
    """At every time level and integral are base + f (C - base), and a factor of 1 changes nothing."""
    course = _random_course(seed)
    stretched = course.stretched(420e-6, 3.0)
    at = course.edges[-1] * np.linspace(0, 1, 301)[:, None]
    assert np.allclose(stretched.at(at), 420e-6 + 3.0 * (course.at(at) - 420e-6), rtol=1e-9)
    expected = 420e-6 * at + 3.0 * (course.integral_to(at) - 420e-6 * at)
    assert np.allclose(stretched.integral_to(at), expected, rtol=1e-9, atol=1e-15)
    assert course.stretched(420e-6, 1.0) is course


@pytest.mark.parametrize("seed", range(8))
def test_a_course_that_is_cut_off_is_the_same_before(seed):
    """Up to its end a cut course has the same levels and integral."""
    course = _random_course(seed)
    end = course.edges[-1] * 0.6
    cut = course.until(end)
    at = end * np.linspace(0, 1, 301)[:, None]
    assert (cut.edges[-1] == end).all()
    assert np.allclose(cut.at(at), course.at(at), rtol=1e-9)
    assert np.allclose(cut.integral[-1], course.integral_to(end[None])[0], rtol=1e-9)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("share", [0.2, 0.6, 0.95])
def test_first_times_are_when_the_measure_meets_the_limit(seed, share):
    """At the time found the concentration is at the limit, and it was below it before."""
    course = _random_course(seed)
    level_limit = 4e-4 + share * (course.peak() - 4e-4)
    for draw in np.flatnonzero(course.peak() > 4.1e-4):
        limit = float(level_limit[draw])
        when = course.minutes_to_level(limit)
        assert course.at(np.full((1, 7), when[draw]))[0, draw] == pytest.approx(limit, rel=1e-6)
        before = np.linspace(0, when[draw] * (1 - 1e-6), 500)[:, None] * np.ones(course.edges.shape[1])
        assert (course.at(before)[:, draw] <= limit * (1 + 1e-9)).all()


def test_exposure_is_used_up_when_the_integral_says_so():
    """The exposure limit is met when the integral so far reaches limit times 8 hours; unreached limits are infinite."""
    course = Course.solve(np.array([[0.0, 0.0], [100.0, 20.0]]), np.zeros((1, 2)), np.full((1, 2), 0.01), 0.0)
    when = course.minutes_to_exposure(25.0 / 480.0, 480.0)  # integral 0.005 t^2 = 25 at t = sqrt(5000)
    assert when[0] == pytest.approx(np.sqrt(5000), rel=1e-9)
    assert np.isinf(when[1])
    assert np.isinf(course.minutes_to_level(2.0)).all()


def test_limit_below_the_start_is_reached_at_once():
    """Where the air at the start is at the limit already, it is reached at minute 0."""
    course = Course.solve(np.array([[0.0], [10.0]]), np.full((1, 1), 0.1), np.zeros((1, 1)), 0.5)
    assert course.minutes_to_level(0.4)[0] == 0.0


def test_no_air_and_little_air_agree():
    """A rate of nearly zero gives what a rate of zero gives: no digit is lost in the difference."""
    edges = np.array([[0.0] * 3, [480.0] * 3])
    course = Course.solve(edges, np.array([[0.0, 1e-13, 1e-8]]), np.full((1, 3), 1e-4), 4e-4)
    assert np.allclose(course.integral[-1], course.integral[-1, 0], rtol=1e-5)
    assert np.allclose(course.level[-1], course.level[-1, 0], rtol=1e-5)
