"""A booked van and a line of its kind in the log, for tests of quotes."""

from datetime import date

from pipeline.answers.answer import Asking
from pipeline.answers.requests import JobAsked, job_from_options
from pipeline.book.store import Book

DAY = date(2026, 3, 2)
ROW: dict[str, object] = {
    "day": DAY, "vehicle_class": "van", "zone": "undercarriage", "soil_level": "heavy", "pellets_lb": 80.0,
    "minutes": 90.0, "customer": "K-1", "price_usd": 300.0,
}  # fmt: skip


def asking(book: Book, day: date = DAY) -> Asking:
    return Asking(book, day)


def van(book: Book, customer: str = "K-1", soil: str = "heavy") -> JobAsked:
    zones = [f"undercarriage:{soil}"]
    return job_from_options(book.settings, vehicle="van", zones=zones, day=DAY, customer=customer)
