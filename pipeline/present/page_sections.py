"""The sections of the report page after the prices: one question each, answered in its first sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.answers.review_words import setting_name
from pipeline.present.figures import few, minutes, percent, words
from pipeline.present.page_tables import (
    JOB_HEADS,
    MOST_JOBS,
    Grid,
    Head,
    JobLine,
    between,
    grid,
    job_lines,
    share_words,
)

if TYPE_CHECKING:
    from datetime import date

    from pipeline.answers.answer import QuantitySummary
    from pipeline.answers.forecasting import ForecastResult, PastRange
    from pipeline.answers.ice_answer import OrderResult
    from pipeline.answers.reporting import ReportContents
    from pipeline.answers.review_findings import Finding
    from pipeline.answers.reviewing import TechniqueResult
    from pipeline.answers.safety import SafetyAnswer
    from pipeline.answers.safety_air import LimitAnswer
    from pipeline.present.figures import Style

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_WHY = {
    "jobs": ("more jobs", "fewer jobs"), "mix": ("larger vehicles or zones", "smaller vehicles or zones"),
    "soil": ("heavier soil", "lighter soil"), "ice": ("more ice lost in store", "less ice lost in store"),
    "technique": ("more ice than usual for like jobs", "less ice than usual for like jobs"),
}  # fmt: skip
#: A limit that is passed in at least this share of scenarios is told first.
_LIKELY = 0.05
#: Chance of running short today from which it is said first.
_SHORT = 0.3
#: Rows told of each grouping.
_MOST_GROUPS = 12


@dataclass(frozen=True)
class Part:
    """One section; `to_log` stands in for `lead` where there is no ground for an answer."""

    id: str
    question: str
    lead: str = ""
    to_log: str = ""
    lines: tuple[str, ...] = ()
    tables: tuple[Grid, ...] = ()
    beside: tuple[Grid, ...] = ()
    table: Grid | None = None
    days: Grid | None = None
    rules: Grid | None = None
    tries: tuple[str, ...] = ()
    not_enough: tuple[str, ...] = ()
    care: tuple[str, ...] = ()
    charts: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    heads: tuple[Head, ...] = ()
    rows: tuple[JobLine, ...] = ()


def day_words(day: date) -> str:
    """Return a day as 'Thu 2 Jul', kept on one line."""
    return f"{_DAYS[day.weekday()]}\u00a0{day.day}\u00a0{_MONTHS[day.month - 1]}"


def _month_words(name: str, *, part: bool = False) -> str:
    return f"{'rest of ' if part else ''}{_MONTHS[int(name[5:7]) - 1]} {name[:4]}"


def _span(figure: QuantitySummary, style: Style) -> str:
    if figure.interval.high < 0.05:
        return "none"
    return style.weight_range(figure.interval.low, figure.interval.high)


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
        if result.chance_short >= _SHORT:
            lead += (
                f" Running short ({percent(result.chance_short)}) costs nothing as entered: set rush_usd_per_lb or "
                "bumped_job_usd under [ice] in book.toml for an order that prevents it."
            )
    else:
        first = named[0]
        lead = f"Order {style.weight(first.order_lb)} by {day_words(first.order_by)} for {day_words(first.date)}"
        rest = [f"{style.weight(d.order_lb)} for {day_words(d.date)}" for d in named[1:]]
        lead += f"; then {', '.join(rest)}." if rest else "."
    if named and result.days[0].date == contents.today and result.days[0].chance_short >= _SHORT:
        lead += f" Today is likely to run short ({percent(result.days[0].chance_short)}), whatever is ordered."
    deliveries = grid(
        "Deliveries: firm ones must be decided now, the others may change", ["Delivery", "#Order", "#Cost", "Order by", "Decided"],
        [[day_words(d.date), style.weight(d.order_lb) if d.order_lb else "nothing", style.money(d.cost_usd),
          day_words(d.order_by), "firm" if d.firm else "open until then"] for d in result.deliveries],
    )  # fmt: skip
    days = grid(
        f"Day by day, {level} between", ["Day", "#In store", "#Needed", "#Chance short"],
        [[day_words(d.date), _span(d.stock_lb, style), _span(d.need_lb, style), percent(d.chance_short)]
         for d in result.days],
    )  # fmt: skip
    rules = grid(
        "Against simple rules, over the same days", ["Rule", "#Cost", "#Runs short"],
        [["this plan", style.money(result.total_cost_usd.mean), percent(result.chance_short)],
         *([r.name, style.money(r.cost_usd), percent(r.chance_short)] for r in result.rule_of_thumb)],
    )  # fmt: skip
    return Part("order", question, lead, lines=(_stock_line(result, style, level),), table=deliveries, days=days,
                rules=rules)  # fmt: skip


def _stock_line(result: OrderResult, style: Style, level: str) -> str:
    stock, cost = result.stock, result.total_cost_usd
    worst = max(result.days, key=lambda d: d.chance_short)
    return (
        f"In store this morning: about {style.weight(stock.now_lb.mean)} ({level} within "
        f"{_span(stock.now_lb, style)}), losing {style.weight(stock.loss_lb_day.mean)} a day. Ice, fees and "
        f"shortages of these days cost about {style.money(cost.mean)} ({between(cost, style.money)}). The chance to run "
        f"short is highest on {day_words(worst.date)}: {percent(worst.chance_short)}."
    )


def pellets_part(contents: ReportContents, style: Style) -> Part:
    """Return where pellets went: by zone and class, findings of technique, the balance of containers."""
    question = "Where did the pellets go?"
    technique = contents.technique.answer
    if not contents.parts:
        return Part("pellets-used", question, to_log="Log finished jobs with their pellets (`rimebook import FILE` or "
                    "`rimebook log`) to see where they go.")  # fmt: skip
    zones = [p for p in contents.parts if p.by == "zone"]
    top = ", ".join(f"{words(p.name)} {percent(p.share)}" for p in zones[:3])
    total = sum(p.pellets_lb for p in zones)
    lead = f"{style.weight(total)} in the last year, most of it on {top}."
    lines: list[str] = []
    care: tuple[str, ...] = ()
    tries: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()
    beside = tuple(
        grid(
            f"Pellets logged in the last year, by {by}", [f"{by.capitalize()}", "#Jobs", "#Pellets", "#Share"],
            [[words(p.name), f"{p.jobs:,}", style.weight(p.pellets_lb), percent(p.share)]
             for p in contents.parts if p.by == by],
        )
        for by in ("zone", "class")
    )  # fmt: skip
    tables: list[Grid] = []
    if contents.technique.to_log:
        lines.append(contents.technique.to_log)
    if technique is not None:
        result, care = technique.result, technique.cautions
        if result.findings:
            most = result.findings[0]
            lead += (
                f" Beyond what like jobs need: {_who(most)}, about {style.weight(most.pellets_lb_month.mean)} or "
                f"{style.money(most.usd_month.mean)} a month."
            )
            tables.insert(0, _findings(result, style))
            tries = tuple(f"{_who(f)}: {f.try_}" for f in result.findings)
        elif result.effects:
            lead += f" Over {result.jobs:,} jobs no operator, machine or setting surely takes more than like jobs need."
        lacking = tuple(f"{_named(n.of or n.kind, n.name)}: {n.why}" for n in result.not_enough[:8])
        tables += _balances(result, style)
    return Part("pellets-used", question, lead, lines=tuple(lines), tables=tuple(tables), beside=beside, tries=tries,
                not_enough=lacking, care=care)  # fmt: skip


def _named(kind: str, name: str) -> str:
    if kind == "operator" and name.startswith("Operator "):
        return name
    return f"{kind} {setting_name(name) if kind == 'setting' else name}"


def _who(finding: Finding) -> str:
    zone = f" on {words(finding.zone)}" if finding.zone else ""
    if finding.kind == "drift":
        return f"{_named(finding.of, finding.name)} since {finding.since}"
    return _named(finding.kind, finding.name) + zone


def _findings(result: TechniqueResult, style: Style) -> Grid:
    level = percent(result.findings[0].ratio.level)
    return grid(
        f"Beyond what like jobs need, {level} between", ["What", "#Against like jobs", "#Pellets a month", "#Cost a month", "#Jobs"],
        [[_who(f), f"{share_words(f.ratio.estimate)} ({share_words(f.ratio.low)} to {share_words(f.ratio.high)})",
          _span(f.pellets_lb_month, style), between(f.usd_month, style.money), f"{f.jobs:,}"]
         for f in result.findings],
    )  # fmt: skip


def _balances(result: TechniqueResult, style: Style) -> list[Grid]:
    if not result.balance:
        return []
    rows = [
        [f"{b.container}, {b.since} to {b.until}", style.weight(b.start_lb + b.delivered_lb), style.weight(b.logged_lb),
         style.weight(b.left_lb), style.weight(b.sublimated_lb.mean), _span(b.unlogged_lb, style)]
        for b in result.balance
    ]  # fmt: skip
    return [
        grid(
            "Where each container's ice went (turned to gas and used without a note are estimates)",
            ["Container", "#Came", "#Logged on jobs", "#Left", "#Turned to gas", "#Used without a note"],
            rows,
        )
    ]


def trust_part(contents: ReportContents) -> Part:
    """Return whether past intervals held."""
    question = "Can I trust it?"
    if contents.trust.answer is None:
        return Part("trust", question, to_log=contents.trust.to_log)
    result = contents.trust.answer.result
    main = next((h for h in result.levels if h.level == 0.8), result.levels[0])
    lead = (
        f"Of {main.jobs:,} past jobs, each forecast before it was done, {percent(main.held)} fell in their "
        f"{percent(main.level)} range."
    )
    scores = grid(
        "Score of the ranges of past jobs (smaller is better)", ["Rule", "#Pellets, lb", "#Minutes"],
        [[s.name, "-" if s.pellets_lb is None else few(s.pellets_lb), "-" if s.minutes is None else few(s.minutes)]
         for s in result.scores],
    )  # fmt: skip
    kinds = dict.fromkeys(g.by for g in result.groups if g.by != "operator")
    beside = tuple(
        grid(f"How often the 80 % range held, by {by}", [by.capitalize(), "#Held", "#Jobs"],
             [[words(g.name), percent(g.held), f"{g.jobs:,}"] for g in result.groups if g.by == by][-_MOST_GROUPS:])
        for by in kinds
    )  # fmt: skip
    return Part(
        "trust",
        question,
        lead,
        lines=result.advice,
        tables=(scores,) if any(s.pellets_lb is not None for s in result.scores) else (),
        beside=beside,
    )


def forecast_part(contents: ReportContents, style: Style) -> Part:
    """Return the coming months, why they change, and how past forecasts did."""
    question = "What is coming?"
    if contents.forecast.answer is None:
        return Part("forecast", question, to_log=contents.forecast.to_log)
    result = contents.forecast.answer.result
    first = next(m for m in result.months if not m.part)
    buy = first.pellets_bought_lb
    level = percent(buy.interval.level)
    lead = (
        f"{_month_words(first.month)}: about {few(round(first.jobs.mean))} jobs and {style.weight(buy.mean)} of ice to buy "
        f"({level} between {style.weight_range(buy.interval.low, buy.interval.high)}) for about "
        f"{style.money(first.spend_usd.mean)}."
    )
    months = grid(
        f"The months ahead: mean, and {level} between", ["Month", "#Jobs", "#Used", "#To buy", "#Between", "#Work", "#Ice bill"],
        [[_month_words(m.month, part=m.part), few(round(m.jobs.mean)), style.weight(m.pellets_used_lb.mean),
          style.weight(m.pellets_bought_lb.mean), _span(m.pellets_bought_lb, style), _work(m.minutes.mean),
          style.money(m.spend_usd.mean)] for m in result.months],
    )  # fmt: skip
    return Part(
        "forecast", question, lead, lines=_forecast_lines(result, style), tables=(months, *_past(result, style))
    )


def _work(total_min: float) -> str:
    return f"{total_min / 60:,.0f} h" if total_min >= 600 else minutes(total_min)


def _forecast_lines(result: ForecastResult, style: Style) -> tuple[str, ...]:
    lines = []
    if result.against is not None and result.because:
        told = ", ".join(
            f"{_WHY[b.of][b.pellets_lb < 0]} ({'-' if b.pellets_lb < 0 else '+'}{style.weight(abs(b.pellets_lb))})"
            for b in sorted(result.because, key=lambda b: -abs(b.pellets_lb))
        )
        lines.append(f"Against {_month_words(result.against.month)} ({result.against.jobs} jobs): {told}.")
    if result.backtest.months and "0.8" in result.backtest.held:
        lines.append(
            f"On {result.backtest.months} past months the 80 % ranges of pellets used held "
            f"{percent(result.backtest.held['0.8'])} of the time."
        )
    else:
        lines.append("No past month could be tested yet: two whole months of log make a start.")
    return tuple(lines)


def _past(result: ForecastResult, style: Style) -> list[Grid]:
    def told(r: PastRange) -> str:
        return style.weight_range(r.low, r.high)

    rows = [
        [_month_words(p.month), f"{p.jobs.low:.0f} to {p.jobs.high:.0f}",
         "-" if p.jobs.actual is None else f"{p.jobs.actual:.0f}", told(p.pellets_used_lb),
         "-" if p.pellets_used_lb.actual is None else style.weight(p.pellets_used_lb.actual)]
        for p in result.backtest.past[-6:]
    ]  # fmt: skip
    heads = ["Past month", "#Jobs, 80 % between", "#Came", "#Used, 80 % between", "#Came"]
    return [grid("Past forecasts, made on the morning the month began", heads, rows)] if rows else []


def air_part(contents: ReportContents) -> Part:
    """Return the air of each bay on the busiest booked day."""
    if contents.air is None:
        return Part("air", "Is the air all right on the busiest booked day?", to_log=contents.air_to_log)
    day = day_words(contents.air.day)
    bays = contents.air.bays
    bad = [a for a in bays if _passed(a)]
    where = "in any bay" if len(bad) == len(bays) > 1 else "in " + " and ".join(f"bay {a.result.bay}" for a in bad)
    if bad:
        lead = f"No, not {where}, if all of that day's work is done in one bay at today's ventilation."
    else:
        lead = "No limit is likely to be passed, were the air well mixed."
    lead += " Planning figures, never a clearance."
    lines = tuple(_air_sentence(a) for a in bays)
    cautions = tuple(dict.fromkeys(c for a in contents.air.bays for c in a.cautions[:1]))
    warnings = tuple(dict.fromkeys(f"{a.result.bay}: {w}" for a in contents.air.bays for w in a.warnings if "pit" in w))
    return Part("air", f"Is the air all right on {day}, the busiest booked day?", lead, lines=lines,
                tables=tuple(_limits(a) for a in contents.air.bays),
                charts=tuple(f"air-{i}" for i in range(len(bays))), cautions=cautions + warnings)  # fmt: skip


def _passed(answer: SafetyAnswer) -> list[LimitAnswer]:
    chances = answer.ground.chances if answer.ground else {}
    return [limit for limit in answer.result.limits if chances.get(limit.name, 0.0) >= _LIKELY]


def _air_sentence(answer: SafetyAnswer) -> str:
    bay, passed = answer.result.bay, _passed(answer)
    if not passed or answer.ground is None:
        return f"Bay {bay}: no limit is likely to be passed, were the air well mixed."
    needed = max(limit.flow_needed_cfm.interval.high for limit in passed)
    named = ", ".join(
        f"{limit.name} of {limit.value:,.0f} {limit.unit} in {percent(answer.ground.chances[limit.name])} of scenarios"
        for limit in passed
    )
    return (
        f"Bay {bay}: passes the {named}. About {round(needed, -1):,.0f} cfm of outdoor air would keep it; "
        f"{round(answer.ground.space.air_cfm, -1):,.0f} cfm is entered."
    )


def _limits(answer: SafetyAnswer) -> Grid:
    chances = answer.ground.chances if answer.ground else {}
    rows = []
    for limit in answer.result.limits:
        reached = limit.reached_after_min
        when = (
            "not, or rarely" if reached is None else f"{few(reached.interval.low)} to {few(reached.interval.high)} min"
        )
        flow = limit.flow_needed_cfm
        need = (
            "none"
            if flow.interval.high <= 0
            else f"{round(flow.interval.low, -1):,.0f} to {round(flow.interval.high, -1):,.0f}"
        )
        rows.append([f"{limit.name}: {limit.value:,.0f} {limit.unit} ({limit.source})", when,
                     percent(chances.get(limit.name, 0.0)), need])  # fmt: skip
    return grid(f"Bay {answer.result.bay}", ["Limit", "#Air at it after", "#Passed", "#Outdoor air needed, cfm"], rows)


def jobs_part(contents: ReportContents, style: Style) -> Part:
    """Return the finished jobs beside what was expected of each."""
    question = "Finished jobs, against what was expected"
    if not contents.jobs:
        return Part("jobs", question, to_log="No finished job yet: record one with `rimebook log` or import a job log.")
    tested = [r for r in contents.jobs if r.held is not None]
    out = sum(r.held is False for r in tested)
    n = len(contents.jobs)
    lead = f"{n:,} finished job{'s' if n > 1 else ''}; "
    lead += f"{out:,} of {len(tested):,} fell outside their 80 % range of pellets (marked)." if tested else \
        "none could be compared yet: run `rimebook learn`."  # fmt: skip
    lines = (f"The newest {MOST_JOBS:,} are listed; `rimebook export` has them all.",) if n > MOST_JOBS else ()
    return Part("jobs", question, lead, lines=lines, heads=JOB_HEADS, rows=job_lines(contents.jobs, style))
