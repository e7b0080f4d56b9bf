"""From pellets and minutes to cost and price, scenario by scenario. Money is rounded once, at the end."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from pipeline.book.settings import Costs, Pricing

Binding = Literal["margin", "risk", "minimum"]


@dataclass(frozen=True)
class CostDraws:
    """Cost of one job under each scenario, by part; USD, each array (n_draws,)."""

    parts: dict[str, NDArray[np.float64]]

    def total(self) -> NDArray[np.float64]:
        """Return the cost under each scenario, shape (n_draws,)."""
        return np.asarray(np.sum(list(self.parts.values()), axis=0), dtype=np.float64)


def job_cost(
    pellets_lb: NDArray[np.float64],
    minutes: NDArray[np.float64],
    *,
    beside_min: ArrayLike,
    landed_usd_per_lb: ArrayLike,
    costs: Costs,
) -> CostDraws:
    """Return what a job costs the shop under each scenario.

    With pellets p (lb), hands-on minutes m, minutes beside the nozzle b, trigger hours t = share x m / 60 and visit
    hours h = (m + b) / 60 the parts are: landed price x p; wage x m / 60; wage x b / 60; compressor x t;
    equipment x t; consumables a visit; overhead x h.

    Parameters
    ----------
    pellets_lb, minutes : float64 arrays (n_draws,)
        Column by column the same scenario.
    beside_min : float or array (n_draws,)
        Set-up and clean-up person-minutes.
    landed_usd_per_lb : float or array (n_draws,)
        Of ice that reaches the nozzle.
    """
    beside = np.broadcast_to(np.asarray(beside_min, dtype=np.float64), minutes.shape)
    trigger_hours = costs.trigger_share * minutes / 60.0
    parts = {
        "ice": np.asarray(landed_usd_per_lb, dtype=np.float64) * pellets_lb,
        "hands-on labour": costs.labour_usd_per_hour * minutes / 60.0,
        "set-up and clean-up": costs.labour_usd_per_hour * beside / 60.0,
        "compressor": costs.compressor_usd_per_hour * trigger_hours,
        "equipment": costs.equipment_usd_per_hour * trigger_hours,
        "consumables": np.full_like(minutes, costs.consumables_usd_per_job),
        "overhead": costs.overhead_usd_per_hour * (minutes + beside) / 60.0,
    }
    return CostDraws(parts)


@dataclass(frozen=True)
class Price:
    """A price before tax, what binds it, and what it risks; USD and shares.

    `price_for_margin_usd` = mean cost / (1 - margin): a margin is a share of the price, a mark-up m a share of the
    cost; margin = m / (1 + m). `price_for_risk_usd` is the 1 - risk quantile of cost.
    """

    price_for_margin_usd: float
    price_for_risk_usd: float
    price_usd: float
    price_with_tax_usd: float
    binding: Binding
    chance_of_loss: float
    expected_margin_share: float


def nozzle_usd_per_hour(costs: Costs) -> float:
    """Return what an hour of hands-on time costs beside the ice: wage, overhead, and both machines while they run."""
    machines = costs.compressor_usd_per_hour + costs.equipment_usd_per_hour
    return costs.labour_usd_per_hour + costs.overhead_usd_per_hour + costs.trigger_share * machines


def round_up(amount: float, step: float) -> float:
    """Return the amount rounded up to a multiple of `step`; an amount that is one already stays."""
    return ceil(round(amount / step, 9)) * step


def chance_of_loss(cost_usd: NDArray[np.float64], price_usd: float) -> float:
    """Return the share of scenarios in which the cost exceeds a price."""
    return float(np.mean(cost_usd > price_usd))


def expected_margin(cost_usd: NDArray[np.float64], price_usd: float) -> float:
    """Return the expected margin as a share of the price.

    Raises
    ------
    ValueError
        When the price is not positive.
    """
    if price_usd <= 0:
        raise ValueError("price_usd must be > 0")
    return float(1.0 - np.mean(cost_usd) / price_usd)


def price_job(cost_usd: NDArray[np.float64], pricing: Pricing, *, minimum_usd: float | None = None) -> Price:
    """Return the price of a job from the draws of its cost.

    Parameters
    ----------
    cost_usd : float64 array (n_draws,)
    pricing : Pricing
        Wanted margin, accepted risk, rounding and tax.
    minimum_usd : float, optional
        Least charge; that of `pricing` where not given.
    """
    for_margin = float(np.mean(cost_usd)) / (1.0 - pricing.margin_share)
    for_risk = float(np.quantile(cost_usd, 1.0 - pricing.risk_share))
    least = pricing.minimum_usd if minimum_usd is None else minimum_usd
    by_name: dict[Binding, float] = {"margin": for_margin, "risk": for_risk, "minimum": least}
    binding = max(by_name, key=lambda name: by_name[name])
    price = max(round_up(by_name[binding], pricing.round_to_usd), pricing.round_to_usd)
    return Price(
        price_for_margin_usd=round(for_margin, 2),
        price_for_risk_usd=round(for_risk, 2),
        price_usd=round(price, 2),
        price_with_tax_usd=round(price * (1.0 + pricing.tax_share), 2),
        binding=binding,
        chance_of_loss=chance_of_loss(cost_usd, price),
        expected_margin_share=expected_margin(cost_usd, price),
    )
