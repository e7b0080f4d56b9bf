"""The demo shop as a world of the replay: its visits, bookings, prices and loss, whatever it orders.

Its two totes count as one of their size. Who comes, what it takes and how the ice goes is the demo's own law
(`data_demo`), with its wasteful stretches, which the floor is told too.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path

import numpy as np
from ordering_shops import Job, ShopLaw, World

from data_demo.generate import SHIPPED_SEED, draw_shop
from data_demo.law import Line, Visit, draw_amounts
from data_demo.stock import ambient_f
from data_demo.truth import TRUTH
from data_demo.visits import arrival_weight, draw_visit, open_days
from pipeline.answers.bookings import Booking
from pipeline.answers.requests import LineAsked
from pipeline.book.toml_file import load_settings
from shared.vocabulary import SOILS, UNKNOWN

#: Bookings are taken 1 to 14 days ahead, each as likely as the others.
_LEADS = 14


@dataclass(frozen=True)
class DemoLaw(ShopLaw):
    """The demo's loss; demand is in `DemoWorld`."""

    def loss_rate(self, day: date) -> float:
        """Return the loss of a tote well filled on a day: heat leak in the air of a heated shop."""
        air_c = max(8.0, (ambient_f(day) - 32) / 1.8)
        return self.loss_lb_day * (air_c + 78.5) / (15.6 + 78.5)


class DemoWorld(World):
    """The demo's demand, and its law for the floor."""

    @cached_property
    def _visits_a_weight(self) -> float:
        days = open_days(TRUTH.first_day, TRUTH.last_day)
        came = sum(job.cancelled_on is None for job in self.jobs)
        return came / sum(arrival_weight(d) for d in days)

    def unbooked_rate(self, day: date, ahead: int) -> float:
        """Return the expected visits of a day that were not booked so many days before."""
        if not open_days(day, day):
            return 0.0
        booked = TRUTH.booked_share * (1 - self._several_share) * (1 - min(ahead, _LEADS) / _LEADS)
        return self._visits_a_weight * arrival_weight(day) * (1 - booked)

    @property
    def _several_share(self) -> float:
        """Share of visits with several vehicles, which are never booked (fleets but one, 54 % of the visits)."""
        return 0.54 * TRUTH.many_vehicles_share

    def new_jobs(self, today: date) -> np.ndarray:
        """Return draws of what a new visit takes in these weeks, (n, 2)."""
        rng = np.random.default_rng(today.toordinal())
        days = open_days(today, today + timedelta(days=13)) or [today]
        visits = [draw_visit(rng, days[i % len(days)]) for i in range(400)]
        return np.array([draw_amounts(v, rng)[0].sum(axis=0) for v in visits])

    def booked_amounts(self, booking: Booking, rng: np.random.Generator, n: int) -> np.ndarray:
        """Draw what a booked visit takes, (2, n): operator, machine, technique and unseen soil are drawn too."""
        out = np.empty((40, n // 40 + 1, 2))
        for i in range(len(out)):
            like = draw_visit(rng, booking.day)
            lines = [
                Line(0, line.vehicle_class, line.zone, _soil(line.soil_level, rng), line.coating_removed)
                for line in booking.asked.lines
            ]
            visit = Visit(booking.day, "", like.operator, like.machine, [""], lines, like.settings)
            out[i] = draw_amounts(visit, rng, n=out.shape[1]).sum(axis=1)
        return rng.permutation(out.reshape(-1, 2))[:n].T


def _soil(level: str, rng: np.random.Generator) -> int:
    return SOILS.index(level) if level in SOILS else int(rng.choice(4, p=TRUTH.soil_share))


def demo_world(seed: int = 1) -> DemoWorld:
    """Return the shipped demo's days."""
    logs = draw_shop(SHIPPED_SEED)
    rng = np.random.default_rng(seed)
    booked: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in logs.bookings:
        booked[row["booking_id"]].append(row)
    taken = {rows[0]["job_id"]: rows for rows in booked.values() if rows[0]["job_id"]}
    jobs = [_came(job_id, visit, taken.get(job_id)) for job_id, visit in logs.visits.items()]
    for name, rows in booked.items():
        if rows[0]["status"] in ("cancelled", "no_show"):
            day, taken_on = date.fromisoformat(rows[0]["date"]), date.fromisoformat(rows[0]["taken_on"])
            back = int(rng.integers(0, (day - taken_on).days)) if rows[0]["status"] == "cancelled" else 0
            lines = _booked(rows)
            jobs.append(Job(name, day, taken_on, lines, np.zeros((2, len(lines))), day - timedelta(days=back)))
    days = [TRUTH.first_day + timedelta(days=i) for i in range((TRUTH.last_day - TRUTH.first_day).days + 22)]
    unlogged = {d: float(rng.uniform(*TRUTH.unlogged_lb)) for d in days if rng.random() < TRUTH.unlogged_share}
    law = DemoLaw(
        "the demo", load_settings(Path(__file__).parents[2] / "data_demo" / "clean" / "book.toml"),
        booked_a_day=0.0, walk_ins_a_day=0.0, cancelled_share=TRUTH.cancelled_share + TRUTH.no_show_share,
        week_variance=1e-3, loss_lb_day=TRUTH.loss_lb_day["tote-a"], knee_lb=TRUTH.loss_knee_lb, loss_scatter=0.0,
        taken_chance=TRUTH.unlogged_share, weigh_sd_lb=TRUTH.weighing_noise_lb, first_day=TRUTH.first_day,
    )  # fmt: skip
    return DemoWorld(law, tuple(sorted(jobs, key=lambda j: j.day)), dict.fromkeys(days, 1.0), unlogged)


def _came(job_id: str, visit: Visit, rows: list[dict[str, str]] | None) -> Job:
    lines = tuple(
        LineAsked(line.vehicle_class, line.zone, SOILS[line.soil], line.coating, visit.machine, visit.operator)
        for line in visit.lines
    )
    taken_on = date.fromisoformat(rows[0]["taken_on"]) if rows else None
    return Job(job_id, visit.day, taken_on, lines, visit.amounts.T, None, _booked(rows) if rows else ())


def _booked(rows: list[dict[str, str]]) -> tuple[LineAsked, ...]:
    return tuple(
        LineAsked(r["vehicle_class"], r["zone"], "" if r["soil_level"] == UNKNOWN else r["soil_level"],
                  r["coating_removed"] == "yes")
        for r in rows
    )  # fmt: skip
