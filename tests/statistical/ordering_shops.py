"""Simulated shops for replaying orders: who comes, what it takes, how the ice goes; every law is written here.

The laws differ from the models' on purpose: loss falls off linearly under a knee instead of by a power, work is done
job by job, ice is taken unlogged now and then, planning figures are wrong, demand has seasons and busy weeks.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Any

import numpy as np

from models.consumption.jobs import JobTable, Observed
from models.consumption.planning import CLASS_FACTOR, SOIL_FACTOR, ZONE_MINUTES, ZONE_PELLETS_LB
from pipeline.answers.bookings import Booking
from pipeline.answers.ice_arrivals import is_working
from pipeline.answers.requests import JobAsked, LineAsked, request_table
from pipeline.book.settings import Costs, Ice, PlanningKeys, PriceBreak, Settings, Shop
from shared.vocabulary import SOILS

FIRST_DAY = date(2024, 1, 1)  # a Monday
WARM_UP_WEEKS, REPLAY_WEEKS = 26, 52


@dataclass(frozen=True)
class ShopLaw:
    """The law of one shop; rates are jobs a working day, logs are natural."""

    name: str
    settings: Settings
    booked_a_day: float
    walk_ins_a_day: float
    mean_lead_days: float = 5.0
    cancelled_share: float = 0.08
    season: float = 0.0
    week_variance: float = 0.02
    weekday: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)
    level_log: float = 0.0
    job_log_sd: float = 0.2
    line_log_sd: float = 0.3
    loss_lb_day: float = 35.0
    knee_lb: float = 30.0
    loss_season: float = 0.05
    loss_scatter: float = 0.12
    taken_chance: float = 0.1
    weigh_days: tuple[int, ...] = (0, 2, 4)
    weigh_sd_lb: float = 2.0
    packages: tuple[tuple[tuple[str, ...], float], ...] = (
        (("undercarriage", "wheel_wells"), 0.3), (("undercarriage",), 0.25), (("engine_bay",), 0.2),
        (("undercarriage", "wheel_wells", "suspension"), 0.1), (("interior", "door_jambs"), 0.15),
    )  # fmt: skip
    classes: tuple[str, ...] = ("sedan", "suv", "pickup", "van")
    soil_share: tuple[float, ...] = (0.25, 0.4, 0.25, 0.1)
    first_day: date = FIRST_DAY

    def rate_factor(self, day: date) -> float:
        """Return the demand of a day over an even one, 0 where the shop is closed."""
        if not is_working(day, self.settings.shop):
            return 0.0
        yearly = 1 + self.season * np.cos(2 * np.pi * (day.timetuple().tm_yday - 40) / 365.25)
        return float(self.weekday[day.weekday()] * yearly)

    def loss_rate(self, day: date) -> float:
        """Return the expected loss of a container well filled, lb a day."""
        return float(self.loss_lb_day * (1 + self.loss_season * np.cos(2 * np.pi * (day.toordinal() - 200) / 365.25)))

    def draw_lines(self, rng: np.random.Generator) -> tuple[LineAsked, ...]:
        """Draw what a new job is."""
        share = np.array([p for _, p in self.packages])
        zones = self.packages[int(rng.choice(len(share), p=share / share.sum()))][0]
        vehicle = str(rng.choice(self.classes))
        soil = SOILS[int(rng.choice(4, p=self.soil_share))]
        return tuple(LineAsked(vehicle, zone, soil) for zone in zones)

    def draw_amounts(self, lines: tuple[LineAsked, ...], rng: np.random.Generator, n: int) -> np.ndarray:
        """Draw pellets and minutes of each line, shape (2, n_lines, n)."""
        log_class = np.log([CLASS_FACTOR[line.vehicle_class] for line in lines])
        log_soil = np.log([SOIL_FACTOR[SOILS.index(line.soil_level)] for line in lines])
        base = np.log([[ZONE_PELLETS_LB[line.zone] for line in lines], [ZONE_MINUTES[line.zone] for line in lines]])
        mean = base + log_class + log_soil + np.array([[self.level_log], [0.0]])
        job = self.job_log_sd * rng.standard_normal((1, 1, n))
        return np.exp(mean[:, :, None] + job + self.line_log_sd * rng.standard_normal((2, len(lines), n)))


@dataclass(frozen=True)
class Job:
    """One job that came or was cancelled; `taken_on` None for a walk-in."""

    job_id: str
    day: date
    taken_on: date | None
    lines: tuple[LineAsked, ...]
    amounts: np.ndarray  # (2, n_lines)
    cancelled_on: date | None = None
    booked_as: tuple[LineAsked, ...] = ()  # what the booking says, where it says less

    @property
    def pellets_lb(self) -> float:
        """Pellets of the whole job."""
        return float(self.amounts[0].sum())


@dataclass(frozen=True)
class World:
    """One shop's years as they come, whatever it orders."""

    law: ShopLaw
    jobs: tuple[Job, ...]
    loss_factor: dict[date, float]
    taken_lb: dict[date, float] = field(default_factory=dict)

    @cached_property
    def by_day(self) -> dict[date, list[Job]]:
        """Jobs that came, by day."""
        found: dict[date, list[Job]] = {}
        for job in self.jobs:
            if job.cancelled_on is None:
                found.setdefault(job.day, []).append(job)
        return found

    @cached_property
    def table(self) -> JobTable:
        """All jobs that came, as the book would hold them; take those before a day."""
        came = [job for job in self.jobs if job.cancelled_on is None]
        request = request_table([JobAsked(job.job_id, job.day, job.lines) for job in came])
        lb, minutes = (np.concatenate([job.amounts[q] for job in came]) for q in (0, 1))
        group = np.arange(len(lb))
        return replace(request, pellets=Observed(group, np.maximum(lb.round(), 1.0)),
                       minutes=Observed(group, np.maximum(5 * (minutes / 5).round(), 5.0)))  # fmt: skip

    def history(self, today: date) -> JobTable:
        """Return the jobs before a day."""
        return self.table.take_jobs(self.table.day < today.toordinal())

    def bookings(self, today: date) -> list[Booking]:
        """Return the bookings taken before a day, with what was known of them on its morning."""
        found = []
        for job in self.jobs:
            if job.taken_on is not None and job.taken_on < today:
                lost = job.cancelled_on is not None and job.cancelled_on < today
                status = "cancelled" if lost else "done" if job.day < today else "booked"
                found.append(Booking(job.job_id, job.taken_on, job.day, status, job.job_id,
                                     JobAsked(job.job_id, job.day, job.booked_as or job.lines)))  # fmt: skip
        return found

    def told_demand(self, today: date, n_days: int, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Return draws (n_days, n) of need and jobs by the law, given the bookings known on a morning."""
        law = self.law
        need, jobs, minutes = (np.zeros((n_days, n)) for _ in range(3))
        beside = law.settings.costs.setup_min + law.settings.costs.cleanup_min
        room = 60.0 * law.settings.shop.crew * law.settings.shop.hours_per_day
        for b in self.bookings(today):
            k = (b.day - today).days
            if 0 <= k < n_days and b.status == "booked" and b.taken_on is not None:
                # Called off on one of the `lead` days up to its own, some of which have passed.
                lost = law.cancelled_share * min((k + 1) / (b.day - b.taken_on).days, 1.0)
                comes = rng.random(n) >= lost / (1 - law.cancelled_share + lost)
                drawn = self.booked_amounts(b, rng, n)
                need[k] += drawn[0] * comes
                minutes[k] += (drawn[1] + beside) * comes
                jobs[k] += comes
        weeks = rng.gamma(1 / law.week_variance, law.week_variance, (n_days // 7 + 2, n))
        pool = self.new_jobs(today)
        for k in range(n_days):
            rate = self.unbooked_rate(today + timedelta(days=k), k) * weeks[(today.weekday() + k) // 7]
            count = rng.poisson(rate)
            for turn in range(int(count.max(initial=0))):
                for_these = np.flatnonzero(count > turn)
                drawn = pool[rng.integers(0, len(pool), len(for_these))]
                fits = minutes[k, for_these] + drawn[:, 1] + beside <= room
                need[k, for_these[fits]] += drawn[fits, 0]
                minutes[k, for_these[fits]] += drawn[fits, 1] + beside
                jobs[k, for_these[fits]] += 1
        return need, jobs

    def booked_amounts(self, booking: Booking, rng: np.random.Generator, n: int) -> np.ndarray:
        """Draw what a booked job takes, (2, n)."""
        return self.law.draw_amounts(booking.asked.lines, rng, n).sum(axis=1)

    def unbooked_rate(self, day: date, ahead: int) -> float:
        """Return the expected jobs of a day that were not booked so many days before."""
        # A booking is taken 2 days ahead at least; lead - 1 is geometric.
        later = 1 - (1 - 1 / self.law.mean_lead_days) ** max(ahead - 1, 0)
        kept = self.law.booked_a_day * later * (1 - self.law.cancelled_share)
        return (self.law.walk_ins_a_day + kept) * self.law.rate_factor(day)

    def new_jobs(self, _today: date) -> np.ndarray:
        """Return draws of what a new job takes by the law, (n, 2): pellets and minutes."""
        return self._pool

    @cached_property
    def _pool(self) -> np.ndarray:
        rng = np.random.default_rng(99)
        return np.array([
            self.law.draw_amounts(self.law.draw_lines(rng), rng, 1).sum(axis=1)[:, 0] for _ in range(5000)
        ])  # fmt: skip


def draw_world(law: ShopLaw, seed: int) -> World:
    """Draw a shop's warm-up, its year of replay, and what is booked beyond."""
    rng = np.random.default_rng([seed, 77])
    n_days = 7 * (WARM_UP_WEEKS + REPLAY_WEEKS) + 21
    jobs: list[Job] = []
    loss: dict[date, float] = {}
    taken: dict[date, float] = {}
    week = 1.0
    for i in range(n_days):
        day = FIRST_DAY + timedelta(days=i)
        if i % 7 == 0:
            week = float(rng.gamma(1 / law.week_variance, law.week_variance))
        factor = law.rate_factor(day) * week
        loss[day] = max(0.0, 1 + law.loss_scatter * rng.standard_normal())
        if is_working(day, law.settings.shop) and rng.random() < law.taken_chance:
            taken[day] = float(rng.uniform(4, 12))
        room = 60.0 * law.settings.shop.crew * law.settings.shop.hours_per_day
        booked = int(rng.poisson(law.booked_a_day * factor))
        for k in range(booked + int(rng.poisson(law.walk_ins_a_day * factor))):
            lines = law.draw_lines(rng)
            amounts = law.draw_amounts(lines, rng, 1)[:, :, 0]
            lead = 1 + int(rng.geometric(1 / law.mean_lead_days))
            lost = k < booked and rng.random() < law.cancelled_share
            # A cancelled booking is called off on some day until its own, as likely on one as on another.
            cancelled_on = day - timedelta(days=int(rng.integers(0, lead))) if lost else None
            minutes = float(amounts[1].sum()) + law.settings.costs.setup_min + law.settings.costs.cleanup_min
            if k >= booked and minutes > room:
                continue
            room -= 0.0 if lost else minutes
            taken_on = day - timedelta(days=lead) if k < booked else None
            jobs.append(Job(f"{day:%y%m%d}-{k}", day, taken_on, lines, amounts, cancelled_on))
    return World(law, tuple(jobs), loss, taken)


def settings_of(ice: dict[str, Any], *, planning_level: float = 1.0, shop: dict[str, Any] | None = None) -> Settings:
    """Return a shop's `book.toml` as settings; the planning figures are off by a factor."""
    from pipeline.book.settings import PlanningZone

    zones = {zone: PlanningZone(pellets_lb=lb * planning_level) for zone, lb in ZONE_PELLETS_LB.items()}
    return Settings(
        shop=Shop(**{"crew": 2, "hours_per_day": 8.0, **(shop or {})}),
        costs=Costs(),
        ice=Ice(**ice),
        planning_keys=PlanningKeys(zones=zones),
    )


def four_shops() -> list[ShopLaw]:
    """Return the shops of the replay: rush ice or bumped jobs, one or two deliveries, calm or seasonal."""
    breaks = (PriceBreak(0.0, 1.30), PriceBreak(200.0, 1.10))
    holidays = (date(2024, 7, 4), date(2024, 9, 2), date(2024, 11, 28), date(2024, 12, 25), date(2025, 1, 1))
    return [
        ShopLaw(
            "twice a week, rush ice", booked_a_day=1.1, walk_ins_a_day=0.5, level_log=-0.1,
            settings=settings_of(
                {"price_breaks": breaks, "delivery_fee_usd": 30.0, "lot_lb": 25.0, "least_lb": 50.0,
                 "container_lb": 500.0, "notice_days": 0, "rush_usd_per_lb": 2.6, "rush_fee_usd": 35.0},
                planning_level=1.2, shop={"closed": holidays},
            ),
        ),
        ShopLaw(
            "Mondays only, rush ice, winter shop", booked_a_day=0.9, walk_ins_a_day=0.3, season=0.35, loss_lb_day=26.0,
            knee_lb=60.0, cancelled_share=0.12,
            settings=settings_of(
                {"price_breaks": (*breaks, PriceBreak(400.0, 0.98)), "delivery_fee_usd": 45.0, "lot_lb": 50.0,
                 "least_lb": 100.0, "container_lb": 700.0, "delivery_days": ("mon",), "notice_days": 1,
                 "rush_usd_per_lb": 3.0, "rush_fee_usd": 20.0, "sublimation_lb_per_day": 40.0},
                planning_level=0.8, shop={"closed": holidays},
            ),
        ),
        ShopLaw(
            "bumped jobs, walk-ins", booked_a_day=0.4, walk_ins_a_day=1.0, weekday=(1.4, 0.8, 0.8, 0.8, 1.2, 0.6, 0),
            loss_lb_day=45.0, weigh_days=(2,), weigh_sd_lb=4.0,
            settings=settings_of(
                {"price_breaks": breaks, "delivery_fee_usd": 25.0, "lot_lb": 20.0, "least_lb": 60.0,
                 "container_lb": 500.0, "delivery_days": ("tue", "fri"), "notice_days": 1, "bumped_job_usd": 260.0},
                shop={"working_days": ("mon", "tue", "wed", "thu", "fri", "sat"), "closed": holidays},
            ),
        ),
        ShopLaw(
            "large jobs, dear rush ice", booked_a_day=0.6, walk_ins_a_day=0.15, mean_lead_days=8.0, level_log=0.35,
            loss_lb_day=32.0, classes=("pickup", "van", "truck"), week_variance=0.06, job_log_sd=0.3,
            settings=settings_of(
                {"price_breaks": (PriceBreak(0.0, 1.25), PriceBreak(300.0, 1.0)), "delivery_fee_usd": 40.0,
                 "lot_lb": 50.0, "least_lb": 100.0, "container_lb": 800.0, "notice_days": 0, "rush_usd_per_lb": 3.5,
                 "rush_fee_usd": 60.0},
                shop={"closed": holidays},
            ),
        ),
    ]  # fmt: skip
