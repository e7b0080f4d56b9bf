"""What must be said beside a safety answer: limits that are passed, and what the figures do not hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from models.air.noise import OSHA_CEILING_DBA
from pipeline.answers.amounts import percent, weight
from shared.counting import counted
from shared.limits import JURISDICTION_KEY, jurisdictions

if TYPE_CHECKING:
    from pipeline.answers.estimating import Predicted
    from pipeline.answers.safety_answer import SafetyQuestion, SafetyResult
    from pipeline.answers.safety_space import Space
    from pipeline.book.settings import Settings

PIT_NOTE = "This bay has a pit, drain or basement: gas runs into it and stays. Keep people out of it."


def exceeded_notes(result: SafetyResult) -> list[str]:
    """Return what must be said of limits that are passed in at least one scenario of a hundred."""
    return [
        f"{limit.name}: exceeded in {percent(limit.chance_exceeded)} of scenarios at today's ventilation, were the air "
        "well mixed."
        for limit in result.limits
        if limit.chance_exceeded >= 0.01
    ]


def _whose_limits(settings: Settings) -> list[str]:
    """Tell a shop that is hardly in the country whose limits are the standard how to name its own."""
    if JURISDICTION_KEY in settings.limits or (settings.shop.units == "us" and settings.shop.currency == "USD"):
        return []
    standard, *others = jurisdictions()
    return [
        f"CO2 limits are those of the {standard.title()}. Where the shop is elsewhere, lower ones may hold: write "
        f"{JURISDICTION_KEY} under [limits] in book.toml ({' or '.join(others)}), or your own limits."
    ]


def safety_notes(
    settings: Settings, space: Space, result: SafetyResult, question: SafetyQuestion, found: Predicted | None
) -> tuple[str, ...]:
    """Return what must be said beside the figures of a space.

    Parameters
    ----------
    settings : Settings
    space : Space
        Checked.
    result : SafetyResult
    question : SafetyQuestion
    found : Predicted or None
        The work behind it; None where only ice is stored.
    """
    shop, ice = settings.shop, settings.ice
    work_min = result.planned.minutes.quantiles[0.5] if result.planned.minutes else 0.0
    said = [result.space.two_airs] if result.space.two_airs else []
    said += _whose_limits(settings)
    if question.day is not None and found is None:
        said.append(f"Nothing is booked on {question.day.isoformat()}: the figures are those of the stored ice alone.")
    said += exceeded_notes(result)
    if found and "planning" in found.consumption.basis:
        said.append("Pellets and minutes are planning figures from book.toml: nothing has been learned for them yet.")
    if space.air_cfm <= 0:
        no_air = "is entered" if space.two_airs_cfm is None else "counts"
        said.append(f"No ventilation {no_air}: the figures are those of a closed space.")
    if space.doors_open and not space.door_flow_cfm:
        said.append("Open doors earn no credit without a measured flow; measure it and give it with --door-flow-cfm.")
    if space.pit:
        said.append(PIT_NOTE)
    if result.noise and (space.noise_dba or 0.0) > OSHA_CEILING_DBA:
        said.append(
            f"At {space.noise_dba:g} dBA no time at all is allowed at the bare ear, however small the dose: OSHA's "
            f"table ends at {OSHA_CEILING_DBA:g} dBA (29 CFR 1910.95 Table G-16)."
        )
    if found and work_min > 60 * shop.hours_per_day:
        said.append(
            f"The work takes about {work_min / 60:.0f} h with one nozzle, more than a working day; with two nozzles at "
            "once the air is worse than told here."
        )
    elif result.planned.vehicles > 1 and shop.crew > 1:
        said.append(
            "The vehicles count as worked one after the other with one nozzle; two nozzles at once give twice the gas "
            "a minute, and the air is worse than told here."
        )
    if question.stored_lb > 0 and question.stored_lb_day is None:
        each = weight(ice.sublimation_lb_per_day, shop.units)
        said.append(
            f"What the stored ice loses is the planning figure of book.toml: {each} a day from each of "
            f"{counted(result.planned.containers, 'container')}."
        )
    return tuple(said)
