"""Costing of finished jobs: real cost, margins, reasons, quotes that held, the list, payback, bad figures."""

import json
from datetime import date, timedelta

import numpy as np
import pytest
from costing_books import DAY, ROW, TOML, costing, warnings

from pipeline.answers.answer import Asking
from pipeline.answers.costed import costed_visits
from pipeline.answers.costing import cost_jobs
from pipeline.answers.costing_ice import ice_prices
from pipeline.answers.fitting import learn_book
from pipeline.answers.landed import Volume, planning_price
from pipeline.answers.quotes_held import upper_tail
from pipeline.answers.quoting import Wanted
from pipeline.answers.requests import job_from_options
from pipeline.answers.saved_quotes import save_quotes
from pipeline.book.settings import Settings
from pipeline.book.store import Book
from pipeline.book.tables import Delivery
from pipeline.cli.main import main
from pipeline.present.costing_text import render_costing
from pipeline.present.figures import Style

PLANNED = planning_price(Settings(), Volume(6.0, 270.0))


def deliver(book: Book, day: date, lb: float, usd: float, fee: float = 0.0, container: str = "") -> None:
    with book.writing() as connection:
        connection.execute(
            "insert into deliveries (day, container, weight_lb, price_usd_per_lb, fee_usd, batch, row_hash) "
            "values (?, ?, ?, ?, ?, 0, 0)", [day, container, lb, usd, fee],
        )  # fmt: skip


def expect(book: Book, job_id: str, day: date, pellets_lb: float, minutes: float) -> None:
    with book.writing() as connection:
        for quantity, value in (("pellets_lb", pellets_lb), ("minutes", minutes)):
            connection.execute(
                "insert into expectations (version, job_id, day, quantity, mean, q10, q50, q90, pit, actual) "
                "values (1, ?, ?, ?, ?, 1, 1, ?, 0.5, 1)", [job_id, day, quantity, value, value * 1.3],
            )  # fmt: skip


def test_cost_of_one_visit_by_hand(new_book) -> None:
    """50 lb, 60 min and 30 min beside: wage 45, machines 15, consumables 5, overhead 18, and the ice at its price."""
    book = new_book(TOML, rows=[{**ROW, "job_id": "A"}])
    costed = costed_visits(Asking(book, DAY + timedelta(days=30)))
    assert costed.cost_usd[0] == pytest.approx(83 + 50 * costed.usd_per_lb[0])
    result = costing(book)
    assert (result.jobs, result.revenue_usd) == (1, 300.0)
    assert result.margin_share == pytest.approx(1 - costed.cost_usd[0] / 300)


def test_ice_counts_at_the_price_of_its_week_and_container_with_fee_and_loss() -> None:
    """Dear ice in one tote leaves the other alone; a fee is spread over its pounds; what was lost raises the price."""
    settings = Settings()
    day0 = DAY.toordinal()
    came = [Delivery(DAY + timedelta(days=7 * k), None, c, 200.0, usd, 40.0, "", False)
            for k in range(8) for c, usd in (("a", 1.0), ("b", 2.0))]  # fmt: skip
    days = np.array([day0 + 7 * k for k in range(8) for _ in range(2)])
    price = ice_prices(settings, came, PLANNED, day=days, container=["a", "b"] * 8, used_lb=np.full(16, 160.0))
    assert price[0::2] == pytest.approx(np.full(8, 1.2 / 0.8))
    assert price[1::2] == pytest.approx(np.full(8, 2.2 / 0.8))
    unnamed = ice_prices(settings, came, PLANNED, day=days, container=[""] * 16, used_lb=np.full(16, 200.0))
    assert unnamed == pytest.approx(np.full(16, 1.7))


def test_what_learn_has_not_seen_is_told_apart_from_what_it_cannot_know(new_book) -> None:
    """A losing job newer than the last fit asks for `learn`; so does the whole answer; today's jobs are named."""
    rows = [{**ROW, "job_id": f"J{k}", "day": DAY + timedelta(days=k), "price_usd": 120.0} for k in range(12)]
    book = new_book(f'[shop]\nas_of = "{DAY + timedelta(days=12)}"\n{TOML}', rows=rows)
    today = DAY + timedelta(days=12)
    learn_book(Asking(book, today))
    assert "newer than the last" not in " ".join(job.because for job in costing(book, today).worst)
    copied = "select * replace ('NEW' as job_id, ?::date as day, 110.0 as price_usd, 99 as row_hash) from job_lines"
    with book.writing() as connection:
        connection.execute(f"insert into job_lines by name {copied} where job_id = 'J0'", [today])
    said = cost_jobs(Asking(book, today)).warnings
    assert any("1 job dated today, 2026-03-14: counted from tomorrow on." in w for w in said)
    later = cost_jobs(Asking(book, today + timedelta(days=1)))
    (fresh,) = [job for job in later.result.worst if job.job_id == "NEW"]
    assert fresh.because.startswith("newer than the last `rimebook learn`")
    assert any("changed since the last `rimebook learn`" in w for w in later.warnings)
    assert not any("changed since" in w for w in cost_jobs(Asking(book, DAY + timedelta(days=5))).warnings)


def test_visit_before_any_delivery_counts_at_the_planning_price() -> None:
    """No delivery yet: the planning price, finite and above the list's."""
    came = [Delivery(DAY, None, "", 200.0, 1.0, 0.0, "", False)]
    before = np.array([DAY.toordinal() - 3])
    price = ice_prices(Settings(), came, PLANNED, day=before, container=[""], used_lb=np.array([50.0]))
    assert price[0] == PLANNED.usd_per_lb
    assert ice_prices(Settings(), [], PLANNED, day=before, container=[""], used_lb=np.ones(1))[0] == price[0]
    assert price[0] > 1.1


def test_margins_by_group_add_up_and_never_name_an_operator(new_book) -> None:
    """Classes, zones, soil levels, customers and months each add up to the whole; nobody is ranked by operator."""
    rows = [
        {**ROW, "job_id": "A", "operator": "O1"},
        {**ROW, "job_id": "A", "zone": "engine_bay", "soil_level": "", "operator": "O1"},
        {**ROW, "job_id": "B", "vehicle_class": "suv", "day": DAY + timedelta(days=9), "customer": ""},
        {**ROW, "job_id": "C", "day": DAY - timedelta(days=9), "soil_level": "light"},
    ]
    result = costing(new_book(TOML, rows=rows))
    assert {g.by for g in result.by} == {"class", "zone", "soil", "customer", "month"}
    for by in ("class", "zone", "soil", "customer", "month"):
        groups = [g for g in result.by if g.by == by]
        assert sum(g.revenue_usd for g in groups) == pytest.approx(result.revenue_usd)
        assert sum(g.cost_usd for g in groups) == pytest.approx(result.cost_usd)
    assert {g.name: g.jobs for g in result.by if g.by == "zone"} == {"engine_bay": 1, "undercarriage": 3}
    assert "O1" not in str(result)


def test_a_missing_price_counts_in_no_margin_and_a_free_job_in_all(new_book) -> None:
    """A job without a price is told and left out; one done for nothing costs what it cost, in every group of it."""
    rows = [
        {**ROW, "job_id": "A"}, {**ROW, "job_id": "B", "price_usd": None},
        {**ROW, "job_id": "C", "price_usd": 0.0, "customer": "K-2"},
    ]  # fmt: skip
    book = new_book(TOML, rows=rows)
    result = costing(book)
    assert (result.jobs, result.revenue_usd, result.losing_jobs) == (2, 300.0, 1)
    alone = float(costed_visits(Asking(book, DAY + timedelta(days=30))).cost_usd[2])
    assert result.margin_share == pytest.approx(1 - (result.cost_usd) / 300)
    assert result.worst[0].because == "done for nothing: a price of 0 was logged"
    (free,) = [g for g in result.by if g.name == "K-2"]
    assert (free.jobs, free.revenue_usd, free.margin_share) == (1, 0.0, None)
    assert free.cost_usd == pytest.approx(alone)
    assert "1 job has no price" in warnings(book)
    assert f"1 job was done for nothing (a price of 0) and cost ${alone:,.0f}" in warnings(book)
    text = render_costing(cost_jobs(Asking(book, DAY + timedelta(days=30))), Style())
    assert any(line.split()[:1] == ["K-2"] and line.split()[-1] == "-" for line in text.splitlines())


def test_a_book_of_free_jobs_tells_what_they_cost(new_book) -> None:
    """There is no margin where nothing was charged, and no division by it."""
    answer = cost_jobs(
        Asking(new_book(TOML, rows=[{**ROW, "job_id": "A", "price_usd": 0.0}]), DAY + timedelta(days=30))
    )
    assert answer.result.margin_share is None
    assert render_costing(answer, Style()).startswith("Nothing was charged: 1 finished job brought $0 and cost $")


@pytest.mark.parametrize(
    ("recorded", "took_lb"),
    [((150.0, 0.0), 150.0), ((0.0, 0.0), 0.0), ((150.0, None), 150.0 + 20.0), ((None, None), 60.0)],
)
def test_what_was_written_down_is_what_a_visit_cost(
    new_book, recorded: tuple[float | None, ...], took_lb: float
) -> None:
    """A written 0 is 0 lb; a blank line takes its planned third of the 60 lb expected; the others stay as written."""
    book = new_book(
        TOML + "[planning.zones.undercarriage]\npellets_lb = 20\n[planning.zones.engine_bay]\npellets_lb = 10\n",
        rows=[
            {**ROW, "job_id": "A", "zone": zone, "pellets_lb": lb}
            for zone, lb in zip(("undercarriage", "engine_bay"), recorded, strict=True)
        ],
    )
    expect(book, "A", DAY, 60.0, 60.0)
    costed = costed_visits(Asking(book, DAY + timedelta(days=30)))
    assert costed.pellets_lb[0] == pytest.approx(took_lb)
    assert bool(costed.filled[0]) == (None in recorded)


def test_a_pass_that_was_written_counts_beside_one_that_was_not(new_book) -> None:
    """The 200 lb of the first pass are paid for, whatever like jobs take."""
    rows = [{**ROW, "job_id": "A", "pass": k, "pellets_lb": lb} for k, lb in ((1, 200.0), (2, None))]
    book = new_book(TOML, rows=rows)
    expect(book, "A", DAY, 60.0, 60.0)
    assert costed_visits(Asking(book, DAY + timedelta(days=30))).pellets_lb[0] == 200.0


def test_the_rest_of_a_total_may_be_nothing(new_book) -> None:
    """Where one line took all of a visit's total, the other took 0 lb; nothing stands in for it."""
    rows = [
        {**ROW, "job_id": "A", "job_pellets_lb": 50.0},
        {**ROW, "job_id": "A", "zone": "engine_bay", "pellets_lb": None, "job_pellets_lb": 50.0},
    ]
    book = new_book(TOML, rows=rows)
    expect(book, "A", DAY, 90.0, 60.0)
    costed = costed_visits(Asking(book, DAY + timedelta(days=30)))
    assert (costed.pellets_lb[0], bool(costed.filled[0])) == (50.0, False)


@pytest.mark.parametrize("price", ["-50", "300 EUR"])
def test_negative_price_and_other_currency_do_not_enter_the_book(new_book, tmp_path, capsys, price: str) -> None:
    """The import rejects them, so costing never sees them."""
    book = new_book()
    log = tmp_path / "jobs.csv"
    log.write_text(
        f"job_id,date,vehicle_class,zone,pellets_lb,minutes,price_usd\nA,2026-03-02,van,interior,9,40,{price}\n"
    )
    main(["import", str(log), "--book", str(book.folder), "--json"])
    assert json.loads(capsys.readouterr().out)["result"]["files"][0]["rejected"] == 1


def test_empty_book_is_answered_in_words(new_book, capsys) -> None:
    """No job: no margin, exit 0, and what to log."""
    book = new_book()
    assert costing(book).margin_share is None
    assert main(["costing", "--book", str(book.folder)]) == 0
    assert "price_usd" in capsys.readouterr().out


def lost(new_book, **figures):
    """Return what is told of one losing job that was expected to take 50 lb and 60 min."""
    price = figures.pop("price_usd", 180.0)
    book = new_book(TOML, rows=[{**ROW, "job_id": "A", "price_usd": price, **figures}])
    deliver(book, DAY - timedelta(days=1), 400, 1.5)
    expect(book, "A", DAY, 50.0, 60.0)
    worst = costing(book).worst
    assert len(worst) == 1
    assert worst[0].expected_cost_usd is not None
    return worst[0]


def losing(new_book, **figures) -> str:
    """Return the reason told for such a job."""
    return lost(new_book, **figures).because


def test_each_way_of_losing_money_is_named(new_book, tmp_path) -> None:
    """Price under the minimum, too low, more pellets, old ice, more time, a long set-up."""

    def book(name: str):
        return lambda toml, rows: new_book(toml, rows, name)

    assert losing(book("a"), price_usd=60.0).startswith("price under the minimum: $60 charged, $")
    assert losing(book("b"), price_usd=120.0).startswith("price too low: $120 charged")
    assert losing(book("c"), price_usd=260.0, pellets_lb=150.0).startswith("more pellets than like jobs: 150 lb")
    assert losing(book("c2"), price_usd=260.0, pellets_lb=150.0).endswith("150 lb, like jobs take 50 lb")
    assert losing(book("d"), price_usd=260.0, pellets_lb=150.0, ice_age_days=5.0).startswith("old ice (5 days)")
    assert losing(book("e"), price_usd=260.0, minutes=400.0).startswith("more time than like jobs: 400 min")
    assert losing(book("f"), price_usd=260.0, setup_min=400.0).startswith("long set-up and clean-up: 410 min")


def test_a_price_a_dollar_short_is_not_to_blame_for_a_large_overrun(new_book) -> None:
    """The larger of what the price fell short and what the job took beyond expectation is named."""
    expected = lost(lambda toml, rows: new_book(toml, rows, "a"), price_usd=120.0).expected_cost_usd
    told = losing(lambda toml, rows: new_book(toml, rows, "b"), price_usd=expected - 1.0, pellets_lb=150.0)
    assert told.startswith("more pellets than like jobs: 150 lb")
    told = losing(lambda toml, rows: new_book(toml, rows, "c"), price_usd=expected - 20.0, pellets_lb=52.0)
    assert told.startswith("price too low: ")


def test_dirt_worse_than_booked_is_the_reason_where_the_price_fitted_the_booking(new_book) -> None:
    """Booked light, found severe: the dirt, where the price would have met the booked dirt; else the price."""
    for name, price, reason in (("a", 150.0, "dirt worse than quoted"), ("b", 100.0, "price too low")):
        book = new_book(TOML, rows=[{**ROW, "job_id": "A", "soil_level": "severe", "price_usd": price}], name=name)
        with book.writing() as connection:
            connection.execute(
                "insert into bookings (booking_id, day, vehicle_class, zone, soil_level, status, job_id, batch, "
                "row_hash) values ('B1', ?, 'van', 'undercarriage', 'light', 'done', 'A', 0, 0)", [DAY],
            )  # fmt: skip
        deliver(book, DAY - timedelta(days=1), 400, 2.5)
        expect(book, "A", DAY, 50.0, 60.0)
        assert costing(book).worst[0].because.startswith(reason)


def test_worst_are_ordered_by_money_lost(new_book) -> None:
    """The job that lost most stands first; jobs that earned are not in the list."""
    rows = [{**ROW, "job_id": j, "price_usd": p} for j, p in (("A", 140.0), ("B", 110.0), ("C", 900.0))]
    result = costing(new_book(TOML, rows=rows))
    assert [w.job_id for w in result.worst] == ["B", "A"]
    assert result.losing_jobs == 2
    assert costing(new_book(TOML, rows=rows, name="again"), n_worst=1).worst[0].job_id == "B"


def test_expectations_hold_no_hindsight(new_book) -> None:
    """Absurd jobs after a day change nothing in the costing as of that day, its expected minutes beside included."""
    rows = [{**ROW, "job_id": f"J{k}", "day": DAY - timedelta(days=k)} for k in range(40)]
    book = new_book(TOML, rows=rows)
    before = costing(book, DAY)
    absurd = [{**ROW, "job_id": f"X{k}", "day": DAY + timedelta(days=k), "pellets_lb": 790.0, "setup_min": 1400.0,
               "price_usd": 1.0} for k in range(40)]  # fmt: skip
    both = new_book(TOML, rows=[*rows, *absurd], name="later")
    deliver(both, DAY + timedelta(days=1), 400, 900.0)
    assert costing(both, DAY) == before
    early = costed_visits(Asking(new_book(TOML, rows=rows, name="c"), DAY + timedelta(days=400)))
    late = costed_visits(Asking(both, DAY + timedelta(days=400)))
    n = early.table.n_jobs
    assert late.expected_beside_min[: n - 2] == pytest.approx(early.expected_beside_min[: n - 2])


def test_deposit_above_the_price_is_told(new_book) -> None:
    """A deposit that exceeds what was charged is a slip to look at."""
    book = new_book(TOML, rows=[{**ROW, "job_id": "A"}])
    with book.writing() as connection:
        connection.execute(
            "insert into bookings (booking_id, day, vehicle_class, zone, deposit_usd, status, batch, row_hash) "
            "values ('A', ?, 'van', 'undercarriage', 500, 'done', 0, 0)", [DAY],
        )  # fmt: skip
    assert "deposit above the price" in warnings(book)


def quoted(new_book, pellets_lb: float, price: float | None = None):
    job = {**ROW, "job_id": "A", "day": DAY + timedelta(days=2), "pellets_lb": pellets_lb}
    book = new_book(TOML, rows=[job])
    asked = job_from_options(book.settings, vehicle="van", zones=["undercarriage:heavy"], day=DAY, customer="K-1")
    save_quotes(Asking(book, DAY), [asked], Wanted(price_usd=price))
    return costing(book)


def test_won_quote_above_its_interval_is_counted_with_its_size(new_book) -> None:
    """780 lb where about 90 were thought ends above the interval, above the price, and the risk share is told."""
    result = quoted(new_book, 780.0)
    held, one = result.quotes, result.followed[0]
    assert (held.saved, held.won, held.above_interval, held.below_interval) == (1, 1, 1, 0)
    assert one.cost_usd is not None
    assert held.above_by_usd == pytest.approx(one.cost_usd - one.cost_high_usd)
    assert held.cost_above_price == 1
    assert one.charged_usd == 300.0


def test_dirt_worse_than_the_saved_quote_is_the_reason(new_book) -> None:
    """Quoted at light soil and found severe: the dirt is named from the quote, without a booking."""
    job = {**ROW, "job_id": "A", "day": DAY + timedelta(days=2), "soil_level": "severe", "price_usd": 160.0}
    book = new_book(TOML, rows=[job])
    asked = job_from_options(book.settings, vehicle="van", zones=["undercarriage:light"], day=DAY, customer="K-1")
    save_quotes(Asking(book, DAY), [asked], Wanted(price_usd=160.0))
    deliver(book, DAY - timedelta(days=1), 400, 2.5)
    expect(book, "A", DAY + timedelta(days=2), 50.0, 60.0)
    assert costing(book).worst[0].because.startswith("dirt worse than quoted: undercarriage severe, told as light")


def test_risk_that_was_held_is_said_to_be(new_book) -> None:
    """A won quote whose cost stayed below its price holds the told risk."""
    assert quoted(new_book, 60.0, 900.0).quotes.risk_held is True
    assert upper_tail(0, 5, 0.1) == 1.0
    assert upper_tail(2, 2, 0.1) == pytest.approx(0.01)
    assert upper_tail(1, 3, 0.5) == pytest.approx(0.875)


def test_job_without_quote_is_costed_all_the_same(new_book) -> None:
    """No saved quote: the counts are 0, the risk unknown, the jobs still costed."""
    result = costing(new_book(TOML, rows=[{**ROW, "job_id": "A"}]))
    assert result.quotes.saved == 0
    assert result.quotes.risk_held is None
    assert result.jobs == 1


def test_a_booking_is_its_jobs_in_any_letter_case(new_book) -> None:
    """Booking t-1 is job T-1: its deposit above the price is told."""
    book = new_book(rows=[{**ROW, "job_id": "T-1"}])
    with book.writing() as connection:
        connection.execute(
            "insert into bookings by name select 't-1' as booking_id, ?::date as taken_on, ?::date as day, 'van' as "
            "vehicle_class, 'undercarriage' as zone, 'light' as soil_level, 'done' as status, 900 as deposit_usd, "
            "0 as batch, 1 as row_hash", [DAY - timedelta(days=3), DAY],
        )  # fmt: skip
    assert "A deposit above the price was taken for 1 jobs (T-1)" in warnings(book)
