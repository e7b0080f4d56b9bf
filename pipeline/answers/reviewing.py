"""The technique review: where pellets go beyond what like jobs need."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from models.technique.change import before_and_after
from models.technique.design import Step
from models.technique.effects import benjamini_hochberg
from models.technique.review import FEWEST_JOBS, newest, review
from models.technique.unusual import explain, score_jobs, score_quantity, unusual_jobs
from pipeline.answers.answer import Answer, QuantitySummary, summarise
from pipeline.answers.cautions import cautions_for
from pipeline.answers.history import history
from pipeline.answers.ice_lapse_notes import lapses_told
from pipeline.answers.landed import landed_price
from pipeline.answers.requests import spellings
from pipeline.answers.review_balance import container_balances
from pipeline.answers.review_effects import EffectTold, effects_told
from pipeline.answers.review_findings import (
    ChangeFound,
    Finding,
    Improvement,
    Ratio,
    Terms,
    change_found,
    changes_of,
    findings_of,
    improvements_of,
    ratio_of,
    reason_words,
)
from pipeline.answers.review_mask import mask_result, masks
from pipeline.answers.review_unsaid import NotEnough, not_enough_of
from pipeline.answers.review_words import NOT_GROUNDS
from shared.counting import counted
from shared.errors import RimebookError

if TYPE_CHECKING:
    from models.consumption.jobs import JobTable
    from models.technique.balance import Balance
    from models.technique.review import Review
    from models.technique.unusual import JobScore, UnusualJob
    from pipeline.answers.answer import Asking
    from pipeline.book.settings import Settings


@dataclass(frozen=True)
class TechniqueQuestion:
    """What is asked.

    Attributes
    ----------
    job : str or None
        Explain one job.
    change : date or None
        Test a change that the shop made on a day, before against after.
    mask : bool
        Tell operators as Operator A, B, ...
    thrift : bool
        Tell ratios below 1 as well.
    """

    job: str | None = None
    change: date | None = None
    mask: bool = False
    thrift: bool = False


@dataclass(frozen=True)
class UnusualTold:
    """A job that stands out: actual over expected, standard deviations away, and reasons in words."""

    job_id: str
    date: date
    operator: str
    machine: str
    pellets_lb: float
    expected_lb: float
    ratio: float
    score: float
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class PartTold:
    """What one part of the technique adds to a job against the shop's usual mix."""

    kind: str
    name: str
    ratio: Ratio


@dataclass(frozen=True)
class JobAccount:
    """One job explained."""

    job: UnusualTold
    parts: tuple[PartTold, ...]


@dataclass(frozen=True)
class BalanceTold:
    """A container's ice: start + delivered = logged + left + sublimated + unlogged."""

    container: str
    since: date
    until: date
    start_lb: float
    delivered_lb: float
    logged_lb: float
    left_lb: float
    sublimated_lb: QuantitySummary
    unlogged_lb: QuantitySummary


@dataclass(frozen=True)
class TechniqueResult:
    """The review.

    Attributes
    ----------
    findings : tuple of Finding
        The most pounds a month first; with `--job` that job alone, of kind "job".
    not_enough : tuple of NotEnough
    changes : tuple of ChangeFound
        The changes noted in `book.toml`, or the one asked about.
    unusual : tuple of UnusualTold
    balance : tuple of BalanceTold
    account : JobAccount or None
    jobs : int
        Jobs reviewed.
    effects : tuple of EffectTold
        Every operator, machine and setting compared, whether it stands out or not.
    thrift_sought : bool
        Whether what takes fewer pellets than like jobs need was asked for as well.
    improvements : tuple of Improvement
        Machines and operators that take fewer pellets since a day than before it.
    """

    findings: tuple[Finding, ...]
    not_enough: tuple[NotEnough, ...]
    changes: tuple[ChangeFound, ...] = ()
    unusual: tuple[UnusualTold, ...] = ()
    balance: tuple[BalanceTold, ...] = ()
    account: JobAccount | None = None
    jobs: int = 0
    effects: tuple[EffectTold, ...] = ()
    thrift_sought: bool = False
    improvements: tuple[Improvement, ...] = ()


def technique(asking: Asking, question: TechniqueQuestion) -> Answer[TechniqueResult]:
    """Review the technique as of the morning of `asking.today`; only earlier jobs count.

    Raises
    ------
    RimebookError
        For an unknown job, a job without recorded pellets, or a change with too few jobs on a side.
    """
    result, warnings = _result(asking, question)
    if question.mask:
        codes = masks(history(asking.book, asking.today))
        result = mask_result(result, codes)
    handling = cautions_for("technique") if _tells_to_handle(result) else []
    return Answer(result, tuple(warnings), (NOT_GROUNDS, *handling))


def _tells_to_handle(result: TechniqueResult) -> bool:
    """Whether the review tells to change a setting or to see to machine, hose or nozzle."""
    tips = [f for f in result.findings if f.kind != "job" and f.name != "ice_age_days"]
    return bool(tips or result.improvements or any(n.try_ for n in result.not_enough))


def _result(asking: Asking, question: TechniqueQuestion) -> tuple[TechniqueResult, list[str]]:
    table = newest(history(asking.book, asking.today))
    planning = asking.book.settings.planning()
    if question.change is not None:
        return _change(asking, question.change), []
    noted = noted_changes(asking.book.settings, asking.today, table.machine.names)
    known = tuple(Step("machine", name, day) for name, day in noted)
    found = review(table, planning.pellets_lb, known=known, minutes=planning.minutes)
    if found is None:
        if question.job is not None:
            raise _too_few(asking, table.n_jobs)
        why = f"{counted(table.n_jobs, 'job')} with pellets on record; at least {FEWEST_JOBS} needed"
        balance = tuple(balance_told(b, asking.level) for b in container_balances(asking))
        return TechniqueResult((), (NotEnough("shop", asking.book.name, "", table.n_jobs, why),), balance=balance,
                               jobs=table.n_jobs), []  # fmt: skip
    scores = score_jobs(found.table, found.fit)
    minutes = score_quantity(found.table, planning, "minutes")
    if question.job is not None:
        return _one_job(asking, question.job, found, scores, minutes)
    landed = landed_price(asking)
    terms = Terms(asking.today.toordinal(), asking.level, landed.usd_per_lb, asking.seed, question.thrift,
                  asking.book.settings.shop.units)  # fmt: skip
    return TechniqueResult(
        findings=tuple(findings_of(found, terms, noted)),
        not_enough=tuple(not_enough_of(found, terms, noted)),
        changes=tuple(changes_of(found, noted, asking.level)),
        unusual=tuple(_told(found, scores, job) for job in unusual_jobs(found, scores, minutes)),
        balance=tuple(balance_told(b, asking.level) for b in container_balances(asking)),
        jobs=found.table.n_jobs,
        effects=effects_told(found, asking.level),
        thrift_sought=question.thrift,
        improvements=tuple(improvements_of(found, terms)),
    ), list(lapses_told(asking, landed))


def noted_changes(settings: Settings, today: date, machines: tuple[str, ...]) -> dict[tuple[str, int], str]:
    """Return the changes noted in `book.toml` before today: (machine as in the log, ordinal day) -> what."""
    by_fold = spellings(machines)
    return {
        (by_fold[name.casefold()], change.date.toordinal()): change.what
        for name, machine in settings.machines.items()
        if name.casefold() in by_fold
        for change in machine.changes
        if change.date < today
    }


def _too_few(asking: Asking, n_jobs: int) -> RimebookError:
    return RimebookError(
        "too-few-jobs", where="job log", found=f"{counted(n_jobs, 'job')} with pellets before {asking.today}",
        expected=f"at least {FEWEST_JOBS}", do="Log more jobs; until then `estimate` shows what a job should take.",
    )  # fmt: skip


def _change(asking: Asking, day: date) -> TechniqueResult:
    table = history(asking.book, asking.today)
    tested = before_and_after(table, asking.book.settings.planning().pellets_lb, day.toordinal())
    if tested is None:
        days = newest(table).day
        after = int(np.sum(days >= day.toordinal()))
        raise RimebookError(
            "too-few-jobs", where="--change",
            found=f"{len(days) - after} jobs with pellets on record before {day} and {after} from it on",
            expected="at least 10 on each side and 30 in all", do="Choose another day or wait for more jobs.",
        )  # fmt: skip
    changes = tuple(change_found(c, "", asking.level) for c in (tested.shop, *tested.machines))
    return TechniqueResult((), (), changes=changes, jobs=newest(table).n_jobs)


def _told(found: Review, scores: JobScore, unusual: UnusualJob, *, alone: bool = False) -> UnusualTold:
    table, job = found.table, unusual.job
    lines = np.flatnonzero(table.line_job == job)

    def who(names: tuple[str, ...], codes: np.ndarray) -> str:
        return ", ".join(sorted({names[c] for c in codes[lines].tolist() if c >= 0}))

    return UnusualTold(
        job_id=table.job_id[job],
        date=date.fromordinal(int(table.day[job])),
        operator=who(table.operator.names, table.operator.codes),
        machine=who(table.machine.names, table.machine.codes),
        pellets_lb=float(scores.actual[job]),
        expected_lb=float(scores.expected[job]),
        ratio=unusual.ratio,
        score=unusual.score,
        reasons=tuple(reason_words(r, alone=alone) for r in unusual.reasons),
    )


def _one_job(
    asking: Asking, job_id: str, found: Review, scores: JobScore, minutes: JobScore
) -> tuple[TechniqueResult, list[str]]:
    from scipy.special import ndtr

    wanted = {name.casefold(): i for i, name in enumerate(found.table.job_id)}
    job = wanted.get(job_id.strip().casefold())
    if job is None:
        raise RimebookError(
            "unknown-job", where="--job", found=job_id,
            expected="a job with pellets on record before today, among the newest 4,000",
            do="Look up the job id in your log; `export` lists them all.",
        )  # fmt: skip
    account, parts = explain(found, scores, minutes, job)
    told = _told(found, scores, account, alone=True)
    p = 2 * ndtr(-np.abs(np.where(np.isnan(scores.score), 0.0, scores.score)))
    level, spread = asking.level, float(scores.spread[job])
    away = float(_normal_quantile(0.5 + level / 2)) * spread
    ratio = Ratio(account.ratio, account.ratio * float(np.exp(-away)), account.ratio * float(np.exp(away)), level)
    # What the job took is known: only what like jobs need is not.
    own = float(scores.own_error[job]) * np.random.default_rng(asking.seed).standard_normal(2000)
    excess = np.maximum(told.pellets_lb - told.expected_lb * np.exp(own), 0.0)
    landed = landed_price(asking)
    finding = Finding(
        kind="job", name=told.job_id, of="", zone="", ratio=ratio, q_value=float(benjamini_hochberg(p)[job]), jobs=1,
        since=told.date, until=None, pellets_lb_month=summarise(excess, level=level, n_scores=found.table.n_jobs),
        usd_month=summarise(excess * landed.usd_per_lb, level=level, n_scores=found.table.n_jobs),
        other_causes=told.reasons or ("nothing that was written down explains it",),
        try_="Compare the ticket with what was done: units, zones, soil, and an old coating.",
    )  # fmt: skip
    told_parts = tuple(PartTold(p.kind, p.name, _part_ratio(p.log_ratio, p.error, level)) for p in parts)
    result = TechniqueResult((finding,), (), account=JobAccount(told, told_parts), jobs=found.table.n_jobs)
    return result, [*lapses_told(asking, landed), *_partly_logged(found.table, job)]


def _partly_logged(table: JobTable, job: int) -> list[str]:
    """Return what must be said of a job some of whose lines have no pellets on record."""
    group = table.pellets.group[table.line_job == job]
    n = int((group >= 0).sum())
    if n == len(group):
        return []
    return [f"{n} of {counted(len(group), 'zone line')} of {table.job_id[job]} have pellets on record: those alone are "
            "compared with what like jobs need."]  # fmt: skip


def _normal_quantile(level: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(level)


def _part_ratio(log_ratio: float, error: float, level: float) -> Ratio:
    from models.technique.shrinkage import shrink_alone

    return ratio_of(shrink_alone(log_ratio, max(error, 1e-6)), level)


def balance_told(balance: Balance, level: float) -> BalanceTold:
    """Return a container's balance as it is told."""
    span = balance.span
    return BalanceTold(
        span.container, date.fromordinal(int(span.since)), date.fromordinal(int(span.until)), span.start_lb,
        span.delivered_lb, span.logged_lb, span.left_lb,
        summarise(balance.sublimated_lb, level=level), summarise(balance.unlogged_lb, level=level),
    )  # fmt: skip
