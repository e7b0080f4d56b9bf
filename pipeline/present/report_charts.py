"""The charts of the report page, each only where there is something to draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.answers.pricing import price_job
from pipeline.answers.verdict import FEW_JOBS
from pipeline.present.charts.causes import air_chart, effects_chart
from pipeline.present.charts.consumption import cost_chart, pellets_chart
from pipeline.present.charts.ice import forecast_chart, stock_chart
from pipeline.present.charts.record import calibration_chart, pit_chart, ratio_chart
from pipeline.present.figures import words

if TYPE_CHECKING:
    from pipeline.answers.reporting import ReportContents
    from pipeline.present.charts.canvas import Drawing
    from pipeline.present.figures import Style

#: Points drawn of jobs over time.
_MOST_POINTS = 1500


def report_charts(contents: ReportContents, style: Style) -> dict[str, Drawing]:
    """Return the charts by name; the air's are named air-0, air-1, ... by bay."""
    found = [_cost(contents, style), pellets_chart(contents.cells, style)]
    if contents.order.answer and contents.order.answer.result.days:
        found.append(stock_chart(contents.order.answer.result, style))
    if contents.forecast.answer:
        found.append(forecast_chart(contents.forecast.answer.result, style))
    if contents.technique.answer:
        told = contents.technique.answer.result
        if told.effects or told.findings or told.improvements:
            found.append(effects_chart(told.effects, told.findings, told.improvements))
    shift = None
    if contents.trust.answer:
        result = contents.trust.answer.result
        shift = next((s for s in result.shifts if s.quantity == "pellets_lb"), None)
        if any(max(h.pellets_jobs, h.minutes_jobs) >= FEW_JOBS for h in result.levels):
            found.append(calibration_chart(result.levels))
        pit = {name: counts for name, counts in result.pit.items() if sum(counts) >= FEW_JOBS}
        if pit:
            found.append(pit_chart(pit))
    rows = [r for r in contents.jobs if r.held is not None][-_MOST_POINTS:]
    if rows:
        found.append(ratio_chart(rows, shift))
    drawn = {d.name: d for d in found}
    for i, answer in enumerate(contents.air.bays if contents.air else ()):
        drawn[f"air-{i}"] = air_chart(answer.result, place=f"bay {answer.result.bay}")
    return drawn


def _cost(contents: ReportContents, style: Style) -> Drawing:
    job = contents.prices.jobs[0]
    choice = job.choices[0]
    price = price_job(choice.cost_usd, contents.settings.pricing)
    name = f"{words(job.vehicle_class)}: {', '.join(words(z) for z in job.zones)}"
    return cost_chart(choice.cost_usd, price_usd=price.price_usd, for_margin_usd=price.price_for_margin_usd,
                      for_risk_usd=price.price_for_risk_usd, level=contents.level, style=style, job=name)  # fmt: skip
