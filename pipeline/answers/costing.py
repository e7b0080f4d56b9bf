"""What finished jobs really cost and earned, where money was lost, and how the quotes held."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from pipeline.answers.amounts import money
from pipeline.answers.answer import Answer
from pipeline.answers.costed import Costed, costed_visits
from pipeline.answers.costing_reasons import because
from pipeline.answers.fitting import learned_since, of_today
from pipeline.answers.ice_lapse_notes import lapses_told
from pipeline.answers.landed import landed_price
from pipeline.answers.payback import MachinePayback, machine_payback
from pipeline.answers.price_list import PriceList, refined_list
from pipeline.answers.quotes_held import FollowedQuote, QuotesHeld, quotes_held
from pipeline.answers.saved_quotes import followed as followed_quotes
from pipeline.book.costing_rows import deposits_above_price
from shared.counting import counted
from shared.vocabulary import SOILS, UNKNOWN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import Factor
    from pipeline.answers.answer import Asking

By = Literal["class", "zone", "soil", "customer", "month"]


@dataclass(frozen=True)
class CostingGroup:
    """Margin of one class, zone, soil level, customer or month.

    A visit counts in a class, zone or level with the part of its price and cost that planning figures give its lines
    there; `jobs` counts each visit that has any. A blank name gathers visits without a customer. The margin is None
    where nothing was charged.
    """

    by: By
    name: str
    jobs: int
    revenue_usd: float
    cost_usd: float
    margin_share: float | None


@dataclass(frozen=True)
class LosingJob:
    """A job that cost more than was charged, and why in one line; expected figures None where there were none."""

    job_id: str
    price_usd: float
    cost_usd: float
    expected_cost_usd: float | None
    because: str


@dataclass(frozen=True)
class CostingResult:
    """What finished jobs earned.

    Attributes
    ----------
    jobs : int
        With a price, which may be 0, and a known cost.
    revenue_usd, cost_usd : float
    margin_share : float or None
        None where nothing was charged.
    losing_jobs : int
        Of them cost more than was charged.
    by : tuple of CostingGroup
    worst : tuple of LosingJob
        Those that lost most, the worst first.
    quotes : QuotesHeld
    followed : tuple of FollowedQuote
    price_list : PriceList or None
        Where it was asked for.
    payback : MachinePayback or None
        Where it was asked for.
    ice_usd_per_lb : float or None
        What the pounds that went through the hose cost on average, lost ice included; None without a job.
    ice_basis : {"planning", "learned"}
    """

    jobs: int
    revenue_usd: float
    cost_usd: float
    margin_share: float | None
    losing_jobs: int
    by: tuple[CostingGroup, ...]
    worst: tuple[LosingJob, ...]
    quotes: QuotesHeld
    followed: tuple[FollowedQuote, ...]
    price_list: PriceList | None
    payback: MachinePayback | None
    ice_usd_per_lb: float | None
    ice_basis: Literal["planning", "learned"]


def cost_jobs(
    asking: Asking, *, n_worst: int = 10, price_list: bool = False, payback: str = ""
) -> Answer[CostingResult]:
    """Return what finished jobs before `asking.today` cost and earned.

    Parameters
    ----------
    n_worst : int
        Most losing jobs to tell.
    price_list : bool
        Refine the shop's price list as well.
    payback : str
        A machine whose payback is asked for.
    """
    costed = costed_visits(asking)
    rows = np.flatnonzero(costed.priced)
    price, cost = costed.columns.price_usd[rows], costed.cost_usd[rows]
    revenue = float(price.sum())
    lost = rows[cost > price]
    lost = lost[np.argsort(costed.columns.price_usd[lost] - costed.cost_usd[lost], kind="stable")][:n_worst]
    told = followed_quotes(asking)
    reasons = because(asking, costed, lost, told)
    held, followed = quotes_held(told, costed)
    used_lb = costed.pellets_lb[rows]
    result = CostingResult(
        jobs=len(rows), revenue_usd=revenue, cost_usd=float(cost.sum()),
        margin_share=_margin(revenue, float(cost.sum())), losing_jobs=int((cost > price).sum()),
        by=_groups(costed), worst=tuple(_losing(costed, i, reasons[k]) for k, i in enumerate(lost.tolist())),
        quotes=held, followed=followed, price_list=refined_list(asking, costed) if price_list else None,
        payback=machine_payback(asking, costed, payback) if payback else None,
        ice_usd_per_lb=float(np.average(costed.usd_per_lb[rows], weights=used_lb)) if used_lb.any() else None,
        ice_basis=costed.ice_basis,
    )  # fmt: skip
    said = (*lapses_told(asking, landed_price(asking)), *_warnings(asking, costed, followed))
    return Answer(result, (*learned_since(asking), *of_today(asking), *said))


def _losing(costed: Costed, i: int, reason: str) -> LosingJob:
    expected = float(costed.expected_cost_usd[i])
    return LosingJob(
        costed.table.job_id[i], float(costed.columns.price_usd[i]), float(costed.cost_usd[i]),
        expected if np.isfinite(expected) else None, reason,
    )  # fmt: skip


def _groups(costed: Costed) -> tuple[CostingGroup, ...]:
    """Return all margins; never by operator: what a person earns the shop is not a question this data answers."""
    table = costed.table
    customer = costed.table.customer
    whole = np.ones(table.n_jobs)
    visit = np.arange(table.n_jobs)
    months, month_code = np.unique(np.array(costed.month(), dtype=str), return_inverse=True)
    soils = (*SOILS, UNKNOWN)
    soil_code = np.where(table.soil < 0, len(SOILS), table.soil)
    return (
        *_group(costed, "class", *_named(table.vehicle_class), table.line_job, costed.line_share),
        *_group(costed, "zone", *_named(table.zone), table.line_job, costed.line_share),
        *_group(costed, "soil", soils, soil_code, table.line_job, costed.line_share),
        *_group(costed, "customer", *_named(customer), visit, whole),
        *_group(costed, "month", tuple(map(str, months)), month_code.astype(np.int64), visit, whole),
    )


def _named(factor: Factor) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    """Return names and codes of a factor, blanks last under ''."""
    return (*factor.names, ""), np.where(factor.codes < 0, len(factor.names), factor.codes).astype(np.int64)


def _group(
    costed: Costed,
    by: By,
    names: tuple[str, ...],
    code: NDArray[np.int64],
    visit: NDArray[np.int64],
    share: NDArray[np.float64],
) -> list[CostingGroup]:
    kept = costed.priced[visit]
    code, visit, share = code[kept], visit[kept], share[kept]
    n = len(names)
    revenue = np.bincount(code, share * costed.columns.price_usd[visit], minlength=n)
    cost = np.bincount(code, share * costed.cost_usd[visit], minlength=n)
    pairs = np.unique(code * np.int64(costed.table.n_jobs + 1) + visit)
    jobs = np.bincount(pairs // (costed.table.n_jobs + 1), minlength=n)
    return [
        CostingGroup(by, names[i], int(jobs[i]), brought, spent, _margin(brought, spent))
        for i, brought, spent in zip(range(n), revenue.tolist(), cost.tolist(), strict=True)
        if jobs[i]
    ]


def _margin(revenue_usd: float, cost_usd: float) -> float | None:
    return 1.0 - cost_usd / revenue_usd if revenue_usd > 0 else None


def _warnings(asking: Asking, costed: Costed, followed: tuple[FollowedQuote, ...]) -> tuple[str, ...]:
    price, known = costed.columns.price_usd, np.isfinite(costed.cost_usd)
    counts = (
        (int(np.isnan(price).sum()), "no price", "Such a job counts in no margin."),
        (int((~known).sum()), "pellets or minutes missing and no expectation to stand in",
         "They are left out. Run `rimebook learn` where it was long ago."),
        (int((known & costed.filled).sum()), "pellets or minutes missing",
         "What was expected of such lines stands in."),
    )  # fmt: skip
    said = [f"{n:,} job{'s have' if n > 1 else ' has'} {what}. {then}" for n, what, then in counts if n]
    free = (price == 0) & known
    if free.any():
        n, lost = int(free.sum()), money(float(costed.cost_usd[free].sum()), asking.book.settings.shop.currency)
        said.append(
            f"{counted(n, 'job')} {'were' if n > 1 else 'was'} done for nothing (a price of 0) and cost {lost}, which "
            "counts in the margins. Leave the price out where it is not known."
        )
    deposits = deposits_above_price(asking.book, asking.today)
    if deposits:
        named = ", ".join(deposits[:10])
        said.append(f"A deposit above the price was taken for {len(deposits)} jobs ({named}); check both.")
    for quote in followed:
        if quote.state == "unclear":
            said.append(
                f"Quote {quote.number} fits {', '.join(quote.jobs)} (or two quotes fit one job); say which: rimebook "
                f"quote --won {quote.number} --job-id {quote.jobs[0]}"
            )
    return tuple(said)
