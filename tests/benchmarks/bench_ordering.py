"""Time of an order: 14 days, 2 deliveries, 4,000 scenarios. Run `python tests/benchmarks/bench_ordering.py`."""

from __future__ import annotations

from time import process_time

import numpy as np

from models.ice.law import Climate
from models.ice.loss import learn_loss
from models.ice.ordering import best_plan
from models.ice.outlook import Outlook, Terms
from models.ice.record import DELIVERED, USED, WEIGHED, IceLog

LIMIT_S = 2.0


def outlook_of(n_draws: int, containers: int) -> Outlook:
    """Return 14 days of about two jobs a working day."""
    rng = np.random.default_rng(1)
    mean = np.where(np.arange(14) % 7 < 5, 2.0, 0.0)[:, None]
    jobs = rng.poisson(mean, (14, n_draws)).astype(float)
    need = np.where(jobs > 0, rng.gamma(np.maximum(jobs, 0.1) * 2, 15.0), 0.0)
    return Outlook(
        np.maximum(rng.normal(40, 10, (containers, n_draws)), 0.0), need, jobs,
        np.exp(rng.normal(np.log(35), 0.2, (containers, n_draws))), np.exp(rng.normal(0, 0.1, (14, n_draws))),
        rng.beta(1, 8, n_draws), np.full(n_draws, 0.04), 500.0 / containers, 500.0,
    )  # fmt: skip


def seconds(work: object) -> float:
    """Return the processor time of the best of three runs (other work on the machine does not count)."""
    best = np.inf
    for _ in range(3):
        start = process_time()
        work()  # type: ignore[operator]
        best = min(best, process_time() - start)
    return float(best)


def a_year_of_ice() -> IceLog:
    """Return a year of weekly deliveries, daily use and three weighings a week."""
    rng = np.random.default_rng(2)
    at, kind, lb = [], [], []
    held = 0.0
    for day in range(364):
        if day % 7 == 0:
            held += 350.0
            at, kind, lb = [*at, day + 0.3], [*kind, DELIVERED], [*lb, 350.0]
        used = float(min(rng.gamma(2, 12), held)) if day % 7 < 5 else 0.0
        if used:
            at, kind, lb = [*at, day + 0.5], [*kind, USED], [*lb, used]
        held = max(held - used - 33.0, 0.0)
        if day % 7 in (1, 3, 4):
            at, kind, lb = [*at, day + 0.99], [*kind, WEIGHED], [*lb, max(held + rng.normal(0, 2), 0.0)]
    return IceLog.of([738_000 + a for a in at], kind, ["tote"] * len(at), lb)


def main() -> None:
    """Print the seconds of each case."""
    for deliveries in ((0, 7), (0, 3, 7, 10)):
        for containers in (1, 2):
            for service in (None, 0.95):
                terms = Terms(deliveries, ((0.0, 1.3), (200.0, 1.1)), fee_usd=45, lot_lb=10, least_lb=50,
                              rush_usd_per_lb=2.5, rush_fee_usd=30)  # fmt: skip
                outlook = outlook_of(4000, containers)
                took = seconds(lambda o=outlook, t=terms, s=service: best_plan(o, t, service=s))  # type: ignore[misc]
                late = "" if took < LIMIT_S or len(deliveries) > 2 else f"  above {LIMIT_S:g} s"
                print(f"{len(deliveries)} deliveries, {containers} containers, service {service}: {took:.2f} s{late}")
    log = a_year_of_ice()
    took = seconds(lambda: learn_loss(log, Climate(), seed=1, full_lb=500))
    print(f"learning a year of one container's loss: {took:.2f} s")


if __name__ == "__main__":
    main()
