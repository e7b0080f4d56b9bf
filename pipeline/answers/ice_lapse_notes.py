"""What is said of deliveries that are missing from the log, alike in every answer that counts the price of ice."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from pipeline.answers.amounts import weight
from pipeline.answers.ice_lapses import record_start

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.answers.answer import Asking
    from pipeline.answers.landed import Landed

_MOST_TOLD = 3


def lapses_told(asking: Asking, landed: Landed) -> Iterator[str]:
    """Yield what each lapse that today's price of ice leaves out means for it, and what to do.

    Parameters
    ----------
    asking : Asking
    landed : Landed
        The price that coming jobs count, which tells the lapses.
    """
    units, start = asking.book.settings.shop.units, record_start(asking.today, landed.lapses).toordinal()
    counts = "ice counts at the price and loss of the logged time"
    if landed.basis == "planning":
        counts = (
            "coming jobs count ice at planning figures ([ice] in book.toml), finished ones at the price and loss of "
            "the logged time"
        )
    for lapse in [lapse for lapse in landed.lapses if lapse.last + 1 >= start][-_MOST_TOLD:]:
        used, came = weight(lapse.used_lb, units), date.fromordinal(lapse.came).isoformat()
        if lapse.running:
            yield (
                f"{used} were used since the last logged delivery of {came}: import the deliveries since. Until then "
                f"{counts}, and `order` knows of none that came since."
            )
        else:
            yield (
                f"{used} were used from {came} to {date.fromordinal(lapse.last).isoformat()} and no delivery is "
                f"logged between: import those that came. Until then {counts}."
            )
