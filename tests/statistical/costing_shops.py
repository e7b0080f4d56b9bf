"""Simulated shops for costing: cost laws and price rules that are known, in code of their own."""

from dataclasses import dataclass

import numpy as np

from models.costing.price_list import Amounts, Visits

N_CLASSES, N_ZONES = 4, 5
CALL_OUT = 30.0
SETS = ((0,), (0, 1), (0, 1, 2), (3,), (0, 3), (3, 4), (4,))


@dataclass(frozen=True)
class CostShop:
    """Finished visits of a shop whose mean cost of each cell is known.

    Attributes
    ----------
    visits : Visits
    cost, price : float64 arrays (n_visits,)
    truth : Amounts
        Mean cost of the call-out, each cell at moderate soil, soil levels and coating.
    """

    visits: Visits
    cost: np.ndarray
    price: np.ndarray
    truth: Amounts


def cost_law(seed: int) -> Amounts:
    """Return a shop's mean costs: class times zone, times what that product misses."""
    rng = np.random.default_rng([seed, 1])
    base = np.outer([0.8, 1.0, 1.3, 1.9], [120.0, 40.0, 45.0, 70.0, 25.0])
    cell = base * np.exp(rng.normal(0, 0.15, (N_CLASSES, N_ZONES)))
    soil = np.cumprod([0.65 + rng.uniform(-0.08, 0.08), 1, 1, 1])
    soil = np.array([soil[0], 1.0, 1.4 + rng.uniform(-0.1, 0.15), 2.0 + rng.uniform(-0.2, 0.3), 1.1])
    return Amounts(CALL_OUT, cell, soil, 2.2)


def cost_shop(seed: int, n: int, law: Amounts | None = None, stream: int = 2) -> CostShop:
    """Return n visits; noise is log-normal of mean 1, common to a visit (sd 0.2) and to each line (sd 0.3)."""
    truth = law or cost_law(seed)
    rng = np.random.default_rng([seed, stream])
    chosen = rng.choice(len(SETS), n, p=[0.25, 0.2, 0.15, 0.15, 0.1, 0.1, 0.05])
    zones = [SETS[k] for k in chosen]
    visit = np.repeat(np.arange(n), [len(z) for z in zones])
    lines = len(visit)
    vehicle = rng.choice(N_CLASSES, n, p=[0.2, 0.35, 0.3, 0.15])[visit]
    soil = rng.choice(5, lines, p=[0.25, 0.35, 0.2, 0.1, 0.1])
    visits = Visits(visit, vehicle, np.concatenate([np.array(z) for z in zones]), soil, rng.random(lines) < 0.05, n,
                    N_CLASSES, N_ZONES)  # fmt: skip
    mean = truth.cell.ravel()[visits.cell()] * truth.soil[soil] * np.where(visits.coating, truth.coating, 1.0)
    own = np.exp(rng.normal(-0.045, 0.3, lines)) * np.exp(rng.normal(-0.02, 0.2, n))[visit]
    cost = truth.call_out + np.bincount(visit, mean * own, minlength=n)
    # The shop's own rule: one list for all classes, half again for the two dirty levels, 45 USD for coming.
    flat = np.array([190.0, 60.0, 70.0, 110.0, 35.0])[visits.zone] * np.where(soil >= 2, 1.5, 1.0)
    return CostShop(visits, cost, 45.0 + np.bincount(visit, flat, minlength=n), truth)


def planning_start(call_out: float, margin_share: float) -> Amounts:
    """Return what the shop would start from: round figures, wrong for every cell."""
    cell = np.outer([0.9, 1.0, 1.2, 1.6], [100.0, 50.0, 50.0, 60.0, 30.0]) / (1 - margin_share)
    return Amounts(call_out, cell, np.array([0.65, 1.0, 1.5, 2.2, 1.0]), 2.5)
