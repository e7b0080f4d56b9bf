"""Choices side by side: the job on each machine, at each soil level, or done another way."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from pipeline.answers.answer import QuantitySummary, summarise
from pipeline.answers.pricing import job_cost, price_job
from pipeline.answers.quote_ground import JobDraws, job_cost_draws, job_draws
from pipeline.answers.requests import spellings
from shared.errors import RimebookError
from shared.vocabulary import SOILS

if TYPE_CHECKING:
    from pipeline.answers.answer import Asking
    from pipeline.answers.quote_ground import Ground
    from pipeline.answers.requests import JobAsked

CompareBy = Literal["machine", "soil", "way"]
#: Zones with electrics or trim that water must stay out of (common practice, no source).
DRY_ZONES = ("engine_bay", "interior", "door_jambs")


@dataclass(frozen=True)
class Choice:
    """One of several ways to do a job; money of all its vehicles together.

    Attributes
    ----------
    by : {"machine", "soil", "way"}
    name : str
        Machine code, soil level, or the zone that another way would clean.
    pellets_lb, minutes, cost_usd : QuantitySummary
        With dry ice. For a zone of `way`: of that zone alone, without set-up and clean-up.
    price_usd : float or None
        None for a single zone.
    other_usd : float or None
        Cost of the other way in `book.toml`, its minutes at wage and overhead; None where none is entered.
    note : str
    """

    by: CompareBy
    name: str
    pellets_lb: QuantitySummary
    minutes: QuantitySummary
    cost_usd: QuantitySummary
    price_usd: float | None
    other_usd: float | None
    note: str


def compared(asking: Asking, job: JobAsked, ground: Ground, by: CompareBy, count: int) -> tuple[Choice, ...]:
    """Return the choices of one kind for a job.

    Raises
    ------
    RimebookError
        ``one-machine`` when the shop has no two machines to compare; ``no-other-way`` when `book.toml` has no rate
        of another way for any zone of the job.
    """
    if by == "way":
        return _ways(asking, job, ground, count)
    if by == "soil":
        names: tuple[str, ...] = SOILS
        variants = [replace(job, lines=tuple(replace(x, soil_level=s) for x in job.lines)) for s in SOILS]
    else:
        names = machines(asking, ground)
        variants = [replace(job, lines=tuple(replace(x, machine=m) for x in job.lines)) for m in names]
    return tuple(
        _choice(asking, variant, ground, count, by, name) for name, variant in zip(names, variants, strict=True)
    )


def machines(asking: Asking, ground: Ground) -> tuple[str, ...]:
    """Return the machines of the shop, those of the log as spelled there, and those that only `book.toml` names."""
    spelled = spellings((*asking.book.settings.machines, *ground.fit.fitted.columns.blocks["machine"]))
    names = tuple(spelled[key] for key in sorted(spelled))
    if len(names) < 2:
        raise RimebookError(
            "one-machine", where="--compare machine", found=f"{len(names)} machines in the log and in book.toml",
            expected="two or more", do="Log the machine of each job, or name the machines under [machines].",
        )  # fmt: skip
    return names


def _choice(asking: Asking, job: JobAsked, ground: Ground, count: int, by: CompareBy, name: str) -> Choice:
    draws = job_draws(asking, [job], ground, count)
    cost = job_cost_draws(asking, draws, 0, ground.landed).total()
    pricing = asking.book.settings.pricing
    found = draws.found.consumption
    n_pellets, n_minutes = found.n_calibration[:, 0].tolist()
    return Choice(
        by, name, summarise(found.pellets.total(), level=asking.level, n_scores=n_pellets),
        summarise(found.minutes.total(), level=asking.level, n_scores=n_minutes),
        summarise(cost, level=asking.level, n_scores=found.n_both()),
        price_job(cost, pricing, minimum_usd=count * pricing.minimum_usd).price_usd, None, "",
    )  # fmt: skip


def water_must_stay_out(asking: Asking, zone: str) -> bool:
    """Return whether water must stay out of a zone, or out of the one that a zone of the shop's own is like."""
    own = asking.book.settings.words.zones.get(zone)
    return (own.like if own else zone) in DRY_ZONES


def _ways(asking: Asking, job: JobAsked, ground: Ground, count: int) -> tuple[Choice, ...]:
    rates = asking.book.settings.other_way
    usable = [z.zone for z in job.lines if z.zone in rates and not water_must_stay_out(asking, z.zone)]
    if not usable and not any(water_must_stay_out(asking, line.zone) for line in job.lines):
        raise RimebookError(
            "no-other-way", where="--compare way", found="no rate of another way for these zones in book.toml",
            expected="[other_way.ZONE] with usd or minutes", do="Enter what washing, scraping or steam costs here.",
        )  # fmt: skip
    draws = job_draws(asking, [job], ground, count)
    return tuple(_way(asking, draws, ground, i, count) for i in range(len(job.lines)))


def _way(asking: Asking, draws: JobDraws, ground: Ground, i: int, count: int) -> Choice:
    found, costs = draws.found.consumption, asking.book.settings.costs
    zone = draws.found.jobs[0].lines[i].zone
    pellets, minutes = found.pellets.draws[i], found.minutes.draws[i]
    here = job_cost(pellets, minutes, beside_min=0.0, landed_usd_per_lb=ground.landed.usd_per_lb,
                    costs=replace(costs, consumables_usd_per_job=0.0)).total()  # fmt: skip
    rate = asking.book.settings.other_way.get(zone)
    other, note = None, "no rate in book.toml"
    if rate is not None:
        hourly = costs.labour_usd_per_hour + costs.overhead_usd_per_hour
        other = count * ((rate.usd or 0.0) + (rate.minutes or 0.0) * hourly / 60.0)
        note = "the other way costs less" if other < here.mean() else "dry ice costs less"
    if water_must_stay_out(asking, zone):
        note = "water must stay out"
    n_pellets, n_minutes = found.n_calibration[:, 0].tolist()
    return Choice("way", zone, summarise(pellets, level=asking.level, n_scores=n_pellets),
                  summarise(minutes, level=asking.level, n_scores=n_minutes),
                  summarise(here, level=asking.level, n_scores=found.n_both()), None, other, note)  # fmt: skip
