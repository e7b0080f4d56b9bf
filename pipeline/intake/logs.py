"""The four logs as declarations: what each column means and which figures are impossible, refused or only remarkable.

A further log is one more entry here and in `columns.LOGS`, its table in the book's schema, and its spellings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipeline.intake.columns import LOGS, Column, Log

#: A line of more pellets or more time than this is refused.
MOST_LINE_LB: Final = 800.0
MOST_LINE_MIN: Final = 1440.0


@dataclass(frozen=True, slots=True)
class Limit:
    """What may stand in a column of numbers.

    Attributes
    ----------
    low, high : float
        Figures outside are refused (in the column's unit).
    large : float
        Figures above are kept and named in a warning; infinite where a rule of its own judges them.
    """

    low: float
    high: float
    large: float = float("inf")


@dataclass(frozen=True, slots=True)
class LogShape:
    """One log: its columns and what goes with each.

    Attributes
    ----------
    name : Log
    title : str
        One sentence for the schema.
    doc : dict of column -> one sentence
    limits : dict of column of numbers -> Limit
    key : tuple of str
        Columns that make a row one of its kind; empty where only the whole content does.
    unit_of_rejection : str
        Column whose rows are accepted or rejected whole (visit, booking); '' where each row stands alone.
    """

    name: Log
    title: str
    doc: dict[str, str]
    limits: dict[str, Limit]
    key: tuple[str, ...] = ()
    unit_of_rejection: str = ""

    @property
    def columns(self) -> tuple[Column, ...]:
        """The log's columns in canonical order."""
        return LOGS[self.name]


_SOIL = "light, moderate, heavy or severe; blank or unknown where nobody wrote it down"

JOBS: Final = LogShape(
    "jobs",
    "One row per vehicle zone worked; rows with one job_id are one visit.",
    {
        "job_id": "Ticket of the visit; any text",
        "vehicle": "Plate or number, where one visit has several vehicles",
        "date": "Day of the visit",
        "vehicle_class": "Class of the vehicle",
        "zone": "Zone worked, or the name of a package of zones that carries one total",
        "soil_level": _SOIL,
        "pellets_lb": "Pellets through the hose for this zone, lb; blank where only the visit's total was kept",
        "minutes": "Hands-on person-minutes for this zone; blank where only the visit's total was kept",
        "job_pellets_lb": "Pellets of the whole visit, lb, repeated on its rows",
        "job_minutes": "Hands-on person-minutes of the whole visit, repeated on its rows",
        "coating_removed": "yes where old undercoating was stripped, not only soil",
        "machine": "Code of the blaster",
        "operator": "Code of who blasted",
        "pass": "1, 2, ...: which time this zone was worked in this visit; blank is 1",
        "feed_lb_min": "Pellet feed as run, lb/min",
        "pressure_psi": "Blast pressure as run, psi",
        "standoff_in": "Distance of the nozzle from the surface, in",
        "ice_on_share": "Share of the blasting time with pellets on, 0 to 1",
        "ice_age_days": "Age of the pellets, days; derived from the deliveries where blank",
        "container": "Container the pellets came from",
        "setup_min": "Person-minutes of the visit before blasting: masking, moving the machine",
        "cleanup_min": "Person-minutes of the visit after blasting: blown dirt, unmasking",
        "price_usd": "Charged for the visit before tax, in the book's currency",
        "customer": "Short code of the customer",
        "ambient_f": "Air temperature, °F",
        "notes": "Anything else",
    },
    {
        "pellets_lb": Limit(0, MOST_LINE_LB),
        "minutes": Limit(0, MOST_LINE_MIN),
        "job_pellets_lb": Limit(0, 20 * MOST_LINE_LB),
        "job_minutes": Limit(0, 20 * MOST_LINE_MIN),
        "pass": Limit(1, 50),
        "feed_lb_min": Limit(0, 30, 8),
        "pressure_psi": Limit(0, 500, 220),
        "standoff_in": Limit(0, 120, 36),
        "ice_on_share": Limit(0, 1),
        "ice_age_days": Limit(0, 60, 14),
        "setup_min": Limit(0, MOST_LINE_MIN, 480),
        "cleanup_min": Limit(0, MOST_LINE_MIN, 480),
        "price_usd": Limit(0, 1e7, 20_000),
        "ambient_f": Limit(-80, 150, 125),
    },
    ("job_id", "vehicle", "zone", "pass"),
    "job_id",
)
DELIVERIES: Final = LogShape(
    "deliveries",
    "One row per delivery of ice into a container.",
    {
        "date": "Day of the delivery, or day and time",
        "container": "Container it went into",
        "weight_lb": "Ice delivered, lb",
        "price_usd_per_lb": "Price, in the book's currency per lb",
        "fee_usd": "Fee of the delivery, in the book's currency",
        "supplier": "Code of the supplier",
        "emptied": "yes where what was left in the container was thrown out first",
    },
    {
        "weight_lb": Limit(0, 50_000, 3_000),
        "price_usd_per_lb": Limit(0, 1_000, 10),
        "fee_usd": Limit(0, 1e6, 1_000),
    },
)
WEIGHINGS: Final = LogShape(
    "weighings",
    "One row per weighing of what is left in a container.",
    {
        "at": "Day of the weighing (at close), or day and time",
        "container": "Container weighed",
        "net_lb": "Ice left in it, lb",
    },
    {"net_lb": Limit(0, 50_000, 3_000)},
)
BOOKINGS: Final = LogShape(
    "bookings",
    "One row per zone of a booking; rows of one booking_id are one booking.",
    {
        "booking_id": "Number of the booking; any text",
        "taken_on": "Day on which it was taken",
        "date": "Day for which it is booked",
        "vehicle_class": "Class of the vehicle",
        "zone": "Zone to be worked, or the name of a package of zones",
        "soil_level": _SOIL,
        "coating_removed": "yes where old undercoating is to be stripped",
        "customer": "Short code of the customer",
        "deposit_usd": "Deposit paid, in the book's currency",
        "status": "booked, done, cancelled or no_show; blank is booked",
        "job_id": "Visit it became; blank: the visit with the same id",
    },
    {"deposit_usd": Limit(0, 1e7, 20_000)},
    ("booking_id", "zone"),
    "booking_id",
)
SHAPES: Final[dict[Log, LogShape]] = {s.name: s for s in (JOBS, DELIVERIES, WEIGHINGS, BOOKINGS)}
