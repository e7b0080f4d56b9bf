"""Writes visits down as the shop does: by line or as totals, with package names, blanks, prices and bookings."""

from __future__ import annotations

from datetime import date, timedelta
from math import exp
from typing import TYPE_CHECKING

import numpy as np

from data_demo.stock import Row, ambient_f
from data_demo.truth import CUSTOMERS, PACKAGES, TRUTH, Truth, is_open
from data_demo.visits import draw_visit, open_days
from shared.vocabulary import SOILS, UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from data_demo.law import Line, Visit

JOB_COLUMNS = (
    "job_id", "vehicle", "date", "vehicle_class", "zone", "soil_level", "pellets_lb", "minutes", "job_pellets_lb",
    "job_minutes", "coating_removed", "machine", "operator", "pass", "feed_lb_min", "pressure_psi", "standoff_in",
    "ice_on_share", "ice_age_days", "container", "setup_min", "cleanup_min", "price_usd", "customer", "ambient_f",
    "notes",
)  # fmt: skip
DELIVERY_COLUMNS = ("date", "container", "weight_lb", "price_usd_per_lb", "fee_usd", "supplier", "emptied")
WEIGHING_COLUMNS = ("at", "container", "net_lb")
BOOKING_COLUMNS = (
    "booking_id", "taken_on", "date", "vehicle_class", "zone", "soil_level", "coating_removed", "customer",
    "deposit_usd", "status", "job_id",
)  # fmt: skip
NOTES = ("salt crust", "straw in the frame", "grain dust", "hurry", "rinsed before", "mud to the sills")


def number_visits(visits: Sequence[Visit]) -> list[str]:
    """Return the tickets' numbers, T25-0001 and on, counted anew each year, with as many digits as they need."""
    width = max(4, len(str(len(visits))))
    seen: dict[int, int] = {}
    numbers = []
    for visit in visits:
        seen[visit.day.year] = seen.get(visit.day.year, 0) + 1
        numbers.append(f"T{visit.day.year % 100}-{seen[visit.day.year]:0{width}d}")
    return numbers


def job_rows(
    rng: np.random.Generator, job_id: str, visit: Visit, truth: Truth = TRUTH, *, plain: bool = False
) -> list[Row]:
    """Return a visit's rows in canonical columns, with everything that this shop writes down or leaves out.

    With `plain` each zone keeps one row of its own: no package names and no second passes.
    """
    grain = str(rng.choice(list(truth.grain_share), p=list(truth.grain_share.values())))
    soil_blank = rng.random() < truth.soil_blank_share
    shared = _shared_cells(rng, job_id, visit, truth)
    rounded = np.column_stack((_round_to(visit.amounts[:, 0], 1), _round_to(visit.amounts[:, 1], 5)))
    exact = visit.amounts.sum(axis=0)
    total = rounded.sum(axis=0) if grain == "both" else np.array([_round_to(exact[0], 1), _round_to(exact[1], 5)])
    by_line = {"lines": (True, True), "both": (True, True), "totals": (False, False), "minutes by line": (False, True)}
    pellets_by_line, minutes_by_line = by_line[grain]
    rows = []
    for line, (lb, minutes) in zip(visit.lines, rounded.tolist(), strict=True):
        row = shared | {
            "vehicle": visit.vehicles[line.vehicle],
            "vehicle_class": line.vehicle_class,
            "zone": line.zone,
            "soil_level": "" if soil_blank else SOILS[line.soil],
            "pellets_lb": f"{lb:.0f}" if pellets_by_line else "",
            "minutes": f"{minutes:.0f}" if minutes_by_line else "",
            "job_pellets_lb": "" if pellets_by_line and grain != "both" else f"{total[0]:.0f}",
            "job_minutes": "" if minutes_by_line and grain != "both" else f"{total[1]:.0f}",
            "coating_removed": "yes" if line.coating else "no",
        }
        rows.append(row)
    if plain:
        return rows
    if len(visit.vehicles) == 1 and grain in ("totals", "lines") and rng.random() < 0.5:
        rows = _as_package(rows)
    if (
        grain == "lines"
        and rows[0]["soil_level"] == "severe"
        and rng.random() < 0.25
        and rows[0]["zone"] not in PACKAGES
    ):
        rows = _second_pass(rows)
    return rows


def price_of(rng: np.random.Generator, visit: Visit, truth: Truth = TRUTH) -> float:
    """Return what the shop charges before tax: its list at the dirt as quoted, rounded to 5 USD."""
    item = truth.call_out_usd + sum(_list_price(line, 0, truth) for line in visit.lines)
    if rng.random() < truth.dirtier_than_quoted_share:
        item = truth.call_out_usd + sum(_list_price(line, 1, truth) for line in visit.lines)
    discount = next(c.discount for c in CUSTOMERS if c.code == visit.customer)
    price = item * discount * exp(float(rng.normal(0, truth.price_noise_log)))
    if is_under_priced(visit, truth):
        return 5.0 * round(price * truth.under_priced.factor / 5)
    return 5.0 * round(max(truth.least_price_usd, price) / 5)


def is_under_priced(visit: Visit, truth: Truth = TRUTH) -> bool:
    """Return whether a visit is one of the planted ones that the old list was used for."""
    rule = truth.under_priced
    hit = any(line.vehicle_class == rule.vehicle_class and line.zone == rule.zone for line in visit.lines)
    return visit.customer == rule.customer and visit.day >= rule.since and hit


def booking_rows(rng: np.random.Generator, numbered: Sequence[tuple[str, Visit]], truth: Truth = TRUTH) -> list[Row]:
    """Return bookings in the order they were taken: those that became visits, those that did not, and those ahead."""
    drafts: list[tuple[date, date, list[Line], str, str, str]] = []
    for job_id, visit in numbered:
        if len(visit.vehicles) == 1 and rng.random() < truth.booked_share:
            drafts.append((_taken_on(rng, visit.day), visit.day, visit.lines, visit.customer, "done", job_id))
    days = open_days(truth.first_day + timedelta(days=14), truth.last_day, truth)
    kept = 1 - truth.cancelled_share - truth.no_show_share
    for status, share in (("cancelled", truth.cancelled_share), ("no_show", truth.no_show_share)):
        for _ in range(round(len([d for d in drafts if d[4] == "done"]) * share / kept)):
            drafts.append(_lost_booking(rng, days[int(rng.integers(len(days)))], status, truth))
    as_of = truth.last_day + timedelta(days=1)
    for day in open_days(as_of, as_of + timedelta(days=13), truth):
        for _ in range(int(rng.poisson(0.85))):
            _, _, lines, customer, _, _ = _lost_booking(rng, day, "booked", truth)
            drafts.append((as_of - timedelta(days=int(rng.integers(1, 12))), day, lines, customer, "booked", ""))
    drafts.sort(key=lambda draft: (draft[0], draft[1], draft[5]))
    rows = []
    for i, (taken, day, lines, customer, status, job_id) in enumerate(drafts):
        seen_dirt = rng.random() < 0.5
        deposit = "" if rng.random() < 0.7 else "50.00"
        for line in lines:
            rows.append(
                {
                    "booking_id": f"B-{i + 1:04d}",
                    "taken_on": taken.isoformat(),
                    "date": day.isoformat(),
                    "vehicle_class": line.vehicle_class,
                    "zone": line.zone,
                    "soil_level": SOILS[line.soil] if seen_dirt else UNKNOWN,
                    "coating_removed": "yes" if line.coating else "no",
                    "customer": customer,
                    "deposit_usd": deposit,
                    "status": status,
                    "job_id": job_id,
                }
            )
    return rows


def _shared_cells(rng: np.random.Generator, job_id: str, visit: Visit, truth: Truth) -> Row:
    """Return the cells that all rows of a visit have in common."""
    row = dict.fromkeys(JOB_COLUMNS, "")
    row |= {"job_id": job_id, "date": visit.day.isoformat(), "customer": visit.customer}
    if rng.random() >= truth.code_blank_share:
        row["operator"] = visit.operator
    if rng.random() >= truth.code_blank_share:
        row["machine"] = visit.machine
    if rng.random() < truth.settings_share:
        row |= {name: f"{value:g}" for name, value in visit.settings.items()}
    if rng.random() < truth.container_share:
        row["container"] = visit.container
    if rng.random() < truth.age_share:
        row["ice_age_days"] = str(visit.age_days)
    if rng.random() < truth.beside_share:
        n_inside = sum(line.zone in ("interior", "engine_bay") for line in visit.lines)
        row["setup_min"] = (
            f"{_round_to((10 + 9 * n_inside + 4 * len(visit.vehicles)) * exp(rng.normal(0, 0.25)), 1):.0f}"
        )
        row["cleanup_min"] = f"{_round_to((7 + 0.08 * visit.amounts[:, 0].sum()) * exp(rng.normal(0, 0.25)), 1):.0f}"
    if rng.random() < truth.price_share:
        row["price_usd"] = f"{price_of(rng, visit, truth):.2f}"
    if rng.random() < 0.7:
        row["ambient_f"] = str(round(ambient_f(visit.day) + float(rng.normal(0, 7))))
    if rng.random() < 0.06:
        row["notes"] = NOTES[int(rng.integers(len(NOTES)))]
    return row


def _list_price(line: Line, quoted_below: int, truth: Truth) -> float:
    soil = max(0, line.soil - quoted_below)
    coating = truth.list_coating if line.coating else 1.0
    crossed = truth.class_zone.get((line.vehicle_class, line.zone), 1.0)
    return truth.list_usd[line.zone] * truth.class_lb[line.vehicle_class] * crossed * truth.list_soil[soil] * coating


def _as_package(rows: list[Row]) -> list[Row]:
    """Return the rows with the zones of a package under its name, where they are alike; its figures are their sum."""
    for name, zones in PACKAGES.items():
        inside = [row for row in rows if row["zone"] in zones]
        alike = len({(row["soil_level"], row["coating_removed"]) for row in inside}) == 1
        if len(inside) == len(zones) and alike:
            sums = {
                column: f"{sum(float(row[column]) for row in inside):.0f}"
                for column in ("pellets_lb", "minutes")
                if inside[0][column]
            }
            return [inside[0] | {"zone": name} | sums, *(row for row in rows if row["zone"] not in zones)]
    return rows


def _second_pass(rows: list[Row]) -> list[Row]:
    """Return the rows with the first zone worked in two passes that together took its figures."""
    first = rows[0]
    lb, minutes = float(first["pellets_lb"]), float(first["minutes"])
    later_lb, later_min = max(1.0, float(round(0.3 * lb))), max(5.0, 5.0 * round(0.06 * minutes))
    if lb <= later_lb or minutes <= later_min:
        return rows
    return [
        first | {"pass": "1", "pellets_lb": f"{lb - later_lb:.0f}", "minutes": f"{minutes - later_min:.0f}"},
        first | {"pass": "2", "pellets_lb": f"{later_lb:.0f}", "minutes": f"{later_min:.0f}"},
        *rows[1:],
    ]


def _taken_on(rng: np.random.Generator, day: date) -> date:
    return day - timedelta(days=int(rng.integers(1, 15)))


def _lost_booking(
    rng: np.random.Generator, day: date, status: str, truth: Truth
) -> tuple[date, date, list[Line], str, str, str]:
    """Return a booking of one vehicle without a visit."""
    visit = draw_visit(rng, day, truth)
    while len(visit.vehicles) > 1 or not is_open(day, truth):
        visit = draw_visit(rng, day, truth)
    return _taken_on(rng, day), day, visit.lines, visit.customer, status, ""


def _round_to(value: np.ndarray | float, step: int) -> np.ndarray:
    """Return values rounded to a step and never below one step."""
    return np.maximum(step, step * np.round(np.asarray(value) / step))
