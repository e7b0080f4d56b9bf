"""Shrinking estimated effects towards each other, with the spread between them integrated out.

Model: estimate ~ N(theta, cov), theta_k ~ N(mu, tau^2), mu flat (or 0), tau with a half-normal or flat prior. Given
tau all is normal in closed form; tau is summed over a grid with its marginal likelihood (Rubin 1981; Gelman et al.,
Bayesian Data Analysis, 3rd ed. 2013, sec. 5.4). Plugging in one tau instead would make the intervals too narrow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Half-Cauchy scale (log) of one effect's own spread: most effects are near none, a few are large.
OWN_SCALE = 0.2


@dataclass(frozen=True)
class Shrunk:
    """Mixture of normals, one component a grid point of tau.

    Attributes
    ----------
    tau, weight : float64 arrays (n_grid,)
    mean, sd : float64 arrays (n_grid, n_effects)
    """

    tau: NDArray[np.float64]
    weight: NDArray[np.float64]
    mean: NDArray[np.float64]
    sd: NDArray[np.float64]

    def means(self) -> NDArray[np.float64]:
        """Return the posterior means, shape (n_effects,)."""
        return np.asarray(self.weight @ self.mean, dtype=np.float64)

    def sds(self) -> NDArray[np.float64]:
        """Return the posterior standard deviations, shape (n_effects,)."""
        second = self.weight @ (self.sd**2 + self.mean**2)
        return np.asarray(np.sqrt(second - self.means() ** 2), dtype=np.float64)

    def quantile(self, level: float) -> NDArray[np.float64]:
        """Return the quantile of each effect at a level in (0, 1), shape (n_effects,), by bisection."""
        from scipy.special import ndtr

        low = np.min(self.mean - 12 * self.sd, axis=0)
        high = np.max(self.mean + 12 * self.sd, axis=0)
        for _ in range(80):
            middle = 0.5 * (low + high)
            below = self.weight @ ndtr((middle - self.mean) / self.sd) < level
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.asarray(0.5 * (low + high), dtype=np.float64)

    def tau_quantile(self, level: float) -> float:
        """Return a quantile of the spread between effects."""
        reached = np.cumsum(self.weight) - 0.5 * self.weight
        return float(np.interp(level, reached, self.tau))

    def one(self, effect: int) -> Shrunk:
        """Return the posterior of one effect alone."""
        return Shrunk(self.tau, self.weight, self.mean[:, [effect]], self.sd[:, [effect]])

    def draws(self, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """Return draws of each effect by itself (not joint), shape (n_effects, n)."""
        component = rng.choice(len(self.weight), size=n, p=self.weight)
        noise = rng.standard_normal((n, self.mean.shape[1]))
        return np.asarray((self.mean[component] + self.sd[component] * noise).T, dtype=np.float64)


def shrink(
    estimate: NDArray[np.float64],
    cov: NDArray[np.float64],
    grid: NDArray[np.float64],
    *,
    log_prior: NDArray[np.float64] | None = None,
    centred: bool = True,
) -> Shrunk:
    """Return the posterior of theta.

    Parameters
    ----------
    estimate, cov : float64 arrays (n,), (n, n)
        Estimates and the covariance of their errors.
    grid : float64 array (n_grid,)
        Values of tau.
    log_prior : float64 array (n_grid,), optional
        Log prior mass of each grid point; default equal.
    centred : bool
        Whether the effects share an unknown mean (flat) or scatter about 0.
    """
    n = len(estimate)
    ones = np.ones(n)
    log_weight = np.zeros(len(grid)) if log_prior is None else log_prior.copy()
    mean = np.zeros((len(grid), n))
    sd = np.zeros_like(mean)
    for i, tau in enumerate(grid.tolist()):
        inverse = np.linalg.inv(cov + tau**2 * np.eye(n))
        _, log_det = np.linalg.slogdet(inverse)
        mu, mu_var = 0.0, 0.0
        if centred:
            mu_var = 1.0 / float(ones @ inverse @ ones)
            mu = mu_var * float(ones @ inverse @ estimate)
        away = estimate - mu
        log_weight[i] += 0.5 * log_det - 0.5 * float(away @ inverse @ away)
        if centred:
            log_weight[i] += 0.5 * np.log(mu_var)
        kept = np.eye(n) - tau**2 * inverse  # weight of mu in theta
        theta = mu + tau**2 * inverse @ away
        pulled = kept @ ones
        spread = tau**2 * kept + mu_var * np.outer(pulled, pulled)
        mean[i] = theta
        sd[i] = np.sqrt(np.maximum(np.diag(spread), 1e-18))
    weight = np.exp(log_weight - log_weight.max())
    return Shrunk(grid, weight / weight.sum(), mean, sd)


def _own_grid(scale: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return values of tau, evenly spaced in log, and the log mass that a half-Cauchy prior gives each."""
    log_tau = np.linspace(np.log(0.002), np.log(3.0), 120)
    tau = np.exp(log_tau)
    return tau, log_tau - np.log1p((tau / scale) ** 2)


def shrink_alone(raw: float, error: float, *, scale: float = OWN_SCALE) -> Shrunk:
    """Return the posterior of one effect about 0 whose own spread is half-Cauchy.

    Heavy tails (Carvalho, Polson & Scott 2010, Biometrika 97:465-480) pull small effects hard to 0 and leave a large,
    well measured one nearly alone; pulling all by one common spread makes intervals miss a single wasteful one.
    """
    tau, log_prior = _own_grid(scale)
    return shrink(np.array([raw]), np.array([[error**2]]), tau, log_prior=log_prior, centred=False)


def shrink_each(
    raw: NDArray[np.float64], error: NDArray[np.float64], weight: NDArray[np.float64], *, scale: float = OWN_SCALE
) -> Shrunk:
    """Return the posterior of one effect whose estimate depends on something unknown: `shrink_alone` mixed by weights.

    Parameters
    ----------
    raw, error, weight : float64 arrays (n,)
        Estimate and error in each case, and the posterior weight of the case.
    """
    tau, log_prior = _own_grid(scale)
    total = tau[None, :] ** 2 + error[:, None] ** 2
    kept = tau[None, :] ** 2 / total
    log_each = log_prior[None, :] - 0.5 * np.log(total) - 0.5 * raw[:, None] ** 2 / total
    each = np.exp(log_each - log_each.max(axis=1, keepdims=True))
    mixed = (weight[:, None] * each / each.sum(axis=1, keepdims=True)).ravel()
    held = mixed > 1e-6 * mixed.max()
    mean, sd = (kept * raw[:, None]).ravel()[held], np.sqrt(kept * error[:, None] ** 2).ravel()[held]
    spread = np.broadcast_to(tau[None, :], total.shape).ravel()[held]
    return Shrunk(spread, mixed[held] / mixed[held].sum(), mean[:, None], sd[:, None])


def mixed(first: Shrunk, second: Shrunk, weight: float) -> Shrunk:
    """Return the mixture of two posteriors of the same effects, `weight` that of the first."""
    return Shrunk(
        np.append(first.tau, second.tau),
        np.append(weight * first.weight, (1.0 - weight) * second.weight),
        np.concatenate([first.mean, second.mean]),
        np.concatenate([first.sd, second.sd]),
    )
