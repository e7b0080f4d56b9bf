"""When a machine has earned its price: whose visits count, from when, and what is said where too few do."""

from datetime import date, timedelta

import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.costing import cost_jobs
from pipeline.answers.payback import MachinePayback
from pipeline.book.store import Book
from pipeline.present.costing_text import render_costing
from pipeline.present.figures import Style
from shared.errors import RimebookError
from shared.units import DAYS_PER_MONTH

TODAY = date(2026, 3, 3)
TOML = """
[costs]
labour_usd_per_hour = 30
trigger_share = 0.5
equipment_usd_per_hour = 20
[machines.rig-1]
bought_usd = 2000
life_hours = 1000
salvage_share = 0.1
"""


def visit(days_ago: int, *, price: float = 300.0, machine: str = "rig-1", lb: float = 50.0) -> dict[str, object]:
    return {"job_id": f"{machine}-{days_ago}", "day": TODAY - timedelta(days=days_ago), "vehicle_class": "van",
            "zone": "undercarriage", "soil_level": "heavy", "pellets_lb": lb, "minutes": 60.0, "price_usd": price,
            "setup_min": 20.0, "cleanup_min": 10.0, "machine": machine}  # fmt: skip


def payback(book: Book, machine: str = "rig-1") -> MachinePayback:
    found = cost_jobs(Asking(book, TODAY), payback=machine).result.payback
    assert found is not None
    return found


def test_months_are_the_price_over_what_a_month_earns(new_book) -> None:
    """Forty visits that each leave the same give months = price / earned a month, within the interval."""
    answer = payback(new_book(TOML, rows=[visit(k) for k in range(1, 41)]), "RIG-1")
    assert answer.months is not None
    assert answer.straight_line_usd_per_hour == pytest.approx(1.8)
    assert answer.months.low < 2000 / answer.earned_usd_month.mean < answer.months.high
    assert answer.visits == 40


def test_a_new_machine_counts_from_its_first_day(new_book) -> None:
    """Twenty visits in forty days on a new machine are not spread over the year the shop is open."""
    book = new_book(TOML, rows=[visit(2 * k) for k in range(1, 21)] + [visit(k, machine="old") for k in range(1, 360)])
    answer = payback(book)
    assert answer.months_seen == pytest.approx(40 / DAYS_PER_MONTH)
    assert answer.trigger_hours_month == pytest.approx(20 * 0.5 / answer.months_seen)


def test_only_the_last_year_counts(new_book) -> None:
    """The visit of 365 days ago counts; that of the day before and years before it neither earn nor lengthen."""
    recent = [visit(k) for k in (5, 50, 120, 200, 300, 365)]
    long_ago = [visit(k, price=9000.0) for k in (366, 400, 700, 1000)]
    one, two = (payback(new_book(TOML, rows=r, name=n)) for n, r in (("new", recent), ("all", [*recent, *long_ago])))
    assert (one.visits, two.visits) == (6, 6)
    assert one.months_seen == two.months_seen == pytest.approx(365 / DAYS_PER_MONTH)
    assert two.earned_usd_month.mean == pytest.approx(one.earned_usd_month.mean, rel=0.02)


def test_a_machine_at_rest_since_spring_earns_less_a_month(new_book) -> None:
    """Months without a visit up to today are part of the time it was seen, so that idleness costs."""
    busy = payback(new_book(TOML, rows=[visit(k) for k in range(1, 31)], name="busy"))
    idle = payback(new_book(TOML, rows=[visit(k) for k in range(201, 231)], name="idle"))
    assert idle.months_seen == pytest.approx(230 / DAYS_PER_MONTH)
    # a little less than by time alone: of a shop with less work more of the ice is lost
    assert idle.earned_usd_month.mean == pytest.approx(busy.earned_usd_month.mean * 30 / 230, rel=0.15)


def test_visits_of_today_do_not_count_yet(new_book) -> None:
    """A dear visit on the day that is asked for changes nothing."""
    rows = [visit(2 * k) for k in range(1, 21)]
    one, two = (payback(new_book(TOML, rows=r, name=n)) for n, r in (
        ("before", rows), ("with", [*rows, visit(0, price=9000.0)])))  # fmt: skip
    assert two == one


def test_a_visit_on_two_machines_counts_in_each_with_its_share(new_book) -> None:
    """Two equal lines on two machines: each machine has worked half the visit and earned half of it."""
    toml = TOML + "[machines.rig-2]\nbought_usd = 2000\n"
    shared = []
    for k in range(1, 21):
        shared += [visit(2 * k), {**visit(2 * k), "zone": "suspension", "machine": "rig-2"}]
    book = new_book(toml, rows=shared)
    whole = cost_jobs(Asking(book, TODAY)).result
    halves = [payback(book, name) for name in ("rig-1", "rig-2")]
    assert [h.visits for h in halves] == [20, 20]
    left = whole.revenue_usd - whole.cost_usd + 20.0 * 20 * 2 * 0.5  # the equipment's own hours are not taken off
    earned = sum(h.earned_usd_month.mean * h.months_seen for h in halves)
    assert earned == pytest.approx(left, rel=0.03)


@pytest.mark.parametrize(("machine", "code"), [("rig-9", "no-machine-price"), ("spare", "too-few-visits")])
def test_payback_needs_a_price_and_visits(new_book, machine: str, code: str) -> None:
    """A machine nobody entered, or that did nothing, is told."""
    book = new_book(TOML + "[machines.spare]\nbought_usd = 900\n", rows=[visit(k) for k in range(1, 13)])
    with pytest.raises(RimebookError) as told:
        payback(book, machine)
    assert told.value.problem.code == code


def test_visits_of_a_few_days_tell_no_month(new_book) -> None:
    """Five visits of yesterday, or a first one of 27 days ago, are refused; one of 28 days ago is answered."""
    yesterday = [{**visit(1), "job_id": f"J{k}"} for k in range(5)]
    recent = [visit(k) for k in range(20, 28)]
    for name, rows in (("yesterday", yesterday), ("recent", recent)):
        with pytest.raises(RimebookError) as told:
            payback(new_book(TOML, rows=rows, name=name))
        assert told.value.problem.code == "too-few-visits"
    assert "27 days before 2026-03-03" in told.value.problem.found
    assert payback(new_book(TOML, rows=[*recent, visit(28)], name="month")).visits == 9


def test_an_interval_of_few_visits_is_not_called_supported(new_book) -> None:
    """Six visits carry no interval of 95 %, forty do: that of the months and that of what is earned alike."""
    for n, carried in ((6, False), (40, True)):
        book = new_book(TOML, rows=[visit(7 * k) for k in range(1, n + 1)], name=f"n{n}")
        found = cost_jobs(Asking(book, TODAY, level=0.95), payback="rig-1").result.payback
        assert found is not None
        assert found.months is not None
        assert found.months.supported is found.earned_usd_month.interval.supported is carried


def test_visits_without_a_price_count_as_work(new_book) -> None:
    """One visit in four has a price: the machine works and earns as much as where all have one, and that is told."""
    rows = [visit(3 * k) for k in range(1, 121)]
    priced = payback(new_book(TOML, rows=rows, name="priced"))
    blank = [row if k % 4 == 0 else {**row, "price_usd": None} for k, row in enumerate(rows)]
    book = new_book(TOML, rows=blank, name="blank")
    answer = payback(book)
    assert (answer.visits, answer.unpriced_visits, priced.unpriced_visits) == (120, 90, 0)
    assert answer.trigger_hours_month == pytest.approx(120 * 0.5 / answer.months_seen)
    assert answer.earned_usd_month.mean == pytest.approx(priced.earned_usd_month.mean, rel=0.03)
    assert answer.months_median == pytest.approx(priced.months_median, rel=0.05)
    text = render_costing(cost_jobs(Asking(book, TODAY), payback="rig-1"), Style())
    assert "90 of them have no price" in " ".join(text.split())


def test_work_of_unknown_length_counts_as_the_rest(new_book) -> None:
    """Minutes that nobody wrote down, where nothing was expected, do not shorten the hours of a month."""
    rows = [visit(9 * k) for k in range(1, 41)]
    answer = payback(new_book(TOML, rows=[{**r, "minutes": None} if k % 2 else r for k, r in enumerate(rows)]))
    assert (answer.visits, answer.unpriced_visits) == (40, 20)
    assert answer.trigger_hours_month == pytest.approx(40 * 0.5 / answer.months_seen)
