"""How saved quotes turned out: won, lost, open, and whether cost stayed in the told interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.costed import Costed
    from pipeline.answers.saved_quotes import Followed

#: Below this chance under the told risk, so many losses speak against it.
_DOUBT = 0.05


@dataclass(frozen=True)
class FollowedQuote:
    """A saved quote and the finished jobs it became; figures None where not known.

    `charged_usd` is what the jobs' log says; `cost_usd` their real cost, both once all vehicles quoted are done.
    """

    number: int
    customer: str
    state: Literal["open", "won", "lost", "unclear"]
    jobs: tuple[str, ...]
    price_usd: float
    cost_low_usd: float
    cost_high_usd: float
    charged_usd: float | None
    cost_usd: float | None


@dataclass(frozen=True)
class QuotesHeld:
    """Counts of saved quotes, and how cost compares with what was told of those that became jobs.

    Attributes
    ----------
    saved, won, lost, open, unclear : int
        `unclear`: two jobs fit a quote, or two quotes a job. A quote that ran out counts as lost, never as cheap.
    above_interval, below_interval : int
        Won quotes whose cost ended above or below the told interval.
    above_by_usd : float or None
        By how much on average, where any.
    cost_above_price : int
        Won quotes whose cost exceeded the quoted price.
    told_risk_share : float or None
        Mean chance of loss told with the won quotes.
    risk_held : bool or None
        Whether so many losses may well happen under that chance (binomial tail of at least 5 %); None without any.
    """

    saved: int
    won: int
    lost: int
    open: int
    unclear: int
    above_interval: int
    below_interval: int
    above_by_usd: float | None
    cost_above_price: int
    told_risk_share: float | None
    risk_held: bool | None


def quotes_held(told: Sequence[Followed], costed: Costed) -> tuple[QuotesHeld, tuple[FollowedQuote, ...]]:
    """Return how the saved quotes held, and each with what it became."""
    place = {job_id: i for i, job_id in enumerate(costed.table.job_id)} if told else {}
    quotes = tuple(_one(each, costed, place) for each in told)
    done = [(f, q) for f, q in zip(told, quotes, strict=True) if q.state == "won" and q.cost_usd is not None]
    cost = np.array([q.cost_usd for _, q in done], dtype=np.float64)
    high = np.array([q.cost_high_usd for _, q in done])
    low = np.array([q.cost_low_usd for _, q in done])
    price = np.array([q.price_usd for _, q in done])
    risk = float(np.mean([f.quote.quoted["chance_of_loss"] for f, _ in done])) if done else None
    losses = int((cost > price).sum())
    states = [q.state for q in quotes]
    held = QuotesHeld(
        saved=len(quotes), won=states.count("won"), lost=states.count("lost"), open=states.count("open"),
        unclear=states.count("unclear"), above_interval=int((cost > high).sum()),
        below_interval=int((cost < low).sum()),
        above_by_usd=float((cost - high)[cost > high].mean()) if (cost > high).any() else None,
        cost_above_price=losses, told_risk_share=risk,
        risk_held=None if risk is None else upper_tail(losses, len(done), risk) >= _DOUBT,
    )  # fmt: skip
    return held, quotes


def upper_tail(k: int, n: int, p: float) -> float:
    """Return the chance of k or more successes in n trials of chance p (binomial)."""
    from scipy.stats import binom

    return float(binom.sf(k - 1, n, p))


def _one(each: Followed, costed: Costed, place: dict[str, int]) -> FollowedQuote:
    quote, told = each.quote, each.quote.quoted
    rows = [place[job] for job in each.jobs if job in place] if each.state == "won" and each.whole else []
    price, cost = costed.columns.price_usd[rows], costed.cost_usd[rows]
    known = bool(rows)
    return FollowedQuote(
        quote.number, quote.customer, each.state, each.jobs, float(told["price_usd"]), float(told["cost_low_usd"]),
        float(told["cost_high_usd"]), float(price.sum()) if known and np.isfinite(price).all() else None,
        float(cost.sum()) if known and np.isfinite(cost).all() else None,
    )  # fmt: skip
