"""Deliveries that stopped being logged while jobs went on: ice gets no cheaper by it, and every answer says so."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from typing import Any

import pytest

from models.ice.lapses import Lapse
from pipeline.answers.answer import Asking
from pipeline.answers.costed import costed_visits
from pipeline.answers.costing import cost_jobs
from pipeline.answers.forecast_ice import ice_terms
from pipeline.answers.forecasting import ForecastQuestion, forecast
from pipeline.answers.ice_fitting import fit_jobs
from pipeline.answers.ice_lapses import record_start
from pipeline.answers.landed import landed_price
from pipeline.answers.ordering import OrderQuestion, order_ice
from pipeline.answers.quoting import quote_jobs
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.answers.reviewing import TechniqueQuestion, technique
from pipeline.book.store import Book

Make = Callable[..., Book]
TODAY = date(2026, 6, 1)
FIRST = TODAY - timedelta(days=210)  # a Monday


def jobs(n_days: int, lb: float = 40.0) -> list[dict[str, object]]:
    days = [FIRST + timedelta(days=k) for k in range(n_days) if k % 7 < 5]
    return [{"job_id": f"J{d:%y%m%d}", "day": d, "vehicle_class": "sedan", "zone": "undercarriage", "price_usd": 300.0,
             "soil_level": "moderate", "pellets_lb": lb, "minutes": 60.0} for d in days]  # fmt: skip


def mondays(*holes: tuple[int, int]) -> list[date]:
    return [FIRST + timedelta(days=k) for k in range(0, 210, 7) if not any(a <= k < b for a, b in holes)]


def put(book: Book, came: Sequence[date], lb: float = 300.0) -> Book:
    with book.writing() as connection:
        for i, day in enumerate(came):
            connection.execute(
                "insert into deliveries (day, container, weight_lb, price_usd_per_lb, fee_usd, batch, row_hash) "
                "values (?, 'a', ?, ?, ?, 0, ?)", [day, lb, *((1.1, 40.0) if i % 2 else (1.3, 0.0)), i],
            )  # fmt: skip
    return book


#: What a used pound costs: 300 lb come a week at 1.20 and half a fee of 40, 200 of them are used.
TRUE = (1.2 + 20 / 300) / (200 / 300)


@pytest.mark.parametrize("hole", [(140, 210), (84, 140), (196, 210)], ids=["running", "within", "two weeks"])
def test_ice_gets_no_cheaper_by_deliveries_that_nobody_logged(new_book: Make, hole: tuple[int, int]) -> None:
    """The landed price, the cost of past jobs and the fees ahead are those of the whole log."""
    whole = Asking(put(new_book(rows=jobs(210)), mondays()), TODAY)
    holed = Asking(put(new_book(rows=jobs(210), name="holed"), mondays(hole)), TODAY)
    assert landed_price(whole).usd_per_lb == pytest.approx(TRUE, rel=0.01)
    tolerance = 0.08 if hole[1] - hole[0] < 15 else 0.02  # too short to be told from chance
    assert landed_price(holed).usd_per_lb == pytest.approx(TRUE, rel=tolerance)
    costs = [costed_visits(asking).usd_per_lb.mean() for asking in (whole, holed)]
    assert costs[1] == pytest.approx(costs[0], rel=tolerance)
    terms = [ice_terms(asking, (), (), usd_per_lb=None, n_draws=200) for asking in (whole, holed)]
    assert terms[1].deliveries_per_day == pytest.approx(1 / 7, rel=tolerance)
    assert terms[1].fee_usd == pytest.approx(terms[0].fee_usd, rel=0.1)
    assert terms[1].usd_per_lb == pytest.approx(1.2, rel=0.02)


def said(asking: Asking) -> dict[str, list[str]]:
    job = JobAsked("A1", asking.today, (LineAsked("sedan", "undercarriage", "moderate"),))
    answers: dict[str, Any] = {
        "quote": quote_jobs(asking, [job]),
        "costing": cost_jobs(asking),
        "order": order_ice(asking, OrderQuestion()),
        "fit": fit_jobs(asking),
        "forecast": forecast(asking, ForecastQuestion(n_months=1)),
        "technique": technique(asking, TechniqueQuestion()),
        "technique --job": technique(asking, TechniqueQuestion(job=f"J{FIRST:%y%m%d}")),
    }
    return {name: [w for w in answer.warnings if "import th" in w] for name, answer in answers.items()}


def told_by_costing(asking: Asking) -> list[str]:
    return [w for w in cost_jobs(asking).warnings if "import th" in w]


@pytest.mark.usefixtures("few_draws")
def test_every_answer_that_counts_ice_says_it_in_the_same_words(new_book: Make) -> None:
    """One sentence with the pounds, the day and what to do; none where deliveries are logged or the work stopped."""
    holed = said(Asking(put(new_book(rows=jobs(210)), mondays((140, 210))), TODAY))
    last = FIRST + timedelta(days=133)
    pounds = 40 * (5 * 11)
    expected = (
        f"{pounds:,} lb were used since the last logged delivery of {last}: import the deliveries since. Until then "
        "ice counts at the price and loss of the logged time, and `order` knows of none that came since."
    )
    assert holed == {name: [expected] for name in holed}
    for n_days, came in ((210, mondays()), (140, mondays((140, 210)))):
        book = put(new_book(rows=jobs(n_days), name=f"kept-{n_days}"), came)
        assert not told_by_costing(Asking(book, TODAY))


def test_a_hole_is_told_with_both_of_its_days(new_book: Make) -> None:
    """It says from when to when nothing is logged, in the units of the shop; an old one is told no longer."""
    book = put(new_book('[shop]\nunits = "metric"\n', jobs(210)), mondays((84, 140)))
    (told,) = told_by_costing(Asking(book, TODAY))
    assert told.startswith(f"816 kg were used from {FIRST + timedelta(days=77)} to {FIRST + timedelta(days=139)} and")
    year = TODAY + timedelta(days=300)
    assert not [w for w in told_by_costing(Asking(book, year)) if "logged between" in w]
    ahead = forecast(Asking(book, TODAY), ForecastQuestion(n_months=1))
    assert not [w for w in ahead.warnings if w.startswith("More pellets were used than delivered")]  # told once


def test_a_log_that_was_given_up_leaves_planning_figures_and_says_so(new_book: Make) -> None:
    """Half a year after the last delivery coming jobs count planning figures again."""
    asking = Asking(put(new_book(rows=jobs(210)), mondays((63, 210))), TODAY + timedelta(days=60))
    price = landed_price(asking)
    assert price.basis == "planning"
    (told,) = told_by_costing(asking)
    assert "coming jobs count ice at planning figures ([ice] in book.toml), finished ones at the price" in told
    near = landed_price(Asking(asking.book, TODAY))
    assert (near.basis, near.usd_per_lb) == ("learned", pytest.approx(TRUE, rel=0.02))


def on(*days: int) -> list[date]:
    return [FIRST + timedelta(days=k) for k in days]


def test_the_half_year_looked_at_steps_over_lapses() -> None:
    """182 days outside lapses lie in it; nothing of before a lapse of half a year or more does."""
    today = TODAY.toordinal()

    def start(*spans: tuple[int, int, int]) -> int:
        lapses = [Lapse(today - first, today - last, today - came, 1.0, last == 1) for came, first, last in spans]
        return today - record_start(TODAY, lapses).toordinal()

    assert start() == 182
    assert start((77, 70, 1)) == 182 + 70
    assert start((107, 100, 41)) == 182 + 60
    assert start((307, 300, 241), (107, 100, 41)) == 182 + 120
    assert start((247, 240, 183)) == 182
    assert start((247, 240, 182)) == 182 + 59
    assert start((222, 215, 41)) == 182 + 175
    assert start((223, 216, 41)) == 40
    assert start((182, 175, 1)) == 182 + 175
    assert start((183, 176, 1)) == 0


def test_after_a_lapse_the_price_is_still_that_of_the_logged_time(new_book: Make) -> None:
    """Where five deliveries of the half year by the calendar are logged, those before the lapse are looked at too."""
    asking = Asking(put(new_book(rows=jobs(210)), mondays((42, 189))), TODAY)
    price = landed_price(asking)
    assert (price.basis, price.usd_per_lb) == ("learned", pytest.approx(TRUE, rel=0.03))
    assert price.n_deliveries > 6
    (told,) = told_by_costing(asking)
    assert told.endswith("Until then ice counts at the price and loss of the logged time.")
    terms = ice_terms(asking, (), (), usd_per_lb=None, n_draws=200)
    assert terms.deliveries_per_day == pytest.approx(1 / 7, rel=0.03)
    assert (terms.usd_per_lb, terms.fee_usd) == (pytest.approx(1.2, rel=0.02), pytest.approx(20, rel=0.15))


@pytest.mark.parametrize(
    ("came", "day", "logged", "ends"),
    [
        (range(0, 211, 35), 322, "Only 5 deliveries came in the last 26 logged weeks", "that came since."),
        ((*range(0, 57, 7), 252), 253, "Only 1 delivery came in the last 26 logged weeks", "of the logged time."),
        ((*range(0, 57, 7), 252, 259, 266), 273, "Only 3 deliveries came in the", "of the logged time."),
    ],
    ids=["seldom", "one after a given up log", "three after a given up log"],
)
def test_the_note_tells_the_figures_that_count(
    new_book: Make, came: Sequence[int], day: int, logged: str, ends: str
) -> None:
    """Where too little is logged for a price it says that coming jobs count planning figures."""
    asking = Asking(put(new_book(rows=jobs(330)), on(*came)), FIRST + timedelta(days=day))
    assert landed_price(asking).basis == "planning"
    (note,) = told_by_costing(asking)
    assert "coming jobs count ice at planning figures ([ice] in book.toml), finished ones at the price and" in note
    assert note.endswith(ends)
    first, planned = ice_terms(asking, (), (), usd_per_lb=None, n_draws=200).warnings
    assert first == note
    assert planned.startswith(logged)


def test_a_delivery_of_this_morning_ends_the_lapse(new_book: Make) -> None:
    """The note says from when to when none is logged, not that none came since."""
    book = put(new_book(rows=jobs(210)), mondays((140, 210)))
    with book.writing() as connection:
        connection.execute(
            "insert into deliveries (day, stamped, container, weight_lb, price_usd_per_lb, fee_usd, batch, row_hash) "
            "values (?, ?, 'a', 300, 1.2, 20, 0, 99)", [TODAY, datetime(2026, 6, 1, 7, 30)],
        )  # fmt: skip
    (told,) = told_by_costing(Asking(book, TODAY))
    assert f"to {TODAY - timedelta(days=1)} and no delivery is logged between" in told
    assert landed_price(Asking(book, TODAY)).usd_per_lb == pytest.approx(TRUE, rel=0.08)


def test_what_is_logged_later_moves_no_earlier_answer(new_book: Make) -> None:
    """As of a day in the hole the deliveries after it are as good as none."""
    day = FIRST + timedelta(days=130)
    found = []
    for name, came in (("then", mondays((84, 210))), ("now", [*mondays((84, 140))])):
        asking = Asking(put(new_book(rows=jobs(210), name=name), came), day)
        found.append((landed_price(asking), told_by_costing(asking)))
    assert found[0] == found[1]
    assert found[0][1]
