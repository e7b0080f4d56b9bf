"""Prices of book.toml beside those of the log: another one is told with what to write, in the shop's units."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from pipeline.answers.order_prices import other_prices
from pipeline.book.settings import Ice, PriceBreak, Settings, Shop
from pipeline.book.tables import Delivery
from shared.units import LB_KG

TODAY = date(2026, 7, 1)


def came(price: float | None, fee: float | None, *, n: int = 8, lb: float = 250.0, ago: int = 0) -> list[Delivery]:
    return [Delivery(TODAY - timedelta(days=ago + 4 * k + 1), None, "tote", lb, price, fee, "icehouse", False)
            for k in range(n)]  # fmt: skip


def told(deliveries: list[Delivery], ice: Ice | None = None, **shop: str) -> list[str]:
    return list(other_prices(deliveries, Settings(ice=ice or Ice(), shop=Shop(**shop)), TODAY))  # type: ignore[arg-type]


def test_another_price_and_fee_is_told_with_what_to_write() -> None:
    """Both, or the one that differs, and the keys; nothing where the log agrees within a tenth."""
    (said,) = told(came(0.8, 30.0))
    assert "$1.10/lb (for orders of their size) and $45 a delivery" in said
    assert "the last 6 deliveries in the log cost $0.80/lb and $30 a delivery" in said
    assert "`price_breaks = [{from_lb = 0, usd_per_lb = 0.8}]` and `delivery_fee_usd = 30`" in said
    (price,) = told(came(0.8, 45.0))
    assert "fee" not in price
    (fee,) = told(came(1.1, 0.0))
    assert "$0 a delivery" in fee
    assert "price_breaks" not in fee
    assert told(came(1.15, 47.0)) == []
    written = Ice(price_breaks=(PriceBreak(0, 0.8),), delivery_fee_usd=30)
    assert told(came(0.8, 30.0), written) == []
    assert told(came(1.1, 45.0), written) != []


def test_a_metric_shop_reads_its_own_units() -> None:
    """Prices a kilogram in its currency; the key keeps its unit."""
    (said,) = told(came(2.2 * LB_KG, 30.0, lb=100.0), units="metric", currency="EUR")
    assert "€2.87/kg" in said
    assert "€2.20/kg and €30 a delivery" in said
    assert "usd_per_lb = 0.998" in said
    assert "$" not in said
    assert "/lb" not in said


@pytest.mark.parametrize(
    "deliveries",
    [came(None, None), came(0.8, 30.0, n=2), came(0.8, 30.0, ago=200), []],
)
def test_a_log_that_tells_no_recent_price_is_not_held_against_the_book(deliveries: list[Delivery]) -> None:
    """Nothing written, hardly anything, or nothing of the last half year."""
    assert told(deliveries) == []


def test_containers_of_one_load_are_one_delivery() -> None:
    """Two boxes of 125 lb reach the price of 250 lb, and their one fee is the load's."""
    boxes = [Delivery(d.day, None, name, 125.0, 1.1, fee, "icehouse", False)
             for d in came(None, None) for name, fee in (("a", 45.0), ("b", None))]  # fmt: skip
    assert told(boxes) == []


def test_the_latest_deliveries_count() -> None:
    """A price of the last weeks is told though older deliveries agree with the book."""
    (said,) = told([*came(1.1, 45.0, ago=40), *came(1.6, 45.0)])
    assert "cost $1.60/lb on average" in said
