"""The quote explorer of the report page: jobs on offer with the draws of their cost, small enough to embed."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.answers.amounts import SIGNS
from pipeline.answers.pricing import price_job
from pipeline.answers.reporting_prices import AHEAD_DAYS, AS_IS
from pipeline.present.estimate_text import basis_line, times, weights
from pipeline.present.figures import loss_chance, minutes, percent, words
from pipeline.present.page_tables import Grid, grid
from pipeline.present.quote_text import ice_counted
from shared.counting import counted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.answers.reporting import ReportContents
    from pipeline.answers.reporting_prices import PricedJob, SoilChoice
    from pipeline.present.figures import Style

#: Steps of the embedded cost draws, in parts of the currency's unit.
_STEPS_PER_USD = 10_000


@dataclass(frozen=True)
class PricesPart:
    """The section's texts, the table of prices, and what its controls start with."""

    id: str
    question: str
    lead: str
    to_log: str
    lines: tuple[str, ...]
    table: Grid
    ice: str
    margin: str
    risk: str
    currency: str
    level: str


def packed(cost_usd: NDArray[np.float64]) -> str:
    """Return cost draws, sorted, as base64 of base-128 numbers: steps of 0.0001 from one to the next.

    Price, chance of loss and margin do not depend on the order of the draws; each 7 bits, least first, with the top
    bit set where more follow.
    """
    whole = np.round(np.sort(cost_usd) * _STEPS_PER_USD).astype(np.int64)
    out = bytearray()
    for step in np.diff(whole, prepend=0).tolist():
        while step > 127:
            out.append(step & 127 | 128)
            step >>= 7
        out.append(step)
    return base64.b64encode(bytes(out)).decode("ascii")


def prices_data(contents: ReportContents, style: Style) -> str:
    """Return the explorer's data as JSON that may stand inside a script element."""
    pricing = contents.settings.pricing
    data: dict[str, Any] = {
        "currency": style.currency, "sign": SIGNS.get(style.currency), "level": contents.level,
        "minimum": pricing.minimum_usd, "round_to": pricing.round_to_usd, "tax": pricing.tax_share,
        "jobs": [
            {"label": _label(job), "choices": [_choice(job, c, contents, style) for c in job.choices]}
            for job in contents.prices.jobs
        ],
    }  # fmt: skip
    text = json.dumps(data, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _label(job: PricedJob) -> str:
    what = f"{words(job.vehicle_class)}: {', '.join(words(z) for z in job.zones)}"
    if job.booking_id:
        return f"{job.day.isoformat()}, booking {job.booking_id}: {what}"
    return what + (f" (done {counted(job.n_done, 'time')})" if job.n_done else "")


def _soil_label(choice: SoilChoice) -> str:
    if choice.soil != AS_IS:
        return f"{choice.soil} everywhere"
    levels = [line.soil_level or "unknown" for line in choice.job.lines]
    if all(level == "unknown" for level in levels):
        return "not seen yet: as such jobs usually are"
    return "as booked: " + ", ".join("not seen" if level == "unknown" else level for level in levels)


def _choice(job: PricedJob, choice: SoilChoice, contents: ReportContents, style: Style) -> dict[str, Any]:
    told = choice.estimate
    level = percent(contents.level)
    return {
        "soil_label": _soil_label(choice), "mean": float(np.mean(choice.cost_usd)), "costs": packed(choice.cost_usd),
        "pellets": f"{style.weight(told.pellets_lb.quantiles[0.5])}, {level} within {weights(told.pellets_lb, style)}",
        "minutes": f"{minutes(told.minutes.quantiles[0.5])}, {level} within {times(told.minutes)}",
        "rests": " ".join([basis_line(told.basis, told.similar_jobs).removeprefix("Basis: "), *_unlogged(contents)]),
        "command": _command(job, choice, contents),
    }  # fmt: skip


def _unlogged(contents: ReportContents) -> list[str]:
    """Return which of the two quantities rests on planning figures alone while the other one is logged."""
    named = {"pellets_lb": "pellets", "minutes": "minutes"}
    return [
        f"No {named[q]} are logged yet: {named[q]} are planning figures from book.toml."
        for q in contents.prices.unlogged
    ]


def _command(job: PricedJob, choice: SoilChoice, contents: ReportContents) -> str:
    zones = " ".join(f"--zone {_shell(f'{line.zone}:{line.soil_level}')}" for line in choice.job.lines)
    day = f" --date {choice.job.day.isoformat()}" if choice.job.day != contents.today else ""
    coating = " --coating-removed" if choice.job.lines[0].coating_removed else ""
    customer = f" --customer {_shell(choice.job.customer)}" if choice.job.customer else ""
    seed = f" --seed {contents.seed}" if contents.seed != 1 else ""
    level = f" --level {contents.level:g}" if contents.level != 0.8 else ""
    return (
        f"rimebook quote --vehicle {_shell(job.vehicle_class)} {zones}{coating}{customer}{day} "
        f"--today {contents.today}{seed}{level}"
    )


def _shell(word: str) -> str:
    import shlex

    return shlex.quote(word)


def prices_part(contents: ReportContents, style: Style) -> PricesPart:
    """Return the section that prices jobs, its first sentence telling the first job's price."""
    pricing, prices = contents.settings.pricing, contents.prices
    first = prices.jobs[0]
    choice = first.choices[0]
    price = price_job(choice.cost_usd, pricing)
    lead = (
        f"{_label(first).split(' (done')[0]}: {style.charged(price.price_usd)} before tax, about "
        f"{style.weight(choice.estimate.pellets_lb.quantiles[0.5])} and "
        f"{minutes(choice.estimate.minutes.quantiles[0.5])}; the chance of loss is {loss_chance(price.chance_of_loss)}."
    )
    lines: list[str] = []
    if choice.estimate.basis == "planning":
        lines.append(
            "These are planning figures from book.toml, not yet this shop's own: import a job log or record jobs with "
            "`rimebook log`, then run `rimebook learn`."
        )
    lines += _unlogged(contents)
    listed = sum(1 for job in prices.jobs if job.booking_id)
    if listed < prices.n_booked:
        lines.append(
            f"The next {listed} of the {prices.n_booked} bookings in the coming {AHEAD_DAYS} days are listed; "
            "`rimebook quote` prices any other."
        )
    ice = ice_counted(prices.ice_usd_per_lb, prices.ice_basis, style)
    level = percent(contents.level)
    table = grid(
        f"Prices before tax, made to earn {percent(pricing.margin_share)} of the price at a risk of "
        f"{percent(pricing.risk_share)}; pellets and time with their {level} range",
        ["Job", "#Price", "#Chance of loss", "#Pellets", "#Hands-on time"],
        [_row(job, contents, style) for job in prices.jobs],
    )
    return PricesPart("prices", "What will this job cost?", lead, "", tuple(lines), table, ice,
                      f"{pricing.margin_share * 100:g}", f"{pricing.risk_share * 100:g}", style.currency,
                      level)  # fmt: skip


def _row(job: PricedJob, contents: ReportContents, style: Style) -> list[str]:
    choice = job.choices[0]
    price = price_job(choice.cost_usd, contents.settings.pricing)
    told = choice.estimate
    return [_label(job), style.charged(price.price_usd), loss_chance(price.chance_of_loss),
            weights(told.pellets_lb, style), times(told.minutes)]  # fmt: skip
