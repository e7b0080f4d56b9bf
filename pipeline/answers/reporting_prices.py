"""Jobs to price on the report page: those booked next and those done most, at each soil level."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline.answers.estimating import basis_warnings, estimates_of
from pipeline.answers.quote_ground import ground_of, job_cost_draws, job_draws
from pipeline.answers.requests import ASKED_ID, JobAsked, LineAsked
from pipeline.answers.safety import booked_jobs
from pipeline.answers.safety_warning import bay_chances, bay_sentences
from pipeline.book import tables
from shared.vocabulary import QUANTITIES, SOILS, UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    import numpy as np
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from pipeline.answers.answer import Asking
    from pipeline.answers.estimating import JobEstimate
    from pipeline.answers.quote_ground import JobDraws
    from shared.vocabulary import Quantity

#: Jobs offered: bookings of the coming days first, then what the shop does most.
MOST_BOOKED, MOST_USUAL, MOST_ZONES = 6, 6, 6
AHEAD_DAYS = 60
#: What is offered where nothing is booked or logged yet.
_FIRST = (
    ("sedan", ("undercarriage",)), ("suv", ("undercarriage", "wheel_wells")), ("van", ("engine_bay",)),
    ("pickup", ("undercarriage",)),
)  # fmt: skip
AS_IS = "as it is"


@dataclass(frozen=True)
class SoilChoice:
    """One job at one soil level: its estimate and the draws of its cost, USD (n_draws,)."""

    soil: str
    job: JobAsked
    estimate: JobEstimate
    cost_usd: NDArray[np.float64]


@dataclass(frozen=True)
class PricedJob:
    """A job on offer; `booking_id` is '' where it is one the shop does often (`n_done` times)."""

    booking_id: str
    day: date
    vehicle_class: str
    zones: tuple[str, ...]
    n_done: int
    choices: tuple[SoilChoice, ...]


@dataclass(frozen=True)
class PricedJobs:
    """All jobs on offer and what they rest on.

    Attributes
    ----------
    jobs : tuple of PricedJob
    ice_usd_per_lb, ice_basis : float, str
        The price of ice they count with.
    n_booked : int
        Bookings of one vehicle in the coming days.
    unlogged : tuple of {"pellets_lb", "minutes"}
        Quantities that no learned job has, while some have the other one: they are planning figures.
    warnings : tuple of str
        Of the ground the estimates stand on; none where all are planning figures, which the section tells first.
    bay_warnings : tuple of str
        Limits that the ice of a job, as it is, would pass in the book's only bay.
    """

    jobs: tuple[PricedJob, ...]
    ice_usd_per_lb: float
    ice_basis: str
    n_booked: int
    unlogged: tuple[Quantity, ...]
    warnings: tuple[str, ...]
    bay_warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Offer:
    booking_id: str
    job: JobAsked
    n_done: int


def priced_jobs(asking: Asking, table: JobTable) -> PricedJobs:
    """Return the jobs on offer; each choice is exactly what `quote` answers to the same job."""
    booked = _booked(asking)
    offers = [*booked[:MOST_BOOKED], *_usual(asking, table)] or _first(asking)
    ground = ground_of(asking)
    asked = [(offer, soil, job) for offer in offers for soil, job in _at_each_soil(offer.job)]
    # Each job is priced as if `quote` were asked for it alone.
    draws = job_draws(asking, [job for _, _, job in asked], ground, alone=True)
    estimates = estimates_of(asking, draws.found)
    choices = [
        SoilChoice(soil, job, estimates[j], job_cost_draws(asking, draws, j, ground.landed).total())
        for j, (_, soil, job) in enumerate(asked)
    ]
    told = []
    for offer in offers:
        own = tuple(c for (o, _, _), c in zip(asked, choices, strict=True) if o is offer)
        lines = offer.job.lines
        told.append(PricedJob(offer.booking_id, offer.job.day, lines[0].vehicle_class,
                              tuple(line.zone for line in lines), offer.n_done, own))  # fmt: skip
    planned = any(e.basis == "planning" for e in estimates)
    unlogged = () if planned else tuple(q for q, n in zip(QUANTITIES, ground.fit.fitted.n_values, strict=True) if not n)
    as_is = [j for j, (_, soil, _) in enumerate(asked) if soil == AS_IS]
    return PricedJobs(
        tuple(told), ground.landed.usd_per_lb, ground.landed.basis, len(booked), unlogged,
        () if planned else basis_warnings(asking, ground.fit, estimates), _bay_warnings(asking, offers, draws, as_is),
    )  # fmt: skip


def _bay_warnings(asking: Asking, offers: Sequence[_Offer], draws: JobDraws, as_is: Sequence[int]) -> tuple[str, ...]:
    """Return the limits that the ice of offered jobs would pass; `as_is` is the place of each one's draws."""
    names = [f"booking {offer.booking_id}" if offer.booking_id else _described(offer.job) for offer in offers]
    settings = asking.book.settings
    chances = bay_chances(settings, draws.in_turn)
    return tuple(bay_sentences(settings, names, {limit: chance[list(as_is)] for limit, chance in chances.items()}))


def _described(job: JobAsked) -> str:
    zones = ", ".join(line.zone.replace("_", " ") for line in job.lines)
    return f"{job.lines[0].vehicle_class.replace('_', ' ')} ({zones})"


def _at_each_soil(job: JobAsked) -> list[tuple[str, JobAsked]]:
    """Return the job as it is and with every zone at each level; levels that change nothing are left out."""
    found = [(AS_IS, job)]
    for soil in SOILS:
        changed = replace(job, lines=tuple(replace(line, soil_level=soil) for line in job.lines))
        if changed.lines != job.lines:
            found.append((soil, changed))
    return found


def _booked(asking: Asking) -> list[_Offer]:
    """Return the coming bookings of one vehicle whose zones come once each: those a quote can ask for by options."""
    last = asking.today + timedelta(days=AHEAD_DAYS)
    days = sorted({b.day for b in tables.bookings(asking.book, asking.today) if asking.today <= b.day <= last})
    found: list[_Offer] = []
    for day in days:
        for job in booked_jobs(asking, day):
            zones = [line.zone for line in job.lines]
            alike = len({(line.vehicle_class, line.coating_removed) for line in job.lines}) == 1
            if alike and len(set(zones)) == len(zones):
                lines = tuple(replace(line, soil_level=line.soil_level or UNKNOWN) for line in job.lines)
                found.append(_Offer(job.job_id, JobAsked(ASKED_ID, day, lines, job.customer), 0))
    return found


def _usual(asking: Asking, table: JobTable) -> list[_Offer]:
    """Return the class and zones of the jobs done most often, with the soil not yet seen."""
    words = table.vehicle_class.words(), table.zone.words()
    by_job: dict[int, tuple[set[str], list[str]]] = {}
    for line, job in enumerate(table.line_job.tolist()):
        classes, zones = by_job.setdefault(job, (set(), []))
        classes.add(words[0][line])
        zones.append(words[1][line])
    done = Counter(
        (min(classes), tuple(sorted(zones)))
        for classes, zones in by_job.values()
        if len(classes) == 1 and len(set(zones)) == len(zones) <= MOST_ZONES
    )
    usual = sorted(done, key=lambda k: (-done[k], k))[:MOST_USUAL]
    return [_Offer("", _plain(asking, c, zones), done[c, zones]) for c, zones in usual]


def _first(asking: Asking) -> list[_Offer]:
    return [_Offer("", _plain(asking, c, zones), 0) for c, zones in _FIRST]


def _plain(asking: Asking, vehicle_class: str, zones: Sequence[str]) -> JobAsked:
    return JobAsked(ASKED_ID, asking.today, tuple(LineAsked(vehicle_class, zone, UNKNOWN) for zone in zones))
