"""Times whose deliveries nobody logged: told by the ice that jobs used in them, never by silence alone."""

from __future__ import annotations

import numpy as np
import pytest

from models.ice.lapses import Lapse, find_lapses, silences

#: A Monday, as an ordinal.
START = 738_000


def lapses(came: list[int], uses: list[int], today: int, *, lb: float = 300.0, used: float = 50.0) -> tuple[Lapse, ...]:
    came_day, use_day = (START + np.array(days, dtype=np.int64) for days in (came, uses))
    found = silences(came_day, START + today)
    return find_lapses(found, came_day, np.full(len(came), lb), use_day, np.full(len(uses), used))


def workdays(until: int) -> list[int]:
    return [d for d in range(until) if d % 7 < 5]


WEEKLY = list(range(0, 84, 7))


def test_jobs_that_go_on_without_deliveries_show_a_lapse() -> None:
    """It begins when the ice of the last delivery was to be gone and tells what was used since that delivery."""
    (found,) = lapses(WEEKLY, workdays(120), 120)
    since = [d for d in workdays(120) if d >= 77]
    assert found == Lapse(START + 84, START + 119, START + 77, 50.0 * len(since))


def test_a_lapse_in_the_middle_ends_the_day_before_the_next_delivery() -> None:
    """The same rule holds for a hole in the log."""
    came = [d for d in range(0, 180, 7) if not 60 < d < 110]
    (found,) = lapses(came, workdays(180), 180)
    assert (found.came, found.first, found.last) == (START + 56, START + 63, START + 111)


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
