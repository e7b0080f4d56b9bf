"""Everything the report page shows, gathered as of one morning; a section without ground says what to log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from pipeline.answers.answer import Answer
from pipeline.answers.calibrating import CalibrationResult, calibration
from pipeline.answers.cautions import cautions_for
from pipeline.answers.fitting import current_fit
from pipeline.answers.forecasting import ForecastQuestion, ForecastResult, forecast
from pipeline.answers.history import history
from pipeline.answers.ordering import OrderQuestion, order_ice
from pipeline.answers.reporting_air import AirDay, BayUnchecked, air_day
from pipeline.answers.reporting_jobs import JobRow, job_rows
from pipeline.answers.reporting_pellets import Cell, PartUsed, cells, parts_used
from pipeline.answers.reporting_prices import PricedJobs, priced_jobs
from pipeline.answers.request_notes import order_note
from pipeline.answers.reviewing import TechniqueQuestion, TechniqueResult, technique
from pipeline.book import tables
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from pipeline.answers.answer import Asking
    from pipeline.answers.fitting import CurrentFit
    from pipeline.answers.ice_answer import OrderResult
    from pipeline.book.settings import Settings

    Tell = Callable[[float, str], None]

Result = TypeVar("Result")
SECTIONS = ("prices", "order", "pellets", "trust", "forecast", "air", "jobs", "cautions")


@dataclass(frozen=True)
class ReportResult:
    """What was written.

    Attributes
    ----------
    file : str
    pdf : str or None
        The PDF beside it, where it was asked for.
    sections : tuple of str
    without_ground : tuple of str
        Sections that say what to log instead of an answer.
    size_bytes : int
        Of the page.
    bays_unchecked : tuple of BayUnchecked
        Bays whose air on the busiest booked day has no answer, and why.
    """

    file: str
    pdf: str | None
    sections: tuple[str, ...]
    without_ground: tuple[str, ...]
    size_bytes: int
    bays_unchecked: tuple[BayUnchecked, ...] = ()


_ORDER = "The table of what a zone takes tells each of them alone; the shop works them in the order"


@dataclass(frozen=True)
class Section(Generic[Result]):
    """One section's answer, or None and what to log."""

    answer: Answer[Result] | None
    to_log: str = ""


@dataclass(frozen=True)
class ReportContents:
    """All that the page shows.

    Attributes
    ----------
    settings : Settings
    today : date
    level : float
    fit : CurrentFit
    n_jobs : int
        Finished jobs before today.
    prices : PricedJobs
    order, forecast, technique, trust : Section
    air : AirDay or None
    air_to_log : str
    cells, parts : tuple
        What a zone takes; what was logged in the last year.
    jobs : tuple of JobRow
    """

    settings: Settings
    today: date
    level: float
    seed: int
    fit: CurrentFit
    n_jobs: int
    prices: PricedJobs
    order: Section[OrderResult]
    forecast: Section[ForecastResult]
    technique: Section[TechniqueResult]
    trust: Section[CalibrationResult]
    air: AirDay | None
    air_to_log: str
    cells: tuple[Cell, ...]
    parts: tuple[PartUsed, ...]
    jobs: tuple[JobRow, ...]

    def without_ground(self) -> tuple[str, ...]:
        """Return the sections that have no answer."""
        lacking = {
            "order": self.order.answer is None,
            "pellets": not self.parts,
            "trust": self.trust.answer is None,
            "forecast": self.forecast.answer is None,
            "air": self.air is None or not self.air.bays,
            "jobs": not self.jobs,
        }
        return tuple(s for s in SECTIONS if lacking.get(s))

    def bays_unchecked(self) -> tuple[BayUnchecked, ...]:
        """Return the bays whose air has no answer though work is booked."""
        return self.air.unchecked if self.air else ()


def report_contents(asking: Asking, *, names: bool = False, tell: Tell | None = None) -> Answer[ReportContents]:
    """Gather the report as of the morning of `asking.today`.

    Parameters
    ----------
    names : bool
        Whether operators keep their codes; masked as Operator A, B, ... otherwise.
    tell : callable, optional
        Told the share done and what is being done.
    """
    said = tell or _unheard
    said(0.02, "reading the book")
    table = history(asking.book, asking.today)
    fit = current_fit(asking)
    said(0.1, "pricing jobs")
    prices = priced_jobs(asking, table)
    said(0.25, "planning ice")
    ordered = _order(asking, table.n_jobs)
    said(0.45, "forecasting")
    ahead = _forecast(asking, table.n_jobs)
    said(0.65, "reviewing technique")
    reviewed = _technique(asking, table.n_jobs, names)
    said(0.85, "judging the record")
    trust = _trust(asking)
    shown = cells(asking, fit, table)
    warnings = [
        *fit.warnings,
        *order_note(fit, {cell.zone for cell in shown}, _ORDER),
        *prices.warnings,
        *(w for s in (ordered, ahead, reviewed, trust) if s.answer for w in s.answer.warnings),
    ]
    air, air_to_log = air_day(asking, warnings)
    contents = ReportContents(
        asking.book.settings, asking.today, asking.level, asking.seed, fit, table.n_jobs, prices, ordered, ahead,
        reviewed, trust, air, air_to_log, shown, parts_used(asking, table),
        job_rows(asking, table, names=names),
    )  # fmt: skip
    cautions = cautions_for("report", settings=asking.book.settings, coating_removed=True)
    said(0.95, "drawing")
    return Answer(contents, tuple(dict.fromkeys(warnings)), tuple(cautions))


def _unheard(share: float, doing: str) -> None:
    """Stand in where nobody listens."""
    del share, doing


def _order(asking: Asking, n_jobs: int) -> Section[OrderResult]:
    came, weighed = tables.deliveries(asking.book, asking.today), tables.weighings(asking.book, asking.today)
    if not came and not weighed and not n_jobs and not tables.bookings(asking.book, asking.today):
        return Section(None, "Log deliveries, weighings and bookings (`rimebook import FILE`) to see what to order.")
    try:
        return Section(order_ice(asking, OrderQuestion()))
    except RimebookError as error:
        return Section(None, error.problem.sentence())


def _forecast(asking: Asking, n_jobs: int) -> Section[ForecastResult]:
    if not n_jobs:
        return Section(None, "Log finished jobs (`rimebook import FILE` or `rimebook log`) to see the coming months.")
    try:
        return Section(forecast(asking, ForecastQuestion()))
    except RimebookError as error:
        return Section(None, error.problem.sentence())


def _technique(asking: Asking, n_jobs: int, names: bool) -> Section[TechniqueResult]:
    told = technique(asking, TechniqueQuestion(mask=not names))
    if told.result.effects or told.result.findings or any(n.ratio is not None for n in told.result.not_enough):
        return Section(told)
    return Section(
        told if told.result.balance else None,
        f"There are {n_jobs} finished jobs; from 30 with pellets, operator and machine on, operators, machines and "
        "settings are compared. Log them with each job.",
    )


def _trust(asking: Asking) -> Section[CalibrationResult]:
    told = calibration(asking)
    if told.result.levels:
        return Section(told)
    return Section(None, " ".join(told.result.advice))
