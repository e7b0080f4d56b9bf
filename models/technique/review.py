"""The technique review of a job table: drift first, then effects, with what cannot be told apart kept aside."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from models.technique.attribution import shared_with_shop
from models.technique.changes import find_changes, jobs_in, place_and_size
from models.technique.effects import (
    FALSE_DISCOVERY,
    LEAST_RATIO,
    Effect,
    benjamini_hochberg,
    compare_cells,
    compare_codes,
    compare_settings,
    unshrunk,
)
from models.technique.grading import Grading, compare_grading, grading_changed
from models.technique.likejobs import fit_like_jobs
from models.technique.minutes_beside import Figures
from models.technique.shrinkage import shrink_alone
from models.technique.stretches import Ground

if TYPE_CHECKING:
    from collections.abc import Mapping

    from models.consumption.jobs import JobTable
    from models.consumption.planning import PlanningFigures
    from models.technique.changes import Sized
    from models.technique.design import Step
    from models.technique.likejobs import Fit
    from models.technique.shrinkage import Shrunk

#: Newest jobs that a review looks at; older ones say little about today's technique.
MOST_JOBS = 4000
#: Chance of unchanged minutes from which grades are no explanation: dirt that was not written down takes time too.
LEAST_SAME = 0.5
#: Jobs with recorded pellets below which nothing is reviewed.
FEWEST_JOBS = 30


@dataclass(frozen=True)
class Drift:
    """A change in time of one machine or operator, or of the whole shop.

    Attributes
    ----------
    step : Step
    n_jobs : int
        Jobs inside the stretch.
    raw, error : float
        Log ratio inside against outside and its standard error, from the joint fit.
    p_value, q_value : float
        Chance that some stretch of the stream stands out as much while nothing changes; adjusted over all streams.
    posterior : Shrunk
    alarm_day : int
    rival : Step or None
        Another change that explains it as well.
    grading : Grading or None
        Set where the operator's grading changed at the same time.
    same_minutes : float
        Posterior chance that minutes did not change with it; 0 without minutes on record.
    """

    step: Step
    n_jobs: int
    raw: float
    error: float
    p_value: float
    q_value: float
    posterior: Shrunk
    alarm_day: int
    rival: Step | None = None
    grading: Grading | None = None
    same_minutes: float = 0.0

    @property
    def ratio(self) -> float:
        """Shrunk ratio of the stretch."""
        return float(np.exp(self.posterior.quantile(0.5)[0]))

    def interval(self, level: float) -> tuple[float, float]:
        """Return the central interval of the ratio."""
        low, high = (float(np.exp(self.posterior.quantile(0.5 + side * level / 2)[0])) for side in (-1, 1))
        return low, high

    @property
    def is_sure(self) -> bool:
        """Whether it is past the false-discovery rate, in whichever direction."""
        return self.q_value <= FALSE_DISCOVERY

    @property
    def is_separable(self) -> bool:
        """Whether no other cause explains it as well."""
        return self.rival is None and not self.is_clouded_by_grading

    @property
    def is_clouded_by_grading(self) -> bool:
        """Whether grades that changed at the same time may explain it: they would move minutes as well."""
        return self.grading is not None and self.grading.explains(self.raw) and self.same_minutes < LEAST_SAME

    @property
    def is_rise(self) -> bool:
        """Whether it is sure enough, upward and worth telling."""
        return self.is_sure and self.raw > 0 and self.ratio >= LEAST_RATIO

    @property
    def is_waste(self) -> bool:
        """Whether it is a rise of one operator or machine, told apart."""
        return self.is_rise and self.step.kind != "shop" and self.is_separable

    @property
    def is_shop_rise(self) -> bool:
        """Whether it is a rise of the whole shop: whose doing that is cannot be told."""
        return self.is_rise and self.step.kind == "shop"

    @property
    def is_saving(self) -> bool:
        """Whether it is sure enough, downward, worth telling and told apart."""
        large = self.is_sure and self.raw < 0 and self.ratio <= 1 / LEAST_RATIO
        return large and self.step.kind != "shop" and self.is_separable

    @property
    def is_improvement(self) -> bool:
        """Whether it is a saving that lasts: since that day the machine or the operator takes less than before."""
        return self.is_saving and self.step.until is None


@dataclass(frozen=True)
class KnownChange:
    """A change that the shop noted, before against after: log ratio after over before.

    Attributes
    ----------
    step : Step
    n_before, n_after : int
        Jobs of its machine on each side.
    raw, error : float
    p_value, q_value : float
        Two-sided; q over the noted changes.
    posterior : Shrunk
    with_shop : bool
        Whether the other machines changed alike at the same time; it is then measured beside a change of the shop.
    """

    step: Step
    n_before: int
    n_after: int
    raw: float
    error: float
    p_value: float
    posterior: Shrunk
    q_value: float = 1.0
    with_shop: bool = False

    @property
    def is_waste(self) -> bool:
        """Whether it went wrong: sure enough, upward, worth telling and told apart from a change of the shop."""
        ratio = float(np.exp(self.posterior.quantile(0.5)[0]))
        return not self.with_shop and self.q_value <= FALSE_DISCOVERY and self.raw > 0 and ratio >= LEAST_RATIO


@dataclass(frozen=True)
class Review:
    """All that was found.

    Attributes
    ----------
    table : JobTable
        The jobs reviewed.
    fit : Fit
        Joint fit with settings and all changes in time.
    operators, machines, cells, settings : tuple of Effect
    few : tuple of (kind, name, n_jobs)
        What has too few jobs.
    drifts : tuple of Drift
    changes : tuple of KnownChange
    grading : dict of Grading by operator
    blind : dict of Effect by operator
        The same effects with all grades left out, for operators whose grading differs.
    clouded : frozenset of (kind, name, zone)
        Effects that are waste only while the changes in time that are not sure are left out.
    """

    table: JobTable
    fit: Fit
    operators: tuple[Effect, ...]
    machines: tuple[Effect, ...]
    cells: tuple[Effect, ...]
    settings: tuple[Effect, ...]
    few: tuple[tuple[str, str, int], ...]
    drifts: tuple[Drift, ...]
    changes: tuple[KnownChange, ...]
    grading: dict[str, Grading]
    blind: dict[str, Effect]
    clouded: frozenset[tuple[str, str, str]]

    def end_of_rise(self, rise: Drift) -> int | None:
        """Return the first day on which a rise of the whole shop was over, None where it lasts.

        A stretch that is over may be found as two steps without an end: it is over with the sure fall that leaves less
        than half of it.
        """
        end, left = rise.step.until, rise.raw
        falls = [d for d in self.drifts if d.step.kind == "shop" and d.is_sure and d.raw < 0]
        for fall in sorted(falls, key=lambda d: d.step.since):
            if fall.step.since <= rise.step.since or (end is not None and fall.step.since >= end):
                continue
            left += fall.raw
            if left < rise.raw / 2:
                return fall.step.since
        return end

    def waste_steps(self) -> list[Step]:
        """Return the changes in time that are waste, those found and those noted: all are reported as drift."""
        noted = [c.step for c in self.changes if c.is_waste]
        return [d.step for d in self.drifts if d.is_waste] + noted

    def drifting(self, kind: str) -> frozenset[str]:
        """Return the codes of a kind that are reported as drift."""
        return frozenset(s.name for s in self.waste_steps() if s.kind == kind)

    def operator_separable(self, effect: Effect) -> bool:
        """Whether an operator's effect is told apart from grading: grades alike, or waste without grades too."""
        if not self.grading[effect.name].explains(effect.raw):
            return True
        blind = self.blind.get(effect.name)
        return blind is not None and blind.is_waste

    def wasteful(self) -> list[Effect]:
        """Return the effects that are waste and told apart; what is reported as drift is left out."""
        found = [e for e in self.operators if e.is_waste and self.operator_separable(e)]
        found = [e for e in found if e.name not in self.drifting("operator")]
        found += [e for e in (*self.machines, *self.cells) if e.is_waste and e.name not in self.drifting("machine")]
        found += [e for e in self.settings if e.is_waste]
        return [e for e in found if e.key not in self.clouded]


def newest(table: JobTable, n: int = MOST_JOBS) -> JobTable:
    """Return the newest `n` jobs with recorded pellets, in the table's order."""
    recorded = np.unique(table.line_job[table.pellets.group >= 0])
    if len(recorded) > n:
        recorded = np.sort(recorded[np.argsort(table.day[recorded], kind="stable")[-n:]])
    return table.take_jobs(recorded.astype(np.int64))


def _before(step: Step) -> Step:
    """Return the time before a step."""
    return replace(step, since=0, until=step.since)


def _sized(fit: Fit, step: Step) -> tuple[float, float]:
    """Return a step's unshrunk estimate and error; 0 and 1, which say nothing, where the record does not tell."""
    block = fit.design.block("step")
    if block is None or step.label not in block.labels:
        return 0.0, 1.0
    raw, error = unshrunk(fit, block.column(step.label))
    return (raw, error) if np.isfinite(error) else (0.0, 1.0)


def _drifts(table: JobTable, changes: tuple[Sized, ...], n_streams: int) -> list[Drift]:
    quiet = max(0, n_streams - len({(c.change.step.kind, c.change.step.name) for c in changes}))
    q = benjamini_hochberg(np.array([*(c.change.p_value for c in changes), *np.ones(quiet)]))
    drifts = []
    for sized, adjusted in zip(changes, q.tolist(), strict=False):
        change, step = sized.change, sized.change.step
        grading = grading_changed(table, step) if step.kind == "operator" else None
        drifts.append(
            Drift(step, len(jobs_in(table, step)), sized.raw, sized.error, change.p_value, adjusted, sized.posterior,
                  change.alarm_day, change.rival, grading, sized.same_minutes)
        )  # fmt: skip
    return drifts


def known_change(table: JobTable, fit: Fit, step: Step) -> KnownChange:
    """Return the test of a step that the fit holds, after against before."""
    return _tested(table, fit, step, _sized(fit, step))


def _tested(
    table: JobTable, fit: Fit, step: Step, measured: tuple[float, float], *, with_shop: bool = False
) -> KnownChange:
    from scipy.special import stdtr

    after, before = len(jobs_in(table, step)), len(jobs_in(table, _before(step)))
    raw, error = measured
    p = float(2.0 * stdtr(fit.degrees, -abs(raw / error)))
    return KnownChange(step, before, after, raw, error, p, shrink_alone(raw, error), with_shop=with_shop)


def _with_shop(table: JobTable, figures: PlanningFigures, known: tuple[Step, ...]) -> dict[Step, KnownChange]:
    """Return the noted changes that are one with a change of the whole shop, tested beside it.

    Left in the fit such a step takes its machine's part of the shop's change, which then stands out no more.
    """
    if not known:
        return {}
    fit = fit_like_jobs(table, figures, steps=known, settings=False)
    beside = {step: shared_with_shop(table, Ground.of(fit, without=step), step) for step in known}
    return {step: _tested(table, fit, step, m, with_shop=True) for step, m in beside.items() if m is not None}


def _known_changes(
    table: JobTable, fit: Fit, known: tuple[Step, ...], alike: Mapping[Step, KnownChange]
) -> tuple[KnownChange, ...]:
    """Return the noted changes with their q-values, a family of their own; those in `alike` as they are there."""
    changes = [alike.get(step) or known_change(table, fit, step) for step in known]
    q = benjamini_hochberg(np.array([c.p_value for c in changes]))
    return tuple(replace(c, q_value=float(v)) for c, v in zip(changes, q.tolist(), strict=True))


def blind_effects(
    table: JobTable, figures: PlanningFigures, steps: tuple[Step, ...], apart: frozenset[str]
) -> dict[str, Effect]:
    """Return operators' effects with all soil grades left out of the expectation."""
    ungraded = replace(table, soil=np.full(table.n_lines, -1, dtype=np.int64))
    fit = fit_like_jobs(ungraded, figures, steps=steps)
    effects, _ = compare_codes(ungraded, fit, "operator")
    return {e.name: e for e in effects if e.name in apart}


def _effects(
    table: JobTable, fit: Fit, apart: frozenset[str]
) -> tuple[dict[str, list[Effect]], tuple[tuple[str, str, int], ...]]:
    """Return the effects of each family and what has too few jobs."""
    operators, few_operators = compare_codes(table, fit, "operator", apart=apart)
    machines, few_machines = compare_codes(table, fit, "machine")
    settings, few_settings = compare_settings(table, fit)
    few = [("operator", n, k) for n, k in few_operators] + [("machine", n, k) for n, k in few_machines]
    few += [("setting", n, k) for n, k in few_settings]
    cells = compare_cells(table, fit)
    return {"operator": operators, "machine": machines, "machine_zone": cells, "setting": settings}, tuple(few)


def review(
    table: JobTable, figures: PlanningFigures, *, known: tuple[Step, ...] = (), minutes: PlanningFigures | None = None
) -> Review | None:
    """Review the technique of a shop's jobs; None where fewer than `FEWEST_JOBS` have recorded pellets.

    Parameters
    ----------
    table : JobTable
        Jobs before the day of the review.
    figures : PlanningFigures
        Of pellets.
    known : tuple of Step
        Changes the shop noted (new nozzle, new hose): streams start anew there.
    minutes : PlanningFigures, optional
        Of minutes; with them pellets are looked at beside minutes as well, where enough jobs have both on record.
    """
    table = newest(table)
    if table.n_jobs < FEWEST_JOBS:
        return None
    known = tuple(s for s in known if len(jobs_in(table, s)) and jobs_in(table, _before(s)).size)
    both = Figures(figures, minutes)
    alike = _with_shop(table, figures, known)
    own = tuple(s for s in known if s not in alike)
    found, sized = place_and_size(table, both, own, find_changes(table, both, own))
    drifts = _drifts(table, sized, found.n_streams)
    sure = (*own, *(d.step for d in drifts if d.is_sure))
    fit = fit_like_jobs(table, figures, steps=sure, like=found.seen.alone.fit)
    grading = compare_grading(table)
    apart = frozenset(name for name, g in grading.items() if g.differs)
    effects, few = _effects(table, fit, apart)
    clouded: frozenset[tuple[str, str, str]] = frozenset()
    if len(sure) < len(own) + len(drifts):
        cautious = fit_like_jobs(table, figures, steps=(*own, *(d.step for d in drifts)), like=fit)
        again = {e.key for e in chain.from_iterable(_effects(table, cautious, apart)[0].values()) if e.is_waste}
        clouded = frozenset(e.key for e in chain.from_iterable(effects.values()) if e.is_waste and e.key not in again)
    return Review(
        table=table, fit=fit, operators=tuple(effects["operator"]), machines=tuple(effects["machine"]),
        cells=tuple(effects["machine_zone"]), settings=tuple(effects["setting"]), few=few, drifts=tuple(drifts),
        changes=_known_changes(table, found.seen.alone.fit, known, alike), grading=grading,
        blind=blind_effects(table, figures, sure, apart) if apart else {}, clouded=clouded,
    )  # fmt: skip
