"""The refined price list as a file: CSV for a spreadsheet, or one printable HTML page."""

from __future__ import annotations

import csv
import io
from importlib.resources import files
from typing import TYPE_CHECKING

from pipeline.intake.texts import guard
from pipeline.present.figures import money_range, percent, words

if TYPE_CHECKING:
    from pipeline.answers.price_list import ListPrice, PriceList
    from pipeline.present.figures import Style

CSV_COLUMNS = ("vehicle_class", "zone", "lines", "price_usd", "low_usd", "high_usd", "charged_usd", "supported")
_CALL_OUT = "call-out"


def price_list_csv(prices: PriceList) -> str:
    """Return the list as CSV (RFC 4180): call-out, prices at moderate soil, then factors, which carry no money."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_COLUMNS)
    for p in (prices.call_out, *prices.prices):
        money = [f"{v:.2f}" for v in (p.price_usd, p.low_usd, p.high_usd, p.charged_usd)]
        name = guard(p.vehicle_class) if p.vehicle_class else _CALL_OUT
        writer.writerow([name, guard(p.zone), p.lines, *money, "yes" if p.supported else "no"])
    for factor in prices.factors:
        writer.writerow([f"factor {guard(factor.name)}", "", "", f"{factor.factor:.3f}", "", "",
                         f"{factor.charged_factor:.3f}", ""])  # fmt: skip
    return out.getvalue()


def price_list_html(prices: PriceList, style: Style, *, shop: str = "", made_on: str = "") -> str:
    """Return the list as one self-contained page that prints on one sheet."""
    from jinja2 import Environment, select_autoescape

    environment = Environment(autoescape=select_autoescape(default=True), trim_blocks=True)
    source = (files("pipeline.present") / "templates" / "price_list.html").read_text(encoding="utf-8")
    told = (
        f"A visit costs the call-out plus its zones, each times its soil factor; at least "
        f"{style.charged(prices.minimum_usd)}. Made to earn {percent(prices.margin_share)} of the price."
    )
    note = (
        f"From {prices.visits:,} finished visits{f' before {made_on}' if made_on else ''}: "
        f"{percent(prices.charged_margin_share)} was earned; on visits alike this list earns between "
        f"{percent(prices.margin_low)} and {percent(prices.margin_high)} ({percent(prices.level)}). An asterisk marks "
        "prices from few visits."
    )
    return environment.from_string(source).render(
        shop=shop, told=told, note=note, level=percent(prices.level), currency=style.currency,
        prices=[_row(p) for p in (prices.call_out, *prices.prices)],
        factors=[
            {"name": words(f.name), "factor": f"{f.factor:.2f}", "now": f"{f.charged_factor:.2f}"}
            for f in prices.factors
        ],
    )  # fmt: skip


def _bare(usd: float, *, cents: bool = False) -> str:
    return f"{usd:,.{2 if cents else 0}f}"


def _row(p: ListPrice) -> dict[str, str]:
    # The caption has the currency: a code in every cell takes the width that two tables side by side need.
    return {
        "group": words(p.vehicle_class) or _CALL_OUT.replace("-", "\u2011"), "zone": words(p.zone),
        "price": f"{p.price_usd:,.0f}" + ("" if p.supported else "*"),
        "between": money_range(p.low_usd, p.high_usd, _bare), "now": f"{p.charged_usd:,.0f}",
    }  # fmt: skip
