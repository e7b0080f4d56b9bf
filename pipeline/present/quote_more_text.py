"""What stands beside a quote as text: choices side by side, and the rest of a part-done job."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.present.estimate_text import times, weights
from pipeline.present.figures import loss_chance, minutes, percent, words
from pipeline.present.terminal import Column, paragraph, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.answers.answer import QuantitySummary
    from pipeline.answers.comparing import Choice
    from pipeline.answers.part_done import RestOfJob
    from pipeline.present.figures import Style


def render_choices(choices: Sequence[Choice], style: Style) -> str:
    """Return the choices of one kind as a table."""
    if choices[0].by == "way":
        return _ways(choices, style)
    head = {"machine": "Machine", "soil": "Soil"}[choices[0].by]
    return table(
        [Column(head), Column("Pellets", "number"), Column("Time", "number"), Column("Cost", "number"),
         Column("Price", "number")],
        [
            [c.name, style.weight(c.pellets_lb.quantiles[0.5]), minutes(c.minutes.quantiles[0.5]),
             style.money(c.cost_usd.mean), style.charged(c.price_usd or 0.0)]
            for c in choices
        ],
    )  # fmt: skip


def _ways(choices: Sequence[Choice], style: Style) -> str:
    return table(
        [Column("Zone"), Column("Dry ice costs", "number"), Column("Other way", "number"), Column("")],
        [
            [words(c.name), style.money(c.cost_usd.mean), "-" if c.other_usd is None else style.money(c.other_usd),
             c.note]
            for c in choices
        ],
    )  # fmt: skip


def render_rest(rest: RestOfJob, style: Style) -> str:
    """Return what a part-done job still takes."""
    level = percent(rest.pellets_lb.interval.level)
    grid = table(
        [Column(f"{percent(rest.done_share)} done"), Column("Still to come", "number"),
         Column(f"{level} between", "number"), Column("Whole job", "number")],
        [
            ["Pellets", style.weight(rest.pellets_lb.quantiles[0.5]), weights(rest.pellets_lb, style),
             style.weight(rest.total_pellets_lb.quantiles[0.5])],
            ["Hands-on time", minutes(rest.minutes.quantiles[0.5]), times(rest.minutes),
             minutes(rest.total_minutes.quantiles[0.5])],
            ["Cost", style.money(rest.cost_usd.quantiles[0.5]), _money(rest.cost_usd, style),
             style.money(rest.total_cost_usd.quantiles[0.5])],
        ],
    )  # fmt: skip
    told = (
        f"At {style.charged(rest.price_usd)} the job now has an expected margin of "
        f"{percent(rest.expected_margin_share)} and a chance of loss of {loss_chance(rest.chance_of_loss)}."
    )
    if rest.method == "log-normal":
        told = (
            f"{_used(rest, style)} with {percent(rest.done_share)} done is outside of what was thought possible: check "
            f"these figures and their units first. If they are right, what follows from them is rough. {told}"
        )
    return grid + "\n" + paragraph(told)


def _used(rest: RestOfJob, style: Style) -> str:
    used = [] if rest.so_far_pellets_lb is None else [style.weight(rest.so_far_pellets_lb)]
    return " and ".join(used if rest.so_far_minutes is None else [*used, minutes(rest.so_far_minutes)])


def _money(figure: QuantitySummary, style: Style) -> str:
    return f"{style.money(figure.interval.low)} to {style.money(figure.interval.high)}"
