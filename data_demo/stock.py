"""The shop's ice day by day: deliveries, use, what turns to gas, what nobody writes down, and weighings."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from math import ceil, cos, pi
from typing import TYPE_CHECKING

from data_demo.law import Visit, draw_amounts
from data_demo.truth import TRUTH, Truth, is_open

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

Row = dict[str, str]
#: Share of a day between opening and close; the rest of a day's loss falls in the night after.
OPEN_SHARE = 0.42
DELIVERY_WEEKDAYS = {0: 0, 3: 1}


@dataclass
class Container:
    """What is in one container, as layers of (day delivered, lb), oldest first."""

    name: str
    layers: list[tuple[date, float]] = field(default_factory=list)

    @property
    def net_lb(self) -> float:
        """Ice in it."""
        return sum(lb for _, lb in self.layers)

    def take(self, lb: float) -> list[tuple[date, float]]:
        """Take up to `lb` out, oldest first, and return the layers taken."""
        taken = []
        while self.layers and lb > 1e-9:
            day, there = self.layers.pop(0)
            used = min(there, lb)
            taken.append((day, used))
            lb -= used
            if there > used:
                self.layers.insert(0, (day, there - used))
        return taken

    def shrink(self, lb: float) -> float:
        """Lose `lb` to the air, evenly over the layers, and return what was lost."""
        net = self.net_lb
        lost = min(net, lb)
        self.layers = [(day, there * (1 - lost / net)) for day, there in self.layers if there * (1 - lost / net) > 0.05]
        return lost


@dataclass
class IceRecord:
    """What the simulation wrote down, and the truth behind it.

    Attributes
    ----------
    deliveries, weighings : list of rows
    delivered_lb, used_lb, unlogged_lb, lost_lb, left_lb : float
        The exact balance: delivered = used + unlogged + lost + left.
    """

    deliveries: list[Row] = field(default_factory=list)
    weighings: list[Row] = field(default_factory=list)
    delivered_lb: float = 0.0
    used_lb: float = 0.0
    unlogged_lb: float = 0.0
    lost_lb: float = 0.0
    left_lb: float = 0.0


def ambient_f(day: date) -> float:
    """Return the mean outdoor temperature of a day in °F."""
    return 54.0 - 24.0 * cos(2 * pi * (day.timetuple().tm_yday - 20) / 365.25)


def loss_lb(container: Container, day: date, days: float, truth: Truth = TRUTH) -> float:
    """Return what a container loses in `days`: heat leak, growing with air temperature, less once little is left.

    rate = a (T_air + 78.5)/(15.6 + 78.5) min(1, m/knee), T_air in °C and never below 8 °C (the shop is heated).
    """
    air_c = max(8.0, (ambient_f(day) - 32) / 1.8)
    rate = truth.loss_lb_day[container.name] * (air_c + 78.5) / (15.6 + 78.5)
    return rate * min(1.0, container.net_lb / truth.loss_knee_lb) * days


class IceHouse:
    """Runs the record's days in order; the visits get their ice age, container and amounts on the way."""

    def __init__(self, rng: np.random.Generator, visits: Sequence[Visit], truth: Truth) -> None:
        self.rng = rng
        self.truth = truth
        self.record = IceRecord()
        self.totes = [Container(name) for name in truth.containers]
        self.by_day: dict[date, list[Visit]] = {}
        for visit in visits:
            self.by_day.setdefault(visit.day, []).append(visit)
        # A busier shop has larger totes; one of up to 500 jobs has the two it says it has.
        self.room_lb = truth.container_lb * max(1, ceil(len(visits) / 500))
        self.used_by_day: dict[date, float] = {}

    def run(self) -> IceRecord:
        """Go through all days from the first to the last and return what was written down."""
        day = self.truth.first_day
        while day <= self.truth.last_day:
            if is_open(day, self.truth):
                self._weigh_early(day)
                if day.weekday() in DELIVERY_WEEKDAYS:
                    self._deliver(day)
                self._work(day)
            self._lose(day, OPEN_SHARE)
            if is_open(day, self.truth) and day.weekday() in (2, 4):
                self._weigh(day)
            self._lose(day, 1 - OPEN_SHARE)
            day += timedelta(days=1)
        self.record.left_lb = sum(tote.net_lb for tote in self.totes)
        return self.record

    def _deliver(self, day: date) -> None:
        tote = self.totes[DELIVERY_WEEKDAYS[day.weekday()]]
        cover = 3 if day.weekday() == 0 else 4
        month_ago = [self.used_by_day.get(day - timedelta(days=i), 0.0) for i in range(1, 29)]
        daily = sum(month_ago) / 28 if day > self.truth.first_day + timedelta(days=28) else 60.0 * self.room_lb / 400
        ahead = [day + timedelta(days=i) for i in range(cover)]
        working = sum(is_open(d, self.truth) for d in ahead)
        thrown = 0.0 < tote.net_lb < 30.0
        stock = sum(t.net_lb for t in self.totes) - (tote.net_lb if thrown else 0.0)
        wanted = daily * 1.4 * working * 1.45 + 42.0 * cover - stock
        wanted *= float(self.rng.uniform(0.9, 1.15))
        room = self.room_lb - (0.0 if thrown else tote.net_lb)
        lb = 20.0 * round(min(room, wanted) / 20)
        if lb < 60:
            return
        if thrown:
            self.record.lost_lb += sum(lb for _, lb in tote.take(tote.net_lb))
        self._fill(tote, day, lb, "northfield ice", emptied=thrown)

    def _fill(self, tote: Container, day: date, lb: float, supplier: str, *, emptied: bool) -> None:
        rush = supplier == "counter"
        price = self.truth.rush_usd_per_lb if rush else [p for at, p in self.truth.price_breaks if at <= lb][-1]
        fee = self.truth.rush_fee_usd if rush else self.truth.delivery_fee_usd
        tote.layers.append((day, lb))
        self.record.delivered_lb += lb
        last = self.record.deliveries[-1] if self.record.deliveries else None
        if last and (last["date"], last["container"], last["supplier"]) == (day.isoformat(), tote.name, supplier):
            last["weight_lb"] = f"{float(last['weight_lb']) + lb:.0f}"
            return
        self.record.deliveries.append(
            {
                "date": day.isoformat(),
                "container": tote.name,
                "weight_lb": f"{lb:.0f}",
                "price_usd_per_lb": f"{price:.2f}",
                "fee_usd": f"{fee:.2f}",
                "supplier": supplier,
                "emptied": "yes" if emptied else "no",
            }
        )

    def _oldest(self) -> Container | None:
        filled = [tote for tote in self.totes if tote.net_lb > 0.5]
        return min(filled, key=lambda tote: (tote.layers[0][0], tote.name)) if filled else None

    def _work(self, day: date) -> None:
        for visit in self.by_day.get(day, []):
            self._supply(day, 1.0)
            tote = self._oldest()
            assert tote is not None  # _supply has just seen to it
            visit.container = tote.name
            visit.age_days = (day - tote.layers[0][0]).days
            visit.amounts = draw_amounts(visit, self.rng, self.truth)[0]
            need = float(visit.amounts[:, 0].sum())
            self._supply(day, need)
            self._take(need)
            self.record.used_lb += need
            self.used_by_day[day] = self.used_by_day.get(day, 0.0) + need
        if self.rng.random() < self.truth.unlogged_share:
            lb = min(float(self.rng.uniform(*self.truth.unlogged_lb)), sum(tote.net_lb for tote in self.totes))
            self._take(lb)
            self.record.unlogged_lb += lb

    def _supply(self, day: date, need: float) -> None:
        """Fetch ice at the counter where there is not enough for the next job."""
        there = sum(tote.net_lb for tote in self.totes)
        if there < need + 0.6:
            lb = max(40.0, 10.0 * ceil((need - there + 15) / 10))
            # One entry a day and container: a second trip adds to the first, a regular delivery keeps its own tote.
            today = {row["container"]: row for row in self.record.deliveries if row["date"] == day.isoformat()}
            fetched = [t for t in self.totes if today.get(t.name, {}).get("supplier") == "counter"]
            free = [t for t in self.totes if t.name not in today]
            tote = fetched[0] if fetched else min(free, key=lambda t: t.net_lb)
            self._fill(tote, day, lb, "counter", emptied=False)

    def _take(self, lb: float) -> None:
        while lb > 1e-6:
            tote = self._oldest()
            if tote is None:
                # Less than a pound of dust is left in either tote.
                tote = max(self.totes, key=lambda t: t.net_lb)
            taken = sum(used for _, used in tote.take(lb))
            if taken == 0.0:
                raise ArithmeticError("the invented shop used ice it did not have")
            lb -= taken

    def _lose(self, day: date, days: float) -> None:
        for tote in self.totes:
            if tote.layers:
                before = tote.net_lb
                tote.shrink(loss_lb(tote, day, days, self.truth))
                self.record.lost_lb += before - tote.net_lb

    def _weigh(self, day: date) -> None:
        for tote in self.totes:
            if self.rng.random() < (0.85 if tote.net_lb > 1 else 0.3):
                self._write_weighing(day.isoformat(), tote)

    def _weigh_early(self, day: date) -> None:
        if day.weekday() == 0 and self.rng.random() < 0.35:
            for tote in self.totes:
                if tote.net_lb > 1:
                    self._write_weighing(f"{day.isoformat()}T06:{45 + tote.name.endswith('b') * 5}", tote)

    def _write_weighing(self, at: str, tote: Container) -> None:
        read = tote.net_lb + float(self.rng.normal(0, self.truth.weighing_noise_lb)) if tote.net_lb > 1 else 0.0
        self.record.weighings.append({"at": at, "container": tote.name, "net_lb": f"{max(0, round(read))}"})
