"""Jobs of a shop whose report is looked at."""

from datetime import date

TODAY = date(2026, 5, 20)


def vans(n: int) -> list[dict[str, object]]:
    """Return the rows of one van on each of the first days of the month, a little dirtier every day."""
    return [{"job_id": f"J-{i}", "day": date(2026, 5, i + 1), "vehicle_class": "van", "zone": "undercarriage",
             "pellets_lb": 50.0 + i, "minutes": 80.0, "operator": f"OP{i % 2}"} for i in range(n)]  # fmt: skip
