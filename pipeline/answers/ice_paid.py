"""What deliveries cost: containers that came on one day from one supplier are one delivery, with one fee."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.ice.price import price_per_lb

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.book.settings import Ice
    from pipeline.book.tables import Delivery


@dataclass(frozen=True)
class Paid:
    """What the containers of a log cost.

    Attributes
    ----------
    bought_usd, fee_usd : float64 arrays (n_containers,)
    begins : bool array (n_containers,)
        The first container of each delivery.
    n_deliveries : int
        Times that ice came.
    """

    bought_usd: NDArray[np.float64]
    fee_usd: NDArray[np.float64]
    begins: NDArray[np.bool_]
    n_deliveries: int


def loads_of(came: Sequence[Delivery]) -> NDArray[np.int64]:
    """Return the delivery that each container came with, (n_containers,), counted from 0 as they first appear."""
    places: dict[object, int] = {}
    return np.array([places.setdefault((d.day, d.supplier), len(places)) for d in came], dtype=np.int64)


def paid(came: Sequence[Delivery], ice: Ice) -> Paid:
    """Return what containers that came cost.

    A price that was not written down is that of the book's breaks at the weight of the whole delivery. A delivery
    without any fee has the book's, shared by weight; one with a fee has no other.
    """
    lb = np.array([d.weight_lb for d in came], dtype=np.float64)
    load = loads_of(came)
    n_loads = len(np.unique(load))
    whole_lb = np.bincount(load, lb, minlength=n_loads)[load]
    listed = price_per_lb(whole_lb, [(b.from_lb, b.usd_per_lb) for b in ice.price_breaks])
    price, fee = (
        np.array([np.nan if figure is None else figure for figure in figures], dtype=np.float64)
        for figures in ((d.price_usd_per_lb for d in came), (d.fee_usd for d in came))
    )
    written = np.bincount(load, np.isfinite(fee), minlength=n_loads)[load] > 0
    share = np.divide(lb, whole_lb, out=np.ones_like(lb), where=whole_lb > 0)
    fee = np.where(written, np.nan_to_num(fee), ice.delivery_fee_usd * share)
    begins = np.zeros(len(lb), dtype=np.bool_)
    begins[np.unique(load, return_index=True)[1]] = True
    return Paid(lb * np.where(np.isfinite(price), price, listed), fee, begins, n_loads)
