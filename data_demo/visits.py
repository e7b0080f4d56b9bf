"""Who comes, when and with what: visits drawn from the law before any ice is used."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from data_demo.law import Line, Visit
from data_demo.truth import CUSTOMERS, TRUTH, UNDERSIDE, WITH_CARGO_BED, ZONE_SETS, Customer, Truth, is_open

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def open_days(first: date, last: date, truth: Truth = TRUTH) -> list[date]:
    """Return the working days from `first` to `last`, both included."""
    days = (first + timedelta(days=i) for i in range((last - first).days + 1))
    return [day for day in days if is_open(day, truth)]


def arrival_weight(day: date, truth: Truth = TRUTH) -> float:
    """Return how likely a visit falls on a working day, up to a common factor."""
    grown = float((1 + truth.growth_share_year) ** ((day - truth.first_day).days / 365.25))
    return truth.month_weight[day.month - 1] * truth.day_weight[day.weekday()] * grown


def draw_days(rng: np.random.Generator, n: int, days: Sequence[date], truth: Truth = TRUTH) -> list[date]:
    """Return `n` days in order, the last of them the last of `days`, so that a log ends where it says it ends."""
    weight = np.array([arrival_weight(day, truth) for day in days])
    chosen = rng.choice(len(days), size=n - 1, p=weight / weight.sum())
    return [days[i] for i in sorted(chosen.tolist())] + [days[-1]]


def draw_visit(rng: np.random.Generator, day: date, truth: Truth = TRUTH) -> Visit:
    """Return one visit on a day: customer, vehicles, zones, soil, operator, machine and technique."""
    customer = CUSTOMERS[int(rng.choice(len(CUSTOMERS), p=[c.share for c in CUSTOMERS]))]
    many = customer.fleet and customer.code != truth.under_priced.customer
    n_vehicles = int(rng.integers(2, 4)) if many and rng.random() < truth.many_vehicles_share else 1
    vehicles = _vehicles(rng, customer, n_vehicles)
    lines: list[Line] = []
    for i, (_, vehicle_class) in enumerate(vehicles):
        lines += _lines(rng, i, vehicle_class, truth)
    operator = _pick(rng, truth.operator_share)
    machine = truth.machines[int(rng.random() < truth.second_machine_share[operator])]
    return Visit(
        day=day,
        customer=customer.code,
        operator=operator,
        machine=machine,
        vehicles=[number for number, _ in vehicles],
        lines=lines,
        settings=_settings(rng, operator, day, truth),
    )


def usual_age(rng: np.random.Generator, day: date) -> int:
    """Return an ice age in days as the shop's own record has it: since Monday's or Thursday's delivery, or older."""
    since = (0, 1, 2, 0, 1, 2, 3)[day.weekday()]
    return since + (int(rng.integers(3, 5)) if rng.random() < 0.25 else 0)


def _vehicles(rng: np.random.Generator, customer: Customer, n: int) -> list[tuple[str, str]]:
    """Return (number, class) of each vehicle; a fleet's number always belongs to the same class."""
    if not customer.fleet:
        return [("", _pick(rng, customer.classes))]
    edges = np.cumsum(list(customer.classes.values())) * customer.fleet_size
    words = list(customer.classes)
    chosen = rng.choice(customer.fleet_size, size=n, replace=False)
    return [
        (f"{customer.code[:2]}-{k + 1:02d}", words[min(int(np.searchsorted(edges, k + 0.5)), len(words) - 1)])
        for k in sorted(chosen.tolist())
    ]


def _lines(rng: np.random.Generator, vehicle: int, vehicle_class: str, truth: Truth) -> list[Line]:
    sets = [s for s in ZONE_SETS if "cargo_bed" not in s[0] or vehicle_class in WITH_CARGO_BED]
    weight = np.array([w for _, w in sets])
    zones = sets[int(rng.choice(len(sets), p=weight / weight.sum()))][0]
    soil = int(rng.choice(4, p=truth.soil_share))
    lines = []
    for zone in zones:
        # Zones of one vehicle are mostly as dirty as each other.
        step = int(rng.choice((-1, 0, 1), p=(0.15, 0.7, 0.15)))
        coating = zone in UNDERSIDE and rng.random() < truth.coating_share
        lines.append(Line(vehicle, vehicle_class, zone, min(3, max(0, soil + step)), bool(coating)))
    return lines


def _settings(rng: np.random.Generator, operator: str, day: date, truth: Truth) -> dict[str, float]:
    wasteful = any(w.kind == "operator" and w.name == operator and w.first <= day <= w.last for w in truth.waste)
    feed = truth.feed_wasteful_lb_min if wasteful else truth.feed_usual_lb_min
    return {
        "feed_lb_min": round(float(rng.normal(feed, 0.06)), 2),
        "pressure_psi": float(5 * round(float(rng.normal(85, 6)) / 5)),
        "standoff_in": round(float(rng.normal(9.5, 1.0)) * 2) / 2,
        "ice_on_share": round(min(1.0, float(rng.normal(0.85, 0.05))), 2),
    }


def _pick(rng: np.random.Generator, shares: Mapping[str, float]) -> str:
    words = list(shares)
    return words[int(rng.choice(len(words), p=[shares[w] for w in words]))]
