"""How long a machine takes to earn its price. Needs numpy only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def straight_line_usd_per_hour(
    price_usd: float, salvage_share: float, life_hours: float, worn_parts_usd: float = 0.0
) -> float:
    """Return the straight-line cost of a machine hour: (price (1 - salvage share) - worn parts) / life.

    Worn parts (tyres there) are charged by themselves. Reference: USACE EP 1110-1-8, volume 8, figure 2-1.
    """
    return (price_usd * (1.0 - salvage_share) - worn_parts_usd) / life_hours


@dataclass(frozen=True)
class Payback:
    """Draws of the months until a machine has earned its price.

    Attributes
    ----------
    months : float64 array (n_draws,)
        Infinite where its visits lose money.
    earned_usd_month : float64 array (n_draws,)
    never_share : float
        Share of the draws in which it never does.
    """

    months: NDArray[np.float64]
    earned_usd_month: NDArray[np.float64]
    never_share: float


def months_to_pay_back(
    earned_usd: NDArray[np.float64],
    months_seen: float,
    price_usd: float,
    *,
    n_draws: int,
    rng: np.random.Generator,
    n_visits: int | None = None,
) -> Payback:
    """Return how long a machine takes to earn its price at the margin and volume of its past visits.

    Visits come at a rate drawn from its posterior, gamma(n visits, months seen). Their mean and variance come from a
    Bayesian bootstrap. The number of visits N until their sum reaches the price is that of a renewal process, near
    price / mean + z sqrt(price var / mean^3) (Cox 1962, Renewal Theory, from memory); the months to the N-th visit are
    gamma(N) / rate.

    Parameters
    ----------
    earned_usd : float64 array (n_known,)
        What each past visit on the machine left after all costs but the machine's own, where that is known.
    months_seen : float
        Time in which all visits came.
    price_usd : float
        Of the machine.
    n_draws : int
    rng : numpy Generator
    n_visits : int, optional
        All visits on the machine, those included of which nobody knows what they left; as many as are known if None.
    """
    n = len(earned_usd)
    weight = rng.standard_exponential((n_draws, n))
    weight /= weight.sum(axis=1, keepdims=True)
    mean = weight @ earned_usd
    variance = np.maximum(weight @ earned_usd**2 - mean**2, 0.0)
    rate = rng.gamma(n if n_visits is None else n_visits, 1.0 / months_seen, n_draws)
    pays = mean > 0
    safe = np.where(pays, mean, 1.0)
    visits = price_usd / safe + rng.standard_normal(n_draws) * np.sqrt(price_usd * variance / safe**3)
    months = rng.gamma(np.maximum(visits, 1.0)) / rate
    return Payback(np.where(pays, months, np.inf), rate * mean, float(np.mean(~pays)))
