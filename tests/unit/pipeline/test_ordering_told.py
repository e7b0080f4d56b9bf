"""What an order's text tells apart: risk that no order changes, one statistic a table, what a shortage counts as."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest

from pipeline.answers.answer import Answer, Asking
from pipeline.answers.ice_answer import OnItsWay, OrderResult
from pipeline.answers.ice_cautions import order_cautions
from pipeline.answers.ordering import OrderQuestion, order_ice
from pipeline.answers.reporting import Section
from pipeline.book.store import Book, open_book
from pipeline.intake.importing import import_files
from pipeline.present.figures import Style
from pipeline.present.json_text import render_answer
from pipeline.present.ordering_text import render_order
from pipeline.present.page_sections import order_part

if TYPE_CHECKING:
    from pipeline.answers.reporting import ReportContents

pytestmark = pytest.mark.usefixtures("few_draws")
Make = Callable[..., Book]
TODAY = date(2026, 7, 1)
STOCK = "day, container, weight_lb, batch, row_hash) values (?, 'tote', 300, 0, 0)"


def order(book: Book, **question: object) -> Answer[OrderResult]:
    return order_ice(Asking(book, TODAY), OrderQuestion(**{"statuses_known": True, **question}))  # type: ignore[arg-type]


def told(answer: Answer[OrderResult]) -> str:
    return " ".join(render_order(answer, Style()).split())


def test_risk_that_no_order_changes_is_told_apart(demo_folder: Path) -> None:
    """Days before a delivery can arrive have a chance of their own; without such days, or any delivery, one is told."""
    book = open_book(demo_folder)
    answer = order(book, deliver=("mon",))
    result = answer.result
    assert result.chance_short_before is not None
    assert result.chance_short_after is not None
    assert 0.2 < result.chance_short_before < result.chance_short
    assert 0.2 < result.chance_short_after < result.chance_short
    waiting = [d for d in result.days if d.date < date(2026, 7, 6)]
    assert max(d.chance_short for d in waiting) <= result.chance_short_before <= sum(d.chance_short for d in waiting)
    assert "Before a delivery can arrive (Mon 2026-07-06) the chance of running short is" in told(answer)
    none = order(book, deliver=())
    assert none.result.chance_short_after is None
    assert none.result.chance_short_before == none.result.chance_short
    assert "No delivery can arrive in these days" in told(none)


def test_a_delivery_on_the_first_morning_leaves_one_chance(new_book: Make) -> None:
    """Where the first delivery comes before the first day's work, nothing stands before it."""
    answer = order(new_book("[ice]\nnotice_days = 0\ndelivery_days = ['wed']\n"))
    assert answer.result.chance_short_before is None
    assert answer.result.chance_short_after == answer.result.chance_short
    assert "The chance of running short on some day is" in told(answer)


def test_a_service_level_is_told_for_what_it_is_about(demo_folder: Path) -> None:
    """Beside the chance over all days stands the worst one from a delivery to the next, which --service keeps."""
    answer = order(open_book(demo_folder), service=0.9)
    result = answer.result
    assert result.chance_short_cover is not None
    assert result.chance_short_after is not None
    assert result.chance_short_cover <= 0.1 + 1e-9 < result.chance_short_after
    assert re.search(r"for some day with this plan, at most \d+ % from one delivery to the next\.", told(answer))


def test_stock_and_need_are_told_by_the_same_statistic(demo_folder: Path) -> None:
    """The day table holds means of both, and says so."""
    answer = order(open_book(demo_folder))
    text = render_order(answer, Style())
    assert "means; stock about noon" in text
    day = answer.result.days[1]
    row = next(line for line in text.split("Day by day")[1].splitlines() if line.startswith("Thu 2026-07-02 "))
    assert row.split()[2:4] == Style().weight(day.stock_lb.mean).split()
    assert f" {Style().weight(day.need_lb.mean)} " in row
    assert f"{day.stock_lb.mean:.0f}" != f"{day.stock_lb.quantiles[0.5]:.0f}"


@pytest.mark.parametrize(
    ("toml", "kind", "words"),
    [
        ("rush_usd_per_lb = 2.5\nrush_fee_usd = 30", "rush", "at the counter, at $2.50/lb and $30 a trip"),
        ("bumped_job_usd = 150", "bumped", "jobs bumped at $150 each"),
        ("bumped_job_usd = 0", "nothing", "cost nothing as entered"),
    ],
)
def test_how_a_shortage_is_counted_is_told(toml: str, kind: str, words: str, new_book: Make) -> None:
    """Rush ice with its price, bumped jobs with theirs, or nothing; with the deliveries it makes the whole cost."""
    answer = order(new_book(f"[planning]\njobs_per_week = 6\n[ice]\n{toml}\n"))
    result = answer.result
    assert result.shortage.counted_as == kind
    assert words in told(answer)
    bought = sum(d.cost_usd for d in result.deliveries)
    assert result.shortage.mean_usd == pytest.approx(result.total_cost_usd.mean - bought)
    assert (result.shortage.mean_usd > 0) == (kind != "nothing")


def test_a_bumped_job_counts_what_jobs_are_charged_where_nothing_is_entered(new_book: Make) -> None:
    """The median price of the jobs before today, later ones left out; what a usual one is quoted where none has."""
    toml = "[planning]\njobs_per_week = 6\n"
    bare = order(new_book(toml)).result.shortage
    dear = order(new_book(toml + "[pricing]\nminimum_usd = 900\n", name="dear")).result.shortage
    assert bare.bumped_job_from == dear.bumped_job_from == "planning figure"
    assert 150 < bare.bumped_job_usd < dear.bumped_job_usd == 900
    book = new_book(toml, name="priced")
    rows = [("a", 200.0, 3), ("b", 500.0, 2), ("c", 900.0, 1), ("d", None, 1), ("later", 9000.0, 0)]
    log = ["job_id,date,vehicle_class,zone,price_usd"]
    log += [f"{job},{TODAY - timedelta(days=ago)},sedan,interior,{price or ''}" for job, price, ago in rows]
    file = book.folder.parent / "jobs.csv"
    file.write_text("\n".join(log) + "\n")
    import_files(book, [file], today=TODAY)
    answer = order(book)
    assert (answer.result.shortage.bumped_job_usd, answer.result.shortage.bumped_job_from) == (500.0, "usual price")
    assert "jobs bumped at $500 each (what jobs are usually charged here" in told(answer)


def test_without_a_weighing_unlogged_use_is_not_told_as_a_figure(demo_folder: Path, new_book: Make) -> None:
    """Where nothing was ever weighed the text says that it cannot be known."""
    assert "Used but not logged in the last four weeks: about" in told(order(open_book(demo_folder)))
    book = new_book()
    with book.writing() as connection:
        connection.execute(f"insert into deliveries ({STOCK}", [TODAY - timedelta(days=2)])
    answer = order(book)
    assert answer.result.stock.weighed == 0
    assert answer.result.stock.now_lb.mean > 100
    assert "not logged cannot be known" in told(answer)
    assert "not logged in the last four weeks" not in told(answer)


def test_a_metric_shop_reads_its_own_units(new_book: Make) -> None:
    """Neither text nor cautions of a metric shop name pounds, cubic feet or cfm."""
    answer = order(new_book('[shop]\nunits = "metric"\n[planning]\njobs_per_week = 12\n'))
    text = "\n".join([render_order(answer, Style("metric")), *answer.cautions])
    assert re.search(r"at least \d+ m3/h", text)
    assert re.search(r"Handling \d+ kg", text)
    assert re.findall(r".*\b(?:lb|ft3|cfm)\b.*", text) == []


def test_an_order_of_nothing_says_why(new_book: Make) -> None:
    """Where putting jobs off costs less than their ice, nothing is ordered, and it is said how to have them served."""
    cheap = order(new_book("[ice]\nbumped_job_usd = 1\n"))
    assert not any(d.order_lb for d in cheap.result.deliveries)
    assert "Nothing is ordered because putting these jobs off costs less than their ice" in told(cheap)
    dear = order(new_book("[ice]\nbumped_job_usd = 2000\n", name="dear"))
    assert any(d.order_lb for d in dear.result.deliveries)
    assert "Nothing is ordered" not in told(dear)


@pytest.mark.parametrize(
    ("toml", "why", "what"),
    [
        ("rush_usd_per_lb = 1.5", "fetching what is short at the counter costs", "rush_usd_per_lb or rush_fee_usd"),
        ("bumped_job_usd = 60", "putting these jobs off costs less", "bumped_job_usd"),
    ],
)
def test_days_left_without_ice_that_could_come_are_told(toml: str, why: str, what: str, new_book: Make) -> None:
    """Where the plan waits for a later delivery and jobs may want for ice until then, it says so and what to set."""
    shop = "[planning]\njobs_per_week = 6\n[ice]\ndelivery_fee_usd = 150\ndelivery_days = ['thu', 'mon']\n"
    answer = order(new_book(shop + toml + "\n"))
    result = answer.result
    first, filled = result.deliveries[0], next((d for d in result.deliveries if d.order_lb), None)
    assert not first.order_lb
    assert result.chance_short_unordered is not None
    until = filled.date if filled else result.days[-1].date + timedelta(days=1)
    waited = [d.chance_short for d in result.days if first.date <= d.date < until]
    assert max(waited) <= result.chance_short_unordered <= sum(waited)
    text = told(answer)
    if filled:
        assert f"Ice ordered by {first.order_by:%a %Y-%m-%d} could come on {first.date:%a %Y-%m-%d}; the plan" in text
    assert f"because {why}" in text
    assert f"set {what} higher under [ice] in book.toml if that is not so, or ask `rimebook order --service" in text
    served = order(new_book(shop + toml + "\n", name="served"), service=0.9)
    assert served.result.chance_short_unordered is None
    assert why not in told(served)


def test_what_firm_means_and_what_is_due_today_is_told(demo_folder: Path) -> None:
    """Firm deliveries are due before the next decision day, not all of them now; those of today are named."""
    answer = order(open_book(demo_folder))
    text = told(answer)
    decide = answer.result.decide_on
    assert decide is not None
    assert f"Firm: to be decided before {decide:%a %Y-%m-%d}, the next decision day" in text
    for delivery in answer.result.deliveries:
        assert delivery.firm == (delivery.order_by < decide)
        words = "firm, due today" if delivery.order_by == TODAY else "firm" if delivery.firm else "open until then"
        assert re.search(f"{delivery.date} .*{delivery.order_by} +{words}\n", render_order(answer, Style()))
    firm = [d.order_by for d in answer.result.deliveries if d.firm]
    assert 0 < firm.count(TODAY) < len(firm)


@pytest.mark.parametrize(
    "toml", ["delivery_days = []", "container_lb = 60", "lot_lb = 900\ncontainer_lb = 400\nleast_lb = 0"]
)
def test_where_nothing_can_be_ordered_no_price_is_blamed(toml: str, new_book: Make) -> None:
    """Without a delivery, or with containers below the least order, nothing was weighed against a shortage."""
    for i, shortage in enumerate(("bumped_job_usd = 1", "rush_usd_per_lb = 3")):
        answer = order(new_book(f"[ice]\n{toml}\n{shortage}\n", name=f"shop{i}"))
        assert not any(d.order_lb for d in answer.result.deliveries)
        assert not answer.result.shortage.weighed
        assert "putting these jobs off" not in told(answer)
        assert "the plan leaves to it" not in told(answer)


def test_what_binds_an_order_of_nothing_is_named_in_the_shops_units(new_book: Make) -> None:
    """A lot larger than the containers is named as the lot, in kilograms where the shop weighs in them."""
    toml = '[shop]\nunits = "metric"\n[ice]\nlot_lb = 900\ncontainer_lb = 400\nleast_lb = 10\n'
    answer = order(new_book(toml))
    (said,) = [w for w in answer.warnings if "Nothing can be ordered" in w]
    assert "the smallest lot (408 kg) is more than the containers hold" in said


def test_a_service_level_weighs_nothing(new_book: Make) -> None:
    """What a service level leaves short was not left to the counter because it costs less."""
    toml = "[ice]\nrush_usd_per_lb = 3\n"
    assert order(new_book(toml)).result.shortage.weighed
    served = order(new_book(toml, name="served"), service=0.6)
    assert not served.result.shortage.weighed
    assert "the plan leaves to it" not in told(served)


def test_a_shop_without_deliveries_is_told_that_its_store_counts_as_empty(new_book: Make) -> None:
    """Jobs alone say nothing of what is in store; what a container would lose is told as that."""
    rows = [{"job_id": f"J{k}", "day": TODAY - timedelta(days=k), "vehicle_class": "sedan", "zone": "undercarriage",
             "pellets_lb": 45.0, "minutes": 60.0} for k in range(1, 30)]  # fmt: skip
    answer = order(new_book(rows=rows))
    assert any("the store counts as empty" in w for w in answer.warnings)
    assert "In store now: 0 lb. A filled container loses" in told(answer)


def test_the_gas_of_a_store_is_that_of_all_containers_it_fills(new_book: Make) -> None:
    """Two totes that are empty this morning and filled by the plan give off what both lose, not what one does."""
    jobs = [{"job_id": f"J{k}", "day": TODAY - timedelta(days=k), "vehicle_class": "truck", "zone": "undercarriage",
             "pellets_lb": 180.0, "minutes": 60.0} for k in range(1, 60)]  # fmt: skip
    book = new_book("[ice]\ncontainer_lb = 250\nbumped_job_usd = 3000\n", rows=jobs)
    with book.writing() as connection:
        for name in ("a", "b"):
            connection.execute("insert into weighings (day, container, net_lb, batch, row_hash) values "
                               "(?, ?, 0, 0, 0)", [TODAY - timedelta(days=1), name])  # fmt: skip
            for k in range(3, 40, 3):
                connection.execute("insert into deliveries (day, container, weight_lb, batch, row_hash) values "
                                   "(?, ?, 250, 0, 0)", [TODAY - timedelta(days=k), name])  # fmt: skip
    answer = order(book)
    containers = answer.result.stock.containers
    both, upper = (sum(f(c.loss_lb_day) for c in containers) for f in (lambda x: x.mean, lambda x: x.quantiles[0.95]))
    (store,) = [c for c in answer.cautions if c.startswith("Store: up to")]
    found = re.search(r"may give off ([\d.]+) ft3 an hour", store)
    assert found is not None
    assert len(containers) == 2
    # Two losses are not both at their most in one scenario; what one of them may lose is far less than this.
    assert both * 1.05 < float(found[1]) * 24 / 8.742 < upper * 1.15


def test_the_air_of_a_store_allows_for_outdoor_air_and_altitude(new_book: Make) -> None:
    """Air G / (5,000 ppm - 420 ppm), never rounded down, keeps a well-mixed room; thin air takes more of it."""
    # 48 lb a day: 48 x 8.742 / 1440 = 0.2914 cfm of gas, which takes 63.6 cfm (58.3 if outdoor air had none).
    (store,) = [c for c in order_cautions(0.0, 100.0, 48.0) if c.startswith("Store")]
    assert "may give off 17 ft3 an hour: at least 64 cfm of fresh air, well mixed, keeps that under 5,000 ppm" in store
    (metric,) = [c for c in order_cautions(0.0, 100.0, 48.0, metric=True) if c.startswith("Store")]
    assert "at least 110 m3/h of fresh air" in metric  # 108.1
    (high,) = [c for c in order_cautions(0.0, 100.0, 48.0, altitude_ft=5280.0) if c.startswith("Store")]
    assert "at least 78 cfm" in high  # x 1.215
    bay = "[bays.north]\nlength_ft = 40\nwidth_ft = 30\nheight_ft = 14\naltitude_ft = {}\n"
    low, thin = (
        next(c for c in order(new_book(bay.format(ft), name=str(ft))).cautions if c.startswith("Store"))
        for ft in (0, 9000)
    )
    needed = [int(re.findall(r"at least ([\d,]+) cfm", c)[0].replace(",", "")) for c in (low, thin)]
    assert needed[1] > 1.25 * needed[0]


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_balance_of_the_days_closes(units: str, new_book: Make) -> None:
    """What is in store, ordered and short is what goes, in JSON and text; full boxes leave ice without room."""
    jobs = [{"job_id": f"J{k}", "day": TODAY - timedelta(days=k), "vehicle_class": "truck", "zone": "undercarriage",
             "pellets_lb": 120.0, "minutes": 60.0} for k in range(1, 60)]  # fmt: skip
    toml = f"[shop]\nunits = '{units}'\n[ice]\ncontainer_lb = 250\nlot_lb = 250\nbumped_job_usd = 3000\n"
    book = new_book(toml, rows=jobs)
    with book.writing() as connection:
        connection.execute(f"insert into deliveries ({STOCK}", [TODAY - timedelta(days=1)])
    answer = order(book)
    result, style = answer.result, Style(units)  # type: ignore[arg-type]
    assert min(result.unlogged_lb.mean, result.turned_away_lb.mean) > 1
    comes = result.stock.now_lb.mean + sum(d.order_lb for d in result.deliveries) + result.short_lb_mean
    goes = (result.unlogged_lb, result.sublimated_lb, result.turned_away_lb, result.left_over_lb)
    assert sum(d.need_lb.mean for d in result.days) + sum(f.mean for f in goes) == pytest.approx(comes, abs=0.01)
    text = " ".join(render_order(answer, style).split())
    assert f"{style.weight(result.unlogged_lb.mean)} go beside the logged use" in text
    assert f"{style.weight(result.turned_away_lb.mean)} are delivered and find no room in the containers" in text
    (said,) = re.findall(r"Work needs about .*? short\.", text)
    left, right = (
        sum(float(x.replace(",", "")) for x in re.findall(r"([\d.,]+) (?:lb|kg)", part))
        for part in said.split(": in all")
    )
    assert left == pytest.approx(right, abs=4)


def test_a_metric_shop_is_told_of_lots_in_pounds(new_book: Make) -> None:
    """Once, where the lot is the default; with the key that it names orders are whole lots of 20 kg."""
    toml = "[shop]\nunits = 'metric'\n[planning]\njobs_per_week = 12\n"
    (said,) = [w for w in order(new_book(toml)).warnings if "in lots of" in w]
    assert "lots of 22.7 kg (50 lb)" in said
    key = re.search(r"`(lot_lb = [\d.]+)` under \[ice\] plans by 20 kg", said)
    assert key is not None
    answer = order(new_book(f"{toml}[ice]\n{key[1]}\n", name="own"))
    assert not any("in lots of" in w for w in answer.warnings)
    ordered = [Style("metric").weight(d.order_lb) for d in answer.result.deliveries if d.order_lb]
    assert ordered
    assert all(int(kg.split()[0]) % 20 == 0 for kg in ordered)
    assert not any("in lots of" in w for w in order(new_book("", name="us")).warnings)


def test_ice_that_is_logged_ahead_is_told_under_the_deliveries_and_not_counted(new_book: Make) -> None:
    """Deliveries of today and the day after tomorrow leave the plan as it is and are named; one beyond it is not."""
    book = new_book("[planning]\njobs_per_week = 12\n")
    before = order(book)
    with book.writing() as connection:
        for ahead, lb in ((0, 200), (2, 300), (60, 500)):
            connection.execute("insert into deliveries (day, container, weight_lb, batch, row_hash) values "
                               "(?, 'tote', ?, 0, 0)", [TODAY + timedelta(days=ahead), lb])  # fmt: skip
    after = order(book)
    coming = TODAY + timedelta(days=2)
    assert after.result.on_its_way == (OnItsWay(TODAY, 200.0), OnItsWay(coming, 300.0))
    assert replace(after.result, on_its_way=()) == before.result
    assert after.warnings == before.warnings  # told once, on the page itself
    text = render_order(after, Style())
    head, table, rest = text.partition("Not counted, as by the log")
    said = " ".join((table + rest).split())
    days = f"200 lb on {TODAY:%a %Y-%m-%d}, 300 lb on {coming:%a %Y-%m-%d}"
    assert said.startswith(
        f"Not counted, as by the log it is still to come: {days}. "
        f"Order that much less. Where today's has come, undo its import and give it the time, such as {TODAY} 07:30"
    )
    assert "Decided" in head
    assert "Firm" not in head
    assert "Not counted, as by" not in render_order(before, Style())
    plain = json.loads(render_answer("order", "shop", TODAY, after))["result"]["on_its_way"]
    assert plain[1] == {"date": coming.isoformat(), "weight_lb": 300.0}
    page = order_part(cast("ReportContents", SimpleNamespace(order=Section(after), level=0.8, today=TODAY)), Style())
    assert page.lines[0].startswith("Not counted, as by the log it is still to come: 200 lb on ")
    none = order(book, deliver=())
    assert "No delivery is possible in these days. Not counted" in told(none)
