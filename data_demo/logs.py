"""The logs of an invented shop, beside what lies behind them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from data_demo.law import Visit
    from data_demo.stock import IceRecord, Row
    from data_demo.truth import Truth


@dataclass(frozen=True)
class DemoLogs:
    """The four logs of one draw and what lies behind them.

    Attributes
    ----------
    jobs, deliveries, weighings, bookings : list of rows
        Cells as text under the canonical headers.
    as_of : date
        The morning after the last job.
    visits : dict job_id -> Visit
        With exact amounts and everything the shop did not write down.
    ice : IceRecord
        The exact balance of the ice.
    under_priced : tuple of str
        Tickets with a price, charged by the old list.
    truth : Truth
    """

    jobs: list[Row]
    deliveries: list[Row]
    weighings: list[Row]
    bookings: list[Row]
    as_of: date
    visits: dict[str, Visit]
    ice: IceRecord
    under_priced: tuple[str, ...]
    truth: Truth
