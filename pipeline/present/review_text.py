"""The technique review as text: where pellets go first, then what cannot be said."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.review_words import setting_name
from pipeline.present.figures import few, percent, words
from pipeline.present.terminal import Column, item, paragraph, section, table
from shared.counting import counted

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from pipeline.answers.review_findings import ChangeFound, Finding, Improvement, Ratio
    from pipeline.answers.review_unsaid import NotEnough
    from pipeline.answers.reviewing import BalanceTold, JobAccount, TechniqueResult, UnusualTold
    from pipeline.present.figures import Style

_INDENT = "  "


def render_technique(answer: Answer[TechniqueResult], style: Style) -> str:
    """Return the review: findings with what else could explain them and what to try, then the rest of the evidence.

    Cautions are printed by the command.
    """
    result = answer.result
    blocks: list[str] = []
    if result.account is not None:
        blocks.append(_account(result.account, result.findings[0], style))
    elif not result.findings and len(result.changes) and not result.not_enough and not result.unusual:
        blocks.append(_verdict_of_change(result.changes[0]))
    else:
        blocks.append(_verdict(result, style))
        blocks += [_finding(f, style) for f in result.findings]
        if result.thrift_sought and all(f.ratio.estimate >= 1 for f in result.findings):
            blocks.append("\n" + paragraph("No operator or machine surely takes fewer pellets than like jobs need."))
    if result.improvements and not result.thrift_sought:
        blocks.append(section("What takes fewer pellets than before"))
        blocks += [item(_improvement(i)) for i in result.improvements]
    if result.changes:
        blocks += [section("Changes tested, after against before"), _changes(result.changes)]
    unsaid = [n for n in result.not_enough if n.kind != "shop"]
    if unsaid:
        blocks.append(section("Not enough evidence"))
        blocks += [item(f"{who}: {why}.") for who, why in _gathered(unsaid, style)]
    if result.unusual:
        blocks.append(section("Most unusual jobs"))
        blocks += [item(_unusual(u, style)) for u in result.unusual]
    if result.balance:
        blocks += [section("Where the ice went"), _balance(result.balance, style)]
    return "\n".join(blocks)


def _change_words(ratio: float) -> str:
    share = abs(ratio - 1)
    return f"{percent(share)} {'more' if ratio >= 1 else 'less'}"


def _ratio(ratio: Ratio) -> str:
    return f"{ratio.estimate:.2f} ({ratio.low:.2f} to {ratio.high:.2f})"


def _subject(kind: str, name: str, of: str = "") -> str:
    """Return who or what is spoken of; a masked operator already says so."""
    if kind == "drift":
        return "Whole shop" if not of else _subject(of, name)
    if kind == "setting":
        told = setting_name(name)
        return told[:1].upper() + told[1:]
    if kind == "operator" and name.startswith("Operator "):
        return name
    return f"{kind.capitalize()} {name}" if name else f"{kind.capitalize()}s"


def _verdict(result: TechniqueResult, style: Style) -> str:
    if any(n.kind == "shop" for n in result.not_enough):
        return paragraph(f"Too early to review: {result.not_enough[0].why}.")
    told = [_found(result, style), *(shop_rise(n, style) for n in result.not_enough)]
    return paragraph(" ".join(t for t in told if t))


def _found(result: TechniqueResult, style: Style) -> str:
    if not result.findings:
        if any(n.ratio is not None for n in result.not_enough):
            return f"No single cause stands out over {result.jobs:,} jobs."
        return (
            f"Nothing stands out: over {result.jobs:,} jobs no operator, machine or setting surely takes more pellets "
            "than like jobs need."
        )
    waste = [f for f in result.findings if f.ratio.estimate >= 1]
    if not waste:
        return f"Nothing wastes pellets over {result.jobs:,} jobs; what takes fewer is told below."
    now, over = [f for f in waste if f.until is None], [f for f in waste if f.until is not None]
    head = f"{counted(len(waste), 'finding')} over {result.jobs:,} jobs: "
    told = [f"about {_sum(now, style)} a month now"] if now else []
    told += [f"{'another ' if now else ''}{_sum(over, style)} a month while it lasted, now over"] if over else []
    overlap = " (causes may overlap)" if len(now) > 1 else ""
    fewer = len(result.findings) - len(waste)
    beside = f" {counted(fewer, 'more finding')} of what takes fewer." if fewer else ""
    return f"{head}{'; '.join(told)}{overlap}.{beside}"


def shop_rise(unsaid: NotEnough, style: Style) -> str:
    """Return what a rise of the whole shop comes to, in a sentence; '' where it is none."""
    lb, usd = unsaid.pellets_lb_month, unsaid.usd_month
    if unsaid.ratio is None or lb is None or usd is None:
        return ""
    figures = f"about {style.weight(lb.mean)} and {style.money(usd.mean)} a month"
    more = f"{_change_words(unsaid.ratio.estimate)} pellets"
    if unsaid.until is None:
        return f"The whole shop takes {more} since about {unsaid.since}: {figures}."
    return f"The whole shop took {more} from about {unsaid.since} to {unsaid.until}: {figures} while it lasted."


def unsaid_why(unsaid: NotEnough, style: Style) -> str:
    """Return why something cannot be said, with what it takes a month and what to try where those are known."""
    lb, usd, told = unsaid.pellets_lb_month, unsaid.usd_month, unsaid.why
    if lb is not None and usd is not None:
        pounds = style.weight_range(lb.interval.low, lb.interval.high)
        money = f"{style.money(usd.interval.low)} to {style.money(usd.interval.high)}"
        told += f". That is {pounds} or {money} a month beyond what was usual before"
    return f"{told}. {unsaid.try_}".rstrip(". ")


def _sum(findings: list[Finding], style: Style) -> str:
    lb = sum(f.pellets_lb_month.mean for f in findings)
    return f"{style.weight(lb)} and {style.money(sum(f.usd_month.mean for f in findings))}"


def _gathered(unsaid: list[NotEnough], style: Style) -> list[tuple[str, str]]:
    """Return who and why; those of one kind with the same reason are told once."""
    told: dict[tuple[str, str, str], list[str]] = {}
    for n in unsaid:
        who = _subject(n.kind, n.name, n.of)
        same = told.setdefault((n.kind, n.of, unsaid_why(n, style)), [])
        same.append(who[:1].lower() + who[1:] if same else who)
    return [(", ".join(who), why) for (_, _, why), who in told.items()]


def _finding(finding: Finding, style: Style) -> str:
    where = f" in {words(finding.zone)}" if finding.zone else ""
    when = ""
    if finding.since is not None:
        when = f" since about {finding.since}"
        if finding.until is not None:
            when = f" from about {finding.since} to {finding.until}"
    elif finding.until is not None:
        when = f" until {finding.until}"
    ratio, lb, usd = finding.ratio, finding.pellets_lb_month, finding.usd_month
    against = "before" if finding.kind == "drift" and ratio.estimate < 1 else "like jobs need"
    if finding.kind == "setting":
        against = "with fresh ice" if finding.name == "ice_age_days" else "at its best value"
    who = f"{_subject(finding.kind, finding.name, finding.of)}{where}"
    head = f"{who}: {_change_words(ratio.estimate)} pellets than {against}{when}."
    lines = [
        head,
        f"Ratio {ratio.estimate:.2f}, {percent(ratio.level)} interval {ratio.low:.2f} to {ratio.high:.2f}; "
        f"{counted(finding.jobs, 'job')}; {_surety(finding.q_value)}.",
    ]
    if ratio.estimate >= 1:
        pounds = f"{style.weight(lb.mean)} a month ({style.weight_range(lb.interval.low, lb.interval.high)})"
        money = f"{style.money(usd.mean)} ({style.money(usd.interval.low)} to {style.money(usd.interval.high)})"
        lines.append(f"{'Costs' if finding.until is None else 'Cost'} {pounds}, {money}.")
    lines.append(f"It could also be {'; or '.join(finding.other_causes)}.")
    lines.append(f"Try: {finding.try_}")
    return "\n".join(["", paragraph(lines[0]), *(paragraph(line, indent=_INDENT) for line in lines[1:])])


def _improvement(better: Improvement) -> str:
    ratio = better.ratio
    return (
        f"{_subject(better.of, better.name)}: since about {better.since} {_change_words(ratio.estimate)} pellets than "
        f"before on like jobs; ratio {ratio.estimate:.2f}, {percent(ratio.level)} interval {ratio.low:.2f} to "
        f"{ratio.high:.2f}; {counted(better.jobs, 'job')} since; {_surety(better.q_value)}. {better.try_}"
    )


def _surety(q_value: float) -> str:
    """Return what a q value says: of findings as sure as this one, the share that chance brings."""
    return f"chance makes {'fewer than 1' if q_value < 0.005 else f'about {100 * q_value:.0f}'} in 100 such findings"


def _verdict_of_change(change: ChangeFound) -> str:
    ratio = change.ratio
    if ratio.low <= 1 <= ratio.high:
        told = f"no sure change: {_change_words(ratio.estimate)} pellets for like jobs, which chance can bring"
    else:
        told = f"{_change_words(ratio.estimate)} pellets for like jobs"
    return paragraph(
        f"From {change.date} on: {told}, {percent(ratio.level)} interval {ratio.low:.2f} to {ratio.high:.2f} "
        f"({counted(change.jobs_before, 'job')} before, {change.jobs_after:,} after). What else changed around that "
        "day counts in it too."
    )


def _changes(changes: tuple[ChangeFound, ...]) -> str:
    columns = [Column("Machine"), Column("What"), Column("From"), Column("Jobs", "number"), Column("Ratio", "number"),
               Column("p", "number")]  # fmt: skip
    rows = [
        [c.machine or "whole shop", _what(c), c.date.isoformat(), f"{c.jobs_before} / {c.jobs_after}",
         _ratio(c.ratio), f"{c.p_value:.3f}" if c.p_value >= 0.0005 else "< 0.001"]
        for c in changes
    ]  # fmt: skip
    return table(columns, rows)


def _what(change: ChangeFound) -> str:
    return ", ".join(w for w in (change.what, "beside the others" if change.with_shop else "") if w) or "-"


def _unusual(job: UnusualTold, style: Style) -> str:
    who = ", ".join(w for w in (job.operator, job.machine) if w)
    why = "; ".join(job.reasons) or "nothing that was written down explains it"
    return (
        f"{job.job_id} on {job.date}{f' ({who})' if who else ''}: {style.weight(job.pellets_lb)} where like jobs need "
        f"{style.weight(job.expected_lb)}: {why}."
    )


def _account(account: JobAccount, finding: Finding, style: Style) -> str:
    job, ratio = account.job, finding.ratio
    usual = ratio.low <= 1 <= ratio.high
    lines = [
        paragraph(
            f"Job {job.job_id} took {style.weight(job.pellets_lb)}; like jobs need {style.weight(job.expected_lb)}: "
            f"{_change_words(ratio.estimate)}, {'within' if usual else 'beyond'} what jobs vary."
        ),
        paragraph(f"It lies {few(abs(job.score))} standard deviations {'above' if job.score >= 0 else 'below'}."),
    ]
    if job.reasons:
        lines.append(paragraph(f"What may explain it: {'; '.join(job.reasons)}."))
    if account.parts:
        rows = [[_subject(p.kind, p.name), _ratio(p.ratio)] for p in account.parts]
        lines += ["", table([Column("What this job's technique usually adds"), Column("Ratio", "number")], rows)]
    return "\n".join(lines)


def _balance(balances: tuple[BalanceTold, ...], style: Style) -> str:
    columns = [Column("Container"), *(Column(h, "number") for h in ("delivered", "logged", "left", "gas", "unlogged"))]
    rows = [
        [
            f"{b.container}, {b.since} to {b.until}",
            *(style.weight(v) for v in (b.start_lb + b.delivered_lb, b.logged_lb, b.left_lb)),
            style.weight(b.sublimated_lb.mean),
            style.weight_range(b.unlogged_lb.interval.low, b.unlogged_lb.interval.high),
        ]
        for b in balances
    ]
    note = "Delivered holds what was there at the start; gas and unlogged are estimates that add up with the rest."
    wrong = [b.container for b in balances if b.sublimated_lb.mean < 0]
    if wrong:
        note += (
            f" Gas below nothing ({', '.join(wrong)}): more was logged or left than there was; a weighing, a delivery "
            "or a container's name is wrong."
        )
    return f"{table(columns, rows)}\n{paragraph(note)}"
