"""The law of the invented shop, written down so that tests can hold what is learned to it.

Everything here is made up. Weights are in lb, times in hands-on person-minutes, money in USD.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Final

UNDERSIDE: Final = ("undercarriage", "wheel_wells", "suspension")
PACKAGES: Final = {"full underside": UNDERSIDE, "cab package": ("interior", "door_jambs")}


@dataclass(frozen=True)
class Waste:
    """A stretch in which one operator or machine takes more pellets than the job needs.

    Attributes
    ----------
    kind : str
        "operator" or "machine".
    name : str
        Its code.
    first, last : date
        First and last day of the stretch; `last` lies beyond the record where it was never put right.
    ratio : float
        Pellets over what the same job takes without it, once the ramp is over.
    ramp_days : int
        Days over which the logarithm of the ratio grows from 0; 0 is a step.
    why : str
    """

    kind: str
    name: str
    first: date
    last: date
    ratio: float
    ramp_days: int
    why: str


@dataclass(frozen=True)
class Customer:
    """A customer of the shop: how often it comes, with what, and what is taken off the list price."""

    code: str
    share: float
    classes: dict[str, float]
    fleet: bool
    discount: float = 1.0
    fleet_size: int = 1


@dataclass(frozen=True)
class UnderPriced:
    """Jobs charged by an old list: this customer's vehicles of one class with one zone, from a day on."""

    customer: str = "MILLRACE"
    vehicle_class: str = "truck"
    zone: str = "undercarriage"
    since: date = date(2025, 9, 1)
    factor: float = 0.38


CUSTOMERS: Final = (
    Customer("HAYLOFT", 0.23, {"van": 0.5, "pickup": 0.4, "truck": 0.1}, True, 0.95, 14),
    Customer("MILLRACE", 0.12, {"truck": 0.8, "pickup": 0.2}, True, 1.0, 6),
    Customer("CREAMERY", 0.12, {"van": 0.7, "truck": 0.3}, True, 0.97, 7),
    Customer("ORCHARD", 0.11, {"pickup": 0.8, "suv": 0.2}, True, 1.0, 6),
    Customer("PARISH", 0.08, {"truck": 0.5, "pickup": 0.5}, True, 1.0, 5),
    Customer("M-03", 0.05, {"sedan": 1.0}, False),
    Customer("M-08", 0.05, {"suv": 0.6, "compact": 0.4}, False),
    Customer("M-11", 0.05, {"wagon": 0.7, "pickup": 0.3}, False),
    Customer("M-17", 0.04, {"coupe": 0.5, "sedan": 0.5}, False),
    Customer("M-22", 0.04, {"compact": 0.6, "sedan": 0.4}, False),
    # The last one is nobody's code: passers-by, whose customer cell stays blank.
    Customer("", 0.11, {"sedan": 0.35, "suv": 0.3, "compact": 0.15, "wagon": 0.1, "coupe": 0.1}, False),
)

#: What is worked on one vehicle, and how often; cargo_bed only where the class has one.
ZONE_SETS: Final = (
    (("undercarriage",), 0.20),
    (("undercarriage", "wheel_wells"), 0.17),
    (UNDERSIDE, 0.16),
    (("wheel_wells", "suspension"), 0.06),
    (("engine_bay",), 0.12),
    (("undercarriage", "engine_bay"), 0.06),
    (("interior", "door_jambs"), 0.09),
    (("cargo_bed",), 0.07),
    (("body_panels", "door_jambs"), 0.05),
    ((*UNDERSIDE, "engine_bay"), 0.02),
)
WITH_CARGO_BED: Final = ("pickup", "van", "truck")


@dataclass(frozen=True)
class Truth:
    """All numbers of the law; `TRUTH` is the shop that ships.

    A line's median is exp(zone + class + class x zone + soil + season + weekday + ice age + coating + technique), times
    `together` where it is not the first underside zone of its vehicle. A visit's noise is shared by its lines
    (normal), each line has its own (Student t). `purge_lb` is blown once a visit and lands on its first line.

    Features outside a product of main effects, on purpose: the purge is added, not multiplied (`purge_lb`); zones
    worked together take less than their sum (`together_lb`, `together_min`); soil saturates, by zone (`soil_rise`);
    Mondays and Fridays differ (`weekday_lb`, `weekday_min`); feed counts only above a knee (`feed_knee_lb_min`);
    ice is lost at a lower rate once little is left (`loss_knee_lb`).
    """

    first_day: date = date(2025, 1, 6)
    last_day: date = date(2026, 6, 30)
    closed: tuple[tuple[date, date], ...] = (
        (date(2025, 5, 26), date(2025, 5, 26)),
        (date(2025, 7, 4), date(2025, 7, 4)),
        (date(2025, 11, 27), date(2025, 11, 27)),
        (date(2025, 12, 22), date(2026, 1, 4)),
        (date(2026, 5, 25), date(2026, 5, 25)),
        (date(2026, 7, 3), date(2026, 7, 3)),
    )

    zone_lb: dict[str, float] = field(default_factory=lambda: {
        "undercarriage": 36.0, "wheel_wells": 12.0, "suspension": 15.0, "engine_bay": 13.0,
        "interior": 6.5, "door_jambs": 3.5, "body_panels": 6.0, "cargo_bed": 13.0,
    })  # fmt: skip
    zone_min: dict[str, float] = field(default_factory=lambda: {
        "undercarriage": 58.0, "wheel_wells": 20.0, "suspension": 30.0, "engine_bay": 38.0,
        "interior": 48.0, "door_jambs": 15.0, "body_panels": 24.0, "cargo_bed": 22.0,
    })  # fmt: skip
    class_lb: dict[str, float] = field(default_factory=lambda: {
        "compact": 0.82, "sedan": 1.0, "coupe": 0.93, "wagon": 1.06,
        "suv": 1.22, "pickup": 1.28, "van": 1.42, "truck": 2.05,
    })  # fmt: skip
    class_min: dict[str, float] = field(default_factory=lambda: {
        "compact": 0.88, "sedan": 1.0, "coupe": 0.97, "wagon": 1.04,
        "suv": 1.15, "pickup": 1.2, "van": 1.3, "truck": 1.7,
    })  # fmt: skip
    #: Factors on both quantities that class and zone alone do not give.
    class_zone: dict[tuple[str, str], float] = field(default_factory=lambda: {
        ("van", "interior"): 1.5, ("truck", "engine_bay"): 1.2, ("pickup", "cargo_bed"): 1.15,
        ("van", "wheel_wells"): 0.88, ("suv", "suspension"): 1.12,
    })  # fmt: skip
    #: Soil adds top (1 - exp(-rate s)), s = 0..3, less its value at moderate (s = 1): by kind (top, rate).
    soil_rise: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {"underside": (2.0, 0.35), "rest": (0.8, 0.9)}
    )
    soil_share: tuple[float, float, float, float] = (0.26, 0.44, 0.22, 0.08)
    coating_share: float = 0.05
    coating_ratio_lb: float = 2.3
    coating_ratio_min: float = 2.0
    purge_lb: float = 2.0
    together_lb: float = 0.84
    together_min: float = 0.78
    #: Monday to Sunday; dirt has caked over the weekend, Fridays are short.
    weekday_lb: tuple[float, ...] = (1.07, 1.0, 1.0, 1.0, 0.97, 1.0, 1.0)
    weekday_min: tuple[float, ...] = (1.05, 1.0, 1.0, 1.0, 0.93, 1.0, 1.0)
    #: Log amplitude of the year on underside zones; the most is taken in March, after the salt.
    season_log: float = 0.06
    ice_age_log_per_day: float = 0.015
    feed_usual_lb_min: float = 1.4
    feed_wasteful_lb_min: float = 2.0
    feed_knee_lb_min: float = 1.6
    noise_job_log: float = 0.12
    noise_line_log: dict[str, float] = field(default_factory=lambda: {"underside": 0.15, "rest": 0.22})
    noise_df: float = 8.0
    #: Correlation of pellets and minutes, in a visit's noise and in a line's.
    noise_correlation: float = 0.6

    operator_share: dict[str, float] = field(default_factory=lambda: {"KO": 0.24, "LB": 0.22, "TS": 0.34, "VN": 0.20})
    operator_min: dict[str, float] = field(default_factory=lambda: {"KO": 0.92, "LB": 1.0, "TS": 1.03, "VN": 1.1})
    #: Chance that an operator takes rig-2; everybody works on both.
    second_machine_share: dict[str, float] = field(
        default_factory=lambda: {"KO": 0.50, "LB": 0.60, "TS": 0.55, "VN": 0.62}
    )
    machines: tuple[str, str] = ("rig-1", "rig-2")
    machine_min: dict[str, float] = field(default_factory=lambda: {"rig-1": 1.08, "rig-2": 0.95})
    waste: tuple[Waste, ...] = (
        Waste("operator", "TS", date(2025, 9, 1), date(2025, 11, 28), 1.25, 0, "feed turned up too high"),
        Waste("machine", "rig-2", date(2026, 3, 30), date(2026, 12, 31), 1.24, 7, "worn nozzle, not yet replaced"),
    )

    #: Arrivals: weight of a month and of a weekday (Monday to Friday), and growth a year.
    month_weight: tuple[float, ...] = (0.8, 0.9, 1.25, 1.35, 1.2, 0.95, 0.8, 0.85, 1.05, 1.3, 1.15, 0.6)
    day_weight: tuple[float, ...] = (1.25, 1.05, 0.9, 1.05, 0.75)
    growth_share_year: float = 0.08
    many_vehicles_share: float = 0.12

    #: What is written down: share of visits known by lines (both quantities), by totals only, mixed, and both.
    grain_share: dict[str, float] = field(
        default_factory=lambda: {"lines": 0.36, "totals": 0.48, "minutes by line": 0.10, "both": 0.06}
    )
    soil_blank_share: float = 0.12
    code_blank_share: float = 0.03
    settings_share: float = 0.30
    age_share: float = 0.40
    container_share: float = 0.55
    beside_share: float = 0.45
    price_share: float = 0.93
    booked_share: float = 0.62
    cancelled_share: float = 0.08
    no_show_share: float = 0.03

    #: The shop's list: USD for a zone at moderate soil on a sedan.
    list_usd: dict[str, float] = field(default_factory=lambda: {
        "undercarriage": 195.0, "wheel_wells": 65.0, "suspension": 85.0, "engine_bay": 95.0,
        "interior": 90.0, "door_jambs": 32.0, "body_panels": 55.0, "cargo_bed": 72.0,
    })  # fmt: skip
    list_soil: tuple[float, float, float, float] = (0.72, 1.0, 1.45, 1.9)
    list_coating: float = 2.2
    call_out_usd: float = 60.0
    least_price_usd: float = 95.0
    price_noise_log: float = 0.03
    dirtier_than_quoted_share: float = 0.05
    under_priced: UnderPriced = field(default_factory=UnderPriced)

    containers: tuple[str, str] = ("tote-a", "tote-b")
    container_lb: float = 400.0
    #: lb a day that each container loses at 60 F with enough ice in it.
    loss_lb_day: dict[str, float] = field(default_factory=lambda: {"tote-a": 26.0, "tote-b": 22.0})
    loss_knee_lb: float = 40.0
    weighing_noise_lb: float = 2.5
    #: Ice taken without a ticket: chance on a working day and the range in lb.
    unlogged_share: float = 0.18
    unlogged_lb: tuple[float, float] = (4.0, 12.0)
    price_breaks: tuple[tuple[float, float], ...] = ((0.0, 1.25), (200.0, 1.05), (400.0, 0.95))
    delivery_fee_usd: float = 45.0
    rush_usd_per_lb: float = 1.9
    rush_fee_usd: float = 20.0


TRUTH: Final = Truth()


def is_open(day: date, truth: Truth = TRUTH) -> bool:
    """Return whether the shop works on a day: Monday to Friday outside its closed days."""
    return day.weekday() < 5 and not any(a <= day <= b for a, b in truth.closed)


def waste_log(waste: Waste, day: date) -> float:
    """Return the logarithm of the waste's ratio on a day, 0 outside its stretch."""
    from math import log

    if not waste.first <= day <= waste.last:
        return 0.0
    grown = 1.0 if waste.ramp_days == 0 else min(1.0, ((day - waste.first).days + 1) / waste.ramp_days)
    return log(waste.ratio) * grown
