"""What a customer is told of a quote: scope, price, what changes it; nothing of what it costs the shop."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.answers.pricing import price_job
from pipeline.answers.quote_ground import ground_of, job_cost_draws, job_draws
from shared.counting import some_named
from shared.vocabulary import SOILS, UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from pipeline.answers.answer import Asking
    from pipeline.answers.quote_ground import Ground
    from pipeline.answers.quoting import JobQuote
    from pipeline.answers.requests import JobAsked
    from pipeline.book.store import Book

#: A logo beyond this would swell every sheet.
MOST_LOGO_BYTES = 1_000_000
#: Customers that a note names.
_NAMED = 5
_KINDS = (
    (b"\x89PNG", "image/png"), (b"\xff\xd8\xff", "image/jpeg"), (b"GIF8", "image/gif"), (b"<svg", "image/svg+xml"),
    (b"<?xml", "image/svg+xml"),
)  # fmt: skip


@dataclass(frozen=True)
class ScopeLine:
    """One zone of the work; soil is "unknown" where nobody has seen it, `vehicle` "" where there is one of them."""

    vehicle_class: str
    vehicle: str
    zone: str
    soil_level: str
    coating_removed: bool


@dataclass(frozen=True)
class CustomerSheet:
    """One quote as the customer sees it; money before tax, of all `count` vehicles together.

    Attributes
    ----------
    number : int or None
        Of a saved quote.
    day : date
        On which the work is done.
    price_usd, ceiling_usd, deposit_usd : float
    by_soil : tuple of (soil level, price in USD)
        The price if all zones turn out so dirty; empty where the price is the shop's own figure.
    range_usd : tuple of float or None
        Least and highest price by what is found in the zones that nobody has seen; None where all are seen.
    agreed_usd : tuple of float or None
        Price and ceiling that were agreed before the inspection; None where this is the first price.
    """

    number: int | None
    job_id: str
    customer: str
    made_on: date
    valid_until: date
    day: date
    count: int
    scope: tuple[ScopeLine, ...]
    price_usd: float
    ceiling_usd: float
    deposit_usd: float
    by_soil: tuple[tuple[str, float], ...]
    range_usd: tuple[float, float] | None
    agreed_usd: tuple[float, float] | None = None


@dataclass(frozen=True)
class Logo:
    """A picture with its media type."""

    media_type: str
    content: bytes


def customer_sheets(asking: Asking, quotes: Sequence[JobQuote], jobs: Sequence[JobAsked]) -> tuple[CustomerSheet, ...]:
    """Return the sheet of each quote; `jobs` are what was quoted, in the same order."""
    ground = ground_of(asking)  # what it tells of one customer's bookings is for the deposit, which the quotes have
    return tuple(_sheet(asking, quote, job, ground) for quote, job in zip(quotes, jobs, strict=True))


def _sheet(asking: Asking, quote: JobQuote, job: JobAsked, ground: Ground) -> CustomerSheet:
    soils = [line.soil_level for line in quote.estimate.lines]
    scope = tuple(
        ScopeLine(line.vehicle_class, line.vehicle, line.zone, soil or UNKNOWN, line.coating_removed)
        for line, soil in zip(job.lines, soils, strict=True)
    )
    by_soil: tuple[tuple[str, float], ...] = ()
    range_usd = None
    if quote.at_price is None:
        by_soil = tuple((soil, _price(asking, _found(job, soil, every=True), ground, quote.count)) for soil in SOILS)
        if any(line.soil_level == UNKNOWN for line in scope):
            least_most = (_found(job, soil, every=False) for soil in (SOILS[0], SOILS[-1]))
            ends = [_price(asking, found, ground, quote.count) for found in least_most]
            range_usd = (min(ends), max(ends))
    price = quote.price_usd if quote.at_price is None else quote.at_price.price_usd
    return CustomerSheet(
        quote.number,
        quote.job_id,
        quote.customer,
        asking.today,
        quote.valid_until,
        job.day,
        quote.count,
        scope,
        price,
        quote.ceiling_usd,
        quote.deposit_usd,
        by_soil,
        range_usd,
        None if quote.agreed is None else (quote.agreed.price_usd, quote.agreed.ceiling_usd),
    )


def _found(job: JobAsked, soil: str, *, every: bool) -> JobAsked:
    """Return the job with a level in every zone, or in those alone that nobody has seen."""
    lines = tuple(
        replace(line, soil_level=soil) if every or line.soil_level in ("", UNKNOWN) else line for line in job.lines
    )
    return replace(job, lines=lines)


def _price(asking: Asking, job: JobAsked, ground: Ground, count: int) -> float:
    pricing = asking.book.settings.pricing
    draws = job_draws(asking, [job], ground, count)
    cost = job_cost_draws(asking, draws, 0, ground.landed).total()
    return price_job(cost, pricing, minimum_usd=count * pricing.minimum_usd).price_usd


def several_customers(sheets: Sequence[CustomerSheet]) -> str:
    """Return what must be said where one file holds the sheets of several customers: '' where it does not.

    A sheet that names nobody may be anybody's, and says nothing.
    """
    customers = {sheet.customer.casefold(): sheet.customer for sheet in sheets if sheet.customer}
    if len(customers) < 2:
        return ""
    named = some_named([*customers.values()], _NAMED)
    return f"Sheets of {len(customers)} customers in one file: {named}. Part them before any of it goes out."


def shop_logo(book: Book) -> tuple[Logo | None, str]:
    """Return the shop's logo and what must be said of it: '' where there is nothing to say.

    The settings refuse a name that leads out of the book's folder.
    """
    name = book.settings.shop.logo.strip()
    if not name:
        return None, ""
    file = book.folder / name
    where = f'[shop] logo = "{name}" in book.toml'
    try:
        content = file.read_bytes()
    except OSError:
        return None, f"{where} cannot be read; the sheet has no logo."
    media_type = next((kind for start, kind in _KINDS if content.lstrip()[: len(start)] == start), "")
    if not media_type or len(content) > MOST_LOGO_BYTES:
        why = "is larger than 1 MB" if media_type else "is no PNG, JPEG, GIF or SVG picture"
        return None, f"{where} {why}; the sheet has no logo."
    return Logo(media_type, content), ""
