"""Whether the prices that a plan counts are those that the shop's last deliveries had."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from models.ice.price import price_per_lb
from pipeline.answers.amounts import charged, money
from pipeline.answers.ice_lapses import RECORD_DAYS
from pipeline.answers.ice_paid import loads_of
from shared.units import LB_KG

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from pipeline.book.settings import Settings
    from pipeline.book.tables import Delivery

#: At how many deliveries at most and at least the log's prices are looked at.
_LATEST, _LEAST = 6, 3
#: Price or fee that differs by more than this share is told.
_TOLD_SHARE = 0.1


def other_prices(came: Sequence[Delivery], settings: Settings, today: date) -> Iterator[str]:
    """Yield that the last deliveries had another price or fee than `book.toml` names for orders of their size.

    Containers of one day and supplier are one delivery. Those without a written price, or fee, are left out of it.
    """
    late = [d for d in came if d.day >= today - timedelta(days=RECORD_DAYS) and d.weight_lb > 0]
    late.sort(key=lambda d: d.day)
    loads: dict[int, list[Delivery]] = {}
    for load, d in zip(loads_of(late).tolist(), late, strict=True):
        loads.setdefault(load, []).append(d)
    priced = [load for load in loads.values() if all(d.price_usd_per_lb is not None for d in load)][-_LATEST:]
    with_fee = [load for load in loads.values() if any(d.fee_usd is not None for d in load)][-_LATEST:]
    ice, currency = settings.ice, settings.shop.currency
    each, unit = (1 / LB_KG, "kg") if settings.shop.units == "metric" else (1.0, "lb")
    counted, paid, keys, n_loads = [], [], [], 0
    if len(priced) >= _LEAST:
        weights = np.array([sum(d.weight_lb for d in load) for load in priced])
        breaks = [(b.from_lb, b.usd_per_lb) for b in ice.price_breaks]
        listed = float((weights * price_per_lb(weights, breaks)).sum() / weights.sum())
        spent = sum((d.price_usd_per_lb or 0.0) * d.weight_lb for load in priced for d in load)
        price = spent / float(weights.sum())
        if _differ(price, listed):
            counted.append(f"{money(listed * each, currency, cents=True)}/{unit} (for orders of their size)")
            paid.append(f"{money(price * each, currency, cents=True)}/{unit}")
            keys.append(f"`price_breaks = [{{from_lb = 0, usd_per_lb = {price:.3g}}}]`")
            n_loads = len(priced)
    if len(with_fee) >= _LEAST:
        fee = sum(d.fee_usd or 0.0 for load in with_fee for d in load) / len(with_fee)
        if _differ(fee, ice.delivery_fee_usd):
            counted.append(f"{charged(ice.delivery_fee_usd, currency)} a delivery")
            paid.append(f"{charged(fee, currency)} a delivery")
            keys.append(f"`delivery_fee_usd = {fee:.4g}`")
            n_loads = max(n_loads, len(with_fee))
    if counted:
        yield (
            f"Ice is planned at the prices of book.toml, {' and '.join(counted)}; the last {n_loads} deliveries in the "
            f"log cost {' and '.join(paid)} on average. If that is what you pay, write it under [ice]: "
            f"{' and '.join(keys)}."
        )


def _differ(paid_usd: float, listed_usd: float) -> bool:
    return abs(paid_usd - listed_usd) > _TOLD_SHARE * max(listed_usd, 0.01)
