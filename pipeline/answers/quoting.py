"""Estimates priced: cost parts, the price for the wanted margin and for the accepted risk, and what a price risks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.answers.amounts import charged
from pipeline.answers.answer import Answer, Asking, QuantitySummary, summarise
from pipeline.answers.cautions import cautions_for
from pipeline.answers.comparing import Choice, CompareBy, compared
from pipeline.answers.estimating import BayChances, JobEstimate, blocks_of, estimates_of, warnings_of
from pipeline.answers.ice_lapse_notes import lapses_told
from pipeline.answers.part_done import RestOfJob, SoFar, draw_part_done, rest_of_job, whole_job
from pipeline.answers.pricing import (
    Binding,
    CostDraws,
    chance_of_loss,
    expected_margin,
    price_job,
    round_up,
)
from pipeline.answers.quote_ground import Ground, JobDraws, drawn_alike, ground_of, job_cost_draws, job_draws
from pipeline.answers.request_notes import request_notes
from pipeline.answers.requests import several_vehicles
from pipeline.answers.safety_warning import bay_chances
from shared.counting import some_named

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.answers.requests import JobAsked
    from pipeline.book.settings import Pricing

#: Bookings that the planning share of cancelled ones counts for, against those on record.
_PLANNING_BOOKINGS = 20.0
#: Jobs that a note names.
_NAMED = 5


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
class Agreed:
    """What was agreed before an inspection, beside the price after it.

    Attributes
    ----------
    price_usd, ceiling_usd : float
        The price told and the most that may be charged without asking again.
    expected_margin_share, chance_of_loss : float
        What the agreed price is expected to earn now.
    ask_customer : bool
        Whether the price after the inspection, or the one named in its place, is above the ceiling.
    """

    price_usd: float
    ceiling_usd: float
    expected_margin_share: float
    chance_of_loss: float
    ask_customer: bool


@dataclass(frozen=True)
class JobQuote:
    """A job's estimate, cost and price; money before tax unless named, of all `count` vehicles together.

    `ceiling_usd` is what the customer agrees that the bill may reach without another word: the price the job would
    have if its cost came out at the upper end of the interval. Of a part-done job (`rest`) every figure but those of
    `compare` is of the whole job given what was used so far. `deposit_usd` covers the ice that is at risk if the
    customer does not come (`ice_at_risk_usd`), never more than the price; `no_show_share` is how often that happened.
    """

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
    compare: tuple[Choice, ...] | None
    rest: RestOfJob | None
    deposit_usd: float
    ice_at_risk_usd: float
    no_show_share: float
    ceiling_usd: float
    valid_until: date
    customer: str
    agreed: Agreed | None
    estimate: JobEstimate
    margin_share: float
    risk_share: float


@dataclass(frozen=True)
class Settled:
    """What the shop said of a saved quote."""

    number: int
    state: str
    job_id: str


@dataclass(frozen=True)
class QuoteResult:
    """One quote for each job asked about, in the order asked; `settled` where one was called won or lost instead.

    The price of ice that the quotes count with, and what it rests on, are None where nothing is priced.
    """

    quotes: tuple[JobQuote, ...]
    ice_usd_per_lb: float | None
    ice_basis: str | None
    settled: Settled | None = None


@dataclass(frozen=True)
class Wanted:
    """What is asked of a quote beside its price.

    Attributes
    ----------
    price_usd : float, optional
        A price of the user's own, of all vehicles together; its chance of loss and margin are told beside ours.
    count : int
        Vehicles alike.
    compare : {"machine", "soil", "way"}, optional
    so_far : SoFar, optional
        What a part-done job used.
    number : int, optional
        Of the saved quote that is priced again.
    agreed_usd, ceiling_usd : float, optional
        What was agreed in it.
    """

    price_usd: float | None = None
    count: int = 1
    compare: CompareBy | None = None
    so_far: SoFar | None = None
    number: int | None = None
    agreed_usd: float | None = None
    ceiling_usd: float | None = None


def quote_jobs(
    asking: Asking, jobs: Sequence[JobAsked], *, price_usd: float | None = None, wanted: Wanted | None = None
) -> Answer[QuoteResult]:
    """Return the price of each job.

    Parameters
    ----------
    jobs : sequence of JobAsked
    price_usd : float, optional
        Short for `Wanted(price_usd=...)`.
    wanted : Wanted, optional
    """
    want = wanted or Wanted(price_usd=price_usd)
    customers = {job.customer for job in jobs}
    ground = ground_of(asking, customers.pop() if len(customers) == 1 else "")
    found: dict[int, JobQuote] = {}
    before: dict[int, JobEstimate] = {}
    bay, said = BayChances(len(jobs)), dict[str, None]()
    for block in blocks_of(jobs, lines_each=drawn_alike(want.count)):
        # Jobs alike have one price, that of each asked about by itself.
        draws = job_draws(asking, [jobs[i] for i in block], ground, want.count, alone=want.count == 1)
        estimates = estimates_of(asking, draws.found)
        before.update(zip(block, estimates, strict=True))
        found |= {i: _quote(asking, draws, j, ground, estimates[j], want) for j, i in enumerate(block)}
        bay.add(block, bay_chances(asking.book.settings, draws.in_turn))
        said |= dict.fromkeys(draws.warnings)
    quotes = tuple(found[i] for i in range(len(jobs)))
    zones = {line.zone for job in jobs for line in job.lines}
    return Answer(
        QuoteResult(quotes, ground.landed.usd_per_lb, ground.landed.basis),
        (*warnings_of(asking, ground.fit, [before[i] for i in range(len(jobs))], bay),
         *lapses_told(asking, ground.landed), *request_notes(ground.fit, jobs, asking.today), *said,
         *_price_of_each(asking, len(jobs), want), *_set_up(jobs, want.count)),
        tuple(cautions_for("quote", sorted(zones), settings=asking.book.settings,
                           coating_removed=any(line.coating_removed for job in jobs for line in job.lines))),
    )  # fmt: skip


def _quote(asking: Asking, draws: JobDraws, j: int, ground: Ground, estimate: JobEstimate, want: Wanted) -> JobQuote:
    job = draws.found.jobs[j]
    parts, n_scores = job_cost_draws(asking, draws, j, ground.landed), draws.found.consumption.n_both(j)
    part_done = None
    if want.so_far is not None:
        # All that is told is then of the whole job as it is known now: one answer, not one of before beside it.
        part_done = draw_part_done(asking, job, ground, want.so_far)
        parts, n_scores = part_done.cost, part_done.n_scores
        estimate = whole_job(asking, estimate, part_done)
    cost = parts.total()
    pricing = asking.book.settings.pricing
    price = price_job(cost, pricing, minimum_usd=want.count * pricing.minimum_usd)
    told = summarise(cost, level=asking.level, n_scores=n_scores)
    at_risk = estimate.pellets_lb.interval.high * ground.landed.usd_per_lb
    offered = price.price_usd if want.price_usd is None else want.price_usd
    ceiling = _ceiling(told.interval.high, offered, pricing)
    agreed = _agreed(cost, offered, want)
    rest = None
    if part_done is not None:
        rest = rest_of_job(asking, part_done, want.agreed_usd or offered, want.ceiling_usd or ceiling)
    return JobQuote(
        job_id=estimate.job_id, number=want.number, pellets_lb=estimate.pellets_lb, minutes=estimate.minutes,
        cost_usd=told, parts=_parts(parts), price_for_margin_usd=price.price_for_margin_usd,
        price_for_risk_usd=price.price_for_risk_usd, price_usd=price.price_usd,
        price_with_tax_usd=price.price_with_tax_usd, binding=price.binding, chance_of_loss=price.chance_of_loss,
        expected_margin_share=price.expected_margin_share,
        at_price=None if want.price_usd is None else at_price(cost, want.price_usd), count=want.count,
        compare=compared(asking, job, ground, want.compare, want.count) if want.compare else None, rest=rest,
        deposit_usd=min(round_up(at_risk, pricing.round_to_usd), offered), ice_at_risk_usd=at_risk,
        no_show_share=_no_show(asking, ground), ceiling_usd=ceiling,
        valid_until=asking.today + timedelta(days=pricing.quote_valid_days), customer=job.customer, agreed=agreed,
        estimate=estimate, margin_share=pricing.margin_share, risk_share=pricing.risk_share,
    )  # fmt: skip


def _price_of_each(asking: Asking, n_jobs: int, want: Wanted) -> tuple[str, ...]:
    """Tell that a price of the user's own is that of every job, where several are asked about: it may be meant of all.

    It is what --save then keeps of each.
    """
    if want.price_usd is None or n_jobs == 1:
        return ()
    currency = asking.book.settings.shop.currency
    each, together = (charged(usd, currency) for usd in (want.price_usd, n_jobs * want.price_usd))
    return (f"{each} stands for each of {n_jobs} jobs in the file, {together} together; it is no price for all of "
            "them.",)  # fmt: skip


def _set_up(jobs: Sequence[JobAsked], count: int) -> tuple[str, ...]:
    """Tell how often set-up, clean-up and consumables count where a quote is for several vehicles."""
    if count > 1:
        return (
            f"Set-up, clean-up, consumables and the minimum charge count {count} times. For vehicles that are set up "
            "together, write them into a file as one job, a vehicle column telling them apart, and ask with --jobs.",
        )
    several = [job.job_id for job in jobs if several_vehicles(job.lines)]
    if not several:
        return ()
    named = some_named(several, _NAMED)
    return (
        f"Set-up, clean-up and consumables count once a visit, on however many vehicles it is: {named}. Where each is "
        "set up by itself, give each vehicle a job_id of its own.",
    )


def _parts(parts: CostDraws) -> tuple[CostPart, ...]:
    return tuple(CostPart(name, float(np.mean(draws))) for name, draws in parts.parts.items())


def at_price(cost_usd: NDArray[np.float64], price_usd: float) -> AtPrice:
    """Return what a price risks under draws of cost (n_draws,)."""
    return AtPrice(price_usd, chance_of_loss(cost_usd, price_usd), expected_margin(cost_usd, price_usd))


def _ceiling(cost_high_usd: float, price_usd: float, pricing: Pricing) -> float:
    return max(round_up(cost_high_usd / (1.0 - pricing.margin_share), pricing.round_to_usd), price_usd)


def _agreed(cost: NDArray[np.float64], offered_usd: float, want: Wanted) -> Agreed | None:
    if want.agreed_usd is None or want.ceiling_usd is None:
        return None
    then = at_price(cost, want.agreed_usd)
    return Agreed(want.agreed_usd, want.ceiling_usd, then.expected_margin_share, then.chance_of_loss,
                  offered_usd > want.ceiling_usd)  # fmt: skip


def _no_show(asking: Asking, ground: Ground) -> float:
    """Return the share of bookings cancelled or not kept: the shop's, then the customer's, each shrunk to the wider."""
    shop, own = ground.past.bookings, ground.past.customer_bookings
    planned = asking.book.settings.planning_keys.cancelled_share
    share = (shop.not_kept + _PLANNING_BOOKINGS * planned) / (shop.due + _PLANNING_BOOKINGS)
    return (own.not_kept + _PLANNING_BOOKINGS * share) / (own.due + _PLANNING_BOOKINGS)


def with_number(quote: JobQuote, number: int) -> JobQuote:
    """Return the quote under the number it was saved by."""
    return replace(quote, number=number)
