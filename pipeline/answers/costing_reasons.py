"""Why a job lost money, in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.amounts import money, weight
from pipeline.answers.pricing import nozzle_usd_per_hour
from pipeline.book.costing_rows import SoilTold, soil_booked
from pipeline.book.fits import newest_fit
from shared.vocabulary import SOILS, soil_code

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.answers.answer import Asking
    from pipeline.answers.costed import Costed
    from pipeline.answers.saved_quotes import Followed

#: Ice from this age on is called old: a tenth to a fifth of it has turned to gas each day (common practice, no source).
OLD_ICE_DAYS = 3.0


def because(asking: Asking, costed: Costed, rows: NDArray[np.int64], quotes: Sequence[Followed]) -> list[str]:
    """Return a reason for each losing visit: its price, its dirt, or the largest of what went beyond expectation."""
    ids = [costed.table.job_id[i] for i in rows.tolist()]
    dirtier = soil_booked(asking.book, ids, asking.today) if ids else {}
    for quote in quotes:
        if quote.state == "won":
            dirtier |= _dirtier_than_quoted(costed, quote, ids)
    stored = newest_fit(asking.book) if ids else None
    learned_until = stored.last_day.toordinal() if stored is not None and stored.last_day is not None else 0
    return [_reason(asking, costed, i, dirtier.get(costed.table.job_id[i], []), learned_until) for i in rows.tolist()]


def _dirtier_than_quoted(costed: Costed, quote: Followed, ids: list[str]) -> dict[str, list[SoilTold]]:
    """Return the zones of a won quote's losing jobs that were dirtier than the quote said."""
    told = {line["zone"]: line["soil_level"] for line in quote.quote.quoted["request"]["lines"]}
    table = costed.table
    found: dict[str, list[SoilTold]] = {}
    for job_id in set(quote.jobs) & set(ids):
        for line in np.flatnonzero(table.line_job == table.job_id.index(job_id)).tolist():
            zone, soil = table.zone.names[table.zone.codes[line]], int(table.soil[line])
            if told.get(zone) in SOILS and soil > soil_code(told[zone]):
                found.setdefault(job_id, []).append(SoilTold(zone, told[zone], SOILS[soil]))
    return found


def _reason(asking: Asking, costed: Costed, i: int, dirtier: list[SoilTold], learned_until: int) -> str:
    shop = asking.book.settings.shop
    price = float(costed.columns.price_usd[i])
    minimum = asking.book.settings.pricing.minimum_usd
    if price == 0:
        return "done for nothing: a price of 0 was logged"
    if price < minimum:
        charged, least = money(price, shop.currency), money(minimum, shop.currency)
        return f"price under the minimum: {charged} charged, {least} is the least"
    if not np.isfinite(costed.expected_cost_usd[i]):
        return (
            "too few jobs before it to say what it should have cost"
            if costed.table.day[i] <= learned_until
            else "newer than the last `rimebook learn`: run it to see what it should have cost"
        )
    expected = float(costed.expected_cost_usd[i])
    # The expected cost may have been above the price by a dollar, and the job's own overrun many times that.
    over = {"price": expected - price, **_overruns(asking, costed, i)}
    named = max(over, key=lambda cause: over[cause])
    if dirtier and named in ("price", "pellets", "minutes") and _as_booked(asking, costed, i, dirtier) <= price:
        worst = max(dirtier, key=lambda told: soil_code(told.found) - soil_code(told.booked))
        return f"dirt worse than quoted: {worst.zone.replace('_', ' ')} {worst.found}, told as {worst.booked}"
    if named == "price":
        told = f"{money(price, shop.currency)} charged, like jobs had been expected to cost"
        return f"price too low: {told} {money(expected, shop.currency)}"
    if named == "pellets":
        usual = weight(float(costed.expected_pellets_lb[i]), shop.units)
        took = f"{weight(float(costed.pellets_lb[i]), shop.units)}, like jobs take {usual}"
        age = float(costed.columns.ice_age_days[i])
        if age >= OLD_ICE_DAYS:
            return f"old ice ({age:.0f} days): {took}"
        return f"more pellets than like jobs: {took}"
    if named == "minutes":
        took = f"{costed.minutes[i]:.0f} min, like jobs take {costed.expected_minutes[i]:.0f} min"
        return f"more time than like jobs: {took}"
    usual = f"{costed.expected_beside_min[i]:.0f} min"
    return f"long set-up and clean-up: {costed.beside_min[i]:.0f} min, like jobs take {usual}"


def _overruns(asking: Asking, costed: Costed, i: int) -> dict[str, float]:
    """Return what use beyond what was expected added to the cost by cause, USD."""
    costs = asking.book.settings.costs
    hourly = costs.labour_usd_per_hour + costs.overhead_usd_per_hour
    nozzle = nozzle_usd_per_hour(costs)
    return {
        "pellets": float(costed.usd_per_lb[i] * (costed.pellets_lb[i] - costed.expected_pellets_lb[i])),
        "minutes": float(nozzle / 60.0 * (costed.minutes[i] - costed.expected_minutes[i])),
        "beside": float(hourly / 60.0 * (costed.beside_min[i] - costed.expected_beside_min[i])),
    }


def _as_booked(asking: Asking, costed: Costed, i: int, dirtier: list[SoilTold]) -> float:
    """Return what a visit would have been expected to cost with the dirt as booked, by planning soil factors (mean)."""
    factor = asking.book.settings.planning().pellets_lb.soil
    raised = float(np.mean([factor[SOILS.index(t.found)] / factor[SOILS.index(t.booked)] for t in dirtier]))
    costs = asking.book.settings.costs
    hourly = costs.labour_usd_per_hour + costs.overhead_usd_per_hour
    fixed = hourly * float(costed.expected_beside_min[i]) / 60.0 + costs.consumables_usd_per_job
    return fixed + (float(costed.expected_cost_usd[i]) - fixed) / raised
