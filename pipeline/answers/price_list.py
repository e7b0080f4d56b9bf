"""The shop's own price list refined: what each class x zone needed for the wanted margin, beside what is charged."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from models.costing.price_list import N_SOIL, Amounts, FittedAmounts, Visits, fit_amounts, fit_call_out_too
from pipeline.answers.pricing import nozzle_usd_per_hour
from shared.errors import RimebookError
from shared.vocabulary import SOILS, UNKNOWN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.answers.answer import Asking
    from pipeline.answers.costed import Costed

#: Visits with a price that a list needs at all, and lines that stand behind a cell's interval.
LEAST_VISITS = 10
LEAST_LINES = 5
#: Newest visits that a list is made from: older ones were made with other people, machines and prices of ice.
MOST_VISITS = 20_000


@dataclass(frozen=True)
class ListPrice:
    """One entry of the list, before tax: a class x zone at moderate soil, or the call-out (both names '').

    Attributes
    ----------
    lines : int
        Past lines behind it.
    price_usd, low_usd, high_usd : float
        What would have met the wanted margin, and its interval.
    charged_usd : float
        What is charged now, found from past prices in the same way: the call-out too.
    supported : bool
        Whether enough lines stand behind the interval.
    """

    vehicle_class: str
    zone: str
    lines: int
    price_usd: float
    low_usd: float
    high_usd: float
    charged_usd: float
    supported: bool


@dataclass(frozen=True)
class ListFactor:
    """What a soil level (or the stripping of an old coating) multiplies a price by."""

    name: str
    factor: float
    charged_factor: float


@dataclass(frozen=True)
class PriceList:
    """A visit's price is the call-out plus, for each line, its price times its soil factor (and that of coating).

    Attributes
    ----------
    margin_share : float
        Wanted margin, which the list would have met on the past visits.
    margin_low, margin_high : float
        Interval of the margin it would earn on visits alike.
    charged_margin_share : float
        What was earned instead.
    level : float
    visits : int
    call_out : ListPrice
    prices : tuple of ListPrice
    factors : tuple of ListFactor
    minimum_usd : float
        Least charge a visit, unchanged.
    """

    margin_share: float
    margin_low: float
    margin_high: float
    charged_margin_share: float
    level: float
    visits: int
    call_out: ListPrice
    prices: tuple[ListPrice, ...]
    factors: tuple[ListFactor, ...]
    minimum_usd: float


def refined_list(asking: Asking, costed: Costed) -> PriceList:
    """Return the price list that would have met the wanted margin.

    Raises
    ------
    RimebookError
        ``too-few-prices`` when fewer than ten finished jobs have a price and a known cost, ``no-costs`` when neither
        ice nor an hour of work costs anything: no zone would have a price.
    """
    _refuse_no_costs(asking, costed)
    rows = _listed(costed)
    n = int(rows.sum())
    if n < LEAST_VISITS:
        raise RimebookError(
            "too-few-prices", where="--price-list", found=f"{n} finished jobs with a price and a known cost",
            expected=f"{LEAST_VISITS} or more", do="Log `price_usd` with the jobs.",
        )  # fmt: skip
    wanted = 1.0 - asking.book.settings.pricing.margin_share
    visits = _visits(costed)
    cost, price = costed.cost_usd[rows], costed.columns.price_usd[rows]
    start = _start(asking, costed, visits, float(cost.mean()))
    refined = fit_amounts(visits, cost / wanted, start)
    charged = fit_call_out_too(visits, price, refined.amounts)
    list_total = float(refined.amounts.of_visits(visits).sum())
    low, high = refined.total_interval(asking.level)

    def margin(share: float) -> float:
        return 1.0 - float(cost.sum()) / (share * list_total)

    around = _around(asking, costed, start.call_out)
    return PriceList(
        margin_share=1.0 - wanted, margin_low=margin(low), margin_high=margin(high),
        charged_margin_share=1.0 - float(cost.sum() / price.sum()), level=asking.level, visits=n,
        call_out=ListPrice("", "", n, start.call_out, *around, charged.call_out, True),
        prices=_prices(asking, costed, refined, charged), factors=_factors(refined.amounts, charged, visits),
        minimum_usd=asking.book.settings.pricing.minimum_usd,
    )  # fmt: skip


def _refuse_no_costs(asking: Asking, costed: Costed) -> None:
    hourly = nozzle_usd_per_hour(asking.book.settings.costs)
    if costed.priced.any() and hourly <= 0 and not (costed.usd_per_lb[costed.priced] > 0).any():
        raise RimebookError(
            "no-costs", where="--price-list", found="neither ice nor an hour of work that costs anything",
            expected="a cost above 0", do="Enter [costs] and the price of ice in book.toml, or log deliveries with it.",
        )  # fmt: skip


def _listed(costed: Costed) -> NDArray[np.bool_]:
    """Return which visits a list is made from: the newest with a price and a known cost above 0.

    What was done for nothing says nothing of what is charged.
    """
    usable = costed.priced & (costed.cost_usd > 0) & (costed.columns.price_usd > 0)
    newest = np.cumsum(usable[::-1])[::-1] <= MOST_VISITS
    return usable & newest


def _visits(costed: Costed) -> Visits:
    table = costed.table
    lines = np.flatnonzero(_listed(costed)[table.line_job])
    number = np.cumsum(_listed(costed)) - 1
    return Visits(
        visit=number[table.line_job[lines]].astype(np.int64),
        vehicle_class=table.vehicle_class.codes[lines].astype(np.int64),
        zone=table.zone.codes[lines].astype(np.int64),
        soil=np.where(table.soil[lines] < 0, N_SOIL - 1, table.soil[lines]).astype(np.int64),
        coating=table.coating_removed[lines], n_visits=int(_listed(costed).sum()),
        n_classes=len(table.vehicle_class.names), n_zones=len(table.zone.names),
    )  # fmt: skip


def _start(asking: Asking, costed: Costed, visits: Visits, mean_usd: float) -> Amounts:
    """Return planning figures scaled to the visits' mean; the call-out is time beside the nozzle and consumables."""
    settings = asking.book.settings
    figures = settings.planning()
    wanted = 1.0 - settings.pricing.margin_share
    call_out = max(float(_fixed_cost(asking, costed).mean()) / wanted, 1.0)
    table = costed.table
    nozzle = nozzle_usd_per_hour(settings.costs) / 60.0
    usd_per_lb = float(costed.usd_per_lb[_listed(costed)].mean())
    cell = sum(
        usd * np.outer([f.vehicle_class.get(c, 1.0) for c in table.vehicle_class.names],
                       [f.zone.get(z, 10.0) for z in table.zone.names])
        for usd, f in ((usd_per_lb, figures.pellets_lb), (nozzle, figures.minutes))
    )  # fmt: skip
    soil = np.array([*figures.pellets_lb.soil, 1.0])
    start = Amounts(call_out, np.asarray(cell, dtype=np.float64), soil, figures.pellets_lb.coating_factor)
    rest = max(mean_usd / wanted - call_out, 0.2 * mean_usd)
    return Amounts(call_out, start.cell * rest / (start.of_visits(visits).mean() - call_out), start.soil, start.coating)


def _fixed_cost(asking: Asking, costed: Costed) -> NDArray[np.float64]:
    """Return what each priced visit cost beside the nozzle: set-up, clean-up and consumables, USD."""
    costs = asking.book.settings.costs
    hourly = costs.labour_usd_per_hour + costs.overhead_usd_per_hour
    return np.asarray(hourly * costed.beside_min[_listed(costed)] / 60.0 + costs.consumables_usd_per_job)


def _around(asking: Asking, costed: Costed, call_out_usd: float) -> tuple[float, float]:
    """Return the interval of the call-out: that of the mean of the visits' fixed cost."""
    fixed = _fixed_cost(asking, costed)
    z = NormalDist().inv_cdf(0.5 + asking.level / 2)
    half = z * float(fixed.std() / np.sqrt(len(fixed))) / (1.0 - asking.book.settings.pricing.margin_share)
    return call_out_usd - half, call_out_usd + half


def _prices(asking: Asking, costed: Costed, refined: FittedAmounts, charged: Amounts) -> tuple[ListPrice, ...]:
    names, zones = costed.table.vehicle_class.names, costed.table.zone.names
    low, high = refined.interval(asking.level)
    return tuple(
        ListPrice(
            names[c], zones[z], int(refined.lines[c, z]), float(refined.amounts.cell[c, z]), float(low[c, z]),
            float(high[c, z]), float(charged.cell[c, z]), bool(refined.lines[c, z] >= LEAST_LINES),
        )
        for c, z in zip(*np.nonzero(refined.lines), strict=True)
    )  # fmt: skip


def _factors(refined: Amounts, charged: Amounts, visits: Visits) -> tuple[ListFactor, ...]:
    seen = np.bincount(visits.soil, minlength=N_SOIL) > 0
    soils = tuple(
        ListFactor(name, float(refined.soil[k]), float(charged.soil[k]))
        for k, name in enumerate((*SOILS, UNKNOWN))
        if seen[k]
    )
    coating = (ListFactor("coating removed", refined.coating, charged.coating),) if visits.coating.any() else ()
    return soils + coating
