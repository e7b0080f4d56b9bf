"""What the technique review cannot tell, and why; a change of the whole shop with what it costs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.technique.changes import jobs_in
from models.technique.effects import LEAST_JOBS, LEAST_SETTING_JOBS
from pipeline.answers.amounts import change_words
from pipeline.answers.answer import QuantitySummary  # noqa: TC001 - the answer's schema is read off it
from pipeline.answers.review_findings import Ratio, ratio_of, waste_of
from pipeline.answers.review_waste import window_of
from pipeline.answers.review_words import no_nearer, plain_day, shop_words
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from models.technique.design import Step
    from models.technique.effects import Effect
    from models.technique.review import Drift, KnownChange, Review
    from pipeline.answers.review_findings import Terms


@dataclass(frozen=True)
class NotEnough:
    """What cannot be said, and why.

    `of` is "operator" or "machine" where `kind` is drift; `name` is '' where all of a kind are meant. The rest is of a
    sure rise of the whole shop, else None: its ratio, its days (`until` as of a `Finding`) and what it takes a month;
    `try_` is '' where there is nothing to try.
    """

    kind: str
    name: str
    of: str
    jobs: int
    why: str
    ratio: Ratio | None = None
    since: date | None = None
    until: date | None = None
    pellets_lb_month: QuantitySummary | None = None
    usd_month: QuantitySummary | None = None
    try_: str = ""


def not_enough_of(review: Review, terms: Terms, noted: Mapping[tuple[str, int], str]) -> list[NotEnough]:
    """Return what cannot be said, and why; a kind none of which is written down has no name.

    Parameters
    ----------
    noted : mapping (machine, day) -> what
        The changes the shop noted.
    """
    told = []
    table, lines = review.table, review.fit.rows.order
    for kind, factor in (("operator", table.operator), ("machine", table.machine)):
        if (factor.codes[lines] < 0).all():
            told.append(NotEnough(kind, "", "", table.n_jobs, "none is written down, so none could be compared"))
    for kind, name, n in review.few:
        least = LEAST_SETTING_JOBS if kind == "setting" else LEAST_JOBS
        why = f"no other {kind} with {LEAST_JOBS} jobs to compare with"
        told.append(NotEnough(kind, name, "", n, f"{counted(n, 'job')}; at least {least} needed" if n < least else why))
    for effect in review.operators:
        grading = review.grading[effect.name]
        if grading.differs and not (effect.is_waste and review.operator_separable(effect)):
            side = "dirtier" if grading.levels > 0 else "cleaner"
            told.append(
                NotEnough(
                    "operator", effect.name, "", effect.n_jobs,
                    f"grades soil {abs(grading.levels):.1f} levels {side} than colleagues on like vehicles, so waste "
                    "and grading cannot be told apart; grade a few vehicles together",
                )
            )  # fmt: skip
    for effect in (*review.operators, *review.machines, *review.cells, *review.settings):
        if effect.key in review.clouded:
            told.append(
                NotEnough(effect.kind.removesuffix("_zone"), effect.name, "", effect.n_jobs,
                          "stands out only while a possible change in time is left aside; wait for more jobs")
            )  # fmt: skip
    told += [_too_near(e, terms.units) for e in review.settings if e.is_bound and not e.is_waste]
    told += [_alike(c, noted.get((c.step.name, c.step.since), ""), terms.level) for c in review.changes if c.with_shop]
    for drift in review.drifts:
        if drift.is_shop_rise:
            told.append(_of_shop(review, drift, terms))
        elif not drift.is_waste and (drift.raw > 0 or not drift.is_sure or drift.step.kind == "shop"):
            told.append(_unsure(review, drift))
    return told


def _too_near(effect: Effect, units: str) -> NotEnough:
    why = f"the nearer, the fewer pellets it took here, but {no_nearer(units)}"
    return NotEnough("setting", effect.name, "", effect.n_jobs, why)


def _alike(change: KnownChange, what: str, level: float) -> NotEnough:
    """Return a noted change that is one with a change of the whole shop."""
    step, ratio = change.step, ratio_of(change.posterior, level)
    beside, low, high = (change_words(r) for r in (ratio.estimate, ratio.low, ratio.high))
    told = f"{plain_day(step.since)} ({what})" if what else plain_day(step.since)
    why = (
        f"the other machines changed alike at the time of its noted change of {told}, so what that did cannot be told "
        f"({beside} beside them, {low} to {high})"
    )
    return NotEnough("drift", step.name, "machine", change.n_after, why)


def _of_shop(review: Review, drift: Drift, terms: Terms) -> NotEnough:
    """Return a sure rise of the whole shop, with what it takes a month beyond what was usual before."""
    step = replace(drift.step, until=review.end_of_rise(drift))
    window = window_of(review, terms.today, np.ones(review.fit.rows.n), since=step.since, until=step.until)
    n_jobs = len(jobs_in(review.table, step))
    waste = waste_of(review, terms, drift.posterior, window, n_jobs)
    why, try_ = shop_words(review, step, rise=step.until is None)
    return NotEnough(
        "drift", "shop", "", n_jobs, f"{_change(drift, step)}: {why}",
        ratio_of(drift.posterior, terms.level),
        date.fromordinal(step.since), None if step.until is None else date.fromordinal(step.until),
        waste.pellets_lb_month, waste.usd_month, try_,
    )  # fmt: skip


def _change(drift: Drift, step: Step) -> str:
    """Return how much from when to when, such as '+12 % from 2026-03-16'."""
    ended = "" if step.until is None else f" to {plain_day(step.until)}"
    return f"{change_words(drift.ratio)} from {plain_day(step.since)}{ended}"


def _unsure(review: Review, drift: Drift) -> NotEnough:
    step = drift.step
    change = _change(drift, step)
    if step.kind == "shop":
        why = f"{change}: {shop_words(review, step, rise=drift.raw > 0)[0]}"
    elif drift.rival is not None:
        other = drift.rival
        name = "the whole shop" if other.kind == "shop" else f"{other.kind} {other.name}"
        why = f"{change}: a change of {name} explains it as well"
    elif drift.grading is not None and drift.is_clouded_by_grading:
        why = f"{change}: soil was graded {drift.grading.levels:+.1f} levels at the same time; the two look alike"
    elif drift.is_sure:
        why = f"{change}: there, but too small to matter"
    else:
        why = f"{change}: chance brings a stretch like this now and then; look again later"
    return NotEnough("drift", step.name or "shop", "" if step.kind == "shop" else step.kind, drift.n_jobs, why)
