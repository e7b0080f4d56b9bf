"""The customer's sheet of a quote as one printable HTML page."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any, Final

from pipeline.answers.requests import ASKED_ID, several_vehicles
from pipeline.present.estimate_text import vehicle_words
from pipeline.present.figures import words
from pipeline.present.page import content_policy, environment, template_text
from shared.counting import cut
from shared.vocabulary import UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.customer_sheet import CustomerSheet, Logo, ScopeLine
    from pipeline.book.settings import Settings
    from pipeline.present.figures import Style

#: Letters of a name that the foot of a page holds.
_RUNNING: Final = 40


def sheet_page(
    sheets: Sequence[CustomerSheet], settings: Settings, style: Style, *, cautions: Sequence[str], logo: Logo | None
) -> str:
    """Return the sheets as HTML, each on paper of its own."""
    from markupsafe import Markup

    css = template_text("sheet.css")
    picture = ""
    if logo is not None:
        picture = f"data:{logo.media_type};base64,{base64.b64encode(logo.content).decode('ascii')}"
    return environment().from_string(template_text("sheet.html")).render(
        css=Markup(css), policy=Markup(content_policy(css)), shop=settings.shop.name,
        address=[line.strip() for line in settings.shop.address.replace("\n", ",").split(",") if line.strip()],
        logo=picture, cautions=cautions, sheets=[_told(sheet, settings, style) for sheet in sheets],
    )  # fmt: skip


def _told(sheet: CustomerSheet, settings: Settings, style: Style) -> dict[str, Any]:
    tax = settings.pricing.tax_share
    several = several_vehicles(sheet.scope)
    told: dict[str, Any] = {
        "title": f"Quote {sheet.number}" if sheet.number is not None else "Quote",
        # A saved quote has its number; the name of a job that options described is ours and says nothing.
        "job": sheet.job_id if sheet.number is None and sheet.job_id != ASKED_ID else "",
        "customer": sheet.customer, "made_on": sheet.made_on.isoformat(), "valid_until": sheet.valid_until.isoformat(),
        # A job without a day of its own is priced as of today; that is no promise to work today.
        "day": "" if sheet.day == sheet.made_on else sheet.day.isoformat(),
        "vehicles": f"{sheet.count} {'such visits' if several else 'vehicles alike'}" if sheet.count > 1 else "",
        "scope": [_scope(line) for line in sheet.scope], "price": style.charged(sheet.price_usd),
        "tax": _tax(sheet.price_usd, tax, style), "ceiling": style.charged(sheet.ceiling_usd),
        "ceiling_tax": _tax(sheet.ceiling_usd, tax, style), "deposit": style.charged(sheet.deposit_usd),
        "by_soil": [(soil, style.charged(price), _tax(price, tax, style)) for soil, price in sheet.by_soil],
        "strips": any(line.coating_removed for line in sheet.scope), "range": "", "beyond": False, "agreed": "",
    }  # fmt: skip
    if sheet.agreed_usd is not None:
        agreed, ceiling = sheet.agreed_usd
        told["title"] += ", as found on arrival"
        told["agreed"] = f"{style.charged(agreed)}, with a ceiling of {style.charged(ceiling)}"
    if sheet.range_usd is not None:
        low, high = sheet.range_usd
        told["range"] = f"{style.charged(low)} and {style.charged(high)}"
        told["beyond"] = high > sheet.ceiling_usd
    told["running"] = _running(told)
    return told


def _running(told: dict[str, Any]) -> str:
    """Return what names a sheet at the foot of each of its printed pages, so that loose pages find together again.

    Only in PDF: browsers do not print running lines, and find the same words above the signatures. Names are cut to
    what the foot of a page holds; the sheet itself has them whole.
    """
    job, customer = (cut(told[name], _RUNNING) for name in ("job", "customer"))
    parts = [told["title"], f"job {job}" if job else "", f"for {customer}" if customer else ""]
    price = f"{told['price']} before tax" if told["tax"] else told["price"]
    return f"{', '.join(part for part in parts if part)}: {price}"


def _scope(line: ScopeLine) -> dict[str, str]:
    soil = "not seen yet" if line.soil_level == UNKNOWN else line.soil_level
    return {"vehicle": vehicle_words(line), "zone": words(line.zone), "soil": soil,
            "extra": "old coating removed" if line.coating_removed else ""}  # fmt: skip


def _tax(usd: float, share: float, style: Style) -> str:
    """Return an amount with tax, '' where there is none."""
    return f"{style.money(usd * (1 + share), cents=True)} with {100 * share:.6g} % tax" if share else ""
