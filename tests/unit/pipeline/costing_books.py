"""A shop whose costs are round figures, a visit of it, and what its jobs cost."""

from datetime import date, timedelta

from pipeline.answers.answer import Asking
from pipeline.answers.costing import CostingResult, cost_jobs
from pipeline.book.store import Book

DAY = date(2026, 3, 2)
TOML = """
[costs]
labour_usd_per_hour = 30
setup_min = 20
cleanup_min = 10
trigger_share = 0.5
compressor_usd_per_hour = 10
equipment_usd_per_hour = 20
consumables_usd_per_job = 5
overhead_usd_per_hour = 12
[pricing]
margin_share = 0.30
minimum_usd = 100
"""
ROW: dict[str, object] = {
    "day": DAY, "vehicle_class": "van", "zone": "undercarriage", "soil_level": "heavy", "pellets_lb": 50.0,
    "minutes": 60.0, "customer": "K-1", "price_usd": 300.0, "setup_min": 20.0, "cleanup_min": 10.0,
}  # fmt: skip


def costing(book: Book, day: date = DAY + timedelta(days=30), **wishes) -> CostingResult:
    return cost_jobs(Asking(book, day), **wishes).result


def warnings(book: Book) -> str:
    return " ".join(cost_jobs(Asking(book, DAY + timedelta(days=30))).warnings)
