"""Charts: units on every axis, intervals drawn, words for who does not see them, colours that follow the page."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from pipeline.answers.answer import summarise
from pipeline.answers.forecasting import ForecastBacktest, ForecastMonth, ForecastResult, PastMonth, PastRange
from pipeline.answers.ice_answer import DayPlan, DeliveryPlan, OrderResult, ShortageTold, StockTold
from pipeline.answers.reporting_jobs import JobRow
from pipeline.answers.reporting_pellets import Cell
from pipeline.answers.review_effects import EffectTold
from pipeline.answers.review_findings import Finding, Improvement, Ratio
from pipeline.answers.safety_air import Co2, CurvePoint, LimitAnswer, Oxygen
from pipeline.answers.safety_answer import Planned, SafetyResult, SpaceCounted
from pipeline.answers.verdict import Held
from pipeline.present.charts.canvas import DARK, INK, PAPER, Drawing
from pipeline.present.charts.causes import air_chart, effects_chart
from pipeline.present.charts.consumption import cost_chart, pellets_chart
from pipeline.present.charts.ice import forecast_chart, stock_chart
from pipeline.present.charts.record import calibration_chart, pit_chart, ratio_chart
from pipeline.present.figures import Style

RNG = np.random.default_rng(4)
FIGURE = summarise(np.exp(RNG.normal(3.5, 0.3, 500)))
START = date(2026, 7, 1)


def _order() -> OrderResult:
    days = tuple(DayPlan(START + timedelta(days=i), FIGURE, FIGURE, 0.1) for i in range(5))
    planned = (DeliveryPlan(START + timedelta(days=1), START, True, 200.0, 255.0),)
    stock = StockTold(FIGURE, FIGURE, FIGURE, (), 9, 1.0, 35.0, 1)
    return OrderResult(stock, planned, 0.1, 1.0, FIGURE, FIGURE, FIGURE, days, (), None,
                       0.1, ShortageTold("rush", 2.0, 0.0, 0.0, "book.toml", 5.0, True), FIGURE, FIGURE)  # fmt: skip


def _air() -> SafetyResult:
    limits = (LimitAnswer("CO2, 8-hour average", 5000.0, "ppm", "a text", None, FIGURE, 0.5, None),)
    curve = tuple(CurvePoint(10 * i, FIGURE) for i in range(7))
    planned = Planned(1, 1, FIGURE, FIGURE, 0.0, 0.0, 0.0, 0)
    space = SpaceCounted(40.0, 20.0, 12.0, 9600.0, 900.0, 1.0, 0.0, 70.0, 8.8, 1.0, None)
    return SafetyResult("main", Co2(FIGURE, FIGURE, FIGURE), Oxygen(FIGURE), curve, limits, FIGURE, (), planned, space)


def _rows() -> list[JobRow]:
    return [
        JobRow(
            f"J{i}",
            START + timedelta(days=i),
            ("van",),
            ("interior",),
            ("heavy",),
            ("A",),
            float(p),
            40.0,
            30.0,
            55.0,
            None,
            None,
            None,
            None,
            None,
            "",
        )
        for i, p in enumerate(RNG.uniform(25, 70, 40))
    ]


def _finding(kind: str, name: str, **more: Any) -> Finding:
    told = {"of": "", "zone": "", "ratio": Ratio(1.25, 1.18, 1.32, 0.8), "q_value": 0.01, "jobs": 30, "since": None}
    return Finding(kind, name, **{**told, "until": None, **more}, pellets_lb_month=FIGURE, usd_month=FIGURE,
                   other_causes=(), try_="Look.")  # fmt: skip


def _drawings() -> dict[str, Drawing]:
    cells = [Cell(c, "undercarriage", s, FIGURE) for c in ("van", "suv") for s in ("light", "severe")]
    held = [Held(v, v, 60, v, v, 60, 60) for v in (0.5, 0.8, 0.9)]
    effects = [EffectTold(k, n, "", 40, Ratio(1.1, 1.02, 1.2, 0.8)) for k, n in
               (("operator", "Operator A"), ("machine", "$rig_1$"), ("setting", "feed_lb_min"))]  # fmt: skip
    style = Style()
    cost = cost_chart(RNG.normal(300, 40, 800), price_usd=360.0, for_margin_usd=358.0, for_risk_usd=351.0, level=0.8,
                      style=style, job="van")  # fmt: skip
    return {
        "pellets": pellets_chart(cells, style), "cost": cost, "calibration": calibration_chart(held),
        "pit": pit_chart({"pellets_lb": (5, 6, 7, 6, 5, 6, 6, 7, 6, 6), "minutes": (0,) * 10}),
        "ratio": ratio_chart(_rows(), None), "stock": stock_chart(_order(), style),
        "effects": effects_chart(effects, (_finding("machine", "$rig_1$"),)), "air": air_chart(_air(), place="bay x"),
    }  # fmt: skip


@pytest.fixture(scope="module")
def drawings() -> dict[str, Drawing]:
    """Return one drawing of each kind."""
    return _drawings()


#: A unit, or what is counted, that each chart's axes must name.
UNITS = {
    "pellets": ["lb"], "cost": ["USD", "%"], "calibration": ["%", "% of jobs"], "pit": ["Jobs, %", "%"],
    "ratio": ["Day", "over expected"], "stock": ["In store, lb", "Needed, lb", "Day"],
    "effects": ["against like jobs, %", "best value"], "air": ["Hours", "ppm"],
}  # fmt: skip


@pytest.mark.parametrize("name", UNITS)
def test_axes_carry_their_units(name: str, drawings: dict[str, Drawing]) -> None:
    """Every axis that holds figures is labelled with their unit."""
    labels = [t for axes in drawings[name].figure.axes for t in (axes.get_xlabel(), axes.get_ylabel())]
    for unit in UNITS[name]:
        assert any(unit in label for label in labels), labels


@pytest.mark.parametrize("name", UNITS)
def test_a_chart_is_sound_svg_with_words(name: str, drawings: dict[str, Drawing]) -> None:
    """A chart parses as SVG, runs nothing, loads nothing, keeps letters as letters and has words beside it."""
    svg = drawings[name].svg()
    ElementTree.fromstring(svg)
    assert "<script" not in svg
    assert not re.search(r'href="(?!#)', svg)
    assert "<text" in svg
    assert len(drawings[name].alt) > 30
    assert svg == _drawings()[name].svg() if name == "pellets" else True


def test_colours_follow_the_page(drawings: dict[str, Drawing]) -> None:
    """The embedded chart has a dark value for each colour it uses; the one for paper has plain colours."""
    uri = drawings["pellets"].data_uri()
    text = base64.b64decode(uri.split(",")[1]).decode()
    assert "prefers-color-scheme:dark" in text
    assert not re.search(r"(?:fill|stroke): #(?!none)", text)
    plain = base64.b64decode(drawings["pellets"].data_uri(follows_scheme=False).split(",")[1]).decode()
    assert "prefers-color-scheme" not in plain


def _luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: str, b: str) -> float:
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_hues_stand_out_from_the_paper() -> None:
    """Letters keep 4.5:1 and marks 3:1 against the page in both schemes (WCAG 2.2, 1.4.3 and 1.4.11)."""
    bands = {PAPER, "#d9dee4", "#8cc4e8"}  # the paper, the grid and the soft band carry no figure by themselves
    for light, dark in DARK.items():
        if light not in bands:
            assert _contrast(light, PAPER) >= 3, light
            assert _contrast(dark, DARK[PAPER]) >= 3, dark
    assert _contrast(INK, PAPER) >= 4.5
    assert _contrast(DARK[INK], DARK[PAPER]) >= 4.5


def test_intervals_are_drawn(drawings: dict[str, Drawing]) -> None:
    """Each interval of a cell is a line from its low to its high end."""
    panel = drawings["pellets"].figure.axes[0]
    segments = [s for lines in panel.collections for s in lines.get_segments()]
    assert len(segments) == 4
    for (low, _), (high, _) in segments:
        assert (low, high) == pytest.approx((FIGURE.interval.low, FIGURE.interval.high))


def test_a_dollar_in_a_name_is_a_dollar(drawings: dict[str, Drawing]) -> None:
    """Names are never read as formulas."""
    assert "$rig_1$" in drawings["effects"].svg()


def test_metric_books_have_metric_axes() -> None:
    """A metric book's weights are drawn in kg."""
    figure = stock_chart(_order(), Style("metric", "EUR")).figure
    assert figure.axes[0].get_ylabel() == "In store, kg"


def test_a_chart_is_a_picture_too(drawings: dict[str, Drawing]) -> None:
    """A chart can be written as PNG."""
    assert drawings["air"].png(40).startswith(b"\x89PNG")


def test_nothing_is_cut_off_beside_long_names() -> None:
    """With names that take most of the width the axis' label still stands whole inside the drawing."""
    ratio = Ratio(1.02, 0.97, 1.08, 0.8)
    effects = [EffectTold("operator", "W" * 40, "", 9, ratio), EffectTold("setting", "ice_age_days", "", 9, ratio)]
    figure = effects_chart(effects, ()).figure
    figure.canvas.draw()
    box = figure.get_tightbbox(figure.canvas.get_renderer())
    width, height = figure.get_size_inches()
    assert 0 <= box.x0 < box.x1 <= width
    assert 0 <= box.y0 < box.y1 <= height


def test_deliveries_stand_above_the_stock() -> None:
    """No label of a delivery lies over the line or the ranges of the stock."""
    drawn = stock_chart(_order(), Style("us", "USD")).figure
    drawn.canvas.draw()
    renderer, panel = drawn.canvas.get_renderer(), drawn.axes[0]
    (label,) = [text for text in panel.texts if text.get_text() == "+200"]
    highest = max(d.stock_lb.interval.high for d in _order().days)
    top_of_stock = panel.transData.transform((0, max(highest, 200.0)))[1]
    assert label.get_window_extent(renderer).y0 > top_of_stock


def _labels(drawing: Drawing) -> list[str]:
    return [label.get_text() for label in drawing.figure.axes[0].get_yticklabels()]


def _legend(drawing: Drawing) -> list[str]:
    return [text.get_text() for legend in drawing.figure.legends for text in legend.get_texts()]


def test_what_holds_for_a_time_or_in_one_zone_has_a_row_of_its_own() -> None:
    """A drift, a machine in one zone and an improvement stand beside the machine's own row, which is not marked."""
    usual = Ratio(0.99, 0.95, 1.02, 0.8)
    effects = [EffectTold("machine", name, "", 40, usual) for name in ("rig-1", "rig-2", "rig-3")]
    since = date(2026, 4, 13)
    found = (
        _finding("drift", "rig-2", of="machine", since=since),
        _finding("drift", "Operator D", of="operator", since=date(2025, 9, 1), until=date(2025, 12, 1)),
        _finding("machine", "rig-1", zone="engine_bay"),
    )
    better = (Improvement("rig-3", "machine", Ratio(0.8, 0.7, 0.9, 0.8), 0.01, 30, since, (), "Keep it."),)
    drawn = effects_chart(effects, found, better)
    assert sorted(_labels(drawn)) == sorted([
        "machine rig-2\nsince 2026-04-13", "Operator D\n2025-09-01 to 2025-12-01", "machine rig-1\nengine bay",
        "machine rig-1", "machine rig-2\nmost of the time", "machine rig-3", "machine rig-3\nsince 2026-04-13",
    ])  # fmt: skip
    assert _labels(drawn)[-1] == "machine rig-3\nsince 2026-04-13"
    assert _legend(drawn) == ["not surely more", "stands out", "stands out for a time", "fewer since then"]
    assert "machine rig-2, since 2026-04-13 +25 % (stands out for a time)" in drawn.alt
    assert "a setting" not in drawn.figure.axes[0].get_xlabel()


def test_a_quantity_of_few_jobs_is_neither_drawn_nor_named() -> None:
    """A line and its name stand only where there are jobs enough to say how often ranges hold."""
    held = [Held(v, v, 60, v, None, 60, 0) for v in (0.5, 0.8, 0.9)]
    assert [name for name in _legend(calibration_chart(held)) if "chance" not in name] == [
        "exactly as stated",
        "pellets",
    ]
    few = [replace(h, minutes=1.0, minutes_jobs=19) for h in held]
    assert "minutes" not in _legend(calibration_chart(few))
    assert "minutes" in _legend(calibration_chart([replace(h, minutes_jobs=20) for h in few]))


def _forecast(past: tuple[str, ...], ahead: tuple[str, ...]) -> ForecastResult:
    told = PastRange(100.0, 80.0, 120.0, 90.0)
    known = tuple(PastMonth(m, START, told, told) for m in past)
    months = tuple(ForecastMonth(m, START, START, i == 0, *(FIGURE,) * 6, "learned", 0) for i, m in enumerate(ahead))
    return ForecastResult(months, (), None, ForecastBacktest(len(past), {}, (), known), learned_jobs=40)


def test_months_stand_apart_and_skipped_ones_leave_a_gap() -> None:
    """No month's name lies over another's, a gap is drawn and named, and a month after it tells its year."""
    past = ("2025-05", "2025-06", "2025-10", "2025-11", "2025-12", "2026-01", "2026-02")
    drawn = forecast_chart(_forecast(past, ("2026-03", "2026-04", "2026-05", "2026-06")), Style())
    axes = drawn.figure.axes[0]
    drawn.figure.canvas.draw()
    ticks = sorted(zip(axes.get_xticks().tolist(), axes.get_xticklabels(), strict=True), key=lambda pair: pair[0])
    names = [label.get_text() for _, label in ticks]
    assert names == [
        "May\n2025",
        "Jun",
        "…",
        "Oct",
        "Nov",
        "Dec",
        "Jan\n2026",
        "Feb",
        "Mar\n(rest)",
        "Apr",
        "May",
        "Jun",
    ]
    boxes = [label.get_window_extent(drawn.figure.canvas.get_renderer()) for _, label in ticks]
    assert all(one.x1 < other.x0 for one, other in pairwise(boxes))
    assert "months left out" in _legend(drawn)
    far = forecast_chart(_forecast(("2024-11",), ("2026-03", "2026-04")), Style())
    assert {"Mar\n2026\n(rest)", "…"} <= {label.get_text() for label in far.figure.axes[0].get_xticklabels()}
    near = forecast_chart(_forecast(("2025-12",), ("2026-01",)), Style())
    assert "months left out" not in _legend(near)


def test_both_panels_of_the_stock_are_named(drawings: dict[str, Drawing]) -> None:
    """The legend tells the marks of what is needed beside those of what is in store."""
    assert {"needed, mean", "needed, 80 % between", "in store, 80 % between"} <= set(_legend(drawings["stock"]))


def test_jobs_beyond_the_chart_stand_at_its_edge() -> None:
    """A job far from expectation has a mark of its own at the edge, and the words count it."""
    rows = _rows()
    rows[3], rows[9] = replace(rows[3], pellets_lb=400.0), replace(rows[9], pellets_lb=1.0)
    drawn = ratio_chart(rows, None)
    axes = drawn.figure.axes[0]
    marks = {line.get_label(): line.get_ydata() for line in axes.get_lines()}
    assert marks["one job above 5x, at the edge"] == pytest.approx([axes.get_ylim()[1]])
    assert marks["one job below 0.2x, at the edge"] == pytest.approx([axes.get_ylim()[0]])
    assert len(marks["one job"]) == len(rows) - 2
    assert "2 beyond 0.2 to 5 times" in drawn.alt
    assert "beyond" not in ratio_chart(_rows(), None).alt
