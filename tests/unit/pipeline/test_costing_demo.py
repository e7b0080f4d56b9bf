"""The demo shop's planted under-priced jobs are found, and nothing else leads the list of losing jobs."""

import csv
import shutil
from datetime import date
from importlib.resources import files
from pathlib import Path

from data_demo.truth import TRUTH
from pipeline.answers.answer import Asking
from pipeline.answers.costing import cost_jobs
from pipeline.book.store import create_book
from pipeline.intake.importing import import_files

LOGS = ("jobs.csv", "deliveries.csv", "weighings.csv", "bookings.csv")


def test_planted_jobs_lead_the_list(tmp_path: Path) -> None:
    """Every planted job loses money, at most one other stands among them; their customer earns least."""
    clean = Path(str(files("data_demo") / "clean"))
    for name in LOGS:
        shutil.copy(clean / name, tmp_path / name)
    book = create_book(tmp_path / "shop", (clean / "book.toml").read_text(encoding="utf-8"))
    import_files(book, [tmp_path / name for name in LOGS], today=date(2026, 7, 1))
    rule = TRUTH.under_priced
    with (tmp_path / "jobs.csv").open(newline="", encoding="utf-8") as log:
        planted = {
            row["job_id"] for row in csv.DictReader(log)
            if row["customer"] == rule.customer and row["vehicle_class"] == rule.vehicle_class
            and row["zone"] in (rule.zone, "full underside") and date.fromisoformat(row["date"]) >= rule.since
            and row["price_usd"]
        }  # fmt: skip
    result = cost_jobs(Asking(book, date(2026, 7, 1)), n_worst=1000).result
    assert len(planted) > 8
    leading = [job.job_id for job in result.worst]
    assert planted <= set(leading)
    assert set(leading[:5]) <= planted
    assert len(planted & set(leading[: len(planted)])) >= len(planted) - 1
    least = min((g for g in result.by if g.by == "customer"), key=lambda g: g.margin_share)
    assert least.name == rule.customer
