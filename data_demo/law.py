"""What a visit of the invented shop takes: expectation and draws, by line and of both quantities."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import cos, exp, log, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from data_demo.truth import TRUTH, UNDERSIDE, Truth, waste_log

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray


@dataclass(frozen=True)
class Line:
    """One zone of one vehicle; `soil` is 0..3 and always known to the law."""

    vehicle: int
    vehicle_class: str
    zone: str
    soil: int
    coating: bool


@dataclass
class Visit:
    """One ticket before anything is written down.

    Attributes
    ----------
    day : date
    customer, operator, machine : str
        Codes; the customer of a passer-by is ''.
    vehicles : list of str
        Number of each vehicle.
    lines : list of Line
    settings : dict of float
        Technique as run: feed_lb_min, pressure_psi, standoff_in, ice_on_share.
    age_days : int
        Age of the ice it used.
    container : str
    amounts : float array (n_lines, 2)
        Pellets (lb) and minutes, exact.
    """

    day: date
    customer: str
    operator: str
    machine: str
    vehicles: list[str]
    lines: list[Line]
    settings: dict[str, float]
    age_days: int = 0
    container: str = ""
    amounts: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))


def kind_of(zone: str) -> str:
    """Return "underside" or "rest"."""
    return "underside" if zone in UNDERSIDE else "rest"


def soil_log(zone: str, soil: int, truth: Truth = TRUTH) -> float:
    """Return what soil adds to the logarithm of a zone's pellets; 0 at moderate soil, saturating above."""
    top, rate = truth.soil_rise[kind_of(zone)]
    return top * (exp(-rate) - exp(-rate * soil))


def feed_log(feed_lb_min: float, truth: Truth = TRUTH) -> float:
    """Return what feed adds to the logarithm of pellets: 0 up to the knee, then linear through the planted ratio."""
    wasteful = next(w for w in truth.waste if w.kind == "operator")
    slope = log(wasteful.ratio) / (truth.feed_wasteful_lb_min - truth.feed_knee_lb_min)
    return slope * max(0.0, feed_lb_min - truth.feed_knee_lb_min)


def log_medians(visit: Visit, truth: Truth = TRUTH) -> NDArray[np.float64]:
    """Return the logarithm of each line's median without the purge, shape (n_lines, 2): pellets, minutes."""
    weekday = visit.day.weekday()
    season = truth.season_log * cos(2 * pi * (visit.day.timetuple().tm_yday - 75) / 365.25)
    machine = sum(waste_log(w, visit.day) for w in truth.waste if w.kind == "machine" and w.name == visit.machine)
    pellets_all = (
        log(truth.weekday_lb[weekday])
        + truth.ice_age_log_per_day * visit.age_days
        + feed_log(visit.settings["feed_lb_min"], truth)
        + machine
    )
    minutes_all = log(
        truth.weekday_min[weekday] * truth.operator_min[visit.operator] * truth.machine_min[visit.machine]
    )
    underside_seen: set[int] = set()
    rows = []
    for line in visit.lines:
        crossed = log(truth.class_zone.get((line.vehicle_class, line.zone), 1.0))
        soil = soil_log(line.zone, line.soil, truth)
        pellets = log(truth.zone_lb[line.zone] * truth.class_lb[line.vehicle_class]) + crossed + soil + pellets_all
        minutes = log(truth.zone_min[line.zone] * truth.class_min[line.vehicle_class]) + crossed + 0.8 * soil
        minutes += minutes_all
        if line.zone in UNDERSIDE:
            pellets, minutes = pellets + season, minutes + season
            if line.vehicle in underside_seen:
                pellets, minutes = pellets + log(truth.together_lb), minutes + log(truth.together_min)
            underside_seen.add(line.vehicle)
        if line.coating:
            pellets += log(truth.coating_ratio_lb)
            minutes += log(truth.coating_ratio_min)
        rows.append((pellets, minutes))
    return np.array(rows)


def draw_amounts(visit: Visit, rng: np.random.Generator, truth: Truth = TRUTH, n: int = 1) -> NDArray[np.float64]:
    """Return draws of what each line takes, shape (n, n_lines, 2): pellets (lb) and minutes, unrounded."""
    n_lines = len(visit.lines)
    job = _pair(rng, (n, 1), truth.noise_correlation) * truth.noise_job_log
    scale = np.array([truth.noise_line_log[kind_of(line.zone)] for line in visit.lines])
    tail = np.sqrt(truth.noise_df / rng.chisquare(truth.noise_df, size=(n, n_lines, 1)))
    own = _pair(rng, (n, n_lines), truth.noise_correlation) * scale[None, :, None] * tail
    amounts: NDArray[np.float64] = np.exp(log_medians(visit, truth)[None] + job + own)
    amounts[:, 0, 0] += truth.purge_lb
    return amounts


def _pair(rng: np.random.Generator, shape: tuple[int, int], correlation: float) -> NDArray[np.float64]:
    """Return standard normal pairs with a correlation, shape (*shape, 2)."""
    z = rng.standard_normal((*shape, 2))
    z[..., 1] = correlation * z[..., 0] + sqrt(1 - correlation**2) * z[..., 1]
    return z
