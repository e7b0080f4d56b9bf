"""What a forecast's words rest on: booked jobs among the reasons, planning figures told as such, the ice bill."""

import re
from dataclasses import replace
from datetime import date

import pytest
from forecast_books import TODAY, answered, book_jobs, job, weekday_jobs

from pipeline.answers.answer import Asking
from pipeline.answers.ordering import OrderQuestion, order_ice
from pipeline.answers.reporting import report_contents
from pipeline.cli.main import main
from pipeline.present.figures import Style
from pipeline.present.forecast_text import record_sentences, render_forecast
from pipeline.present.ordering_text import render_order
from pipeline.present.page_sections import forecast_part


def told(answer) -> str:
    return " ".join(render_forecast(answer, Style()).split())


@pytest.fixture
def unlearned(new_book):
    """Return a book of half a year of moderate jobs that was never learned and has no delivery."""
    return new_book(rows=weekday_jobs(date(2026, 1, 5), date(2026, 6, 30), every=2))


def test_booked_jobs_count_in_mix_and_soil_and_not_as_waste(unlearned):
    """Heavy bookings lift the month by their soil; who does them and how has no part in it."""
    before = {b.of: b.pellets_lb for b in answered(unlearned, n_months=1).result.because}
    book_jobs(unlearned, [(date(2026, 6, 29), date(2026, 7, 6 + i), "booked") for i in range(10)])
    with unlearned.writing() as connection:
        connection.execute("update bookings set soil_level = 'severe'")
    answer = answered(unlearned, n_months=1, statuses_known=True)
    result = answer.result
    after = {b.of: b.pellets_lb for b in result.because}
    assert after["soil"] > before["soil"] + 200
    assert abs(after["technique"] - before["technique"]) < 0.4 * after["soil"]
    month = result.months[0]
    assert sum(after.values()) == pytest.approx(month.pellets_bought_lb.mean - result.against.pellets_bought_lb)
    assert month.booked == 10
    assert f"about {month.jobs.mean:,.0f} jobs (10 are booked)." in told(answer)


def test_a_log_that_was_not_learned_is_said_to_be_so(unlearned):
    """Neither its weeks are called few, nor the record of learned forecasts shown as that of planning figures."""
    text = told(answered(unlearned))
    assert "this log was not learned. Run `rimebook learn`." in text
    assert "few weeks" not in text
    assert "the forecast above rests on planning figures and has no such record" in text
    assert "than usual for like jobs" not in text
    assert main(["learn", "--book", str(unlearned.folder), "--today", TODAY.isoformat()]) == 0
    text = told(answered(unlearned))
    assert "not learned" not in text
    assert "no such record" not in text


def test_the_reports_reasons_of_an_unlearned_log_are_the_forecasts(unlearned):
    """The page too says that planning figures lie above or below the log, and blames no technique."""
    contents = report_contents(Asking(unlearned, TODAY)).result
    result, told_on_page = contents.forecast.answer.result, forecast_part(contents, Style()).lines
    lines = " ".join(told_on_page)
    assert "than usual for like jobs" not in lines
    assert re.search(r"planning figures (above|below) what like jobs took \([+-]", lines)
    # So does its record: whether a simple rule did better, and that a forecast from planning figures has none.
    assert set(record_sentences(result)) < set(told_on_page)
    own, *rules = result.backtest.scores
    best = min(rules, key=lambda rule: rule.pellets_lb)
    side = "better" if own.pellets_lb < best.pellets_lb else "worse"
    assert f"That is {side} than the best simple rule ({best.name}): score " in lines
    assert "rests on planning figures and has no such record until `rimebook learn` has run." in lines
    worse = replace(own, pellets_lb=best.pellets_lb + 1)
    backtest = replace(result.backtest, scores=(worse, *rules))
    contents = replace(contents, forecast=replace(contents.forecast, answer=replace(
        contents.forecast.answer, result=replace(result, backtest=backtest))))  # fmt: skip
    assert any(line.startswith("That is worse than") for line in forecast_part(contents, Style()).lines)


def test_lost_ice_that_nobody_logged_is_told_as_planning(unlearned):
    """Without a delivery the ice of the past month stands apart from what planning figures add to it."""
    answer = answered(unlearned)
    used = Style().weight(answer.result.against.pellets_used_lb)
    assert f"{used} used and, by planning figures," in told(answer)
    assert "with what was lost" not in told(answer)


def test_the_ice_bill_without_deliveries_is_what_an_order_pays(new_book):
    """A week that one container serves is one delivery, at the price of its size, not a fee on every delivery day."""
    days = weekday_jobs(date(2026, 1, 5), date(2026, 6, 30))
    book = new_book(rows=[job(i, row["day"], lb=55.0) for i, row in enumerate(days)])
    answer = answered(book, n_months=1)
    month = answer.result.months[0]
    assert month.spend_usd.mean == pytest.approx(1.1 * month.pellets_bought_lb.mean + 45 * 31 / 7, rel=0.01)
    assert any(
        "No delivery of the last half year is logged" in w and "It counts 1 a week" in w for w in answer.warnings
    )


@pytest.mark.usefixtures("few_draws")
def test_the_loss_of_a_container_can_be_followed_to_its_setting(unlearned):
    """The planning value is named beside the mean it leads to, and so is what a day's loss counts."""
    answer = order_ice(Asking(unlearned, TODAY), OrderQuestion(n_days=7, statuses_known=True))
    text = " ".join(render_order(answer, Style()).split())
    warmth = answer.result.stock.warmth
    assert warmth > 1.01
    assert f"its middle is sublimation_lb_per_day (35 lb at 20 °C), times {warmth:.2f} for the warmth" in text
    assert "stock about noon, less the loss of one container" in text


def test_bookings_without_their_day_of_booking_are_told(unlearned):
    """They count among the usual jobs, however many they are: that is said, and of what is over or off not."""
    book_jobs(unlearned, [(None, date(2026, 7, 6 + i), "booked") for i in range(9)])
    book_jobs(unlearned, [(None, date(2026, 7, 20), "cancelled"), (None, date(2026, 6, 2), "done")])
    (said,) = [w for w in answered(unlearned, n_months=1).warnings if "taken_on" in w]
    assert said.startswith("9 bookings to come have no taken_on")
