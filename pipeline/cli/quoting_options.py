"""What the options of `quote` ask for beside the job itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final, Literal, cast

import typer

from pipeline.cli.common import read_price
from pipeline.cli.shares import share_option
from pipeline.cli.together import given, refuse_beside, refuse_blank, refuse_without
from shared.errors import UsageError

if TYPE_CHECKING:
    # Nothing of this is read by typer, and every command would pay for it.
    from pipeline.answers.answer import Answer, Asking
    from pipeline.answers.quoting import QuoteResult, Wanted
    from pipeline.answers.requests import JobAsked

PriceOption = Annotated[
    str | None, typer.Option("--price", metavar="AMOUNT", help="A price of your own: what would it risk?")
]
CountOption = Annotated[
    int, typer.Option("--count", min=1, max=200, help="So many vehicles alike, each set up by itself; one price.")
]
CompareOption = Annotated[
    str, typer.Option("--compare", metavar="machine|soil|way", help="Side by side: machines, soil levels, other ways.")
]
SaveOption = Annotated[bool, typer.Option("--save", help="Keep the quote under a number.")]
FoundOption = Annotated[int | None, typer.Option("--found", metavar="NUMBER", help="Price a saved quote again.")]
SoilOption = Annotated[
    list[str] | None,
    typer.Option("--soil", metavar="ZONE:SOIL", help="With --found: what was found; repeat it (or --zone)."),
]
SoFarOption = Annotated[str, typer.Option("--so-far", metavar="30lb/25min", help="What a part-done job used so far.")]
DoneOption = Annotated[float | None, share_option("--done", "Share of the work that is done: 0.33 or 33%.")]
LostOption = Annotated[int | None, typer.Option("--lost", metavar="NUMBER", help="A saved quote was not taken.")]
WonOption = Annotated[int | None, typer.Option("--won", metavar="NUMBER", help="A saved quote became --job-id.")]
JobIdOption = Annotated[str, typer.Option("--job-id", help="With --won: the finished job.")]
#: What `quote` reads beside a parameter that names the job another way than by --vehicle and --zone.
_PRICED = ("price", "compare", "save", "so_far", "done", "sheet", "force")
_MODES: Final = {
    "lost": (), "won": ("job_id",), "found": ("soil", "zone", "coating_removed", *_PRICED),
    "jobs": ("date", "count", "customer", *_PRICED),
}  # fmt: skip


@dataclass(frozen=True)
class QuoteOptions:
    """The options of `quote` that do not describe the job."""

    price: str | None
    count: int
    compare: str
    save: bool
    found: int | None
    soil: list[str]
    so_far: str
    done: float | None
    lost: int | None
    won: int | None
    job_id: str
    coating_removed: bool


def check_mode(context: typer.Context) -> None:
    """Refuse options that `quote` would leave out in the way it is asked.

    Raises
    ------
    UsageError
    """
    refuse_blank(context, ("compare", "so_far", "job_id"))
    for mode, takes in _MODES.items():
        if given(context, mode):
            refuse_beside(context, mode, takes)
    refuse_without(context, ("job_id",), "won", do="For example: --won 7 --job-id T26-0140")
    refuse_without(context, ("force",), "sheet", do="Leave --force out, or name the sheet: --sheet quote.html")


def check_together(options: QuoteOptions) -> None:
    """Refuse options that do not go together, before a book or a job is looked at.

    Raises
    ------
    UsageError
    """
    if options.won is not None and not options.job_id:
        raise UsageError("no-job", where="--won", found="no --job-id", expected="the finished job it became",
                         do=f"For example: --won {options.won} --job-id T26-0140")  # fmt: skip
    if options.soil and options.found is None:
        raise UsageError("soil-without-found", where="--soil", found="no --found", expected="the number of a quote",
                         do="For a new quote write the soil with the zone: --zone undercarriage:severe")  # fmt: skip
    if options.done is not None and not options.so_far:
        raise UsageError("no-so-far", where="--done", found="no --so-far", expected="what was used so far",
                         do="For example: --so-far 30lb/25min --done 0.33")  # fmt: skip
    if options.so_far and options.count != 1:
        raise UsageError("so-far-of-many", where="--so-far", found=f"--count {options.count}", expected="one job",
                         do="Leave --count out.")  # fmt: skip


def settled(asking: Asking, options: QuoteOptions) -> Answer[QuoteResult] | None:
    """Return the answer of `--lost` or `--won`, or None where neither is given."""
    from pipeline.answers.saved_quotes import settle

    if options.lost is not None:
        return settle(asking, options.lost, "lost")
    return None if options.won is None else settle(asking, options.won, "won", options.job_id)


def answered(asking: Asking, jobs: list[JobAsked], options: QuoteOptions) -> Answer[QuoteResult]:
    """Return the answer of `quote` to jobs, or of a saved one where `--found` names it."""
    from pipeline.answers.quoting import quote_jobs
    from pipeline.answers.saved_quotes import requote, save_quotes

    wanted = _wanted(asking, options)
    if options.found is not None:
        return requote(asking, options.found, options.soil, wanted, coating_removed=options.coating_removed,
                       save=options.save)  # fmt: skip
    if wanted.so_far is not None and len(jobs) != 1:
        raise UsageError("so-far-of-many", where="--so-far", found=f"{len(jobs)} jobs", expected="one job",
                         do="Ask for the part-done job alone.")  # fmt: skip
    return save_quotes(asking, jobs, wanted) if options.save else quote_jobs(asking, jobs, wanted=wanted)


def _wanted(asking: Asking, options: QuoteOptions) -> Wanted:
    from pipeline.answers.part_done import read_so_far
    from pipeline.answers.quoting import Wanted

    compare = options.compare.strip().casefold()
    if compare not in ("", "machine", "soil", "way"):
        raise UsageError("bad-compare", where="--compare", found=f"`{options.compare}`",
                         expected="machine, soil or way", do="Write one of these.")  # fmt: skip
    so_far = None
    if options.so_far:
        so_far = read_so_far(asking.book.settings, options.so_far, options.done)
    return Wanted(price_usd=read_price(options.price, asking.book.settings.shop.currency), count=options.count,
                  compare=cast("Literal['machine', 'soil', 'way'] | None", compare or None), so_far=so_far)  # fmt: skip
