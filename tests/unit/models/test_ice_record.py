"""The ice log: order of events, oldest ice first, stretches between known amounts."""

from __future__ import annotations

import numpy as np
import pytest

from models.ice.law import CLOSING, OPENING, USE_TIME, Climate
from models.ice.record import DELIVERED, EMPTIED, USED, WEIGHED, IceLog, walk
from models.ice.stretches import cut, rough_rate

DAY = 738_000.0


def log_of(*events: tuple[float, int, str, float]) -> IceLog:
    at, kind, container, lb = zip(*events, strict=True)
    return IceLog.of([DAY + a for a in at], list(kind), list(container), list(lb))


def test_events_of_one_moment_count_in_their_order() -> None:
    """Of one moment: delivery, then use, then weighing."""
    log = log_of((0.5, WEIGHED, "a", 50), (0.5, USED, "a", 50), (0.5, DELIVERED, "a", 100))
    assert log.kind.tolist() == [DELIVERED, USED, WEIGHED]


def test_oldest_ice_goes_first() -> None:
    """A use without a container takes from the container with the oldest ice, and its age is weighted by pounds."""
    log = log_of((0, DELIVERED, "a", 30), (2, DELIVERED, "b", 100), (2, DELIVERED, "a", 70), (4, USED, "", 60))
    walked = walk(log, 0.0)
    assert walked.log.container[-1] == "a"
    assert walked.age_days[-1] == pytest.approx((30 * 4 + 30 * 2) / 60)
    assert walked.lots == {"a": [(DAY + 2, 40.0)], "b": [(DAY + 2, 100.0)]}


def test_loss_takes_the_oldest_ice() -> None:
    """Ten days at 10 lb a day leave none of 100 lb, and a later delivery is new ice."""
    walked = walk(log_of((0, DELIVERED, "a", 100), (10, DELIVERED, "a", 100), (11, USED, "", 20)), 10.0)
    assert walked.age_days[-1] == pytest.approx(1.0)


def test_emptied_throws_out_what_was_left() -> None:
    """A delivery into an emptied container leaves only the new ice."""
    walked = walk(log_of((0, DELIVERED, "a", 100), (1, EMPTIED, "a", 50)), 0.0)
    assert walked.lots == {"a": [(DAY + 1, 50.0)]}


def test_a_weighing_corrects_the_lots() -> None:
    """Less than expected is taken off the oldest ice, more is added to the newest."""
    less = walk(log_of((0, DELIVERED, "a", 100), (1, DELIVERED, "a", 50), (2, WEIGHED, "a", 120)), 0.0)
    more = walk(log_of((0, DELIVERED, "a", 100), (1, DELIVERED, "a", 50), (2, WEIGHED, "a", 160)), 0.0)
    assert less.lots["a"] == [(DAY, 70.0), (DAY + 1, 50.0)]
    assert more.lots["a"] == [(DAY, 100.0), (DAY + 1, 60.0)]


def test_a_container_that_was_only_weighed_is_known_from_then() -> None:
    """A weighing of a container without a delivery starts its record; a use before it has no container."""
    walked = walk(log_of((0, USED, "", 10), (1, WEIGHED, "x", 80), (2, USED, "", 10)), 0.0)
    assert walked.log.container == ("", "x", "x")
    assert walked.lots == {"x": [(DAY + 1, 70.0)]}


def test_stretches_run_from_known_to_known() -> None:
    """Delivery, use, weighing, use, weighing give two stretches with their warmth-weighted days."""
    log = log_of(
        (OPENING, DELIVERED, "a", 200), (USE_TIME, USED, "a", 30), (CLOSING, WEIGHED, "a", 160),
        (1 + USE_TIME, USED, "a", 20), (2 + CLOSING, WEIGHED, "a", 70),
    )  # fmt: skip
    found = cut(log, Climate())
    assert found.n == found.n_weighed == 2
    assert found.start_lb.tolist() == [200, 160]
    assert found.end_lb.tolist() == [160, 70]
    assert np.isnan(found.start_sd_lb).tolist() == [False, True]
    assert found.days.sum(axis=1) == pytest.approx([CLOSING - OPENING, 2.0])
    assert found.change_lb.tolist() == [[-30, 0], [-20, 0]]


def test_known_temperatures_weigh_the_days() -> None:
    """Two days at 30 °C count (30 + 78.5)/(20 + 78.5) each, 1 of it as time and the rest as air."""
    climate = Climate(np.array([738_000, 738_001]), np.array([30.0, 30.0]))
    found = cut(log_of((0, DELIVERED, "a", 200), (2, WEIGHED, "a", 120)), climate)
    assert found.days.sum() + found.air.sum() == pytest.approx(2 * 108.5 / 98.5)
    assert found.season.sum() == 0


def test_a_yearly_curve_needs_thirty_days() -> None:
    """With 29 known days the season stays open; with 60 a curve through them fills the other days."""
    days = 738_000 + 6 * np.arange(60)
    air = 15 + 10 * np.cos(2 * np.pi * (days - 200) / 365.2425)
    season, _ = Climate(days[:29], air[:29]).factors(np.array([738_003]))
    none, warm = Climate(days, air).factors(np.array([738_003, 738_180]))
    assert season[0] != 0
    assert none.tolist() == [0, 0]
    truth = 15 + 10 * np.cos(2 * np.pi * (np.array([738_003, 738_180]) - 200) / 365.2425)
    assert 1 + warm == pytest.approx((truth + 78.5) / 98.5, abs=0.02)


def test_a_use_larger_than_its_container_takes_from_the_others() -> None:
    """100 lb named out of a container of 60 are split; the age is that of all the ice taken."""
    walked = walk(log_of((0, DELIVERED, "a", 60), (2, DELIVERED, "b", 100), (4, USED, "a", 100)), 0.0)
    used = [(c, lb) for c, k, lb in zip(walked.log.container, walked.log.kind, walked.log.lb, strict=True) if k == USED]
    assert used == [("a", 60.0), ("b", 40.0)]
    assert walked.age_days.tolist()[2] == pytest.approx((60 * 4 + 40 * 2) / 100)
    assert len(walked.age_days) == 3


def test_a_named_use_may_stay_whole_on_its_container() -> None:
    """At 30 lb a day the walk thinks a empty; what names it stays there, and only blank or unknown names are placed."""
    log = log_of(
        (0, DELIVERED, "a", 60), (2, DELIVERED, "b", 100), (4, USED, "a", 50), (4.1, USED, "", 10),
        (4.2, USED, "c", 20), (4.3, USED, "typo", 5), (5, WEIGHED, "c", 30),
    )  # fmt: skip
    used = {}
    for whole in (False, True):
        walked = walk(log, 30.0, named_whole=whole)
        kinds = zip(walked.log.container, walked.log.kind, walked.log.lb, strict=True)
        used[whole] = [(c, lb) for c, k, lb in kinds if k == USED]
    assert used[True] == [("a", 50.0), ("b", 10.0), ("c", 20.0), ("b", 5.0)]
    assert ("a", 50.0) not in used[False]


def test_rough_rate_is_the_middle_of_what_stretches_tell() -> None:
    """Six stretches of 30 lb a day give 30; two are too few, and the planning value stands."""
    events = [(0.0, DELIVERED, "a", 400.0), *((float(d), WEIGHED, "a", 400.0 - 30 * d) for d in range(2, 13, 2))]
    assert rough_rate(cut(log_of(*events), Climate()), 35.0) == pytest.approx(30.0)
    assert rough_rate(cut(log_of(*events[:3]), Climate()), 35.0) == 35.0
