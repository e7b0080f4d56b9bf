"""The columns of the four logs: what each holds, in which unit, and which a log cannot do without."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Log = Literal["jobs", "deliveries", "weighings", "bookings"]
#: How cells are read: kept as text, compared as a code, a date (a moment may have a time of day), a word of the
#: vocabulary, or a quantity of `units.Kind`.
Reads = Literal[
    "text", "code", "date", "moment", "class", "zone", "soil", "yes_no", "status",
    "mass", "duration", "pressure", "length", "temperature", "money", "money_per_mass", "rate", "share", "days",
    "whole",
]  # fmt: skip
QUANTITIES: Final = frozenset(
    (
        "mass",
        "duration",
        "pressure",
        "length",
        "temperature",
        "money",
        "money_per_mass",
        "rate",
        "share",
        "days",
        "whole",
    )
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a log.

    Attributes
    ----------
    name : str
        Canonical head; a unit in it is the unit of the stored figure.
    reads : Reads
    need : bool
        Whether a file without it cannot be this log.
    stem : str
        The head without its unit, under which `spellings.toml` lists its spellings.
    unit : str
        Canonical unit that the head names (see `units.SPELLINGS`); '' where it names none.
    """

    name: str
    reads: Reads
    need: bool = False
    stem: str = ""
    unit: str = ""


def _column(name: str, reads: Reads, need: bool = False, *, stem: str = "", unit: str = "") -> Column:
    return Column(name, reads, need, stem or name, unit)


LOGS: Final[dict[Log, tuple[Column, ...]]] = {
    "jobs": (
        _column("job_id", "code", True),
        _column("vehicle", "code"),
        _column("date", "date", True),
        _column("vehicle_class", "class", True),
        _column("zone", "zone", True),
        _column("soil_level", "soil"),
        _column("pellets_lb", "mass", stem="pellets", unit="lb"),
        _column("minutes", "duration", unit="min"),
        _column("job_pellets_lb", "mass", stem="job_pellets", unit="lb"),
        _column("job_minutes", "duration", unit="min"),
        _column("coating_removed", "yes_no"),
        _column("machine", "code"),
        _column("operator", "code"),
        _column("pass", "whole"),
        _column("feed_lb_min", "rate", stem="feed_lb_min", unit="lb/min"),
        _column("pressure_psi", "pressure", stem="pressure", unit="psi"),
        _column("standoff_in", "length", stem="standoff", unit="in"),
        _column("ice_on_share", "share", unit="share"),
        _column("ice_age_days", "days", unit="d"),
        _column("container", "code"),
        _column("setup_min", "duration", stem="setup", unit="min"),
        _column("cleanup_min", "duration", stem="cleanup", unit="min"),
        _column("price_usd", "money", stem="price"),
        _column("customer", "code"),
        _column("ambient_f", "temperature", stem="ambient", unit="f"),
        _column("notes", "text"),
    ),
    "deliveries": (
        _column("date", "moment", True),
        _column("container", "code"),
        _column("weight_lb", "mass", True, stem="weight", unit="lb"),
        _column("price_usd_per_lb", "money_per_mass", unit="/lb"),
        _column("fee_usd", "money", stem="fee"),
        _column("supplier", "code"),
        _column("emptied", "yes_no"),
    ),
    "weighings": (
        _column("at", "moment", True),
        _column("container", "code"),
        _column("net_lb", "mass", True, stem="net", unit="lb"),
    ),
    "bookings": (
        _column("booking_id", "code", True),
        _column("taken_on", "date"),
        _column("date", "date", True),
        _column("vehicle_class", "class", True),
        _column("zone", "zone", True),
        _column("soil_level", "soil"),
        _column("coating_removed", "yes_no"),
        _column("customer", "code"),
        _column("deposit_usd", "money", stem="deposit"),
        _column("status", "status"),
        _column("job_id", "code"),
    ),
}

#: What a line of a job says of its zone alone: a wide sheet has columns of these for each zone.
ZONE_FIGURES: Final = ("soil_level", "pellets_lb", "minutes")
#: The column of the visit's total for each figure of a line that sums up.
TOTAL_OF: Final = {"pellets_lb": "job_pellets_lb", "minutes": "job_minutes"}


def column_of(log: Log, name: str) -> Column:
    """Return a log's column by its canonical name.

    Raises
    ------
    KeyError
        When the log has no such column.
    """
    for column in LOGS[log]:
        if column.name == name:
            return column
    raise KeyError(name)
