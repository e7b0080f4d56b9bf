"""Quotes as text: the price first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.ice_lapses import RECORD_DAYS
from pipeline.answers.requests import several_vehicles
from pipeline.present.estimate_text import basis_line, line_names, times, weights
from pipeline.present.figures import loss_chance, minutes, percent
from pipeline.present.quote_more_text import render_choices, render_rest
from pipeline.present.terminal import Column, paragraph, table

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.quoting import JobQuote, QuoteResult
    from pipeline.present.figures import Style


def render_quote(answer: Answer[QuoteResult], style: Style) -> str:
    """Return one block for each job quoted."""
    said = answer.result.settled
    if said is not None:
        became = f": job {said.job_id}" if said.job_id else ""
        return f"Quote {said.number} is {said.state}{became}."
    blocks = [_quote(quote, style) for quote in answer.result.quotes]
    usd_per_lb, basis = answer.result.ice_usd_per_lb, answer.result.ice_basis
    if usd_per_lb is not None and basis is not None:
        blocks.append(paragraph(ice_counted(usd_per_lb, basis, style)))
    return "\n\n".join(blocks)


def ice_counted(usd_per_lb: float, basis: str, style: Style) -> str:
    """Return at what price ice counts in prices of coming jobs, and which weeks it is from."""
    ground = (
        "planning figures" if basis == "planning" else f"the deliveries of the last {RECORD_DAYS // 7} logged weeks"
    )
    return f"Ice counts at {style.price_of_weight(usd_per_lb)}, delivery and lost ice included ({ground})."


def _quote(quote: JobQuote, style: Style) -> str:
    job = quote.estimate
    zones = zip(line_names(job.lines), job.lines, strict=True)
    scope = ", ".join(f"{name} ({line.soil_level})" for name, line in zones)
    why = {
        "margin": f"set by the wanted margin of {percent(quote.margin_share)} of the price",
        "risk": f"set by the accepted risk of {percent(quote.risk_share)}",
        "minimum": "set by the minimum charge",
    }[quote.binding]
    again = quote.agreed is not None
    name = "Price as now known" if quote.rest else "Price as found" if again else "Price"
    lines = [
        *_number(quote, style),
        paragraph(f"{name} {style.charged(quote.price_usd)} before tax{_each(quote.price_usd, quote, style)}, {why}."),
        paragraph(f"Job {job.job_id}: {scope}"),
    ]
    if quote.price_with_tax_usd != quote.price_usd:
        lines.append(f"With tax {style.money(quote.price_with_tax_usd, cents=True)}.")
    left = 1 - quote.expected_margin_share  # 0 where nothing costs anything
    markup = f" (a mark-up of {percent(quote.expected_margin_share / left)} on cost)" if left > 0 else ""
    at = f"At the {name[0].lower()}{name[1:]}: expected" if again or quote.rest else "Expected"
    margin = f"{at} margin {percent(quote.expected_margin_share)}"
    lines.append(
        paragraph(
            f"{margin} of the price{markup}; the chance that the job costs more than that price is "
            f"{loss_chance(quote.chance_of_loss)}."
        )
    )
    if quote.at_price:
        own = quote.at_price
        kept = " This is the price that was kept." if quote.number is not None and not again else ""
        lines.append(
            paragraph(
                f"At {style.charged(own.price_usd)}{_each(own.price_usd, quote, style)}: expected margin "
                f"{percent(own.expected_margin_share)}, chance of loss {loss_chance(own.chance_of_loss)}.{kept}"
            )
        )
    level = percent(quote.cost_usd.interval.level)
    cost = quote.cost_usd
    grid = table(
        [Column("Whole job" if quote.rest else "What"), Column("Likely", "number"),
         Column(f"{level} between", "number")],
        [
            ["Pellets", style.weight(quote.pellets_lb.quantiles[0.5]), weights(quote.pellets_lb, style)],
            ["Hands-on time", minutes(quote.minutes.quantiles[0.5]), times(quote.minutes)],
            ["Cost", style.money(cost.quantiles[0.5]),
             f"{style.money(cost.interval.low)} to {style.money(cost.interval.high)}"],
        ],
    )  # fmt: skip
    parts = table(
        [Column("Cost part"), Column("Mean", "number"), Column("Share", "number")],
        [
            [part.name, style.money(part.mean_usd), percent(part.mean_usd / cost.mean) if cost.mean else "-"]
            for part in quote.parts
        ]
        + [["together", style.money(cost.mean), ""]],
    )
    asked = table(
        [Column("Price for"), Column("", "number")],
        [
            [f"margin of {percent(quote.margin_share)}", style.money(quote.price_for_margin_usd)],
            [f"risk of {percent(quote.risk_share)}", style.money(quote.price_for_risk_usd)],
        ],
    )
    blocks = [*lines, "", grid, "", parts, "", asked]
    if quote.compare:
        blocks += [
            "",
            *(["Before what was used so far counts:"] if quote.rest else []),
            render_choices(quote.compare, style),
        ]
    if quote.rest:
        blocks += ["", render_rest(quote.rest, style)]
    return "\n".join([*blocks, "", paragraph(_terms(quote, style)), paragraph(basis_line(job.basis, job.similar_jobs))])


def _number(quote: JobQuote, style: Style) -> list[str]:
    if quote.number is None:
        return []
    if quote.agreed is None:
        return [paragraph(f"Quote {quote.number}, valid until {quote.valid_until.isoformat()}.")]
    then = quote.agreed
    agreed = style.charged(then.price_usd)
    told = f"Quote {quote.number} as found: agreed were {agreed}, with a ceiling of {style.charged(then.ceiling_usd)}. "
    figures = (
        f"the expected margin is {percent(then.expected_margin_share)} and the chance of loss "
        f"{loss_chance(then.chance_of_loss)}"
    )
    if quote.rest:
        told += f"With what was used so far, at the agreed {agreed} {figures}."
    else:
        told += f"If you keep to the agreed {agreed}, {figures}."
    if then.ask_customer:
        now = f"The price as {'now known' if quote.rest else 'found'}, {style.charged(quote.price_usd)},"
        if quote.at_price:
            now = f"The price of {style.charged(quote.at_price.price_usd)}"
        told += f" {now} is above the ceiling: ask the customer before {'going on' if quote.rest else 'starting'}."
    return [paragraph(told)]


def _each(usd: float, quote: JobQuote, style: Style) -> str:
    """Return for how many vehicles an amount is, and what that is for each; '' for one."""
    if quote.count == 1:
        return ""
    what = "such visits" if several_vehicles(quote.estimate.lines) else "vehicles alike"
    return f" for {quote.count} {what} ({style.charged(usd / quote.count)} each)"


def _terms(quote: JobQuote, style: Style) -> str:
    deposit, bare = style.charged(quote.deposit_usd), quote.ice_at_risk_usd - quote.deposit_usd
    covers = "covers the ice laid in for it"
    if bare > 0:
        covers = f"is the whole price; {style.money(bare)} of the ice that may be laid in for it would not be covered"
    return (
        f"Ceiling to agree on: {style.charged(quote.ceiling_usd)}; nothing above it without asking. A deposit of "
        f"{deposit} {covers} ({percent(quote.no_show_share)} of bookings are cancelled or not kept)."
    )
