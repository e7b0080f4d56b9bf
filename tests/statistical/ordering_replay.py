"""Replay of orders: a year of weeks in simulated shops, every order made with only what was known on its morning.

Run `python tests/statistical/ordering_replay.py [weeks] [shop ...]`. It prints what each way of ordering really cost:
the plan, the rules of thumb, the mean-demand order, the floor (the same search, told the law of demand and loss and
the exact stock) and one that knows the future; and how the stated chance of running short held.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from ordering_demo import demo_world
from ordering_shops import REPLAY_WEEKS, WARM_UP_WEEKS, ShopLaw, World, draw_world, four_shops

from models.consumption.learn import learn
from models.ice.ordering import best_plan, mean_demand_plan, standing_plan
from models.ice.outlook import Outlook, course_of
from pipeline.answers.ice_answer import IceGround
from pipeline.answers.ice_arrivals import is_working
from pipeline.answers.ice_demand import DemandGround, demand
from pipeline.answers.ice_state import IceRecords, ice_state
from pipeline.answers.ordering import OrderQuestion, delivery_dates, outlook_of, terms_of
from pipeline.book.tables import Delivery, Use, Weighing
from shared.vocabulary import WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Callable

    from models.consumption.fitted import FittedModel
    from models.ice.outlook import Terms

N_DRAWS = 1500
HORIZON_DAYS = 14
#: Weeks after which the consumption model is learned anew.
LEARN_WEEKS = 13
WAYS = ("plan", "200 lb a week", "four weeks' use + 1/4", "mean demand", "floor", "knows the future")


@dataclass
class Store:
    """One way of ordering at work: its true stock, what it wrote down, what it spent."""

    stock_lb: float = 0.0
    deliveries: list[Delivery] = field(default_factory=list)
    weighings: list[Weighing] = field(default_factory=list)
    uses: list[Use] = field(default_factory=list)
    cost_usd: float = 0.0
    short_days: set[date] = field(default_factory=set)


def lose(law: ShopLaw, stock: float, rate: float, days: float) -> float:
    """Return the stock after some hours: full loss above the knee, in proportion under it."""
    for _ in range(8):
        stock -= min(stock, rate * min(1.0, stock / law.knee_lb) * days / 8)
    return stock


def live_day(world: World, store: Store, day: date, order_lb: float, rng: np.random.Generator) -> None:
    """Let one day happen: delivery, work job by job, loss, a weighing at close."""
    law, ice = world.law, world.law.settings.ice
    rate = law.loss_rate(day) * world.loss_factor[day]
    if order_lb > 0:
        price = [b.usd_per_lb for b in ice.price_breaks if b.from_lb <= order_lb][-1]
        store.cost_usd += order_lb * price + ice.delivery_fee_usd
        store.deliveries.append(Delivery(day, None, "tote", order_lb, price, ice.delivery_fee_usd, "", False))
        store.stock_lb = min(store.stock_lb + order_lb, ice.container_lb)
    store.stock_lb = lose(law, store.stock_lb, rate, 5 / 24)
    fetched = 0.0
    for job in world.by_day.get(day, []):
        lack = max(job.pellets_lb - store.stock_lb, 0.0)
        if lack > 0:
            store.short_days.add(day)
            if ice.rush_usd_per_lb is None:
                store.cost_usd += ice.bumped_job_usd or 0.0
                continue
            fetched += lack
        store.uses.append(Use(day, "", float(max(round(job.pellets_lb), 1)), job.job_id))
        store.stock_lb = max(store.stock_lb - job.pellets_lb, 0.0)
    if fetched > 0 and ice.rush_usd_per_lb is not None:
        store.cost_usd += fetched * ice.rush_usd_per_lb + ice.rush_fee_usd
        store.deliveries.append(Delivery(day, None, "tote", fetched, ice.rush_usd_per_lb, 0.0, "counter", False))
    store.stock_lb = max(store.stock_lb - world.taken_lb.get(day, 0.0), 0.0)
    store.stock_lb = lose(law, store.stock_lb, rate, 5 / 24)
    if day.weekday() in law.weigh_days and is_working(day, law.settings.shop):
        net = max(0.0, round(store.stock_lb + law.weigh_sd_lb * rng.standard_normal()))
        store.weighings.append(Weighing(day, None, "tote", net))
    store.stock_lb = lose(law, store.stock_lb, rate, 14 / 24)


def learned_ground(world: World, store: Store, today: date, fitted: FittedModel) -> IceGround:
    """Return what the tool knows on a morning from this way's own record."""
    settings = world.law.settings
    records = IceRecords(
        [d for d in store.deliveries if d.day < today], [w for w in store.weighings if w.day < today],
        [u for u in store.uses if u.day < today],
    )  # fmt: skip
    state = ice_state(records, settings.ice, today, seed=today.toordinal(), n_draws=N_DRAWS)
    ground = DemandGround(
        today, world.history(today), world.bookings(today), fitted, settings,
        settings.costs.setup_min + settings.costs.cleanup_min,
        np.array([d.day.toordinal() for d in records.deliveries], dtype=np.int64),
    )  # fmt: skip
    return IceGround(today, settings, state, demand(ground, HORIZON_DAYS, seed=today.toordinal(), n_draws=N_DRAWS))


def told_outlook(world: World, stock_lb: float, today: date, rng: np.random.Generator) -> Outlook:
    """Return the coming days as the law has them, given the bookings of this morning and the exact stock."""
    law, n = world.law, N_DRAWS
    need, jobs = world.told_demand(today, HORIZON_DAYS, n, rng)
    days = [today + timedelta(days=k) for k in range(HORIZON_DAYS)]
    warmth = np.array([law.loss_rate(d) / law.loss_lb_day for d in days])[:, None]
    return Outlook(
        np.full((1, n), stock_lb), need, jobs, np.full((1, n), law.loss_lb_day),
        warmth * np.maximum(1 + law.loss_scatter * rng.standard_normal((HORIZON_DAYS, n)), 0.0),
        np.full(n, 0.05), np.zeros(n), law.settings.ice.container_lb, law.settings.ice.container_lb,
    )  # fmt: skip


def future_outlook(world: World, stock_lb: float, today: date) -> Outlook:
    """Return the coming days as they will be: one scenario."""
    days = [today + timedelta(days=k) for k in range(HORIZON_DAYS)]
    need = np.array([[sum(job.pellets_lb for job in world.by_day.get(d, []))] for d in days])
    jobs = np.array([[float(len(world.by_day.get(d, [])))] for d in days])
    rate = np.array([[world.law.loss_rate(d) * world.loss_factor[d] / world.law.loss_lb_day] for d in days])
    size = world.law.settings.ice.container_lb
    return Outlook(np.array([[stock_lb]]), need, jobs, np.array([[world.law.loss_lb_day]]), rate, np.array([0.05]),
                   np.zeros(1), size, size)  # fmt: skip


@dataclass
class Replayed:
    """What a replay of one shop found."""

    name: str
    cost_usd: dict[str, float]
    chance: list[float] = field(default_factory=list)
    short: list[bool] = field(default_factory=list)
    day_chance: list[float] = field(default_factory=list)
    day_short: list[bool] = field(default_factory=list)


def decision_day(law: ShopLaw, week: int) -> date:
    """Return the day on which a week's orders are decided: the notice before its first delivery day."""
    first = min(WEEKDAYS.index(d) for d in law.settings.ice.delivery_days)
    return law.first_day + timedelta(days=7 * week + first - law.settings.ice.notice_days + 7)


def replay(world: World, seed: int, n_weeks: int = REPLAY_WEEKS, *, ways: tuple[str, ...] = WAYS) -> Replayed:
    """Replay a shop's weeks with every way of ordering on the same days."""
    law = world.law
    stores = {way: Store() for way in ways}
    start = decision_day(law, WARM_UP_WEEKS)
    _warm_up(world, stores, start, seed)
    for store in stores.values():
        store.cost_usd, store.short_days = 0.0, set()
    found = Replayed(law.name, {})
    fitted = None
    for week in range(n_weeks):
        today = start + timedelta(days=7 * week)
        if today + timedelta(days=7) > world.jobs[-1].day:
            break
        if fitted is None or week % LEARN_WEEKS == 0:
            fitted = learn(world.history(today), law.settings.planning(), seed=1, backtest=False)
        _one_week(world, stores, today, fitted, seed, found)
    found.cost_usd = {way: store.cost_usd for way, store in stores.items()}
    return found


def _warm_up(world: World, stores: dict[str, Store], start: date, seed: int) -> None:
    """Live until the first decision with a careless generous order, the same for every way."""
    ice = world.law.settings.ice
    day = world.law.first_day
    while day < start:
        order = 0.0
        if WEEKDAYS[day.weekday()] in ice.delivery_days and day not in world.law.settings.shop.closed:
            order = ice.lot_lb * round(0.6 * ice.container_lb / len(ice.delivery_days) / ice.lot_lb)
        for store in stores.values():
            live_day(world, store, day, order, np.random.default_rng([seed, day.toordinal()]))
        day += timedelta(days=1)


def _one_week(
    world: World, stores: dict[str, Store], today: date, fitted: FittedModel, seed: int, found: Replayed
) -> None:
    law = world.law
    dates, _ = delivery_dates(OrderQuestion(n_days=HORIZON_DAYS), today, law.settings)
    terms = terms_of(law.settings.ice, [(d - today).days for d in dates], law.settings.ice.bumped_job_usd or 0.0)
    rng = np.random.default_rng([seed, today.toordinal(), 5])
    orders: dict[str, np.ndarray] = {}
    stated: np.ndarray | None = None
    for way, store in stores.items():
        outlook = _outlook(world, way, store, today, fitted, rng)
        orders[way] = _order(way, outlook, terms, world, today)
        if way == "plan":
            stated = course_of(outlook, terms, orders[way]).short_lb[:7] > 0
    for k in range(7):
        day = today + timedelta(days=k)
        for way, store in stores.items():
            lb = float(orders[way][dates.index(day)]) if day in dates else 0.0
            live_day(world, store, day, lb, np.random.default_rng([seed, day.toordinal()]))
    if stated is not None:
        happened = [today + timedelta(days=k) in stores["plan"].short_days for k in range(7)]
        found.chance.append(float(stated.any(axis=0).mean()))
        found.short.append(any(happened))
        found.day_chance.extend(stated.mean(axis=1).tolist())
        found.day_short.extend(happened)


def _outlook(
    world: World, way: str, store: Store, today: date, fitted: FittedModel, rng: np.random.Generator
) -> Outlook | None:
    if way in ("plan", "mean demand"):
        return outlook_of(learned_ground(world, store, today, fitted), seed=today.toordinal())
    if way == "floor":
        return told_outlook(world, store.stock_lb, today, rng)
    return future_outlook(world, store.stock_lb, today)


def _order(way: str, outlook: Outlook, terms: Terms, world: World, today: date) -> np.ndarray:
    if way == "200 lb a week":
        return standing_plan(outlook, terms, 200.0)
    if way.startswith("four weeks"):
        since = today - timedelta(days=28)
        used = sum(j.pellets_lb for d, jobs in world.by_day.items() if since <= d < today for j in jobs)
        return standing_plan(outlook, terms, used / 4 * 1.25)
    if way == "mean demand":
        return mean_demand_plan(outlook, terms)
    return best_plan(outlook, terms).course.orders_lb


def tell_shop(found: Replayed, tell: Callable[[str], None] = print) -> None:
    """Tell what each way of ordering cost in a shop, over the floor's."""
    tell(f"{found.name} ({len(found.chance)} weeks)")
    for way, cost in found.cost_usd.items():
        tell(f"  {way:24s} {cost:10,.0f} USD   {cost / found.cost_usd['floor']:6.3f} x floor")


def tell_chances(results: list[Replayed], tell: Callable[[str], None] = print) -> None:
    """Tell how the stated chances held, pooled over the shops."""
    for what, chance, short in (
        ("a week", [c for r in results for c in r.chance], [s for r in results for s in r.short]),
        ("a day", [c for r in results for c in r.day_chance], [s for r in results for s in r.day_short]),
    ):
        p, y = np.array(chance), np.array(short, dtype=float)
        brier, base = float(np.mean((p - y) ** 2)), float(y.mean() * (1 - y.mean()))
        error = float(np.sqrt(np.sum(p * (1 - p))))
        tell(
            f"chance of running short in {what}: stated {p.mean():.3f}, happened {y.mean():.3f} "
            f"({(y.sum() - p.sum()) / error:+.1f} binomial sd), Brier {brier:.4f} (always the mean: {base:.4f})"
        )
        for low, high in ((0, 0.02), (0.02, 0.1), (0.1, 0.25), (0.25, 0.5), (0.5, 1.01)):
            inside = (p >= low) & (p < high)
            if inside.any():
                tell(f"  stated {low:.2f} to {min(high, 1):.2f}: {inside.sum():5d}, mean {p[inside].mean():.3f}, "
                     f"happened {y[inside].mean():.3f}")  # fmt: skip


def worlds(seed: int = 11) -> list[World]:
    """Return the worlds of the replay: four simulated shops and the demo's."""
    return [*(draw_world(law, seed + i) for i, law in enumerate(four_shops())), demo_world()]


def main() -> None:
    """Replay the shops named on the command line (all) over the weeks given first (52)."""
    n_weeks = int(sys.argv[1]) if len(sys.argv) > 1 else REPLAY_WEEKS
    every = worlds()
    chosen = [every[int(i)] for i in sys.argv[2:]] or every
    results = []
    for i, world in enumerate(chosen):
        results.append(replay(world, 11 + i, n_weeks))
        tell_shop(results[-1])
    tell_chances(results)


if __name__ == "__main__":
    main()
