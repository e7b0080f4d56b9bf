"""The demo's generator is deterministic, its files follow the layout of the logs, and what is planted is there."""

from __future__ import annotations

import tomllib
from collections import Counter, defaultdict
from datetime import date, datetime, timedelta
from importlib.resources import files

import numpy as np
import pytest

from data_demo.generate import LOG_COLUMNS, SHIPPED_SEED, draw_shop, fresh_jobs, write_clean
from data_demo.logs import DemoLogs
from data_demo.truth import CUSTOMERS, PACKAGES, TRUTH, ZONE_SETS, is_open
from shared.vocabulary import CLASSES, SOILS, ZONES

CLEAN = files("data_demo") / "clean"


@pytest.fixture(scope="module")
def shop() -> DemoLogs:
    return draw_shop(SHIPPED_SEED)


def _by_job(rows: list[dict[str, str]]) -> dict[str, list[dict[str, str]]]:
    jobs: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in rows:
        jobs[row["job_id"]].append(row)
    return jobs


def test_shipped_files_are_what_the_generator_writes(shop: DemoLogs, tmp_path) -> None:
    """The four clean files in the package equal, byte for byte, what the shipped seed gives."""
    write_clean(shop, tmp_path)
    for name in LOG_COLUMNS:
        assert (CLEAN / f"{name}.csv").read_bytes() == (tmp_path / f"{name}.csv").read_bytes(), name


def test_same_seed_same_rows_and_another_seed_other_rows() -> None:
    """A seed fixes every row of every log, and the next seed gives another record."""
    one, again, other = draw_shop(5, 60), draw_shop(5, 60), draw_shop(6, 60)
    for name in LOG_COLUMNS:
        assert getattr(one, name) == getattr(again, name)
    assert one.jobs != other.jobs


def test_record_has_its_size_and_span(shop: DemoLogs) -> None:
    """Eighteen months hold 400 visits on working days and the book's day is the morning after the last."""
    days = [visit.day for visit in shop.visits.values()]
    assert len(shop.visits) == 400
    assert (min(days), max(days)) >= (date(2025, 1, 6), date(2026, 6, 30))
    assert shop.as_of == max(days) + timedelta(days=1) == date(2026, 7, 1)
    assert all(is_open(day) for day in days)
    assert not any(date(2025, 12, 22) <= day <= date(2026, 1, 4) for day in days)


def test_words_are_the_trades(shop: DemoLogs) -> None:
    """Classes, zones and soil are in canonical spelling, a zone or else the name of a package."""
    assert {row["vehicle_class"] for row in shop.jobs} <= set(CLASSES)
    assert {row["zone"] for row in shop.jobs} <= set(ZONES) | set(PACKAGES)
    assert {row["soil_level"] for row in shop.jobs} == {*SOILS, ""}
    assert {row["zone"] for row in shop.bookings} <= set(ZONES)


def test_lines_are_unique(shop: DemoLogs) -> None:
    """No two rows share job, vehicle, zone and pass, so that nothing is taken for a duplicate."""
    keys = [(row["job_id"], row["vehicle"], row["zone"], row["pass"]) for row in shop.jobs]
    assert len(set(keys)) == len(keys)
    deliveries = [(row["date"], row["container"]) for row in shop.deliveries]
    assert len(set(deliveries)) == len(deliveries)
    weighings = [(row["at"], row["container"]) for row in shop.weighings]
    assert len(set(weighings)) == len(weighings)
    bookings = [(row["booking_id"], row["vehicle_class"], row["zone"]) for row in shop.bookings]
    assert len(set(bookings)) == len(bookings)


@pytest.mark.parametrize(("line", "total"), [("pellets_lb", "job_pellets_lb"), ("minutes", "job_minutes")])
def test_each_visit_has_lines_or_a_total_and_they_agree(shop: DemoLogs, line: str, total: str) -> None:
    """Of each quantity a visit has all of its lines or one repeated total; where both, they are equal."""
    both = 0
    for job_id, rows in _by_job(shop.jobs).items():
        written = [row[line] for row in rows]
        totals = {row[total] for row in rows}
        assert all(written) or not any(written), job_id
        assert len(totals) == 1, job_id
        told = totals.pop()
        assert bool(told) or all(written), job_id
        if told and all(written):
            both += 1
            assert float(told) == sum(map(float, written)), job_id
    assert both > 5


def test_rows_of_a_visit_agree_on_what_is_the_visits(shop: DemoLogs) -> None:
    """Date, price, customer and the like are the same on all rows of a visit; a vehicle keeps its class."""
    for job_id, rows in _by_job(shop.jobs).items():
        for column in ("date", "price_usd", "customer", "setup_min", "cleanup_min", "ambient_f"):
            assert len({row[column] for row in rows}) == 1, (job_id, column)
        assert len({(row["vehicle"], row["vehicle_class"]) for row in rows}) == len({row["vehicle"] for row in rows})


def test_figures_are_in_the_range_that_an_import_takes(shop: DemoLogs) -> None:
    """Every figure is positive and a line stays under 800 lb and 24 h."""
    for row in shop.jobs:
        for column, most in (("pellets_lb", 800), ("minutes", 1440), ("job_pellets_lb", 2400), ("job_minutes", 4320)):
            assert row[column] == "" or 0 < float(row[column]) <= most, row


def test_the_record_is_as_incomplete_as_its_truth_says(shop: DemoLogs) -> None:
    """The shares of totals, blank soil, packages, several vehicles, settings and prices are those of the truth."""
    jobs = _by_job(shop.jobs)
    n = len(jobs)
    totals = sum(not rows[0]["pellets_lb"] for rows in jobs.values()) / n
    assert totals == pytest.approx(TRUTH.grain_share["totals"] + TRUTH.grain_share["minutes by line"], abs=0.07)
    assert sum(not rows[0]["soil_level"] for rows in jobs.values()) / n == pytest.approx(0.12, abs=0.05)
    assert sum(bool(rows[0]["feed_lb_min"]) for rows in jobs.values()) / n == pytest.approx(0.30, abs=0.07)
    assert sum(bool(rows[0]["price_usd"]) for rows in jobs.values()) / n == pytest.approx(0.93, abs=0.04)
    assert sum(row["zone"] in PACKAGES for row in shop.jobs) >= 15
    assert sum(len({row["vehicle"] for row in rows}) > 1 for rows in jobs.values()) >= 12
    assert sum(row["coating_removed"] == "yes" for row in shop.jobs) >= 10
    assert len({row["operator"] for row in shop.jobs} - {""}) == 4
    assert len({row["machine"] for row in shop.jobs} - {""}) == 2
    assert len({row["customer"] for row in shop.jobs} - {""}) == 10


def test_ice_balances(shop: DemoLogs) -> None:
    """What was delivered equals what was used, taken without a ticket, lost and left."""
    ice = shop.ice
    assert ice.used_lb + ice.unlogged_lb + ice.lost_lb + ice.left_lb == pytest.approx(ice.delivered_lb)
    assert ice.delivered_lb == pytest.approx(sum(float(row["weight_lb"]) for row in shop.deliveries))
    assert 0.2 < ice.lost_lb / ice.delivered_lb < 0.5
    written = sum(visit.amounts[:, 0].sum() for visit in shop.visits.values())
    assert ice.used_lb == pytest.approx(written)


def test_deliveries_follow_the_price_breaks_and_the_days(shop: DemoLogs) -> None:
    """Regular deliveries come on Mondays and Thursdays at the price of their weight; the rest is counter ice."""
    for row in shop.deliveries:
        if row["supplier"] == "counter":
            assert float(row["price_usd_per_lb"]) == TRUTH.rush_usd_per_lb
            continue
        lb = float(row["weight_lb"])
        assert date.fromisoformat(row["date"]).weekday() in (0, 3)
        assert float(row["price_usd_per_lb"]) == [price for at, price in TRUTH.price_breaks if at <= lb][-1]
        assert 60 <= lb <= TRUTH.container_lb


def test_no_weighing_is_above_what_a_container_holds(shop: DemoLogs) -> None:
    """Weighings lie between 0 and the container's size, and none is stamped at or after the book's day."""
    for row in shop.weighings:
        assert 0 <= float(row["net_lb"]) <= TRUTH.container_lb
        assert datetime.fromisoformat(row["at"]).date() < shop.as_of


def test_bookings_tell_what_became_of_them(shop: DemoLogs) -> None:
    """Past bookings are done (and name their job), cancelled or missed; those of the two weeks ahead are booked."""
    for row in shop.bookings:
        day, taken = date.fromisoformat(row["date"]), date.fromisoformat(row["taken_on"])
        assert taken < day
        assert taken < shop.as_of
        if row["status"] == "booked":
            assert shop.as_of <= day <= shop.as_of + timedelta(days=13)
        else:
            assert day < shop.as_of
        assert (row["status"] == "done") == bool(row["job_id"])
        assert not row["job_id"] or shop.visits[row["job_id"]].day == day
    ahead = {row["booking_id"] for row in shop.bookings if row["status"] == "booked"}
    assert 6 <= len(ahead) <= 14
    outcome = Counter({row["booking_id"]: row["status"] for row in shop.bookings}.values())
    assert outcome["cancelled"] / (outcome["done"] + outcome["cancelled"] + outcome["no_show"]) == pytest.approx(
        TRUTH.cancelled_share, abs=0.02
    )


def test_under_priced_jobs_are_the_ones_that_lose_money(shop: DemoLogs) -> None:
    """At the book's own rates the planted jobs are exactly the ones charged below what they cost."""
    book = tomllib.loads((CLEAN / "book.toml").read_text(encoding="utf-8"))
    costs = book["costs"]
    price = {row["job_id"]: float(row["price_usd"]) for row in shop.jobs if row["price_usd"]}
    losing = set()
    for job_id, charged in price.items():
        lb, minutes = shop.visits[job_id].amounts.sum(axis=0)
        hours = (minutes + costs["setup_min"] + costs["cleanup_min"]) / 60
        trigger_h = minutes / 60 * costs["trigger_share"]
        cost = (
            1.75 * lb  # landed: 1.05 and the fee, over the share of the ice that is not lost
            + hours * (costs["labour_usd_per_hour"] + costs["overhead_usd_per_hour"])
            + trigger_h * (costs["compressor_usd_per_hour"] + costs["equipment_usd_per_hour"])
            + costs["consumables_usd_per_job"]
        )
        if charged < cost:
            losing.add(job_id)
    assert losing == set(shop.under_priced)
    assert len(losing) == 12


def test_book_agrees_with_the_truth() -> None:
    """The shipped settings name the closed days, the prices of ice and the packages that the law uses."""
    book = tomllib.loads((CLEAN / "book.toml").read_text(encoding="utf-8"))
    closed = [date.fromisoformat(day) for day in book["shop"]["closed"]]
    wanted = [
        a + timedelta(days=i)
        for a, b in TRUTH.closed
        for i in range((b - a).days + 1)
        if (a + timedelta(days=i)).weekday() < 5
    ]
    assert closed == sorted(wanted)
    assert book["shop"]["as_of"] == (TRUTH.last_day + timedelta(days=1)).isoformat()
    assert {name: tuple(zones) for name, zones in book["words"]["packages"].items()} == PACKAGES
    assert [(b["from_lb"], b["usd_per_lb"]) for b in book["ice"]["price_breaks"]] == list(TRUTH.price_breaks)
    assert book["ice"]["container_lb"] == TRUTH.container_lb
    assert set(book["machines"]) == set(TRUTH.machines)
    worn = next(w for w in TRUTH.waste if w.kind == "machine")
    assert all(date.fromisoformat(c["date"]) < worn.first for c in book["machines"][worn.name]["changes"])


def test_shares_of_the_truth_sum_to_one() -> None:
    """Every share that is a distribution sums to one."""
    for shares in (
        [c.share for c in CUSTOMERS],
        [weight for _, weight in ZONE_SETS],
        list(TRUTH.soil_share),
        list(TRUTH.operator_share.values()),
        list(TRUTH.grain_share.values()),
        *[list(c.classes.values()) for c in CUSTOMERS],
    ):
        assert sum(shares) == pytest.approx(1.0)


def test_fresh_jobs_are_new_and_carry_no_figures(shop: DemoLogs) -> None:
    """Fresh visits have canonical rows without figures, totals from the law, and a seed that fixes them."""
    fresh = fresh_jobs(3, 50, n_draws=20)
    again = fresh_jobs(3, 50, n_draws=20)
    assert fresh.rows == again.rows
    np.testing.assert_array_equal(fresh.pellets_lb, again.pellets_lb)
    assert {row["job_id"] for row in fresh.rows} == set(fresh.job_id)
    assert {row["zone"] for row in fresh.rows} <= set(ZONES)
    assert not any(row[c] for row in fresh.rows for c in ("pellets_lb", "minutes", "job_pellets_lb", "job_minutes"))
    assert fresh.pellets_law_lb.shape == (50, 20)
    assert (fresh.pellets_lb > TRUTH.purge_lb).all()
    assert (fresh.minutes > 0).all()


def test_fresh_jobs_ahead_lie_after_the_record() -> None:
    """Visits asked for ahead of the record fall on working days of the 60 days after it."""
    days = {date.fromisoformat(row["date"]) for row in fresh_jobs(1, 40, period="ahead").rows}
    assert min(days) > TRUTH.last_day
    assert max(days) <= TRUTH.last_day + timedelta(days=60)
    assert all(is_open(day) for day in days)


def test_law_draws_hold_the_drawn_totals() -> None:
    """The law's own central 80 % interval holds 80 % of the fresh totals of both quantities."""
    fresh = fresh_jobs(11, 2000, n_draws=400)
    for seen, draws in ((fresh.pellets_lb, fresh.pellets_law_lb), (fresh.minutes, fresh.minutes_law)):
        low, high = np.quantile(draws, [0.1, 0.9], axis=1)
        assert np.mean((low <= seen) & (seen <= high)) == pytest.approx(0.8, abs=0.03)


def test_a_larger_record_keeps_its_ice() -> None:
    """Ten times the work is served by larger totes: the ice still balances and a job never lacks ice."""
    shop = draw_shop(2, 4000)
    ice = shop.ice
    assert ice.used_lb + ice.unlogged_lb + ice.lost_lb + ice.left_lb == pytest.approx(ice.delivered_lb)
    assert len(shop.visits) == 4000


def test_an_empty_shop_is_refused() -> None:
    """Asking for no jobs is an error."""
    with pytest.raises(ValueError, match="at least one job"):
        draw_shop(1, 0)
