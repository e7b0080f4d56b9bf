"""What quotes promise: one price for jobs alike, cents that are charged, ceilings, one won quote for a job."""

import json
from dataclasses import replace
from datetime import date, timedelta

import pytest

from pipeline.answers.answer import Asking
from pipeline.answers.costed import costed_visits
from pipeline.answers.part_done import SoFar
from pipeline.answers.quoting import Wanted, quote_jobs
from pipeline.answers.requests import JobAsked, job_from_options
from pipeline.answers.saved_quotes import followed, requote, save_quotes, settle
from pipeline.book.quote_rows import customer_rows, every_quote
from pipeline.book.store import Book
from pipeline.present.figures import Style
from pipeline.present.quote_text import render_quote
from shared.errors import RimebookError

DAY = date(2026, 3, 2)
ROW: dict[str, object] = {
    "day": DAY, "vehicle_class": "van", "zone": "undercarriage", "soil_level": "heavy", "pellets_lb": 80.0,
    "minutes": 90.0, "customer": "K-1", "price_usd": 300.0,
}  # fmt: skip
NOTHING_COSTS = """
[costs]
labour_usd_per_hour = 0
compressor_usd_per_hour = 0
equipment_usd_per_hour = 0
consumables_usd_per_job = 0
overhead_usd_per_hour = 0
[ice]
delivery_fee_usd = 0
price_breaks = [{from_lb = 0, usd_per_lb = 0}]
"""


def later(days: int) -> date:
    return DAY + timedelta(days=days)


def van(book: Book, customer: str = "K-1", soil: str = "heavy") -> JobAsked:
    zones = [f"undercarriage:{soil}"]
    return job_from_options(book.settings, vehicle="van", zones=zones, day=DAY, customer=customer)


def test_a_job_wins_one_quote_whatever_the_day_it_is_told(new_book) -> None:
    """What was told on a later day stands against what is told of an earlier one."""
    book = new_book(rows=[{**ROW, "job_id": "J", "day": later(1)}])
    save_quotes(Asking(book, DAY), [van(book), van(book)], Wanted())
    settle(Asking(book, later(5)), 1, "won", "J")
    with pytest.raises(RimebookError, match="by which quote 1 was won"):
        settle(Asking(book, later(3)), 2, "won", "J")
    (said,) = settle(Asking(book, later(3)), 1, "lost").warnings
    assert f"Quote 1 was won by job J since {later(5)}; now it is lost." in said


def test_a_job_done_as_it_was_found_is_the_one_quoted(new_book) -> None:
    """A zone that was added on arrival and kept with the quote belongs to it, from that day on."""
    both = [{**ROW, "job_id": "J", "day": later(2)}, {**ROW, "job_id": "J", "day": later(2), "zone": "wheel_wells"}]
    book = new_book(rows=both)
    save_quotes(Asking(book, DAY), [van(book)], Wanted())
    requote(Asking(book, later(2)), 1, ["undercarriage:heavy", "wheel_wells:heavy"], Wanted(), save=True)
    assert [(f.state, f.jobs) for f in followed(Asking(book, later(4)))] == [("won", ("J",))]
    assert settle(Asking(book, later(4)), 1, "won", "J").warnings == ()
    # A job without the added zone is the one quoted, too: the customer may have declined it.
    plain = new_book(rows=[{**ROW, "job_id": "J", "day": later(2)}], name="plain")
    save_quotes(Asking(plain, DAY), [van(plain)], Wanted())
    requote(Asking(plain, later(2)), 1, ["undercarriage:heavy", "wheel_wells:heavy"], Wanted(), save=True)
    assert [f.state for f in followed(Asking(plain, later(4)))] == ["won"]


def test_a_price_on_arrival_of_an_earlier_day_loses_no_later_one(new_book) -> None:
    """What was found is kept in the order of its days, whenever each was written down."""
    book = new_book()
    save_quotes(Asking(book, DAY), [van(book)], Wanted())
    for days, level in ((4, "severe"), (2, "light")):
        requote(Asking(book, later(days)), 1, [f"undercarriage:{level}"], Wanted(), save=True)
    kept = every_quote(book)[0].quoted["found"]
    assert [(f["today"], f["request"]["lines"][0]["soil_level"]) for f in kept] == [
        (later(2).isoformat(), "light"), (later(4).isoformat(), "severe")
    ]  # fmt: skip


def test_vehicles_of_a_quoted_visit_stay_apart_on_arrival(new_book) -> None:
    """A soil that was found counts on each vehicle that has the zone; none of them is lost."""
    book = new_book()
    job = van(book)
    both = replace(job, lines=tuple(replace(job.lines[0], vehicle=name) for name in ("V1", "V2")))
    two = save_quotes(Asking(book, DAY), [both], Wanted()).result.quotes[0]
    again = requote(Asking(book, DAY), 1, ["undercarriage:heavy", "wheel_wells:light"], Wanted()).result.quotes[0]
    assert [line.zone for line in again.estimate.lines] == ["undercarriage", "undercarriage", "wheel_wells"]
    assert again.cost_usd.mean > two.cost_usd.mean


def test_jobs_alike_have_one_price(new_book) -> None:
    """Three rows of one list that say the same are quoted the same, and as each would be by itself."""
    book = new_book()
    one = quote_jobs(Asking(book, DAY), [van(book)]).result.quotes[0]
    three = quote_jobs(Asking(book, DAY), [van(book)] * 3).result.quotes
    assert {(q.price_usd, q.ceiling_usd, q.deposit_usd, q.cost_usd.mean) for q in three} == {
        (one.price_usd, one.ceiling_usd, one.deposit_usd, one.cost_usd.mean)
    }


def test_cents_that_are_charged_are_told(new_book) -> None:
    """Price, ceiling, deposit and a price of one's own stand in the text as they are charged."""
    book = new_book("[pricing]\nround_to_usd = 0.05\n")
    answer = quote_jobs(Asking(book, DAY), [van(book)], price_usd=261.49)
    quote, text = answer.result.quotes[0], " ".join(render_quote(answer, Style()).split())
    for usd in (quote.price_usd, quote.ceiling_usd, quote.deposit_usd, 261.49):
        assert Style().charged(usd) in text
    assert "At $261.49:" in text
    assert Style().charged(260.0) == "$260"


def test_a_price_above_the_ceiling_is_asked_for(new_book) -> None:
    """On arrival a price of one's own above what was agreed is the customer's to decide, whatever the soil."""
    book = new_book()
    agreed = save_quotes(Asking(book, DAY), [van(book)], Wanted()).result.quotes[0]
    for price, ask in ((agreed.ceiling_usd + 100, True), (agreed.ceiling_usd - 10, False)):
        answer = requote(Asking(book, DAY), 1, ["undercarriage:light"], Wanted(price_usd=price))
        assert answer.result.quotes[0].agreed.ask_customer is ask
        text = " ".join(render_quote(answer, Style()).split())
        assert (f"The price of {Style().charged(price)} is above the ceiling" in text) is ask


def test_a_shop_without_costs_is_answered(new_book) -> None:
    """Where nothing costs anything a quote has no mark-up and no shares, and no fault."""
    book = new_book(NOTHING_COSTS)
    answer = quote_jobs(Asking(book, DAY), [van(book)])
    assert answer.result.quotes[0].cost_usd.mean == 0
    assert "mark-up" not in render_quote(answer, Style())


def test_the_rest_of_a_job_is_no_better_supported_than_the_job(new_book) -> None:
    """Scenarios that agree with what was used are no past jobs: without a record no level is supported."""
    book = new_book()
    quote = quote_jobs(Asking(book, DAY), [van(book)], wanted=Wanted(so_far=SoFar(30.0, 25.0, 0.33))).result.quotes[0]
    assert quote.rest is not None
    assert quote.rest.effective_scenarios > 100
    assert not quote.pellets_lb.interval.supported
    assert not quote.rest.pellets_lb.interval.supported


def test_a_customer_is_one_however_the_name_is_written(new_book) -> None:
    """Codes are compared folded, also where a letter has no single small form."""
    rows = [{**ROW, "job_id": f"J{k}", "day": DAY - timedelta(days=k + 1), "customer": name}
            for k, name in enumerate(["Gro\u00df", "GROSS", "gro\u00df"])]  # fmt: skip
    book = new_book(rows=rows)
    with book.writing() as connection:
        connection.executemany(
            "insert into expectations (version, job_id, day, quantity, mean, q10, q50, q90, pit, actual) "
            "values (1, ?, ?, 'pellets_lb', 85, 60, 80, 110, 0.5, 90)",
            [[row["job_id"], row["day"]] for row in rows],
        )
    assert customer_rows(book, DAY).names == ("gross",)


def test_a_job_pays_for_the_ice_it_used_not_for_one_small_delivery(new_book) -> None:
    """Where the week brought less than was used, ice of before was used too, at its price."""
    book = new_book(rows=[{**ROW, "job_id": "J", "day": later(-1), "pellets_lb": 120.0}])
    with book.writing() as connection:
        for i, (day, lb, usd) in enumerate(((later(-10), 400.0, 1.2), (later(-2), 60.0, 3.0))):
            connection.execute("insert into deliveries (day, container, weight_lb, price_usd_per_lb, fee_usd, batch, "
                               "row_hash) values (?, 'tote', ?, ?, 0, 0, ?)", [day, lb, usd, i])  # fmt: skip
    costed = costed_visits(Asking(book, DAY))
    lost = quote_jobs(Asking(book, DAY), [van(book)]).result.ice_usd_per_lb
    assert lost is not None
    mean = (400 * 1.2 + 60 * 3.0) / 460
    assert mean <= costed.usd_per_lb[0] < mean / 0.6 < 3.0


def test_a_day_of_ones_own_is_not_said_to_be_the_books(new_book, run) -> None:
    """`as_of` is named where it is what today means, and not beside another --today."""
    book = new_book('[shop]\nas_of = "2026-03-02"\n')
    call = ("estimate", "--vehicle", "van", "--zone", "interior", "--book", str(book.folder))
    assert "As of 2026-03-02 (set as `as_of` in book.toml)." in run(*call)[1]
    assert "As of 2026-02-01.\n" in run(*call, "--today", "2026-02-01")[1]
    assert json.loads(run(*call, "--today", "2026-02-01", "--json")[1])["today"] == "2026-02-01"


def test_vehicles_of_one_visit_each_take_their_set_up(new_book, tmp_path) -> None:
    """A visit of three vehicles in a file is set up as the shop's visits of three vehicles were."""
    from pipeline.answers.request_files import jobs_from_file

    rows = []
    for k in range(60):
        for vehicle in ("V1", "V2", "V3")[: 1 + 2 * (k % 2)]:
            rows.append({**ROW, "job_id": f"J{k}", "day": DAY - timedelta(days=k + 1), "vehicle": vehicle,
                         "setup_min": 10.0 + 20.0 * (k % 2), "cleanup_min": 10.0})  # fmt: skip
    asking = Asking(new_book(rows=rows), DAY)
    part = []
    for names in (("V1",), ("V1", "V2", "V3")):
        file = tmp_path / f"{len(names)}.csv"
        lines = [f"A,{name},van,undercarriage,heavy" for name in names]
        file.write_text("\n".join(["job_id,vehicle,vehicle_class,zone,soil_level", *lines]) + "\n")
        (quote,) = quote_jobs(asking, jobs_from_file(asking, file, DAY)).result.quotes
        part.append({p.name: p.mean_usd for p in quote.parts}["set-up and clean-up"])
    assert part[1] == pytest.approx(2 * part[0], rel=0.15)


def test_a_part_done_job_has_one_answer(new_book) -> None:
    """With what was used so far every figure is of the whole job as now known: the price, its cost, what is risked."""
    book = new_book()
    save_quotes(Asking(book, DAY), [van(book)], Wanted())
    found = ["undercarriage:heavy", "wheel_wells:heavy"]
    before = requote(Asking(book, DAY), 1, found, Wanted()).result.quotes[0]
    answer = requote(Asking(book, DAY), 1, found, Wanted(so_far=SoFar(90.0, 100.0, 0.33)))
    (quote,) = answer.result.quotes
    rest = quote.rest
    assert rest is not None
    assert quote.price_usd > before.price_usd
    assert quote.cost_usd == rest.total_cost_usd
    assert (quote.pellets_lb, quote.minutes) == (rest.total_pellets_lb, rest.total_minutes)
    assert quote.estimate.pellets_lb == quote.pellets_lb
    assert sum(line.pellets_lb.mean for line in quote.estimate.lines) == pytest.approx(quote.pellets_lb.mean)
    assert sum(part.mean_usd for part in quote.parts) == pytest.approx(quote.cost_usd.mean)
    assert quote.agreed.chance_of_loss == rest.chance_of_loss
    assert quote.agreed.expected_margin_share == pytest.approx(rest.expected_margin_share)
    text = " ".join(render_quote(answer, Style()).split())
    now = Style().charged(quote.price_usd)
    assert f"Price as now known {now} before tax" in text
    assert f"The price as now known, {now}, is above the ceiling: ask the customer before going on." in text
    assert "as found" not in text.removeprefix("Quote 1 as found")


def test_what_no_such_job_takes_so_far_is_to_be_checked_first(new_book) -> None:
    """A slip of the hand, such as a nought too many, would else become a price."""
    book = new_book()
    for pellets_lb, told in ((30.0, False), (3000.0, True)):
        wanted = Wanted(so_far=SoFar(pellets_lb, 25.0, 0.33))
        answer = quote_jobs(Asking(book, DAY), [van(book)], wanted=wanted)
        text = " ".join(render_quote(answer, Style()).split())
        assert ("3,000 lb and 25 min with 33 % done is outside" in text) is told
        assert ("check these figures and their units first" in text) is told


def test_no_scenario_of_a_loss_is_no_proof_that_there_is_none(new_book) -> None:
    """A price above what every scenario costs is told a chance below one in a hundred, never 0 %."""
    book = new_book()
    answer = quote_jobs(Asking(book, DAY), [van(book)], price_usd=99_999.0)
    assert answer.result.quotes[0].at_price.chance_of_loss == 0
    text = " ".join(render_quote(answer, Style()).split())
    assert "chance of loss < 1 %." in text
    assert "chance of loss 0 %" not in text
