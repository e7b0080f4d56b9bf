"""Sections of the report page that judge: where pellets went, whether to trust the figures, the air."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.amounts import change_words
from pipeline.answers.cautions import cautions_for
from pipeline.answers.review_words import NOT_GROUNDS, setting_name
from pipeline.answers.verdict import FEW_JOBS
from pipeline.present.figures import careful, few, percent, words
from pipeline.present.page_parts import Part, day_words, span_words
from pipeline.present.page_tables import Grid, between, grid
from pipeline.present.review_text import shop_rise, unsaid_why
from pipeline.present.safety_text import exceeded_words, noise_passed, noise_sentences
from shared.counting import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.answer import Answer, QuantitySummary
    from pipeline.answers.reporting import ReportContents
    from pipeline.answers.reporting_air import AirDay
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
            lead += " What else could explain it is told below."
            tries = tuple(_explained(f) for f in result.findings)
        elif result.effects:
            lead += f" Over {result.jobs:,} jobs no operator, machine or setting surely takes more than like jobs need."
        lead += "".join(f" {told}" for n in result.not_enough if (told := shop_rise(n, style)))
        lines += [_better(b) for b in result.improvements]
        # What costs something is told however long the list.
        unsaid = sorted(result.not_enough, key=lambda n: n.ratio is None)[:8]
        lacking = tuple(f"{_named(n.of or n.kind, n.name)}: {unsaid_why(n, style)}" for n in unsaid)
        tries, care = _with_care(tries, care)
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


def _with_care(tries: tuple[str, ...], care: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return tips with their cautions, and the other cautions; what the page's own block says is left to it."""
    own = tuple(c for c in care if c not in cautions_for("report"))
    if not tries:
        return (), own
    return (*tries, *(c for c in own if c != NOT_GROUNDS)), tuple(c for c in own if c == NOT_GROUNDS)


def _named(kind: str, name: str) -> str:
    if kind == "drift":
        return f"whole {name}"
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


def _explained(finding: Finding) -> str:
    """Return what else could explain a finding before what to try: a figure beside a name is no verdict."""
    who = _who(finding)
    return f"{who[:1].upper()}{who[1:]}: it could also be {'; or '.join(finding.other_causes)}. To try: {finding.try_}"


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
    groups = [g for g in result.groups if g.by != "operator"]
    judged = [g for g in groups if g.jobs >= FEW_JOBS]
    lines = list(result.advice)
    if main.jobs >= FEW_JOBS and len(judged) < len(groups):
        lines.append(f"Classes, zones, soils and quarters with fewer than {FEW_JOBS} such jobs are left out.")
    beside = tuple(
        grid(
            f"How often the 80 % range held, by {by}",
            [by.capitalize(), "#Held", "#Jobs"],
            [[words(g.name), percent(g.held), f"{g.jobs:,}"] for g in judged if g.by == by][-_MOST_GROUPS:],
        )
        for by in dict.fromkeys(g.by for g in judged)
    )
    return Part(
        "trust",
        question,
        lead,
        lines=tuple(lines),
        tables=(scores,) if any(s.pellets_lb is not None for s in result.scores) else (),
        beside=beside,
    )


def air_part(contents: ReportContents, style: Style) -> Part:
    """Return the air and the noise of each bay on the busiest booked day, and which bays could not be checked."""
    air = contents.air
    beside = tuple(f"Jobs priced above: {warning}" for warning in contents.prices.bay_warnings)
    if air is None:
        question = "Is the air all right on the busiest booked day?"
        return Part("air", question, to_log=contents.air_to_log, cautions=beside)
    question = f"Is the air all right on {day_words(air.day)}, the busiest booked day?"
    unchecked = [f"Bay {u.bay} was not checked: {u.why}" for u in air.unchecked]
    cautions = dict.fromkeys(c for a in air.bays for c in a.cautions[:1])
    notes = [f"{_bays(note.bays)}: {note.text}" for note in air.notes]
    told = (*cautions, *notes, *beside)
    if not air.bays:
        return Part("air", question, to_log=" ".join(unchecked), cautions=told)
    lines = [*unchecked, *(_air_sentence(a, style) for a in air.bays)]
    unheard = [a.result.bay for a in air.bays if not a.result.noise]
    if unheard:
        lines.append(
            f"{_bays(unheard)}: no noise level is entered. Measure it at the ear while blasting and enter noise_dba in "
            "book.toml."
        )
    lines.append("The 8-hour and 15-minute limits are means: the air stands at the figure before the mean exceeds it.")
    noise = [_noise(air)] if len(unheard) < len(air.bays) else []
    return Part(
        "air",
        question,
        _air_lead(air),
        lines=tuple(lines),
        tables=(*(_limits(a, style) for a in air.bays), *noise),
        charts=tuple(f"air-{i}" for i in range(len(air.bays))),
        cautions=told,
    )


def _air_lead(air: AirDay) -> str:
    names = [a.result.bay for a in air.bays]
    bad = [a for a in air.bays if _passed(a)]
    missing = _bays([u.bay for u in air.unchecked], "bay")
    if bad:
        where = "any bay" if len(bad) == len(names) > 1 and not missing else _bays([a.result.bay for a in bad], "bay")
        lead = f"No, not in {where}: {_gas(bad)}, if all of that day's work is done in one bay at today's ventilation."
        lead += f" Not known of {missing}, which could not be checked." if missing else ""
    elif missing:
        lead = (
            f"Not known of {missing}, which could not be checked. In {_bays(names, 'bay')} no CO2 limit is likely to "
            "be exceeded, were the air well mixed."
        )
    else:
        lead = "No CO2 limit is likely to be exceeded, were the air well mixed."
    loud = [a.result for a in air.bays if noise_passed(a.result)]
    if loud:
        worst = max(loud, key=lambda r: max(n.dose_percent.quantiles[0.5] for n in r.noise))
        lead += " ".join(["", *(f"Bay {worst.bay}: {said}" for said in noise_sentences(worst))])
    return f"{lead} Planning figures, never a clearance."


def _gas(bad: Sequence[Answer[SafetyResult]]) -> str:
    """Return which CO2 limits are exceeded and how often, the highest first; of several bays in the worst."""
    chances: dict[str, float] = {}
    for limit in sorted((limit for a in bad for limit in _passed(a)), key=lambda limit: -limit.value):
        named = f"{limit.value:,.0f} {limit.unit} ({limit.name.removeprefix('CO2, ')})"
        chances[named] = max(chances.get(named, 0.0), limit.chance_exceeded)
    return f"CO2 {exceeded_words(chances)}{' in the worst of them' if len(bad) > 1 else ''}"


def _bays(names: Sequence[str], word: str = "Bay") -> str:
    """Return bays by name, such as 'bays north and south'; '' for none."""
    if len(names) < 2:
        return "".join(f"{word} {name}" for name in names)
    return f"{word}s {', '.join(names[:-1])} and {names[-1]}"


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
    space = answer.result.space
    entered = style.flow(space.air_cfm) if space.air_cfm > 0 else "none"
    entered += " counts" if space.two_airs else " is entered"
    return (
        f"Bay {bay}: exceeds the {named}. About {style.flow_needed(needed)} of outdoor air would keep every "
        f"limit in 95 % of them; {entered}."
    )


def _limits(answer: Answer[SafetyResult], style: Style) -> Grid:
    unit, factor = style.flow_unit
    rows = []
    for limit in answer.result.limits:
        reached, used_up = limit.reached_after_min, limit.used_up_after_min
        flow = limit.flow_needed_cfm
        low, high = flow.interval.low * factor, flow.interval.high * factor
        need = "none" if high <= 0 else f"{careful(low)} to {careful(high)}"
        rows.append(
            [
                f"{limit.name}: {limit.value:,.0f} {limit.unit}",
                percent(limit.chance_exceeded),
                "not, or rarely" if reached is None else _after(reached),
                "-" if used_up is None else _after(used_up),
                need,
                limit.source,
            ]
        )
    needed = f"#Outdoor air needed, {unit}"
    heads = ["Limit", "#Exceeded", "#Air at it after", "#Used up after", needed, "Source of the limit"]
    return grid(f"Bay {answer.result.bay}", heads, rows)


def _after(when: QuantitySummary) -> str:
    return f"{few(when.interval.low)} to {few(when.interval.high)} min"


def _noise(air: AirDay) -> Grid:
    rows = [
        [
            f"Bay {a.result.bay}: {n.rule}",
            f"{n.dose_percent.quantiles[0.5]:,.0f} %",
            f"{n.dose_percent.interval.low:,.0f} to {n.dose_percent.interval.high:,.0f} %",
            f"{n.limit_percent:g} %",
            percent(n.chance_exceeded),
            "-" if n.twa_dba is None else f"{n.twa_dba.quantiles[0.5]:.0f} dBA",
            "-" if n.minutes_to_limit is None else f"{few(n.minutes_to_limit)} min",
        ]
        for a in air.bays
        for n in a.result.noise
    ]
    heads = ["Rule", "#Dose", "#Range", "#Limit", "#Exceeded", "#8-hour level", "#Blasting to the limit"]
    return grid("Noise at the bare ear: the dose of that day's blasting", heads, rows)
