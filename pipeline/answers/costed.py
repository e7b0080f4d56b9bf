"""Every finished visit's real cost and what it was expected to cost, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.consumption.planning import log_median
from models.costing.beside import fit_beside
from pipeline.answers.costing_ice import ice_prices
from pipeline.answers.ice_lapses import delivery_lapses
from pipeline.answers.landed import planning_price, weekly_volume
from pipeline.answers.pricing import job_cost, nozzle_usd_per_hour
from pipeline.answers.quote_ground import beside_design
from pipeline.book.costing_rows import visit_columns
from pipeline.book.quote_rows import MOST_BESIDE_VISITS
from pipeline.book.tables import deliveries, job_table
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from pipeline.answers.answer import Asking
    from pipeline.book.costing_rows import VisitColumns
    from shared.vocabulary import Quantity

    Array = NDArray[np.float64]

_QUARTER_MONTHS = 3


@dataclass(frozen=True)
class Costed:
    """Finished visits before a morning, in order of day and id.

    Attributes
    ----------
    table : JobTable
    columns : VisitColumns
    usd_per_lb : float64 array (n,)
        Landed price of the ice each visit used.
    pellets_lb, minutes, beside_min, cost_usd : float64 arrays (n,)
        As they turned out; lines without a record take their part of what was expected, NaN where nothing was.
    expected_pellets_lb, expected_minutes, expected_beside_min, expected_cost_usd : float64 arrays (n,)
        From only what was before (time beside the nozzle: before the quarter); NaN where nothing was expected.
    filled : bool array (n,)
        Whether pellets or minutes of some line were not recorded.
    line_share : float64 array (n_lines,)
        Each line's share of its visit by planning figures; alike where what they tell costs nothing.
    equipment_usd : float64 array (n,)
        The equipment's part of the cost.
    ice_basis : {"planning", "learned"}
    """

    table: JobTable
    columns: VisitColumns
    usd_per_lb: Array
    pellets_lb: Array
    minutes: Array
    beside_min: Array
    cost_usd: Array
    expected_pellets_lb: Array
    expected_minutes: Array
    expected_beside_min: Array
    expected_cost_usd: Array
    filled: NDArray[np.bool_]
    line_share: Array
    equipment_usd: Array
    ice_basis: Literal["planning", "learned"]

    @property
    def priced(self) -> NDArray[np.bool_]:
        """Visits with a price, which may be 0, and a known cost: those that margins are made of."""
        return (self.columns.price_usd >= 0) & np.isfinite(self.cost_usd)

    def month(self) -> list[str]:
        """Return each visit's month, such as '2026-07'."""
        days, at = np.unique(self.table.day, return_inverse=True)
        names = [date.fromordinal(d).isoformat()[:7] for d in days.tolist()]
        return [names[i] for i in at.tolist()]


def costed_visits(asking: Asking) -> Costed:
    """Return what every finished visit before `asking.today` cost."""
    settings = asking.book.settings
    table = job_table(asking.book, asking.today, zeros=True)
    columns = visit_columns(asking.book, asking.today)
    expected = [columns.expected[q][:, 0] for q in QUANTITIES]
    planned = [np.exp(log_median(table, settings.planning().of(q))) for q in QUANTITIES]
    turned_out = [_as_turned_out(table, *each) for each in zip(QUANTITIES, expected, planned, strict=True)]
    filled = [figures for figures, _ in turned_out]
    beside, expected_beside = _beside(asking, table, columns)
    planned_ice = planning_price(settings, weekly_volume(asking))
    came = deliveries(asking.book, asking.today)
    usd_per_lb = ice_prices(
        settings, came, planned_ice, day=table.day, container=columns.container,
        used_lb=np.nan_to_num(filled[0]), lapses=delivery_lapses(asking, came),
    )  # fmt: skip
    real = job_cost(filled[0], filled[1], beside_min=beside, landed_usd_per_lb=usd_per_lb, costs=settings.costs)
    thought = job_cost(expected[0], expected[1], beside_min=expected_beside, landed_usd_per_lb=usd_per_lb,
                       costs=settings.costs)  # fmt: skip
    return Costed(
        table, columns, usd_per_lb, filled[0], filled[1], beside, real.total(), expected[0], expected[1],
        expected_beside, thought.total(), turned_out[0][1] | turned_out[1][1],
        _line_share(table, planned, usd_per_lb, nozzle_usd_per_hour(settings.costs)), real.parts["equipment"],
        "learned" if came else "planning",
    )  # fmt: skip


def _as_turned_out(
    table: JobTable, quantity: Quantity, expected: Array, planned: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Return what each visit took and whether lines of it have no record.

    For these stands their part of what the visit was `expected` to take, by what is `planned` for each line; NaN where
    nothing was expected. A written 0 is a record.
    """
    blank = np.where(table.observed(quantity).group < 0, planned, 0.0)
    missing = np.bincount(table.line_job, blank, minlength=table.n_jobs)
    share = missing / np.bincount(table.line_job, planned, minlength=table.n_jobs)
    return table.job_recorded(quantity) + np.where(missing > 0, share * expected, 0.0), missing > 0


def _beside(asking: Asking, table: JobTable, columns: VisitColumns) -> tuple[Array, Array]:
    """Return minutes beside the nozzle of each visit: as logged (as like visits took where not), and as expected.

    What was expected comes from the visits before the quarter the visit fell in.
    """
    settings, n = asking.book.settings, table.n_jobs
    if not n:
        return np.zeros(0), np.zeros(0)
    design = beside_design(
        settings, line_visit=table.line_job, soil=table.soil, vehicle_class=table.vehicle_class.words(),
        zone=table.zone.words(), vehicles=columns.vehicles,
    )  # fmt: skip
    starts = [np.searchsorted(table.day, day) for day in _quarters(int(table.day[0]), int(table.day[-1]))]
    edges = np.unique([0, *starts, n]).astype(np.int64)
    beside, expected = np.zeros(n), np.zeros(n)
    for minutes, planning_min in ((columns.setup_min, settings.costs.setup_min),
                                  (columns.cleanup_min, settings.costs.cleanup_min)):  # fmt: skip
        seen = np.isfinite(minutes)
        newest = np.flatnonzero(seen)[-MOST_BESIDE_VISITS:]
        usual = fit_beside(design[newest], minutes[newest], planning_min).expected(design)
        beside += np.where(seen, minutes, usual)
        for start, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            past = np.flatnonzero(seen[:start])[-MOST_BESIDE_VISITS:]
            expected[start:stop] += fit_beside(design[past], minutes[past], planning_min).expected(design[start:stop])
    return beside, expected


def _quarters(first: int, last: int) -> list[int]:
    """Return the first days of the quarters after `first` up to `last` (ordinals)."""
    at, found = date.fromordinal(first), []
    while at.toordinal() <= last:
        found.append(at.toordinal())
        month = (at.month - 1) // _QUARTER_MONTHS * _QUARTER_MONTHS + _QUARTER_MONTHS
        at = date(at.year + month // 12, month % 12 + 1, 1)
    return found[1:]


def _line_share(table: JobTable, planned: list[Array], usd_per_lb: Array, hourly_usd: float) -> Array:
    """Return each line's share of its visit's cost by what is planned for it, lb and min."""
    weight = usd_per_lb[table.line_job] * planned[0] + hourly_usd / 60.0 * planned[1]
    total = np.bincount(table.line_job, weight, minlength=table.n_jobs)
    if not total.all():  # neither ice nor work costs anything: the lines of such a visit share alike
        weight = np.where(total[table.line_job] > 0, weight, 1.0)
        total = np.bincount(table.line_job, weight, minlength=table.n_jobs)
    return np.asarray(weight / total[table.line_job], dtype=np.float64)
