"""The demo: a book made from the invented shop's logs inside the installed package."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from pipeline.answers.answer import Answer, Asking
from pipeline.answers.estimating import EstimateResult, estimate_jobs
from pipeline.answers.fitting import learn_book
from pipeline.answers.forecasting import ForecastResult  # noqa: TC001 - the answer's schema is read off it
from pipeline.answers.ice_answer import OrderResult  # noqa: TC001 - the answer's schema is read off it
from pipeline.answers.quoting import QuoteResult, quote_jobs
from pipeline.answers.requests import job_from_options
from pipeline.answers.reviewing import TechniqueResult  # noqa: TC001 - the answer's schema is read off it
from pipeline.answers.setting_up import make_book
from pipeline.intake.importing import import_files

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.answers.reporting import ReportContents

LOGS = ("jobs", "deliveries", "weighings", "bookings")


@dataclass(frozen=True)
class DemoBook:
    """The demo's book: where it is, what was taken in and learned."""

    folder: str
    as_of: str
    rows: int
    jobs: int
    fit: int


@dataclass(frozen=True)
class DemoResult:
    """What the demo shows: its book, and one answer of each kind; a part without ground is None."""

    book: DemoBook
    estimate: EstimateResult
    quote: QuoteResult
    order: OrderResult | None
    forecast: ForecastResult | None
    technique: TechniqueResult | None
    report: str


def make_demo(folder: Path, tell: Callable[[float, str], None], *, seed: int = 1) -> tuple[Asking, DemoBook]:
    """Make a book in a new folder from the invented shop's logs, learn from it, and return who asks with what was made.

    Raises
    ------
    RimebookError
        Where the folder holds something already or cannot be written.
    """
    with as_file(files("data_demo").joinpath("clean")) as clean:
        made, _ = make_book(folder, (clean / "book.toml").read_text(encoding="utf-8"))
        asking = Asking(made.book, made.today, seed)
        tell(0.02, "importing")
        done = import_files(asking.book, [clean / f"{log}.csv" for log in LOGS], today=asking.today)
    learned = learn_book(asking, lambda share, doing: tell(0.05 + 0.5 * share, doing)).result
    rows = sum(f.accepted for f in done.result.files)
    return asking, DemoBook(str(folder), asking.today.isoformat(), rows, learned.jobs, learned.version)


#: The job that the demo asks about.
ASKED = ("van", ("undercarriage:heavy", "engine_bay"))


def show_demo(asking: Asking, book: DemoBook, contents: Answer[ReportContents], report: Path) -> Answer[DemoResult]:
    """Return one answer of each kind over the demo's book; order, forecast and technique are those of its report."""
    vehicle, zones = ASKED
    job = job_from_options(asking.book.settings, vehicle=vehicle, zones=zones, day=asking.today)
    estimate, quote = estimate_jobs(asking, [job]), quote_jobs(asking, [job])
    gathered = contents.result

    result = DemoResult(
        book=book,
        estimate=estimate.result,
        quote=quote.result,
        order=gathered.order.answer.result if gathered.order.answer else None,
        forecast=gathered.forecast.answer.result if gathered.forecast.answer else None,
        technique=gathered.technique.answer.result if gathered.technique.answer else None,
        report=str(report),
    )
    return Answer(result, contents.warnings, contents.cautions)
