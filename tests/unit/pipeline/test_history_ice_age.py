"""The age of ice that nobody wrote down is taken from the deliveries, oldest ice first, and never from later ones."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from pipeline.answers.history import history
from pipeline.book.store import Book
from pipeline.intake.importing import import_files

TODAY = date(2026, 7, 1)
JOBS = """job_id,date,vehicle_class,zone,pellets_lb,minutes,container,ice_age_days
A,2026-03-03,van,interior,60,40,tote,
B,2026-03-05,van,undercarriage,60,40,tote,
C,2026-03-06,van,undercarriage,60,40,tote,9
D,2026-03-06,van,suspension,20,40,,
E,2026-02-20,van,suspension,20,40,tote,
"""
DELIVERIES = """date,container,weight_lb,price_usd_per_lb,emptied
2026-03-02,tote,100,1.1,no
2026-03-05,tote,200,1.1,no
"""


def _write(folder: Path, name: str, text: str) -> Path:
    place = folder / name
    place.write_text(text, encoding="utf-8")
    return place


def _ages(book: Book, before: date) -> dict[str, float]:
    table = history(book, before)
    by_line = table.settings["ice_age_days"].tolist()
    return {table.job_id[job]: age for job, age in zip(table.line_job.tolist(), by_line, strict=True)}


@pytest.fixture
def shop(new_book: Callable[..., Book], tmp_path: Path) -> Book:
    book = new_book("[ice]\nsublimation_lb_per_day = 0\n")
    files = [_write(tmp_path, "jobs.csv", JOBS), _write(tmp_path, "ice.csv", DELIVERIES)]
    import_files(book, files, today=TODAY)
    return book


def test_oldest_ice_goes_first(shop: Book) -> None:
    """60 lb of a 1-day-old tote; then 40 lb that is 3 days old and 20 lb of this morning; a written age stays."""
    ages = _ages(shop, TODAY)
    assert ages["A"] == pytest.approx(1.0)
    assert ages["B"] == pytest.approx((40 * 3 + 20 * 0) / 60, abs=0.1)
    assert ages["C"] == 9.0
    assert ages["D"] == pytest.approx(1.0)
    assert np.isnan(ages["E"])  # before any ice was known


def test_what_came_later_moves_nothing(shop: Book, tmp_path: Path) -> None:
    """Absurd deliveries, weighings and jobs after a day leave every age as of that day as it was."""
    before = _ages(shop, date(2026, 3, 7))
    later = [
        _write(tmp_path, "ice2.csv", DELIVERIES.splitlines()[0] + "\n2026-03-07,tote,9000,1.1,yes\n"),
        _write(tmp_path, "w.csv", "at,container,net_lb\n2026-03-07,tote,0\n"),
        _write(tmp_path, "jobs2.csv", JOBS.splitlines()[0] + "\nZ,2026-03-07,van,interior,799,40,tote,60\n"),
    ]
    import_files(shop, later, today=TODAY)
    assert _ages(shop, date(2026, 3, 7)) == pytest.approx(before, nan_ok=True)


def test_without_deliveries_ages_stay_unknown(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Nothing is made up where no ice was ever logged."""
    book = new_book()
    import_files(book, [_write(tmp_path, "jobs.csv", JOBS)], today=TODAY)
    ages = _ages(book, TODAY)
    assert ages.pop("C") == 9.0
    assert all(np.isnan(age) for age in ages.values())


def test_who_comes_later_is_not_known_before(new_book: Callable[..., Book]) -> None:
    """Codes first used after a day are not even counted in the table of that day."""
    row = {"vehicle_class": "van", "zone": "interior", "pellets_lb": 9.0, "minutes": 20.0}
    book = new_book(rows=[
        {**row, "job_id": "A", "day": date(2026, 3, 2), "operator": "JO", "machine": "m1", "customer": "K1"},
        {**row, "job_id": "B", "day": date(2026, 6, 2), "operator": "NEW", "machine": "m2", "customer": "K2",
         "vehicle_class": "suv", "zone": "engine_bay"},
    ])  # fmt: skip
    early = history(book, date(2026, 4, 1))
    assert (early.operator.names, early.machine.names, early.customer.names) == (("JO",), ("m1",), ("K1",))
    assert (early.vehicle_class.names, early.zone.names) == (("van",), ("interior",))
    assert history(book, TODAY).operator.names == ("JO", "NEW")


def test_a_zone_worked_again_is_one_line_of_all_it_took(new_book: Callable[..., Book]) -> None:
    """Two passes count together, with the words of the first; with one figure missing the zone's is not known."""
    row = {"day": date(2026, 3, 2), "vehicle_class": "van", "minutes": 20.0}
    book = new_book(rows=[
        {**row, "job_id": "A", "zone": "interior", "pellets_lb": 9.0, "soil_level": "heavy", "operator": "JO"},
        {**row, "job_id": "A", "zone": "interior", "pellets_lb": 4.0, "pass": 2, "operator": "KI"},
        {**row, "job_id": "A", "zone": "engine_bay", "pellets_lb": 11.0},
        {**row, "job_id": "B", "zone": "interior", "pellets_lb": 9.0},
        {**row, "job_id": "B", "zone": "interior", "pass": 2},
        {**row, "job_id": "C", "zone": "interior", "pellets_lb": 9.0, "vehicle": "one"},
        {**row, "job_id": "C", "zone": "interior", "pellets_lb": 7.0, "vehicle": "two"},
    ])  # fmt: skip
    table = history(book, TODAY)
    assert table.line_job.tolist() == [0, 0, 1, 2, 2]
    assert table.job_total("pellets_lb").tolist()[0] == 24.0
    assert sorted(table.pellets.value.tolist()) == [7.0, 9.0, 11.0, 13.0]
    assert sorted(table.minutes.value.tolist()) == [20.0, 20.0, 20.0, 40.0, 40.0]
    worked = table.zone.codes == table.zone.names.index("interior")
    assert table.soil[worked & (table.line_job == 0)].tolist() == [2]
    assert table.operator.names[table.operator.codes[worked & (table.line_job == 0)][0]] == "JO"
    assert np.isnan(table.job_total("pellets_lb")[1])


def test_the_order_of_importing_moves_no_age(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The same rows in any order give the same ages to the last digit: jobs alike must stay alike."""
    rng = np.random.default_rng(6)
    zones = ("engine_bay", "interior", "suspension", "undercarriage", "wheel_wells")
    rows = [
        f"J{i},2026-03-{2 + i // 3:02d},van,{zone},{lb:.3f},40,tote,"
        for i in range(80)
        for zone, lb in zip(zones, rng.uniform(5, 40, len(zones)), strict=True)
    ]
    came = "".join(f"2026-03-{day:02d},tote,{1100 + day / 7:.3f},1.1,no\n" for day in range(2, 29, 3))
    ages = []
    for name, ordered in (("one", rows), ("two", [rows[i] for i in rng.permutation(len(rows))])):
        book = new_book(name=name)
        files = [
            _write(tmp_path, f"{name}-jobs.csv", "\n".join([JOBS.splitlines()[0], *ordered]) + "\n"),
            _write(tmp_path, f"{name}-ice.csv", DELIVERIES.splitlines()[0] + "\n" + came),
        ]
        import_files(book, files, today=TODAY)
        ages.append(history(book, TODAY).settings["ice_age_days"])
    assert np.isfinite(ages[0]).all()
    assert ages[0].tolist() == ages[1].tolist()
