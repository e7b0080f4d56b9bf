"""Findings of the technique review, and what has not enough evidence, as they are told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.technique.effects import savings
from pipeline.answers.review_waste import (
    AWAY_DAYS,
    WINDOW_DAYS,
    Waste,
    Window,
    monthly_waste,
    posterior_inside,
    window_of,
)
from pipeline.answers.review_words import drift_words, effect_words, over_words, setting_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from models.technique.effects import Effect
    from models.technique.review import Drift, KnownChange, Review
    from models.technique.shrinkage import Shrunk
    from pipeline.answers.answer import QuantitySummary

#: Reasons that rest on a finding, in words for an answer without findings.
_ALONE = {
    "drift": "inside a time in which its machine or operator took more than at other times",
    "operator": "an operator who takes more than others on like jobs",
    "machine": "a machine that takes more than others on like jobs",
}


@dataclass(frozen=True)
class Ratio:
    """Actual over what like jobs need, with its central interval."""

    estimate: float
    low: float
    high: float
    level: float


@dataclass(frozen=True)
class Finding:
    """One place where pellets go.

    Attributes
    ----------
    kind : {"operator", "machine", "setting", "drift", "job"}
    name : str
        The bare code, setting or job id.
    of : str
        "operator" or "machine" where `kind` is drift, else ''.
    zone : str
        Where a machine stands out in one zone only, else ''.
    ratio : Ratio
    q_value : float
        Share of false findings among those as sure as this one, within its family.
    jobs : int
    since, until : date or None
        From which day, of a drift; and the first day on which it had ended, or from which on there are no jobs of it.
    pellets_lb_month, usd_month : QuantitySummary
        Of a job: its own excess, once.
    other_causes : tuple of str
    try_ : str
    """

    kind: str
    name: str
    of: str
    zone: str
    ratio: Ratio
    q_value: float
    jobs: int
    since: date | None
    until: date | None
    pellets_lb_month: QuantitySummary
    usd_month: QuantitySummary
    other_causes: tuple[str, ...]
    try_: str


@dataclass(frozen=True)
class Improvement:
    """A machine or an operator that takes fewer pellets since a day.

    Attributes
    ----------
    name : str
        The bare code.
    of : {"machine", "operator"}
    ratio : Ratio
        After the day over before it, like for like.
    q_value : float
        Share of false ones among changes as sure as this one.
    jobs : int
        Since that day.
    since : date
    other_causes : tuple of str
    try_ : str
    """

    name: str
    of: str
    ratio: Ratio
    q_value: float
    jobs: int
    since: date
    other_causes: tuple[str, ...]
    try_: str


@dataclass(frozen=True)
class ChangeFound:
    """A change tested: pellets after over before, like for like. `machine` is '' for the whole shop.

    `with_shop`: the other machines changed alike at the same time; the ratio is then that beside theirs.
    """

    machine: str
    date: date
    what: str
    jobs_before: int
    jobs_after: int
    ratio: Ratio
    p_value: float
    with_shop: bool = False


@dataclass(frozen=True)
class Terms:
    """What findings are told in.

    Attributes
    ----------
    today : int
        Ordinal day.
    level : float
    usd_per_lb : float
        Landed price.
    seed : int
    thrift : bool
        Whether ratios below 1 are told too.
    units : {"us", "metric"}
        Of the book: in these a setting to try is told.
    """

    today: int
    level: float
    usd_per_lb: float
    seed: int
    thrift: bool = False
    units: str = "us"


def ratio_of(posterior: Shrunk, level: float) -> Ratio:
    """Return the ratio of a posterior of one log effect."""
    low, middle, high = (float(np.exp(posterior.quantile(q)[0])) for q in (0.5 - level / 2, 0.5, 0.5 + level / 2))
    return Ratio(middle, low, high, level)


def _row_share(review: Review, lines: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return each recorded row's share of marked lines, by count of lines, shape (n_rows,)."""
    rows = review.fit.rows
    marked = lines[rows.order].astype(np.float64)
    sizes = np.diff([*rows.first, len(rows.order)])
    return np.asarray(np.add.reduceat(marked, rows.first) / sizes, dtype=np.float64)


def waste_of(review: Review, terms: Terms, posterior: Shrunk, window: Window, n_jobs: int) -> Waste:
    """Return what an effect costs a month in a window."""
    return monthly_waste(review, posterior, window, terms.usd_per_lb, level=terms.level, n_jobs=n_jobs, seed=terms.seed)


def _effect_lines(review: Review, effect: Effect) -> NDArray[np.bool_]:
    table = review.table
    if effect.kind == "setting":
        return ~np.isnan(table.settings[effect.name])
    factor = table.operator if effect.kind == "operator" else table.machine
    lines = factor.codes == factor.names.index(effect.name)
    if effect.zone:
        lines &= table.zone.codes == table.zone.names.index(effect.zone)
    return np.asarray(lines, dtype=np.bool_)


def _from_effect(review: Review, effect: Effect, terms: Terms) -> Finding:
    # A setting that is not written down, or a zone that is not worked, for some weeks has not left the shop.
    away = AWAY_DAYS if effect.kind in ("operator", "machine") else WINDOW_DAYS
    window = window_of(review, terms.today, _row_share(review, _effect_lines(review, effect)), away_days=away)
    waste = waste_of(review, terms, posterior_inside(review, effect, window), window, effect.n_jobs)
    others, advice = effect_words(review, effect, terms.units)
    if waste.until is not None and effect.kind in ("operator", "machine"):
        advice = over_words(effect.kind)
    return Finding(
        kind=effect.kind.removesuffix("_zone"), name=effect.name, of="", zone=effect.zone,
        ratio=ratio_of(effect.posterior, terms.level), q_value=effect.q_value, jobs=effect.n_jobs, since=None,
        until=_day(waste.until), pellets_lb_month=waste.pellets_lb_month, usd_month=waste.usd_month,
        other_causes=others, try_=advice,
    )  # fmt: skip


def _day(ordinal: int | None) -> date | None:
    return None if ordinal is None else date.fromordinal(ordinal)


def _from_drift(review: Review, drift: Drift, terms: Terms) -> Finding:
    step = drift.step
    factor = review.table.machine if step.kind == "machine" else review.table.operator
    lines = np.asarray(factor.codes == factor.names.index(step.name))
    window = window_of(review, terms.today, _row_share(review, lines), since=step.since, until=step.until)
    waste = waste_of(review, terms, drift.posterior, window, drift.n_jobs)
    others, advice = drift_words(review, drift, terms.units)
    return Finding(
        kind="drift", name=step.name, of=step.kind, zone="", ratio=ratio_of(drift.posterior, terms.level),
        q_value=drift.q_value, jobs=drift.n_jobs, since=_day(step.since), until=_day(waste.until),
        pellets_lb_month=waste.pellets_lb_month, usd_month=waste.usd_month, other_causes=others, try_=advice,
    )  # fmt: skip


def _from_change(review: Review, change: KnownChange, what: str, terms: Terms) -> Finding:
    step = change.step
    lines = np.asarray(review.table.machine.codes == review.table.machine.names.index(step.name))
    window = window_of(review, terms.today, _row_share(review, lines), since=step.since)
    waste = waste_of(review, terms, change.posterior, window, change.n_after)
    other = "another change at the same time that only these jobs share"
    if len(review.table.machine.names) < 2:
        other = "the ice, the weather or the kind of work: there is no other machine to hold it against"
    return Finding(
        kind="drift", name=step.name, of="machine", zone="", ratio=ratio_of(change.posterior, terms.level),
        q_value=change.q_value, jobs=change.n_after, since=_day(step.since), until=_day(waste.until),
        pellets_lb_month=waste.pellets_lb_month, usd_month=waste.usd_month,
        other_causes=(other,),
        try_=f"Pellets rose with the noted change ({what}): check that it was fitted and set as meant.",
    )  # fmt: skip


def findings_of(review: Review, terms: Terms, noted: Mapping[tuple[str, int], str]) -> list[Finding]:
    """Return the findings, the most pounds a month first.

    Parameters
    ----------
    noted : mapping (machine, day) -> what
        The changes the shop noted.
    """
    found = [_from_drift(review, d, terms) for d in review.drifts if d.is_waste]
    found += [_from_effect(review, e, terms) for e in review.wasteful()]
    for change in review.changes:
        if change.is_waste:
            what = noted.get((change.step.name, change.step.since), "")
            found.append(_from_change(review, change, what, terms))
    if terms.thrift:
        effects = (*savings(review.operators), *savings(review.machines))
        found += [_from_effect(review, e, terms) for e in effects if _separable(review, e)]
        found += [_from_drift(review, d, terms) for d in review.drifts if d.is_saving]
    return sorted(found, key=lambda f: (-f.pellets_lb_month.mean, f.kind, f.name))


def improvements_of(review: Review, terms: Terms) -> list[Improvement]:
    """Return who takes fewer pellets since when, the largest fall first."""
    told = []
    for drift in sorted((d for d in review.drifts if d.is_improvement), key=lambda d: d.ratio):
        step = drift.step
        others, advice = drift_words(review, drift, terms.units)
        told.append(
            Improvement(step.name, step.kind, ratio_of(drift.posterior, terms.level), drift.q_value, drift.n_jobs,
                        date.fromordinal(step.since), others, advice)
        )  # fmt: skip
    return told


def _separable(review: Review, effect: Effect) -> bool:
    return effect.kind != "operator" or not review.grading[effect.name].explains(effect.raw)


def changes_of(review: Review, noted: Mapping[tuple[str, int], str], level: float) -> list[ChangeFound]:
    """Return the noted changes with their test."""
    return [change_found(c, noted.get((c.step.name, c.step.since), ""), level) for c in review.changes]


def change_found(change: KnownChange, what: str, level: float) -> ChangeFound:
    """Return a change test as it is told."""
    return ChangeFound(
        change.step.name, date.fromordinal(change.step.since), what, change.n_before, change.n_after,
        ratio_of(change.posterior, level), change.p_value, change.with_shop,
    )  # fmt: skip


def reason_words(reason: str, *, alone: bool = False) -> str:
    """Return a reason for an unusual job in words; `alone` where no findings are told with it."""
    if reason.startswith("setting:"):
        return f"{setting_name(reason.removeprefix('setting:'))} far from the best"
    if alone and reason in _ALONE:
        return _ALONE[reason]
    return {
        "unit-slip": "unit slip suspected: pounds and kilograms mixed up",
        "decimal-slip": "slip suspected: a factor of ten",
        "coating": "an old coating may have been stripped and not noted",
        "graded-low": "minutes are high too: dirtier than graded, or more was done than noted",
        "graded-high": "minutes are low too: cleaner than graded, or less was done than noted",
        "old-ice": "old ice",
        "new-operator": "one of the first jobs of a new operator",
        "drift": "inside a drift that is told above",
        "operator": "an operator who is told above",
        "machine": "a machine that is told above",
    }[reason]
