"""Quotes that were kept: saved under a number, priced again on arrival, followed to the finished job."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Literal

from pipeline.answers.amounts import charged
from pipeline.answers.answer import Answer, Asking
from pipeline.answers.quoting import QuoteResult, Settled, Wanted, quote_jobs, with_number
from pipeline.answers.requests import JobAsked, LineAsked, read_zone_option
from pipeline.book import quote_rows
from pipeline.intake.book_words import words_of
from shared.errors import RimebookError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.answers.quoting import JobQuote
    from pipeline.book.quote_rows import FinishedJob, SavedQuote

State = Literal["open", "won", "lost", "unclear"]
#: A job may be done this long after the last day on which its quote could be taken (common practice, no source).
GRACE_DAYS = 14


def save_quotes(asking: Asking, jobs: Sequence[JobAsked], wanted: Wanted) -> Answer[QuoteResult]:
    """Quote jobs and keep each quote under a number."""
    answer = quote_jobs(asking, jobs, wanted=wanted)
    kept = tuple(
        with_number(quote, quote_rows.save_quote(asking.book, asking.today, job.customer, quote.valid_until,
                                                 _stored(quote, job)))
        for quote, job in zip(answer.result.quotes, jobs, strict=True)
    )  # fmt: skip
    return replace(answer, result=replace(answer.result, quotes=kept))


def _stored(quote: JobQuote, job: JobAsked) -> dict[str, Any]:
    """Return a quote as it is kept: its request, and its figures as told."""
    cost = quote.cost_usd.interval
    return {
        "request": {
            "job_id": job.job_id, "date": job.day.isoformat(), "customer": job.customer, "count": quote.count,
            "lines": [
                {"vehicle_class": line.vehicle_class, "zone": line.zone, "soil_level": line.soil_level,
                 "coating_removed": line.coating_removed, "machine": line.machine, "operator": line.operator,
                 "settings": dict(line.settings), "vehicle": line.vehicle}
                for line in job.lines
            ],
        },
        "price_usd": quote.at_price.price_usd if quote.at_price else quote.price_usd,
        "advised_usd": quote.price_usd, "ceiling_usd": quote.ceiling_usd, "deposit_usd": quote.deposit_usd,
        "cost_mean_usd": quote.cost_usd.mean, "cost_low_usd": cost.low, "cost_high_usd": cost.high,
        "level": cost.level, "margin_share": quote.margin_share, "risk_share": quote.risk_share,
        "pellets_mean_lb": quote.pellets_lb.mean, "minutes_mean": quote.minutes.mean,
        "chance_of_loss": quote.at_price.chance_of_loss if quote.at_price else quote.chance_of_loss,
        "found": [],
    }  # fmt: skip


def saved_quote(asking: Asking, number: int) -> SavedQuote:
    """Return a saved quote.

    Raises
    ------
    RimebookError
        When there is none of that number.
    """
    known = quote_rows.saved_quotes(asking.book, asking.today)
    for quote in known:
        if quote.number == number:
            return quote
    numbers = ", ".join(str(q.number) for q in known[-10:])
    raise RimebookError(
        "no-such-quote", where=f"quote {number}", found="no saved quote of this number",
        expected=f"one of {numbers}" if numbers else "a saved quote",
        do="Save one with `rimebook quote ... --save`; `rimebook costing` counts them.",
    )  # fmt: skip


def job_of(quote: SavedQuote) -> JobAsked:
    """Return what a saved quote was asked for."""
    asked = quote.quoted["request"]
    lines = tuple(LineAsked(**line) for line in asked["lines"])
    return JobAsked(asked["job_id"], date.fromisoformat(asked["date"]), lines, asked["customer"])


def requote(
    asking: Asking,
    number: int,
    soil: Sequence[str],
    wanted: Wanted,
    *,
    coating_removed: bool = False,
    save: bool = False,
) -> Answer[QuoteResult]:
    """Price a saved quote again, as the dirt was found on arrival.

    Parameters
    ----------
    number : int
    soil : sequence of str
        What was found, such as ``undercarriage:severe``; a zone that was not quoted is added.
    wanted : Wanted
        Its number and what was agreed are taken from the saved quote.
    coating_removed : bool
        An old coating must be stripped as well.
    save : bool
        Keep what was found with the quote.

    Raises
    ------
    RimebookError
        When there is no such quote, or it is lost.
    """
    quote = saved_quote(asking, number)
    if quote.state == "lost":
        raise RimebookError(
            "quote-settled", where=f"quote {number}", found=f"a quote that was lost on {quote.settled_on}",
            expected="an open quote", do="Make a new quote for this job.",
        )  # fmt: skip
    job = _as_found(asking, job_of(quote), soil, coating_removed)
    kept = quote.quoted
    want = replace(wanted, number=number, count=int(kept["request"]["count"]), agreed_usd=float(kept["price_usd"]),
                   ceiling_usd=float(kept["ceiling_usd"]))  # fmt: skip
    if want.so_far is not None and want.count != 1:
        raise UsageError(
            "so-far-of-many", where=f"quote {number}", found=f"a quote of {want.count} vehicles", expected="one job",
            do="Ask for the part-done vehicle by --vehicle and --zone.",
        )  # fmt: skip
    answer = quote_jobs(asking, [job], wanted=want)
    if save:
        now = answer.result.quotes[0]
        found = {"today": asking.today.isoformat(), **{k: v for k, v in _stored(now, job).items() if k != "found"}}
        # What was found on later days stays, though this day does not know of it.
        every = [*_as_it_stands(asking, number).quoted["found"], found]
        quote_rows.replace_quoted(
            asking.book, number, {**kept, "found": sorted(every, key=lambda each: str(each["today"]))}
        )
    return replace(answer, warnings=(*_of_saved(asking, quote, saved=save), *answer.warnings))


def _of_saved(asking: Asking, quote: SavedQuote, *, saved: bool) -> Iterator[str]:
    """Tell what a price on arrival does to its quote: whether it still holds, and what was written down."""
    if asking.today > _due(quote):
        yield f"Quote {quote.number} ran out on {_due(quote)}: what was agreed need not hold any more."
    if saved:
        yield (
            f"What was found is kept with quote {quote.number}; the agreed price stays "
            f"{charged(float(quote.quoted['price_usd']), asking.book.settings.shop.currency)}."
        )


def found_job(asking: Asking, number: int, soil: Sequence[str], *, coating_removed: bool) -> JobAsked:
    """Return the job of a saved quote as it was found on arrival; see `requote`."""
    return _as_found(asking, job_of(saved_quote(asking, number)), soil, coating_removed)


def _as_found(asking: Asking, job: JobAsked, soil: Sequence[str], coating_removed: bool) -> JobAsked:
    words = words_of(asking.book.settings)
    lines = [replace(line, coating_removed=line.coating_removed or coating_removed) for line in job.lines]
    seen: dict[str, str] = {}
    for text in soil:
        zones, level = read_zone_option(words, text, "--soil")
        if ":" not in text:
            raise UsageError(
                "no-soil", where=f"`{text}` beside --found", found="no soil level", expected="ZONE:SOIL",
                do="For example: --soil undercarriage:severe",
            )  # fmt: skip
        for zone in zones:
            if seen.setdefault(zone, level) != level:
                raise UsageError(
                    "two-soils", where=f"`{text}` beside --found", found=f"{zone} as {seen[zone]} and as {level}",
                    expected="one soil level for each zone", do="Leave one of them out.",
                )  # fmt: skip
            if not any(line.zone == zone for line in lines):
                lines.append(replace(job.lines[0], zone=zone))
            # One soil is said of a zone, on each vehicle of the visit that has it.
            lines = [replace(line, soil_level=level) if line.zone == zone else line for line in lines]
    return replace(job, day=asking.today, lines=tuple(lines))


def settle(asking: Asking, number: int, state: Literal["won", "lost"], job_id: str = "") -> Answer[QuoteResult]:
    """Write down that a quote was lost, or which finished job it became.

    A job of another customer, class or zones may be the one after all, as dirt and wishes change on arrival: it is
    taken, and told.

    Raises
    ------
    RimebookError
        When there is no such quote or job, the job was done before the quote was given, or won another quote.
    """
    quote = saved_quote(asking, number)
    stands = _as_it_stands(asking, number)
    job = _won_by(asking, quote, job_id) if state == "won" else None
    told: tuple[str, ...] = ()
    if stands.state not in ("open", state) or (job is not None and stands.job_id not in ("", None, job.job_id)):
        by = f" by job {stands.job_id}" if stands.job_id else ""
        now = f"{state} by job {job.job_id}" if job else state
        told = (f"Quote {number} was {stands.state}{by} since {stands.settled_on}; now it is {now}.",)
    if job is not None:
        job_id, told = job.job_id, (*told, *_unlike(quote, job))
    quote_rows.settle_quote(asking.book, number, state, job_id, asking.today)
    return Answer(QuoteResult((), None, None, Settled(number, state, job_id)), told)


def _as_it_stands(asking: Asking, number: int) -> SavedQuote:
    return next(q for q in quote_rows.every_quote(asking.book) if q.number == number)


def _won_by(asking: Asking, quote: SavedQuote, job_id: str) -> FinishedJob:
    """Return the finished job that a quote became."""
    where = f"quote {quote.number}"
    tomorrow = asking.today + timedelta(days=1)  # a job of today is done, too
    known = quote_rows.finished_jobs(asking.book, date.min, tomorrow)
    job = next((job for job in known if job.job_id.casefold() == job_id.strip().casefold()), None)
    if job is None:
        raise RimebookError(
            "no-such-job", where=where, found=f"no finished job `{job_id}` up to {asking.today}",
            expected="the job_id of a finished job", do="Import or log the job first.",
        )  # fmt: skip
    if job.day < quote.today:
        raise RimebookError(
            "job-before-quote", where=where, found=f"job `{job.job_id}` of {job.day}, and a quote given on "
            f"{quote.today}", expected="a job done on that day or later", do="Name the job that the quote became.",
        )  # fmt: skip
    # Whenever that was told: a job that wins a quote tomorrow cannot win another one today.
    saved = quote_rows.every_quote(asking.book)
    other = next((q for q in saved if q.number != quote.number and q.state == "won" and q.job_id == job.job_id), None)
    if other is not None:
        raise RimebookError(
            "job-won-already", where=where, found=f"job `{job.job_id}`, by which quote {other.number} was won",
            expected="one quote for a job",
            do=f"Name another job; if quote {other.number} was not taken: rimebook quote --lost {other.number}",
        )  # fmt: skip
    return job


def _unlike(quote: SavedQuote, job: FinishedJob) -> tuple[str, ...]:
    """Tell where a job is not what was quoted."""
    differs = []
    if job.customer.casefold() != quote.customer.casefold():
        differs.append(f"customer {job.customer or 'not given'} (quoted: {quote.customer or 'not given'})")
    vehicles, count = _vehicles(job, quote), _count(quote)
    if not vehicles:
        differs.append(f"{_named(job.scope)} (quoted: {_named(_scopes(quote)[0])})")
    elif vehicles > count:
        differs.append(f"{vehicles} vehicles (quoted: {count})")
    told = [f"Job {job.job_id} is not what was quoted: {'; '.join(differs)}. Taken as told."] if differs else []
    if 0 < vehicles < count:
        told.append(
            f"Job {job.job_id} did {vehicles} of the {count} vehicles quoted; what they cost is compared with the "
            "quote once jobs for all of them are logged."
        )
    return tuple(told)


def _named(scope: Sequence[tuple[str, str]]) -> str:
    zones: dict[str, list[str]] = {}
    for vehicle, zone in scope:
        zones.setdefault(vehicle, []).append(zone)
    return ", ".join(f"{vehicle} {' + '.join(dict.fromkeys(own))}" for vehicle, own in zones.items())


@dataclass(frozen=True)
class Followed:
    """What became of a saved quote.

    Attributes
    ----------
    quote : SavedQuote
    state : {"open", "won", "lost", "unclear"}
    jobs : tuple of str
        The finished jobs it became; for `unclear` those that fit it equally well.
    whole : bool
        Whether the jobs did all vehicles that were quoted; else their cost is no measure of the quote.
    """

    quote: SavedQuote
    state: State
    jobs: tuple[str, ...]
    whole: bool = True


def followed(asking: Asking) -> list[Followed]:
    """Return what became of each quote as of the morning of `asking.today`.

    What the shop said holds. Else a quote is matched to the finished jobs of the same customer with the same class and
    zones, as asked for or as found on arrival, done between its day and its validity (or the day it was asked for,
    whichever is later) and two weeks. One such job makes it won; two, or a job that fits two quotes, are unclear and
    told, never guessed; none makes it lost once it has run out. A fleet that the shop said was won by the job of some
    of its vehicles is matched to the jobs of the others likewise.
    """
    quotes = quote_rows.saved_quotes(asking.book, asking.today)
    if not quotes:
        return []
    jobs = quote_rows.finished_jobs(asking.book, min(q.today for q in quotes), asking.today)
    taken = {q.job_id for q in quotes if q.state == "won"}
    missing = {q.number: _missing(q, jobs) for q in quotes if q.state != "lost"}
    free = [job for job in jobs if job.job_id not in taken]
    fits = {q.number: _fitting(q, free) for q in quotes if missing.get(q.number)}
    claims: dict[str, int] = {}
    for found in fits.values():
        for job in found:
            claims[job.job_id] = claims.get(job.job_id, 0) + 1
    return [
        _followed(quote, missing.get(quote.number, 0), fits.get(quote.number, []), claims, asking.today)
        for quote in quotes
    ]  # fmt: skip


def last_day(quote: SavedQuote) -> date:
    """Return the last day on which a job may be the one that was quoted."""
    return _due(quote) + timedelta(days=GRACE_DAYS)


def _due(quote: SavedQuote) -> date:
    """Return the day until which a quote runs: that of its validity or the one asked for, whichever is later."""
    return max(quote.valid_until, date.fromisoformat(quote.quoted["request"]["date"]))


def _scopes(quote: SavedQuote) -> list[list[tuple[str, str]]]:
    """Return the classes and zones of a quote: as it was asked for, and as it was last found on arrival."""
    asked = [quote.quoted["request"], *(found["request"] for found in quote.quoted["found"][-1:])]
    return [sorted((line["vehicle_class"], line["zone"]) for line in request["lines"]) for request in asked]


def _fitting(quote: SavedQuote, jobs: Sequence[FinishedJob]) -> list[FinishedJob]:
    return [
        job for job in jobs
        if quote.today <= job.day <= last_day(quote) and job.customer.casefold() == quote.customer.casefold()
        and _vehicles(job, quote)
    ]  # fmt: skip


def _vehicles(job: FinishedJob, quote: SavedQuote) -> int:
    """Return on how many vehicles a job did exactly the quoted zones, or those found; 0 where anything else."""
    for scope in _scopes(quote):
        n, rest = divmod(len(job.scope), len(scope))
        if not rest and sorted(scope * n) == sorted(job.scope):
            return n
    return 0


def _count(quote: SavedQuote) -> int:
    return int(quote.quoted["request"]["count"])


def _missing(quote: SavedQuote, jobs: Sequence[FinishedJob]) -> int:
    """Return how many quoted vehicles no named job did; a named job that is not alike is taken for all of them."""
    if quote.state == "open":
        return _count(quote)
    done = next((_vehicles(job, quote) for job in jobs if job.job_id == quote.job_id), 0)
    return max(_count(quote) - done, 0) if done else 0


def _followed(
    quote: SavedQuote, missing: int, fits: list[FinishedJob], claims: dict[str, int], today: date
) -> Followed:
    vehicles = sum(_vehicles(job, quote) for job in fits)
    names = tuple(job.job_id for job in fits)
    clear = vehicles <= missing and all(claims[name] == 1 for name in names)
    if quote.state == "won":
        found = names if clear else ()
        return Followed(quote, "won", (quote.job_id, *found), not missing or (clear and vehicles == missing))
    if quote.state != "open":
        return Followed(quote, "lost", (quote.job_id,) if quote.job_id else ())
    if not clear:
        return Followed(quote, "unclear", names)
    if vehicles == missing:
        return Followed(quote, "won", names)
    # Nobody took it in time; a fleet that is partly done still runs until its last day.
    over = today > (last_day(quote) if fits else _due(quote))
    return Followed(quote, "lost" if over else "open", names)
