"""The tables of the four logs as data: columns, types and keys, from which the SQL of importing is made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: Columns that a log calls otherwise, or that hold what one of its columns says only in part: (name, SQL of the value).
_LOGGED: Final = {
    "day": ("date", "day"),
    "package": ("zone", "if(package != '', package, zone)"),
    "pellets_lb": ("pellets_lb", "coalesce(package_pellets_lb, pellets_lb)"),
    "minutes": ("minutes", "coalesce(package_minutes, minutes)"),
}


@dataclass(frozen=True)
class LogTable:
    """One log's table in the book.

    Attributes
    ----------
    name : str
    types : dict of column -> SQL type
        What a row says, in order; the batch and the hash are left out.
    key : tuple of str
        Columns that no two rows share; empty where equal rows may stand beside each other.
    whole : str
        Column whose rows are accepted or rejected together; '' where each row stands alone.
    codes : dict of column -> domain
        Columns compared after case-folding; one spelling of a code holds in a domain over all logs.
    """

    name: str
    types: dict[str, str]
    key: tuple[str, ...]
    whole: str
    codes: dict[str, str]

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the content columns."""
        return tuple(self.types)

    def folded(self, column: str, of: str = "") -> str:
        """Return the SQL of a column as it is compared; `of` is a table's alias."""
        name = f"{of}.{column}" if of else column
        return f"lower({name})" if column in self.codes else name

    def logged(self) -> dict[str, tuple[str, str]]:
        """Return what rows of one key may differ in: the log's column -> (column of the book, SQL of the value).

        What a package says stands in the log's columns for a zone.
        """
        beside = (c for c in self.columns if c not in self.key and not c.startswith("package_"))
        named = ((c, *_LOGGED.get(c, (c, c))) for c in beside)
        return {name: (c, value) for c, name, value in named}

    def row_hash(self, of: str = "", *, blank: str = "") -> str:
        """Return the SQL of a row's content as a 64-bit number, or of what it is with one text column left `blank`."""
        return f"hash({', '.join(repr('') if c == blank else self.folded(c, of) for c in self.columns)})"

    def key_hash(self, of: str = "") -> str:
        """Return the SQL of a row's key as a 64-bit number; that of its content where the log has no key."""
        return f"hash({', '.join(self.folded(c, of) for c in self.key)})" if self.key else self.row_hash(of)

    def whole_hash(self, of: str = "") -> str:
        """Return the SQL of the visit or booking a row belongs to as a 64-bit number; 0 where rows stand alone."""
        return f"hash({self.folded(self.whole, of)})" if self.whole else "0::ubigint"


JOB_LINES: Final = LogTable(
    "job_lines",
    {
        "job_id": "varchar", "vehicle": "varchar", "zone": "varchar", "pass": "integer", "package": "varchar",
        "day": "date", "vehicle_class": "varchar", "soil_level": "varchar", "pellets_lb": "double",
        "minutes": "double", "package_pellets_lb": "double", "package_minutes": "double",
        "job_pellets_lb": "double", "job_minutes": "double", "coating_removed": "boolean", "machine": "varchar",
        "operator": "varchar", "feed_lb_min": "double", "pressure_psi": "double", "standoff_in": "double",
        "ice_on_share": "double", "ice_age_days": "double", "container": "varchar", "setup_min": "double",
        "cleanup_min": "double", "price_usd": "double", "customer": "varchar", "ambient_f": "double",
        "notes": "varchar",
    },
    ("job_id", "vehicle", "zone", "pass"),
    "job_id",
    {"job_id": "job", "vehicle": "vehicle", "machine": "machine", "operator": "operator", "container": "container",
     "customer": "customer"},
)  # fmt: skip
DELIVERIES: Final = LogTable(
    "deliveries",
    {
        "day": "date", "stamped": "timestamp", "container": "varchar", "weight_lb": "double",
        "price_usd_per_lb": "double", "fee_usd": "double", "supplier": "varchar", "emptied": "boolean",
    },
    (),
    "",
    {"container": "container", "supplier": "supplier"},
)  # fmt: skip
WEIGHINGS: Final = LogTable(
    "weighings",
    {"day": "date", "stamped": "timestamp", "container": "varchar", "net_lb": "double"},
    (),
    "",
    {"container": "container"},
)
BOOKINGS: Final = LogTable(
    "bookings",
    {
        "booking_id": "varchar", "taken_on": "date", "day": "date", "vehicle_class": "varchar", "zone": "varchar",
        "soil_level": "varchar", "coating_removed": "boolean", "customer": "varchar", "deposit_usd": "double",
        "status": "varchar", "job_id": "varchar",
    },
    ("booking_id", "zone"),
    "booking_id",
    {"booking_id": "booking", "customer": "customer", "job_id": "job"},
)  # fmt: skip
LOG_TABLES: Final[dict[str, LogTable]] = {
    "jobs": JOB_LINES, "deliveries": DELIVERIES, "weighings": WEIGHINGS, "bookings": BOOKINGS,
}  # fmt: skip
