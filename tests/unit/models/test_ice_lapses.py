"""Times whose deliveries nobody logged: told by the ice that jobs used in them, never by silence alone."""

from __future__ import annotations

import numpy as np
import pytest

from models.ice.lapses import Lapse, find_lapses, silences

#: A Monday, as an ordinal.
START = 738_000


def lapses(
    came: list[int], uses: list[int], today: int, *, lb: float | list[float] = 300.0, used: float = 50.0
) -> tuple[Lapse, ...]:
    came_day, use_day = (START + np.array(days, dtype=np.int64) for days in (came, uses))
    found = silences(came_day, START + today)
    return find_lapses(found, came_day, np.broadcast_to(lb, len(came)).astype(float), use_day, np.full(len(uses), used))


def workdays(until: int) -> list[int]:
    return [d for d in range(until) if d % 7 < 5]


WEEKLY = list(range(0, 84, 7))


def test_jobs_that_go_on_without_deliveries_show_a_lapse() -> None:
    """It begins when the ice of the last delivery was to be gone and tells what was used since that delivery."""
    (found,) = lapses(WEEKLY, workdays(120), 120)
    since = [d for d in workdays(120) if d >= 77]
    assert found == Lapse(START + 84, START + 119, START + 77, 50.0 * len(since), running=True)


def test_a_lapse_in_the_middle_ends_the_day_before_the_next_delivery() -> None:
    """The same rule holds for a hole in the log."""
    came = [d for d in range(0, 180, 7) if not 60 < d < 110]
    (found,) = lapses(came, workdays(180), 180)
    assert (found.came, found.first, found.last) == (START + 56, START + 63, START + 111)
    assert not found.running


@pytest.mark.parametrize(
    ("came", "uses", "today", "why"),
    [
        (WEEKLY, workdays(84), 150, "the shop stopped working"),
        (WEEKLY, [*workdays(78), 100, 110, 118], 120, "four jobs that the last delivery may have fed"),
        (WEEKLY, workdays(90), 90, "13 days"),
        (WEEKLY[:5], workdays(120), 120, "five deliveries are no habit"),
        (list(range(0, 200, 25)), workdays(240), 240, "a silence of 65 days where 25 are usual"),
    ],
)
def test_what_is_no_lapse(came: list[int], uses: list[int], today: int, why: str) -> None:
    """A stop, a short or usual silence, a record too short."""
    assert not lapses(came, uses, today), why


def test_a_small_last_delivery_tops_up_what_is_in_store() -> None:
    """What came a usual time before it counts as in store, and what is used before the next was to come proves nothing.

    Nineteen deliveries of 500 lb, a last one of 100, then 180 lb used on that day and the next and three weeks closed.
    """
    came, lb = list(range(0, 140, 7)), [*[500.0] * 19, 100.0]
    uses = [*workdays(133), 133, 134]
    assert not lapses(came, uses, 161, lb=lb, used=90.0)
    # More than both deliveries, all of it before the next one was to come.
    assert not lapses(came, [*workdays(133), *[133, 134] * 4], 161, lb=lb, used=90.0)
    # Used after that, but no more than the delivery a week before may have left.
    assert not lapses(came, [*uses, 150], 161, lb=lb, used=90.0)
    assert lapses(came, [*uses, *range(141, 151)], 161, lb=lb, used=90.0)
    # Where ice comes every 12 days, that of 12 days before.
    seldom = list(range(0, 120, 12))
    assert not lapses(seldom, workdays(122), 150, lb=[*[500.0] * 9, 100.0])


def test_a_delivery_of_today_ends_a_lapse() -> None:
    """It lasts up to yesterday and goes on no longer."""
    (found,) = lapses([*WEEKLY, 120], workdays(120), 120)
    assert (found.last, found.running) == (START + 119, False)


def test_two_containers_of_the_last_truck_may_feed_a_long_time() -> None:
    """All that came in the week up to the silence counts as in store."""
    came = sorted([*WEEKLY, 77, 77])
    assert not lapses(came, workdays(100), 100)
    assert lapses(WEEKLY, workdays(100), 100)


def test_nothing_dated_later_counts() -> None:
    """As of a day the deliveries after it are not known."""
    late = [*WEEKLY, *range(140, 200, 7)]
    assert lapses(late, workdays(200), 120) == lapses(WEEKLY, workdays(120), 120)
    assert silences(np.zeros(0, dtype=np.int64), START) == ()
