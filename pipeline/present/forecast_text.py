"""The forecast as text: next month first, then the months, why it changes, and how past forecasts held."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from pipeline.present.figures import few, minutes, percent
from pipeline.present.terminal import Column, paragraph, table
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer, QuantitySummary
    from pipeline.answers.forecast_reasons import Against, Because
    from pipeline.answers.forecasting import ForecastBacktest, ForecastMonth, ForecastResult, PastRange
    from pipeline.present.figures import Style

_BASIS = {
    "planning": "Basis: planning figures from book.toml; no history yet.",
    "mixed": "Basis: planning figures mixed with the few weeks in the log.",
    "learned": "Basis: learned from the shop's own log.",
}
_NOT_LEARNED = (
    "Basis: how many jobs come is from the log, what a job takes is a planning figure: this log was not learned. Run "
    "`rimebook learn`."
)
_PLANNED_ABOVE = ("planning figures above what like jobs took", "planning figures below what like jobs took")
_WHY = {
    "jobs": ("more jobs", "fewer jobs"),
    "mix": ("larger vehicles or zones", "smaller vehicles or zones"),
    "soil": ("heavier soil", "lighter soil"),
    "technique": ("more ice than usual for like jobs", "less ice than usual for like jobs"),
    "ice": ("more ice lost in store", "less ice lost in store"),
}
_BESIDE_ORDER = (
    "`rimebook order` tells less ice: only the coming days, with what is booked or usually walks in by then, and what "
    "is in store now used first."
)
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
#: Past months shown; the JSON has them all.
_MOST_PAST = 6
#: A smaller part of a change is not told.
_LEAST_LB = 0.5


def render_forecast(answer: Answer[ForecastResult], style: Style) -> str:
    """Return the first month in a sentence, the table, the reasons and the record, at most 80 columns wide."""
    result = answer.result
    first = next(month for month in result.months if not month.part)
    blocks = [paragraph(_sentence(first, style)), "", _months(result.months, style), paragraph(_basis(result, first))]
    blocks.append(paragraph(_BESIDE_ORDER))
    if result.because and result.against is not None:
        blocks += ["", paragraph(_reasons(result.because, result.against, first, style))]
        blocks += [_why_table(result, style)]
    blocks += ["", *_record(result, style)]
    return "\n".join(blocks)


def _basis(result: ForecastResult, first: ForecastMonth) -> str:
    return _BASIS[first.basis] if result.learned_jobs or first.basis != "mixed" else _NOT_LEARNED


def _booked(month: ForecastMonth) -> str:
    """Return how many of a month's jobs are booked; some bookings are not kept."""
    if not month.booked:
        return ""
    return f" ({month.booked} {'is' if month.booked == 1 else 'are'} booked)"


def _name(month: ForecastMonth | str, *, part: bool = False) -> str:
    code = month if isinstance(month, str) else month.month
    day = date.fromisoformat(f"{code}-01")
    return f"{'rest of ' if part else ''}{_MONTHS[day.month - 1]} {day.year}"


def _sentence(month: ForecastMonth, style: Style) -> str:
    buy, jobs = month.pellets_bought_lb, counted(round(month.jobs.mean), "job")
    return (
        f"{_name(month)}: about {jobs}{_booked(month)}. Plan to buy about {style.weight(buy.mean)} of ice "
        f"({percent(buy.interval.level)} within {style.weight_range(buy.interval.low, buy.interval.high)}) for about "
        f"{style.money(month.spend_usd.mean)}; {style.weight(month.pellets_used_lb.mean)} of it goes through the hose."
    )


def _span(figure: QuantitySummary, style: Style) -> str:
    return style.weight_range(figure.interval.low, figure.interval.high).rsplit(" ", 1)[0]


def _months(months: tuple[ForecastMonth, ...], style: Style) -> str:
    unit = style.weight(1.0).rsplit(" ", 1)[1]
    level = percent(months[0].pellets_bought_lb.interval.level)
    head = [Column("Month"), Column("Jobs", "number"), Column(f"Used, {unit}", "number"),
            Column(f"Buy, {unit}", "number"), Column(f"{level} between", "number"), Column("Work", "number"),
            Column("Ice bill", "number")]  # fmt: skip
    rows = [
        [_name(m, part=m.part), f"{m.jobs.mean:,.0f}", _bare(m.pellets_used_lb.mean, style),
         _bare(m.pellets_bought_lb.mean, style), _span(m.pellets_bought_lb, style), _hours(m.minutes.mean),
         style.money(m.spend_usd.mean)]
        for m in months
    ]  # fmt: skip
    return table(head, rows)


def _bare(lb: float, style: Style) -> str:
    return style.weight(lb).rsplit(" ", 1)[0]


def _hours(total_min: float) -> str:
    return f"{total_min / 60:,.0f} h" if total_min >= 120 else minutes(total_min)


def _reasons(because: tuple[Because, ...], against: Against, first: ForecastMonth, style: Style) -> str:
    change = sum(b.pellets_lb for b in because)
    more = "more" if change >= 0 else "less"
    then = f"{style.weight(against.pellets_bought_lb)} with what was lost"
    if against.lost_basis == "planning":
        lost = style.weight(against.pellets_bought_lb - against.pellets_used_lb)
        then = f"{style.weight(against.pellets_used_lb)} used and, by planning figures, {lost} lost"
    return (
        f"{_name(first)} needs {style.weight(abs(change))} {more} ice than {_name(against.month)} "
        f"({counted(against.jobs, 'job')}, {then}). Why:"
    )


def reason_words(result: ForecastResult) -> dict[str, tuple[str, str]]:
    """Return each reason in words where it adds ice and where it takes some away."""
    # Without a fit the change from the log's own jobs to planning figures stands where technique would.
    return _WHY if result.learned_jobs else _WHY | {"technique": _PLANNED_ABOVE}


def _why_table(result: ForecastResult, style: Style) -> str:
    words = reason_words(result)
    rows = [
        [words[b.of][b.pellets_lb < 0], f"{'-' if b.pellets_lb < 0 else '+'}{style.weight(abs(b.pellets_lb))}"]
        for b in sorted(result.because, key=lambda b: -abs(b.pellets_lb))
        if abs(b.pellets_lb) >= _LEAST_LB
    ]
    return table([Column("Reason"), Column("Ice", "number")], rows)


def _record(result: ForecastResult, style: Style) -> list[str]:
    backtest = result.backtest
    if not backtest.months:
        return ["No past month could be tested yet."]
    blocks = [paragraph(said) for said in record_sentences(result)]
    rows = [[_name(p.month), _told(p.jobs), _came(p.jobs), _weighed(p.pellets_used_lb, style),
             "-" if p.pellets_used_lb.actual is None else style.weight(p.pellets_used_lb.actual)]
            for p in backtest.past[-_MOST_PAST:]]  # fmt: skip
    head = [Column("Past month"), Column("Jobs, 80 % between", "number"), Column("came", "number"),
            Column("Used, 80 % between", "number"), Column("came", "number")]  # fmt: skip
    return [*blocks, table(head, rows)] if rows else blocks


def record_sentences(result: ForecastResult) -> list[str]:
    """Return how past forecasts held and scored beside simple rules, and whether this one has such a record."""
    said = [_record_words(result.backtest)]
    if len(result.backtest.scores) > 1:
        own, *others = result.backtest.scores
        best = min(others, key=lambda s: s.pellets_lb)
        verdict = "better" if own.pellets_lb < best.pellets_lb else "worse"
        said.append(
            f"That is {verdict} than the best simple rule ({best.name}): score {few(own.pellets_lb)} against "
            f"{few(best.pellets_lb)}, smaller is better."
        )
    if not result.learned_jobs:
        said.append(
            "Those forecasts were learned from the log before each month; the forecast above rests on planning figures "
            "and has no such record until `rimebook learn` has run."
        )
    return said


def _record_words(backtest: ForecastBacktest) -> str:
    """Return how often past ranges held: of all forecasts, and of those that the table of past months shows."""
    held = backtest.held.get("0.8")
    if held is None:
        return f"Of {counted(backtest.months, 'past month')} none could be tested: too few pellets are logged."
    told = (
        f"Tested on {counted(backtest.months, 'past month')}, each forecast up to three times, up to three months "
        f"ahead: the 80 % ranges of pellets used held in {percent(held)} of {counted(backtest.forecasts, 'forecast')}"
    )
    if not backtest.begun:
        return f"{told}."
    return (
        f"{told}, and in {backtest.begun_held} of the {backtest.begun} made on the morning the month began (the table "
        "has the newest of these)."
    )


def _told(figure: PastRange) -> str:
    return f"{figure.low:.0f} to {figure.high:.0f}"


def _came(figure: PastRange) -> str:
    return "-" if figure.actual is None else f"{figure.actual:.0f}"


def _weighed(figure: PastRange, style: Style) -> str:
    return style.weight_range(figure.low, figure.high)
