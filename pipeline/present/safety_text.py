"""The safety answer as text: what would be passed first, then the figures, then what they assume."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.safety_space import VAN
from pipeline.present.figures import Style, careful, few, percent
from pipeline.present.figures import minutes as written_minutes
from pipeline.present.terminal import Column, paragraph, section, table
from shared.counting import counted
from shared.units import CFM_M3_H, FT3_M3, FT_M, LB_KG, celsius_of_fahrenheit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.answers.answer import Answer, QuantitySummary
    from pipeline.answers.safety_air import LimitAnswer
    from pipeline.answers.safety_answer import Planned, SafetyResult
    from pipeline.answers.safety_noise import NoiseAnswer

_HOUR = 60
#: Chances at and above which the first sentence says "would", and below which it says nothing is passed.
_LIKELY, _UNLIKELY = 0.5, 0.05
#: Why rows with protection may be those of the bare ear.
NO_CREDIT = (
    "Where a row says 'no credit' its rule takes at least as much off the label's figure as there is (7 dB for "
    "A-weighted levels, NIOSH after its derating): with this protector its figures are those of the bare ear."
)


def render_safety(answer: Answer[SafetyResult], style: Style) -> str:
    """Return the answer as text of at most 80 columns in a pipe; cautions and warnings are printed by the command."""
    result = answer.result
    two_airs = [result.space.two_airs] if result.space.two_airs else []
    parts = [
        paragraph(" ".join([_headline(result, style), *two_airs, *noise_sentences(result)])),
        paragraph(_planned(result.planned, style)),
        section("Limits, were the air well mixed"), _limits(result, style),
        section("CO2 in the mixed air"), _levels(result), "", _hours(result), "", paragraph(_oxygen(result)),
    ]  # fmt: skip
    if result.planned.zones:
        parts += [section("Noise"), _noise(result)]
    return "\n".join([*parts, paragraph(_assumed(result, style))])


def _headline(result: SafetyResult, style: Style) -> str:
    passed = [limit for limit in result.limits if limit.chance_exceeded >= _UNLIKELY]
    if not passed:
        return (
            f"{_place(result)}: at today's ventilation no CO2 limit is likely to be exceeded, were the air well mixed. "
            "That is an estimate, not a clearance."
        )
    likely = [limit for limit in passed if limit.chance_exceeded >= _LIKELY]
    worst = max(likely or passed, key=lambda limit: limit.value)
    needed = result.flow_needed_cfm.quantiles[0.95]
    beside = "" if style.units == "metric" else f" ({careful(needed * CFM_M3_H)} m3/h)"
    today = style.flow(result.space.air_cfm) if result.space.air_cfm > 0 else "none"
    entered = "counts" if result.space.two_airs else "is entered"
    return (
        f"{_place(result)}: this {'would' if likely else 'could'} exceed {worst.value:,.0f} {worst.unit} "
        f"({worst.name}) at today's ventilation, in {percent(worst.chance_exceeded)} of scenarios. "
        f"About {style.flow_needed(needed)} of outdoor air{beside} would keep every limit in 95 % of them; {today} "
        f"{entered}."
    )


def noise_sentences(result: SafetyResult) -> list[str]:
    """Return what is said first of noise: the limits it would or could exceed, bare and with protection."""
    bare, worn = noise_passed(result), noise_passed(result, protected=True)
    said = []
    if bare:
        worst = max(bare, key=lambda n: n.dose_percent.quantiles[0.5])
        said.append(
            f"Noise at the bare ear {_exceeds(bare)}; it takes up {worst.dose_percent.quantiles[0.5]:,.0f} % "
            f"({_dose_range(worst)} %) of a day's dose ({worst.rule})."
        )
    if worn:
        none = ", which earns no credit," if all(n.credit_db == 0 for n in worn) else ""
        said.append(f"With the protection given{none} it {_exceeds(worn)}.")
    return said


def noise_passed(result: SafetyResult, *, protected: bool = False) -> list[NoiseAnswer]:
    """Return the rules whose own limit the noise passes in at least one scenario of twenty."""
    return [n for n in result.noise if (n.credit_db is not None) == protected and n.chance_exceeded >= _UNLIKELY]


def _exceeds(passed: list[NoiseAnswer]) -> str:
    """Return which limits are exceeded and how often; of the ways to count protection the worst."""
    chances: dict[str, float] = {}
    for n in passed:
        name = f"the {n.rule.split(', protected')[0]}"
        chances[name] = max(chances.get(name, 0.0), n.chance_exceeded)
    return exceeded_words(chances)


def exceeded_words(chances: Mapping[str, float]) -> str:
    """Return what would, and then what could, be exceeded, by its chance: 'would exceed A in 98 % of scenarios'."""
    told = []
    for word, likely in (("would", True), ("could", False)):
        named = [f"{name} in {percent(c)}" for name, c in chances.items() if (c >= _LIKELY) == likely]
        if named:
            told.append(f"{word} exceed {' and '.join([', '.join(named[:-1])] * (len(named) > 1) + named[-1:])}")
    return f"{', and '.join(told)} of scenarios"


def _dose_range(n: NoiseAnswer) -> str:
    return f"{n.dose_percent.interval.low:,.0f}-{n.dose_percent.interval.high:,.0f}"


def _place(result: SafetyResult) -> str:
    return "Closed vehicle" if result.bay == VAN else f"Bay `{result.bay}`"


def _planned(planned: Planned, style: Style) -> str:
    said = []
    if planned.pellets_lb is not None and planned.minutes is not None:
        said.append(
            f"Planned: {counted(planned.vehicles, 'vehicle')}, {counted(planned.zones, 'zone')}, "
            f"about {style.weight(planned.pellets_lb.quantiles[0.5])} of pellets in "
            f"{written_minutes(planned.minutes.quantiles[0.5])} of work"
        )
    if planned.stored_lb:
        said.append(f"{style.weight(planned.stored_lb)} of ice stored there")
    return "; ".join(said) + "." if said else ""


def _limits(result: SafetyResult, style: Style) -> str:
    unit, factor = style.flow_unit
    columns = [
        Column("limit"), Column("ppm", "number"), Column("air at it after", "number"), Column("exceeded", "number"),
        Column(f"air needed, {unit}", "number"),
    ]  # fmt: skip
    rows = [
        [limit.name, f"{limit.value:,.0f}", _when(limit), percent(limit.chance_exceeded),
         _range(limit.flow_needed_cfm, factor)]
        for limit in result.limits
    ]  # fmt: skip
    sources = "\n".join(f"{limit.name}: {limit.source}." for limit in result.limits)
    said = "The 8-hour and 15-minute limits are means: the air stands at the figure before the mean exceeds it."
    for limit in result.limits:
        if limit.used_up_after_min is not None:
            said += f" The 8-hour limit is used up after {_span(limit.used_up_after_min)}."
    return "\n".join([table(columns, rows), "", paragraph(said), paragraph(sources)])


def _when(limit: LimitAnswer) -> str:
    return "not, or rarely" if limit.reached_after_min is None else _span(limit.reached_after_min)


def _span(when: QuantitySummary) -> str:
    if when.interval.high - when.interval.low < 1:
        return f"{few(when.quantiles[0.5])} min"
    return f"{few(when.interval.low)}-{few(when.interval.high)} min"


def _range(figure: QuantitySummary, factor: float) -> str:
    low, high = figure.interval.low * factor, figure.interval.high * factor
    return "none" if high <= 0 else f"{careful(low)}-{careful(high)}"


def _ppm(figure: QuantitySummary) -> list[str]:
    """Return middle and range of gas in the air."""
    return [careful(figure.quantiles[0.5]), f"{careful(figure.interval.low)}-{careful(figure.interval.high)}"]


def _levels(result: SafetyResult) -> str:
    columns = [Column("measure"), Column("middle, ppm", "number"), Column("range, ppm", "number")]
    named = {
        "highest moment": result.co2_ppm.peak,
        "highest 15 minutes": result.co2_ppm.average_15min,
        "shift over 8 hours": result.co2_ppm.average_8h,
    }
    rows = [[name, *_ppm(figure)] for name, figure in named.items()]
    return table(columns, rows)


def _hours(result: SafetyResult) -> str:
    columns = [Column("hours from start"), Column("middle, ppm", "number"), Column("range, ppm", "number")]
    rows = [[f"{p.minute // _HOUR}", *_ppm(p.ppm)] for p in result.curve if p.minute % _HOUR == 0]
    return table(columns, rows)


def _oxygen(result: SafetyResult) -> str:
    lowest = result.oxygen_percent.lowest.quantiles[0.5]
    return f"Oxygen, lowest: {lowest:.1f} %. An oxygen meter {result.oxygen_percent.note}."


def _noise(result: SafetyResult) -> str:
    if not result.noise:
        return paragraph(
            "No level is entered, or nothing is blasted. Measure it at the ear while blasting and enter noise_dba in "
            "book.toml or --noise-dba; --nrr adds the figures with protection."
        )
    columns = [
        Column("rule"), Column("dose, %", "number"), Column("limit, %", "number"), Column("exceeded", "number"),
        Column("8-h dBA", "number"), Column("min to it", "number"),
    ]  # fmt: skip
    rows = [
        [
            n.rule,
            f"{n.dose_percent.quantiles[0.5]:,.0f} ({_dose_range(n)})",
            f"{n.limit_percent:g}",
            percent(n.chance_exceeded),
            "-" if n.twa_dba is None else f"{n.twa_dba.quantiles[0.5]:.0f}",
            "-" if n.minutes_to_limit is None else few(n.minutes_to_limit),
        ]
        for n in result.noise
    ]
    said = "Minutes to the limit are trigger time at the entered level; '-' is not reached or no dose."
    if all(n.credit_db is None for n in result.noise):
        said += " Give --nrr for the figures with protection."
    if any(n.credit_db == 0 for n in result.noise):
        said += f" {NO_CREDIT}"
    return table(columns, rows) + "\n" + paragraph(said)


def _assumed(result: SafetyResult, style: Style) -> str:
    space, planned = result.space, result.planned
    volume = space.volume_ft3
    if style.units == "metric":
        room = f"{volume * FT3_M3:,.0f} m3"
        warmth, height = f"{celsius_of_fahrenheit(space.temperature_f):.0f} °C", f"{space.altitude_ft * FT_M:,.0f} m"
        gas = f"{space.gas_ft3_per_lb * FT3_M3 / LB_KG:.3f} m3 of gas a kg"
    else:
        room = f"{volume:,.0f} ft3 ({volume * FT3_M3:,.0f} m3)"
        warmth, height = f"{space.temperature_f:g} °F", f"{space.altitude_ft:,.0f} ft"
        gas = f"{space.gas_ft3_per_lb:.2f} ft3 of gas a lb"
    air = f"{style.flow(space.air_cfm)} of outdoor air" if space.air_cfm > 0 else "no ventilation"
    where = "sea level" if space.altitude_ft == 0 else height
    factor = (
        "no factor for the low layer (none is published)"
        if space.low_layer_factor == 1
        else f"your factor {space.low_layer_factor:g} for the low layer on every figure"
    )
    level = result.co2_ppm.peak.interval.level
    work = (
        f"one nozzle, one vehicle after the other, {planned.pause_min:g} min of pause between zones and vehicles"
        if planned.zones
        else "the store loses the same every hour"
    )
    if planned.stood_min > 0:
        work += (
            f"; the stored ice has stood there for {planned.stood_min / _HOUR:.0f} h, in the same air, when work begins"
        )
    return (
        f"\nAssumed: {room}, {air}, mixing {space.mixing_share:g}, {warmth} at {where} ({gas}); {work}; {factor}. "
        f"Blast air counts as no fresh air unless the compressor breathes outdoors and it is part of the flow entered. "
        f"Ranges hold {percent(level)} of scenarios; times are over the scenarios that reach the limit."
    )
