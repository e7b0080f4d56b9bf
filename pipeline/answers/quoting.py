"""Estimates priced: cost parts, the price for the wanted margin and for the accepted risk, and what a price risks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.answer import Answer, Asking, QuantitySummary, summarise
from pipeline.answers.cautions import cautions_for
from pipeline.answers.estimating import JobEstimate, estimates_of, predicted, warnings_of
from pipeline.answers.landed import Landed, landed_price
from pipeline.answers.pricing import Binding, CostDraws, chance_of_loss, expected_margin, job_cost, price_job

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.estimating import Predicted
    from pipeline.answers.requests import JobAsked


@dataclass(frozen=True)
class CostPart:
    """A part of the expected cost."""

    name: str
    mean_usd: float


@dataclass(frozen=True)
class AtPrice:
    """What a price of the user's own would risk."""

    price_usd: float
    chance_of_loss: float
    expected_margin_share: float


@dataclass(frozen=True)
class JobQuote:
    """A job's estimate, cost and price; money before tax unless named, of all `count` vehicles together."""

    job_id: str
    number: int | None
    pellets_lb: QuantitySummary
    minutes: QuantitySummary
    cost_usd: QuantitySummary
    parts: tuple[CostPart, ...]
    price_for_margin_usd: float
    price_for_risk_usd: float
    price_usd: float
    price_with_tax_usd: float
    binding: Binding
    chance_of_loss: float
    expected_margin_share: float
    at_price: AtPrice | None
    count: int
    estimate: JobEstimate
    margin_share: float
    risk_share: float


@dataclass(frozen=True)
class QuoteResult:
    """One quote for each job asked about, in the order asked."""

    quotes: tuple[JobQuote, ...]
    ice_usd_per_lb: float
    ice_basis: str


def cost_draws(asking: Asking, found: Predicted, j: int, landed: Landed) -> CostDraws:
    """Return the cost of one job asked about under each scenario."""
    rows = found.consumption.request.line_job == j
    costs = asking.book.settings.costs
    return job_cost(
        found.consumption.pellets.draws[rows].sum(axis=0),
        found.consumption.minutes.draws[rows].sum(axis=0),
        beside_min=costs.setup_min + costs.cleanup_min,
        landed_usd_per_lb=landed.usd_per_lb,
        costs=costs,
    )


def quote_jobs(asking: Asking, jobs: Sequence[JobAsked], *, price_usd: float | None = None) -> Answer[QuoteResult]:
    """Return the price of each job.

    Parameters
    ----------
    jobs : sequence of JobAsked
    price_usd : float, optional
        A price of the user's own; its chance of loss and margin are told beside ours.
    """
    found = predicted(asking, jobs)
    landed = landed_price(asking)
    estimates = estimates_of(asking, found)
    quotes = tuple(_quote(asking, found, j, landed, estimates[j], price_usd) for j in range(len(found.jobs)))
    zones = {line.zone for job in found.jobs for line in job.lines}
    return Answer(
        QuoteResult(quotes, landed.usd_per_lb, landed.basis),
        warnings_of(asking, found, estimates),
        tuple(cautions_for("quote", sorted(zones), settings=asking.book.settings,
                           coating_removed=any(line.coating_removed for job in jobs for line in job.lines))),
    )  # fmt: skip


def _quote(
    asking: Asking, found: Predicted, j: int, landed: Landed, estimate: JobEstimate, price_usd: float | None
) -> JobQuote:
    parts = cost_draws(asking, found, j, landed)
    cost = parts.total()
    pricing = asking.book.settings.pricing
    price = price_job(cost, pricing)
    own = None
    if price_usd is not None:
        own = AtPrice(price_usd, chance_of_loss(cost, price_usd), expected_margin(cost, price_usd))
    return JobQuote(
        job_id=estimate.job_id,
        number=None,
        pellets_lb=estimate.pellets_lb,
        minutes=estimate.minutes,
        cost_usd=summarise(cost, level=asking.level, n_scores=int(found.consumption.n_calibration[j])),
        parts=tuple(CostPart(name, float(np.mean(draws))) for name, draws in parts.parts.items()),
        price_for_margin_usd=price.price_for_margin_usd,
        price_for_risk_usd=price.price_for_risk_usd,
        price_usd=price.price_usd,
        price_with_tax_usd=price.price_with_tax_usd,
        binding=price.binding,
        chance_of_loss=price.chance_of_loss,
        expected_margin_share=price.expected_margin_share,
        at_price=own,
        count=1,
        estimate=estimate,
        margin_share=pricing.margin_share,
        risk_share=pricing.risk_share,
    )
