"""Sections of the report page that judge: where pellets went, whether to trust the figures, the air."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.review_words import setting_name
from pipeline.answers.verdict import FEW_JOBS
from pipeline.present.figures import careful, change_words, few, percent, words
from pipeline.present.page_parts import Part, day_words, span_words
from pipeline.present.page_tables import Grid, between, grid
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.reporting import ReportContents
    from pipeline.answers.review_findings import Finding, Improvement
    from pipeline.answers.reviewing import TechniqueResult
    from pipeline.answers.safety_air import LimitAnswer
    from pipeline.answers.safety_answer import SafetyResult
    from pipeline.present.figures import Style

#: A limit that is passed in at least this share of scenarios is told first.
_LIKELY = 0.05
#: Rows told of each grouping.
_MOST_GROUPS = 12


def pellets_part(contents: ReportContents, style: Style) -> Part:
    """Return where pellets went: by zone and class, findings of technique, the balance of containers."""
    question = "Where did the pellets go?"
    technique = contents.technique.answer
    if not contents.parts:
        return Part(
            "pellets-used",
            question,
            to_log="Log finished jobs with their pellets (`rimebook import FILE` or "
            "`rimebook log`) to see where they go.",
        )
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
            f"Pellets logged in the last year, by {by}",
            [f"{by.capitalize()}", "#Jobs", "#Pellets", "#Share"],
            [
                [words(p.name), f"{p.jobs:,}", style.weight(p.pellets_lb), percent(p.share)]
                for p in contents.parts
                if p.by == by
            ],
        )
        for by in ("zone", "class")
    )
    tables: list[Grid] = []
    if contents.technique.to_log:
        lines.append(contents.technique.to_log)
    if technique is not None:
        result, care = technique.result, technique.cautions
        if result.findings:
            most = next((f for f in result.findings if f.until is None), result.findings[0])
            over = "" if most.until is None else " while it lasted"
            lead += (
                f" Beyond what like jobs need: {_who(most)}, about {style.weight(most.pellets_lb_month.mean)} or "
                f"{style.money(most.usd_month.mean)} a month{over}."
            )
            tables.insert(0, _findings(result, style))
            tries = tuple(f"{_who(f)}: {f.try_}" for f in result.findings)
        elif result.effects:
            lead += f" Over {result.jobs:,} jobs no operator, machine or setting surely takes more than like jobs need."
        lines += [_better(b) for b in result.improvements]
        lacking = tuple(f"{_named(n.of or n.kind, n.name)}: {n.why}" for n in result.not_enough[:8])
        tables += _balances(result, style)
    return Part(
        "pellets-used",
        question,
        lead,
        lines=tuple(lines),
        tables=tuple(tables),
        beside=beside,
        tries=tries,
        not_enough=lacking,
        care=care,
    )


def _named(kind: str, name: str) -> str:
    if kind == "operator" and name.startswith("Operator "):
        return name
    if not name:
        return f"{kind}s"
    return f"{kind} {setting_name(name) if kind == 'setting' else name}"


def _who(finding: Finding) -> str:
    zone = f" on {words(finding.zone)}" if finding.zone else ""
    if finding.kind == "drift":
        when = f"since {finding.since}" if finding.until is None else f"from {finding.since} to {finding.until}"
        return f"{_named(finding.of, finding.name)} {when}"
    over = "" if finding.until is None else f" until {finding.until}"
    return _named(finding.kind, finding.name) + zone + over


def _better(better: Improvement) -> str:
    ratio = better.ratio
    between = f"{change_words(ratio.low)} to {change_words(ratio.high)}, {percent(ratio.level)} between"
    return (
        f"Since {better.since} {_named(better.of, better.name)} takes {percent(1 - ratio.estimate)} fewer pellets than "
        f"before on like jobs ({between})."
    )


def _findings(result: TechniqueResult, style: Style) -> Grid:
    level = percent(result.findings[0].ratio.level)
    return grid(
        f"Beyond what like jobs need, {level} between",
        ["What", "#Against like jobs", "#Pellets a month", "#Cost a month", "#Jobs"],
        [
            [
                _who(f),
                f"{change_words(f.ratio.estimate)} ({change_words(f.ratio.low)} to {change_words(f.ratio.high)})",
                span_words(f.pellets_lb_month, style),
                between(f.usd_month, style.money),
                f"{f.jobs:,}",
            ]
            for f in result.findings
        ],
    )


def _balances(result: TechniqueResult, style: Style) -> list[Grid]:
    if not result.balance:
        return []
    rows = [
        [
            f"{b.container}, {b.since} to {b.until}",
            style.weight(b.start_lb + b.delivered_lb),
            style.weight(b.logged_lb),
            style.weight(b.left_lb),
            style.weight(b.sublimated_lb.mean),
            span_words(b.unlogged_lb, style),
        ]
        for b in result.balance
    ]
    return [
        grid(
            "Where each container's ice went (turned to gas and used without a note are estimates)",
            ["Container", "#Came", "#Logged on jobs", "#Left", "#Turned to gas", "#Used without a note"],
            rows,
        )
    ]


def trust_part(contents: ReportContents, style: Style) -> Part:
    """Return whether past intervals held."""
    question = "Can I trust it?"
    if contents.trust.answer is None:
        return Part("trust", question, to_log=contents.trust.to_log)
    result = contents.trust.answer.result
    main = next((h for h in result.levels if h.level == 0.8), result.levels[0])
    lead = (
        f"Of {main.jobs:,} past jobs, each forecast before it was done, {percent(main.held)} fell in their "
        f"{percent(main.level)} range."
        if main.jobs >= FEW_JOBS
        else f"Not known yet: only {counted(main.jobs, 'past job')} could be forecast before "
        f"being done, and it takes {FEW_JOBS} to say how often the ranges hold."
    )
    head, a_pound = style.scores("#Pellets")
    scores = grid(
        "Score of the ranges of past jobs (smaller is better)",
        ["Rule", head, "#Minutes"],
        [
            [
                s.name,
                "-" if s.pellets_lb is None else few(s.pellets_lb * a_pound),
                "-" if s.minutes is None else few(s.minutes),
            ]
            for s in result.scores
        ],
    )
    kinds = dict.fromkeys(g.by for g in result.groups if g.by != "operator")
    beside = tuple(
        grid(
            f"How often the 80 % range held, by {by}",
            [by.capitalize(), "#Held", "#Jobs"],
            [[words(g.name), percent(g.held), f"{g.jobs:,}"] for g in result.groups if g.by == by][-_MOST_GROUPS:],
        )
        for by in kinds
    )
    return Part(
        "trust",
        question,
        lead,
        lines=result.advice,
        tables=(scores,) if any(s.pellets_lb is not None for s in result.scores) else (),
        beside=beside,
    )


def air_part(contents: ReportContents, style: Style) -> Part:
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
        lead = "No CO2 limit is likely to be exceeded, were the air well mixed."
    lead += " Planning figures, never a clearance."
    lines = tuple(_air_sentence(a, style) for a in bays)
    cautions = tuple(dict.fromkeys(c for a in contents.air.bays for c in a.cautions[:1]))
    warnings = tuple(dict.fromkeys(f"{a.result.bay}: {w}" for a in contents.air.bays for w in a.warnings if "pit" in w))
    return Part(
        "air",
        f"Is the air all right on {day}, the busiest booked day?",
        lead,
        lines=lines,
        tables=tuple(_limits(a, style) for a in contents.air.bays),
        charts=tuple(f"air-{i}" for i in range(len(bays))),
        cautions=cautions + warnings,
    )


def _passed(answer: Answer[SafetyResult]) -> list[LimitAnswer]:
    return [limit for limit in answer.result.limits if limit.chance_exceeded >= _LIKELY]


def _air_sentence(answer: Answer[SafetyResult], style: Style) -> str:
    bay, passed = answer.result.bay, _passed(answer)
    if not passed:
        return f"Bay {bay}: no CO2 limit is likely to be exceeded, were the air well mixed."
    needed = answer.result.flow_needed_cfm.quantiles[0.95]
    named = ", ".join(
        f"{limit.name} of {limit.value:,.0f} {limit.unit} in {percent(limit.chance_exceeded)} of scenarios"
        for limit in passed
    )
    return (
        f"Bay {bay}: exceeds the {named}. About {style.flow_needed(needed)} of outdoor air would keep every "
        f"limit in 95 % of them; {style.flow(answer.result.space.air_cfm)} is entered."
    )


def _limits(answer: Answer[SafetyResult], style: Style) -> Grid:
    unit, factor = style.flow_unit
    rows = []
    for limit in answer.result.limits:
        reached = limit.reached_after_min
        when = (
            "not, or rarely" if reached is None else f"{few(reached.interval.low)} to {few(reached.interval.high)} min"
        )
        flow = limit.flow_needed_cfm
        low, high = flow.interval.low * factor, flow.interval.high * factor
        need = "none" if high <= 0 else f"{careful(low)} to {careful(high)}"
        rows.append(
            [
                f"{limit.name}: {limit.value:,.0f} {limit.unit}",
                when,
                percent(limit.chance_exceeded),
                need,
                limit.source,
            ]
        )
    heads = ["Limit", "#Air at it after", "#Exceeded", f"#Outdoor air needed, {unit}", "Source of the limit"]
    return grid(f"Bay {answer.result.bay}", heads, rows)
