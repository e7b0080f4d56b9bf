"""No container holds more than it can: what a delivery found no room for had gone before, and is told."""

from __future__ import annotations

import numpy as np
import pytest

from models.ice.law import OPENING, USE_TIME, Climate
from models.ice.loss import learn_loss
from models.ice.record import DELIVERED, USED, WEIGHED, IceLog
from models.ice.stock import StockNow, sizes_lb, stock_now

FIRST_DAY = 738_003


def log_of(*events: tuple[float, int, float]) -> IceLog:
    at, kind, lb = zip(*events, strict=True)
    return IceLog.of([FIRST_DAY + a for a in at], list(kind), ["tote"] * len(at), list(lb))


def stock_of(log: IceLog, day: int, **how: float) -> StockNow:
    law = learn_loss(log, Climate(), seed=3, full_lb=500.0, n_draws=400).law
    return stock_now(log, law, Climate(), moment=FIRST_DAY + day + OPENING, seed=1, **how)  # type: ignore[arg-type]


def test_a_size_is_the_setting_or_the_most_that_was_seen_on_a_day() -> None:
    """Two lots of one day count together, those of two days do not; a weighing tells as well as a delivery."""
    log = log_of((0 + OPENING, DELIVERED, 300.0), (0 + OPENING, DELIVERED, 280.0), (3 + OPENING, DELIVERED, 500.0))
    assert sizes_lb(log, 400.0) == {"tote": 580.0}
    assert sizes_lb(log, 700.0) == {"tote": 700.0}
    assert sizes_lb(log_of((0.7, WEIGHED, 640.0)), 500.0) == {"tote": 640.0}


def test_thirty_deliveries_that_nobody_used_up_leave_no_more_than_one_container() -> None:
    """A delivery a week of 400 lb with 30 lb logged between never stands higher than 500 lb, and tells what is over."""
    events = [(7 * k + OPENING, DELIVERED, 400.0) for k in range(30)]
    log = log_of(*events, *((7 * k + 1 + USE_TIME, USED, 30.0) for k in range(30)))
    day = 7 * 29 + 1
    full = stock_of(log, day, container_lb=500.0)
    assert full.total_lb().max() <= 500.0 * 1.03
    assert np.quantile(full.total_lb(), 0.9) - np.quantile(full.total_lb(), 0.1) > 20
    assert np.quantile(full.total_lb(), 0.05) > 300
    late = stock_of(log, day, container_lb=500.0, room_since=FIRST_DAY + day - 8.0)
    assert 0 < np.median(late.no_room_lb) < np.median(full.no_room_lb)
    assert stock_of(log, day).no_room_lb.max() == 0


def test_deliveries_that_find_room_are_counted_as_before() -> None:
    """Where every delivery finds an empty tote, its size changes no draw."""
    log = log_of(*((14 * k + OPENING, DELIVERED, 200.0) for k in range(4)))
    free, sized = stock_of(log, 44), stock_of(log, 44, container_lb=500.0)
    assert sized.now_lb == pytest.approx(free.now_lb)
    assert sized.no_room_lb.max() == 0
