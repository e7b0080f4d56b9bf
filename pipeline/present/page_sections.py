"""Sections of the report page that look ahead: orders and the coming months; and the finished jobs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.figures import minutes, percent
from pipeline.present.forecast_text import reason_words, record_sentences
from pipeline.present.ordering_text import SHORT, decided, firm_words, left_short, on_its_way_words, waiting_words
from pipeline.present.page_parts import Part, day_words, month_words, span_words
from pipeline.present.page_tables import JOB_HEADS, MOST_JOBS, Grid, between, grid, job_lines
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.forecasting import ForecastResult, PastRange
    from pipeline.answers.ice_answer import OrderResult
    from pipeline.answers.reporting import ReportContents
    from pipeline.present.figures import Style

#: A stock below this is none.
_TRACE_LB = 0.5


def order_part(contents: ReportContents, style: Style) -> Part:
    """Return what to order and when."""
    question = "What do I order, and when?"
    if contents.order.answer is None:
        return Part("order", question, to_log=contents.order.to_log)
    result = contents.order.answer.result
    level = percent(contents.level)
    named = [d for d in result.deliveries if d.order_lb]
    if not result.deliveries:
        lead = "No delivery is possible in the coming days: see delivery_days in book.toml."
    elif not named:
        lead = f"Nothing for the next {len(result.days)} days."
    else:
        first = named[0]
        lead = f"Order {style.weight(first.order_lb)} by {day_words(first.order_by)} for {day_words(first.date)}"
        rest = [f"{style.weight(d.order_lb)} for {day_words(d.date)}" for d in named[1:]]
        lead += f"; then {', '.join(rest)}." if rest else "."
    accepted = left_short(result, day_words).strip()
    lead += _short_words(result, accepted=bool(accepted))
    deliveries = grid(
        f"Deliveries. {firm_words(result, day_words)}",
        ["Delivery", "#Order", "#Cost", "Order by", "Decided"],
        [
            [
                day_words(d.date),
                style.weight(d.order_lb) if d.order_lb else "nothing",
                style.money(d.cost_usd),
                day_words(d.order_by),
                decided(d, contents.today),
            ]
            for d in result.deliveries
        ],
    )
    days = grid(
        f"Day by day, {level} between; in store about noon, the morning's loss taken off, before use",
        ["Day", "#In store", "#Needed", "#Chance short"],
        [
            [day_words(d.date), span_words(d.stock_lb, style), span_words(d.need_lb, style), percent(d.chance_short)]
            for d in result.days
        ],
    )
    rules = grid(
        "Against simple rules, over the same days",
        ["Rule", "#Cost", "#Runs short"],
        [
            ["this plan", style.money(result.total_cost_usd.mean), percent(result.chance_short)],
            *([r.name, style.money(r.cost_usd), percent(r.chance_short)] for r in result.rule_of_thumb),
        ],
    )
    said = [on_its_way_words(result, style, day_words), accepted]
    return Part(
        "order", question, lead, lines=(*(words for words in said if words), _stock_line(result, style, level)),
        table=deliveries, days=days, rules=rules,
    )  # fmt: skip


def _short_words(result: OrderResult, *, accepted: bool) -> str:
    """Return the plan's chance of running short on some day, and those that no order or a plan that waits leaves."""
    said, before = "", result.chance_short_before
    if result.deliveries and before is not None and before >= SHORT:
        said += f" {waiting_words(result, before, day_words)}"
    if accepted and result.chance_short_unordered is not None:
        filled = next((d for d in result.deliveries if d.order_lb), None)
        until = f" to {day_words(filled.date)}" if filled else " on"
        said += (
            f" From {day_words(result.deliveries[0].date)}{until} the chance of running short is "
            f"{percent(result.chance_short_unordered)}: the plan accepts that, as ice would cost more."
        )
    days = counted(len(result.days), "day")
    return f"{said} The chance of running short on some day of these {days} is {percent(result.chance_short)}."


def _stock_line(result: OrderResult, style: Style, level: str) -> str:
    stock, cost = result.stock, result.total_cost_usd
    worst = max(result.days, key=lambda d: d.chance_short)
    held = "nothing to speak of"
    if stock.now_lb.interval.high >= _TRACE_LB:
        held = f"about {style.weight(stock.now_lb.mean)} ({level} within {span_words(stock.now_lb, style)})"
    return (
        f"In store this morning: {held}, losing {style.weight(stock.loss_lb_day.mean)} a day when filled. Ice, fees "
        f"and shortages of these days cost about {style.money(cost.mean)} ({between(cost, style.money)}). The chance "
        f"to run short is highest on {day_words(worst.date)}: {percent(worst.chance_short)}."
    )


def forecast_part(contents: ReportContents, style: Style) -> Part:
    """Return the coming months, why they change, and how past forecasts did."""
    question = "What is coming?"
    if contents.forecast.answer is None:
        return Part("forecast", question, to_log=contents.forecast.to_log)
    result = contents.forecast.answer.result
    first = next(m for m in result.months if not m.part)
    buy, jobs = first.pellets_bought_lb, counted(round(first.jobs.mean), "job")
    level = percent(buy.interval.level)
    lead = (
        f"{month_words(first.month)}: about {jobs} and {style.weight(buy.mean)} of ice to "
        f"buy ({level} within {style.weight_range(buy.interval.low, buy.interval.high)}) for about "
        f"{style.money(first.spend_usd.mean)}."
    )
    months = grid(
        f"The months ahead: mean, and {level} between",
        ["Month", "#Jobs", "#Used", "#To buy", "#Between", "#Work", "#Ice bill"],
        [
            [
                month_words(m.month, part=m.part),
                f"{m.jobs.mean:,.0f}",
                style.weight(m.pellets_used_lb.mean),
                style.weight(m.pellets_bought_lb.mean),
                span_words(m.pellets_bought_lb, style),
                _work(m.minutes.mean),
                style.money(m.spend_usd.mean),
            ]
            for m in result.months
        ],
    )
    return Part(
        "forecast", question, lead, lines=_forecast_lines(result, style), tables=(months, *_past(result, style))
    )


def _work(total_min: float) -> str:
    return f"{total_min / 60:,.0f} h" if total_min >= 600 else minutes(total_min)


def _forecast_lines(result: ForecastResult, style: Style) -> tuple[str, ...]:
    lines = []
    if result.against is not None and result.because:
        why = reason_words(result)
        told = ", ".join(
            f"{why[b.of][b.pellets_lb < 0]} ({'-' if b.pellets_lb < 0 else '+'}{style.weight(abs(b.pellets_lb))})"
            for b in sorted(result.because, key=lambda b: -abs(b.pellets_lb))
        )
        lines.append(f"Against {month_words(result.against.month)} ({counted(result.against.jobs, 'job')}): {told}.")
    if result.backtest.months:
        lines += record_sentences(result)
    else:
        lines.append("No past month could be tested yet: two whole months of log make a start.")
    return tuple(lines)


def _past(result: ForecastResult, style: Style) -> list[Grid]:
    def told(r: PastRange) -> str:
        return style.weight_range(r.low, r.high)

    rows = [
        [
            month_words(p.month),
            f"{p.jobs.low:.0f} to {p.jobs.high:.0f}",
            "-" if p.jobs.actual is None else f"{p.jobs.actual:.0f}",
            told(p.pellets_used_lb),
            "-" if p.pellets_used_lb.actual is None else style.weight(p.pellets_used_lb.actual),
        ]
        for p in result.backtest.past[-6:]
    ]
    heads = ["Past month", "#Jobs, 80 % between", "#Came", "#Used, 80 % between", "#Came"]
    return [grid("Past forecasts, made on the morning the month began", heads, rows)] if rows else []


def jobs_part(contents: ReportContents, style: Style) -> Part:
    """Return the finished jobs beside what was expected of each."""
    question = "Finished jobs, against what was expected"
    if not contents.jobs:
        return Part("jobs", question, to_log="No finished job yet: record one with `rimebook log` or import a job log.")
    tested = [r for r in contents.jobs if r.learned and r.held is not None]
    planned = sum(not r.learned and r.held is not None for r in contents.jobs)
    out = sum(r.held is False for r in tested)
    n = len(contents.jobs)
    lead = f"{counted(n, 'finished job')}; "
    lead += (
        f"{out:,} of {len(tested):,} fell outside their 80 % range of pellets (marked)."
        if tested
        else "none could be compared yet: run `rimebook learn`."
    )
    lines = []
    judged = contents.trust.answer.result.levels if contents.trust.answer else ()
    if tested and any(level.minutes_jobs for level in judged):
        lines.append("This counts pellets alone; \u201cCan I trust it?\u201d counts pellets and minutes together.")
    if planned:
        done = counted(planned, "job")
        lines.append(f"Not counted and not marked: {done} done before anything was learned, with planning figures.")
    if n > MOST_JOBS:
        lines.append(f"The newest {MOST_JOBS:,} are listed; `rimebook export` has them all.")
    return Part("jobs", question, lead, lines=tuple(lines), heads=JOB_HEADS, rows=job_lines(contents.jobs, style))
