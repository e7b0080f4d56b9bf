"""What `book.toml` says, as frozen values: every key optional, with a default, checked on loading."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from models.consumption.planning import (
    CLASS_FACTOR,
    SOIL_FACTOR,
    ZONE_MINUTES,
    ZONE_PELLETS_LB,
    Planning,
    PlanningFigures,
)
from pipeline.book.keys import as_date, number, one_day, several_days, shaped, text, weekdays, whole, yes_no
from shared.vocabulary import CLASSES, SOILS, ZONES

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date


@dataclass(frozen=True)
class Shop:
    """[shop]: who and when."""

    name: str = text("", "the shop's name, for the customer sheet")
    address: str = text("", "its address, for the customer sheet")
    logo: str = text("", "a picture file inside this folder, for the customer sheet")
    units: str = text("us", "units of bare numbers and of what is printed", choices=("us", "metric"))
    currency: str = text("USD", "three-letter code; `usd` in every name means this currency", most=3)
    date_order: str = text(
        "", "how to read 03/04/2026; empty: from the column, where it proves itself",
        choices=("", "day-first", "month-first"),
    )  # fmt: skip
    time_zone: str = text("", "such as America/Denver; for time stamps and calendar files", most=60)
    working_days: tuple[str, ...] = weekdays(("mon", "tue", "wed", "thu", "fri"), "days on which jobs are done")
    closed: tuple[date, ...] = several_days("holidays and other days without work")
    hours_per_day: float = number(8.0, "hours a person works on vehicles in a day", low=0.5, high=24)
    crew: int = whole(2, "people who blast", low=1, high=200)
    bays: int = whole(1, "vehicles that can be worked at the same time", low=1, high=200)
    as_of: date | None = one_day("for a closed or demo book: what `today` means; empty: the computer's date")


@dataclass(frozen=True)
class Own:
    """A class or zone of the shop's own: like another one, times a factor."""

    like: str
    factor: float


def _own(value: Any) -> dict[str, Own]:
    if not isinstance(value, dict):
        raise ValueError
    found: dict[str, Own] = {}
    for name, entry in value.items():
        if not isinstance(entry, dict) or set(entry) - {"like", "factor"} or not isinstance(entry.get("like"), str):
            raise ValueError
        factor = entry.get("factor", 1.0)
        if isinstance(factor, bool) or not isinstance(factor, int | float) or not 0.01 <= factor <= 100:
            raise ValueError
        found[name.strip().casefold()] = Own(entry["like"], float(factor))
    return found


def _aliases(value: Any) -> dict[str, str]:
    if not isinstance(value, dict) or any(not isinstance(v, str) for v in value.values()):
        raise ValueError
    return dict(value)


def _packages(value: Any) -> dict[str, tuple[str, ...]]:
    if not isinstance(value, dict):
        raise ValueError
    for zones in value.values():
        if not isinstance(zones, list) or len(zones) < 2 or any(not isinstance(z, str) for z in zones):
            raise ValueError
        if len(set(zones)) < len(zones):
            raise ValueError
    return {name: tuple(zones) for name, zones in value.items()}


@dataclass(frozen=True)
class Words:
    """[words]: the shop's own classes, zones, spellings and packages."""

    classes: Mapping[str, Own] = shaped(
        {}, "own vehicle classes: like and factor set the planning figure, which the log corrects",
        'a table such as {flatbed = {like = "truck", factor = 1.1}}', _own,
        '{flatbed = {like = "truck", factor = 1.1}}',
    )  # fmt: skip
    zones: Mapping[str, Own] = shaped(
        {}, "own zones: like and factor set the planning figure, which the log corrects",
        'a table such as {roof = {like = "body_panels", factor = 0.8}}', _own,
        '{roof = {like = "body_panels", factor = 0.8}}',
    )  # fmt: skip
    aliases: Mapping[str, str] = shaped(
        {}, "own spellings of classes, zones, soil levels and column heads", "a table of texts", _aliases,
        '{"underbody" = "undercarriage"}',
    )  # fmt: skip
    packages: Mapping[str, tuple[str, ...]] = shaped(
        {}, "names that stand for several zones and carry one total",
        "a table of lists of two or more different zones", _packages,
        '{"full underside" = ["undercarriage", "wheel_wells", "suspension"]}',
    )  # fmt: skip


@dataclass(frozen=True)
class Costs:
    """[costs]: what an hour and a job cost the shop."""

    labour_usd_per_hour: float = number(32.0, "wage with its on-costs")
    setup_min: float = number(15.0, "person-minutes a visit before blasting, where not logged", high=1440)
    cleanup_min: float = number(15.0, "person-minutes a visit after blasting, where not logged", high=1440)
    trigger_share: float = number(0.6, "share of hands-on minutes with the trigger pulled", low=0.01, high=1)
    compressor_usd_per_hour: float = number(12.0, "power and upkeep of the compressor a trigger hour")
    equipment_usd_per_hour: float = number(18.0, "blaster, hoses, nozzles a trigger hour")
    consumables_usd_per_job: float = number(6.0, "masking, wipes, filters a visit")
    overhead_usd_per_hour: float = number(20.0, "rent, insurance, office a person-hour of the visit")


@dataclass(frozen=True)
class Pricing:
    """[pricing]: how cost becomes a price."""

    margin_share: float = number(0.35, "wanted profit as a share of the price (not a mark-up on cost)", high=0.95)
    risk_share: float = number(0.10, "accepted chance that the cost exceeds the price", low=0.001, high=0.9)
    minimum_usd: float = number(120.0, "least charge a visit")
    round_to_usd: float = number(5.0, "prices are rounded up to a multiple of this", low=0.01, high=1000)
    tax_share: float = number(0.0, "sales tax on top", high=0.5)
    quote_valid_days: int = whole(30, "days a quote is valid", low=1, high=3650)


@dataclass(frozen=True)
class PriceBreak:
    """From this much ice in one order, all of it costs this much a lb."""

    from_lb: float
    usd_per_lb: float


DEFAULT_BREAKS = (PriceBreak(0.0, 1.30), PriceBreak(200.0, 1.10))


def _breaks(value: Any) -> tuple[PriceBreak, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError
    found = []
    for entry in value:
        if not isinstance(entry, dict) or set(entry) != {"from_lb", "usd_per_lb"}:
            raise ValueError
        if any(isinstance(v, bool) or not isinstance(v, int | float) or v < 0 for v in entry.values()):
            raise ValueError
        found.append(PriceBreak(float(entry["from_lb"]), float(entry["usd_per_lb"])))
    found.sort(key=lambda b: b.from_lb)
    if found[0].from_lb != 0 or len({b.from_lb for b in found}) < len(found):
        raise ValueError
    return tuple(found)


@dataclass(frozen=True)
class Ice:
    """[ice]: how ice is bought and kept."""

    price_breaks: tuple[PriceBreak, ...] = shaped(
        DEFAULT_BREAKS, "price a lb; a break holds for the whole order",
        "a list of {from_lb, usd_per_lb} that starts with from_lb = 0", _breaks,
        "[{from_lb = 0, usd_per_lb = 1.30}, {from_lb = 200, usd_per_lb = 1.10}]",
    )  # fmt: skip
    delivery_fee_usd: float = number(45.0, "fee for each delivery")
    lot_lb: float = number(50.0, "ice is sold in multiples of this", low=0.1, high=10000)
    least_lb: float = number(100.0, "least order, where anything is ordered")
    container_lb: float = number(500.0, "what one container holds", low=1)
    delivery_days: tuple[str, ...] = weekdays(("mon", "thu"), "days on which ice can come")
    notice_days: int = whole(1, "days before a delivery by which it is ordered (0: the same morning)", high=60)
    sublimation_lb_per_day: float = number(35.0, "planning figure for what one container loses", high=1000)
    rush_usd_per_lb: float | None = number(None, "ice fetched at the counter; leave out where there is none",
                                           shown="2.50")  # fmt: skip
    rush_fee_usd: float = number(0.0, "fee of one such trip")
    bumped_job_usd: float | None = number(None, "a job put off for want of ice; left out: the usual price of a job",
                                          shown="150")  # fmt: skip


@dataclass(frozen=True)
class PlanningZone:
    """[planning.zones.NAME]: medians at moderate soil on a sedan."""

    pellets_lb: float | None = number(None, "median pellets", low=0.01, high=800)
    minutes: float | None = number(None, "median hands-on minutes", low=0.1, high=1440)


def _factors(value: Any) -> dict[str, float]:
    if not isinstance(value, dict):
        raise ValueError
    if any(isinstance(v, bool) or not isinstance(v, int | float) or not 0.01 <= v <= 100 for v in value.values()):
        raise ValueError
    return {k: float(v) for k, v in value.items()}


_FACTORS = "a table of factors from 0.01 to 100"


@dataclass(frozen=True)
class PlanningKeys:
    """[planning]: what is answered before there is a history (from memory, no source: edit them)."""

    spread: float = number(0.5, "sd of the logarithm of one line", low=0.05, high=2)
    jobs_per_week: float = number(6.0, "visits a week", high=10000)
    walk_in_share: float = number(0.3, "share of visits that were never booked", high=1)
    cancelled_share: float = number(0.08, "share of bookings that are cancelled or not kept", high=1)
    coating_factor: float = number(2.5, "where an old coating is stripped as well", low=0.1, high=20)
    minutes_coating_factor: float | None = number(None, "the same for minutes, where it differs", low=0.1, high=20)
    class_factor: Mapping[str, float] = shaped({}, "factor of a class on a sedan's pellets", _FACTORS, _factors,
                                               "{suv = 1.25}")  # fmt: skip
    minutes_class_factor: Mapping[str, float] = shaped({}, "the same for minutes, where it differs", _FACTORS,
                                                       _factors, "{suv = 1.20}")  # fmt: skip
    soil_factor: Mapping[str, float] = shaped({}, "factor of a soil level on moderate", _FACTORS, _factors,
                                              "{light = 0.65, heavy = 1.5, severe = 2.2}")  # fmt: skip
    minutes_soil_factor: Mapping[str, float] = shaped({}, "the same for minutes, where it differs", _FACTORS,
                                                      _factors, "{heavy = 1.4}")  # fmt: skip
    zones: Mapping[str, PlanningZone] = field(default_factory=dict)


@dataclass(frozen=True)
class Bay:
    """[bays.NAME]: a room in which ice is blasted."""

    length_ft: float | None = number(None, "inside length", low=1, high=1000, shown="40")
    width_ft: float | None = number(None, "inside width", low=1, high=1000, shown="20")
    height_ft: float | None = number(None, "inside height", low=1, high=100, shown="12")
    air_changes_per_hour: float | None = number(None, "fresh air, where known as changes an hour", high=200, shown="2")
    flow_cfm: float | None = number(
        None, "the same, where measured (of both the smaller counts)", high=1_000_000, shown="900"
    )
    mixing_share: float = number(1.0, "share of that air that mixes with the bay's", low=0.05, high=1)
    altitude_ft: float = number(0.0, "height above the sea", low=-1500, high=20000)
    noise_dba: float | None = number(None, "level at the ear while blasting", low=40, high=150, shown="105")
    pit: bool = yes_no(False, "true where there is a pit, drain or basement below")


@dataclass(frozen=True)
class MachineChange:
    """A known change of a machine: drift starts anew there and is tested against it."""

    date: date
    what: str


def _changes(value: Any) -> tuple[MachineChange, ...]:
    if not isinstance(value, list):
        raise ValueError
    found = []
    for entry in value:
        if not isinstance(entry, dict) or set(entry) != {"date", "what"} or not isinstance(entry["what"], str):
            raise ValueError
        found.append(MachineChange(as_date(entry["date"]), entry["what"]))
    return tuple(sorted(found, key=lambda c: c.date))


@dataclass(frozen=True)
class Machine:
    """[machines.NAME]: what a blaster cost and what was changed on it."""

    bought_usd: float | None = number(None, "price paid", shown="18000")
    life_hours: float | None = number(None, "trigger hours it is expected to last", low=1, high=200000, shown="6000")
    salvage_share: float = number(0.1, "share of the price left at the end", high=1)
    changes: tuple[MachineChange, ...] = shaped(
        (), "known changes", 'a list of {date = "2026-03-02", what = "new nozzle"}', _changes,
        '[{date = "2026-03-02", what = "new nozzle"}]',
    )  # fmt: skip


@dataclass(frozen=True)
class OtherWay:
    """[other_way.ZONE]: what another method costs here, entered by the shop."""

    usd: float | None = number(None, "cost of washing, scraping or steam", shown="80")
    minutes: float | None = number(None, "its person-minutes", high=1440, shown="60")


@dataclass(frozen=True)
class Settings:
    """The whole of `book.toml`.

    `limits` holds exposure limits lower than the standard's by name; they are checked where limits are known.
    """

    shop: Shop = field(default_factory=Shop)
    words: Words = field(default_factory=Words)
    costs: Costs = field(default_factory=Costs)
    pricing: Pricing = field(default_factory=Pricing)
    ice: Ice = field(default_factory=Ice)
    planning_keys: PlanningKeys = field(default_factory=PlanningKeys)
    bays: Mapping[str, Bay] = field(default_factory=dict)
    limits: Mapping[str, float | str] = field(default_factory=dict)
    machines: Mapping[str, Machine] = field(default_factory=dict)
    other_way: Mapping[str, OtherWay] = field(default_factory=dict)

    def classes(self) -> tuple[str, ...]:
        """Return the vehicle classes of this book, the common ones first."""
        return CLASSES + tuple(c for c in self.words.classes if c not in CLASSES)

    def zones(self) -> tuple[str, ...]:
        """Return the zones of this book, the common ones first."""
        return ZONES + tuple(z for z in self.words.zones if z not in ZONES)

    def planning(self) -> Planning:
        """Return complete planning figures for every class and zone of this book."""
        keys = self.planning_keys
        coating = keys.minutes_coating_factor
        return Planning(
            self._figures(ZONE_PELLETS_LB, {z: k.pellets_lb for z, k in keys.zones.items()}, keys.class_factor,
                          keys.soil_factor, keys.coating_factor),
            self._figures(ZONE_MINUTES, {z: k.minutes for z, k in keys.zones.items()},
                          {**keys.class_factor, **keys.minutes_class_factor},
                          {**keys.soil_factor, **keys.minutes_soil_factor},
                          keys.coating_factor if coating is None else coating),
        )  # fmt: skip

    def _figures(
        self,
        zone_defaults: Mapping[str, float],
        zone_keys: Mapping[str, float | None],
        class_keys: Mapping[str, float],
        soil_keys: Mapping[str, float],
        coating_factor: float,
    ) -> PlanningFigures:
        zone = {**zone_defaults, **{z: v for z, v in zone_keys.items() if v is not None and z in ZONES}}
        for name, own in self.words.zones.items():
            given = zone_keys.get(name)
            zone[name] = zone[own.like] * own.factor if given is None else given
        vehicle = {**CLASS_FACTOR, **{c: v for c, v in class_keys.items() if c in CLASSES}}
        for name, own in self.words.classes.items():
            vehicle[name] = class_keys.get(name, vehicle[own.like] * own.factor)
        soil = [soil_keys.get(name, default) for name, default in zip(SOILS, SOIL_FACTOR, strict=True)]
        return PlanningFigures(
            zone, vehicle, (soil[0], soil[1], soil[2], soil[3]), coating_factor, self.planning_keys.spread
        )
