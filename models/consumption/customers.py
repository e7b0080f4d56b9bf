"""What customers differ by: a partially pooled effect on the logarithm of a visit's total, and each one's own scatter.

Needs numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Grid of the sd between customers, the chance that they do not differ at all, and the scale of the half-normal prior
#: where they do (memory, no source).
_TAU = np.linspace(0.0, 0.8, 81)
_ALIKE = 0.4
_TAU_PRIOR = 0.2
#: Prior of the sd within a customer, and how many visits it counts for.
_WITHIN = 0.35
_WITHIN_WEIGHT = 4.0
#: A residual beyond this (a factor of 4.5) tells of a slip of the pen, not of a customer.
_CLIP = 1.5
#: Visits that "customers scatter as all visits do" counts for, and that "one scatters as the others do" counts for.
_SCATTER_WEIGHT = 40.0
#: Least part of a visit's own variance that stays its own for a newcomer.
_LEAST_OWN = 0.2
#: Least and most that a known customer's scatter is of the usual variance: beyond that the record, which early fits
#: answered with wider ranges, is not believed.
_SCATTER_LIMITS = (0.3, 3.0)


@dataclass(frozen=True)
class CustomerRecord:
    """Past visits against what was expected of them before they came, those without a customer as well.

    Attributes
    ----------
    residual : float64 array (2, n)
        log(actual / expected) of pellets and minutes; NaN where a total was not recorded.
    score : float64 array (2, n)
        Where it fell in its predictive, as probit(PIT): 1 is one sd above the median. NaN where it is not known.
    code : int64 array (n,)
        Each visit's customer, -1 where nobody's name was written down.
    """

    residual: NDArray[np.float64]
    score: NDArray[np.float64]
    code: NDArray[np.int64]

    @cached_property
    def laws(self) -> tuple[CustomerLaw, CustomerLaw]:
        """What customers differ by in pellets and in minutes: learned once, whoever is asked about."""
        return _law(self.residual[0], self.score[0], self.code), _law(self.residual[1], self.score[1], self.code)

    @cached_property
    def correlation(self) -> float:
        """Correlation of both quantities' residuals, shrunk to 0.5 (twenty visits' worth)."""
        both = np.isfinite(self.residual).all(axis=0)
        n = int(both.sum())
        if n < 3:
            return 0.5
        clipped = np.clip(self.residual[:, both], -_CLIP, _CLIP)
        found = float(np.asarray(np.corrcoef(clipped), dtype=np.float64)[0, 1])
        return (n * found + 20 * 0.5) / (n + 20) if np.isfinite(found) else 0.5


@dataclass(frozen=True)
class CustomerLaw:
    """What customers differ by in one quantity.

    Attributes
    ----------
    pool : _Pool
    chance : float64 array (n_tau,)
        Posterior chance that the sd between customers is no larger than each value of the grid.
    centre, visits_mean : float64 arrays (n_tau,)
        Mean over customers, and over visits, at each value.
    own : float64 array (n_customers,)
        Variance of a customer's visits around its effect over that of all visits.
    """

    pool: _Pool
    chance: NDArray[np.float64]
    centre: NDArray[np.float64]
    visits_mean: NDArray[np.float64]
    own: NDArray[np.float64]


@dataclass(frozen=True)
class CustomerDraws:
    """A customer's effect on the logarithm of both quantities, scenario by scenario.

    Attributes
    ----------
    effect, tau : float64 arrays (2, n_draws)
        Effect of the customer asked about, from what visits of all customers take, and the sd between customers, of
        pellets and minutes.
    n_visits : int
        Visits of this customer behind it (0: a newcomer, whose effect is drawn from what customers differ by).
    own : tuple of 2 floats
        Variance of this customer's visits around its effect over that of all visits; NaN where none is on record.
    """

    effect: NDArray[np.float64]
    tau: NDArray[np.float64]
    n_visits: int
    own: tuple[float, float] = (float("nan"), float("nan"))


@dataclass(frozen=True)
class _Pool:
    """One quantity's visits by customer: sizes, means and the sd within; size and mean of nobody's visits."""

    size: NDArray[np.float64]
    mean: NDArray[np.float64]
    within: float
    nobodys: tuple[float, float]


def draw_customer(record: CustomerRecord, asked: int, *, n_draws: int, rng: np.random.Generator) -> CustomerDraws:
    """Return the effect of one customer, partially pooled, with the uncertainty of the sd between customers.

    Visit i of customer c: r_i = m + e_c + n_i, e_c ~ N(0, tau^2), n_i ~ N(0, s^2). tau is drawn from its posterior on a
    grid (0 with the chance `_ALIKE`, else half-normal; m integrated out), then e_c | tau from its conjugate normal: its
    mean is the customer's mean residual less m times n tau^2 / (n tau^2 + s^2). Reference: Gelman et al., Bayesian Data
    Analysis, 3rd ed., section 5.4. An answer is centred on what a visit takes, whoever's it is, and not on m, the mean
    over customers: the effect is m + e_c less the mean of m + e over all visits (nobody's visits count with their mean
    residual), so that a customer with nearly all visits has nearly none.

    Parameters
    ----------
    record : CustomerRecord
    asked : int
        Code of the customer asked about; -1 for one without a record.
    """
    shared = rng.standard_normal(n_draws)
    effect, tau = np.empty((2, n_draws)), np.empty((2, n_draws))
    rho = record.correlation
    own, n_visits = [float("nan")] * 2, 0
    for q, law in enumerate(record.laws):
        pool = law.pool
        cell = np.searchsorted(law.chance, rng.random(n_draws))
        tau[q] = _TAU[cell]
        n = float(pool.size[asked]) if 0 <= asked < len(pool.size) else 0.0
        variance = tau[q] ** 2 / (1 + tau[q] ** 2 * n / pool.within**2)
        mean: NDArray[np.float64] | float = 0.0
        if n:
            n_visits, own[q] = max(n_visits, int(n)), float(law.own[asked])
            level = _levels(pool, law.centre, slice(asked, asked + 1))[0]
            mean = (level - law.visits_mean)[cell]
        z = shared if q == 0 else rho * shared + np.sqrt(1 - rho**2) * rng.standard_normal(n_draws)
        effect[q] = mean + np.sqrt(variance) * z
    return CustomerDraws(effect, tau, n_visits, (own[0], own[1]))


def _law(residual: NDArray[np.float64], score: NDArray[np.float64], customer: NDArray[np.int64]) -> CustomerLaw:
    pool = _pooled(residual, customer)
    log_weight, centre = _posterior(pool)
    weight = np.exp(log_weight - log_weight.max())
    own = _own(score, customer, len(pool.size))
    return CustomerLaw(pool, np.cumsum(weight) / weight.sum(), centre, _visits_mean(pool, centre), own)


def _pooled(residual: NDArray[np.float64], customer: NDArray[np.int64]) -> _Pool:
    recorded = np.isfinite(residual)
    seen = recorded & (customer >= 0)
    n_codes = int(customer.max(initial=-1)) + 1
    code, value = customer[seen], np.clip(residual[seen], -_CLIP, _CLIP)
    size = np.bincount(code, minlength=n_codes).astype(np.float64)
    mean = np.bincount(code, value, minlength=n_codes) / np.maximum(size, 1)
    squares = float(((value - mean[code]) ** 2).sum()) if len(code) else 0.0
    freedom = float(np.maximum(size - 1, 0).sum())
    within = np.sqrt((squares + _WITHIN_WEIGHT * _WITHIN**2) / (freedom + _WITHIN_WEIGHT))
    nobodys = np.clip(residual[recorded & (customer < 0)], -_CLIP, _CLIP)
    return _Pool(size, mean, float(within), (float(len(nobodys)), float(nobodys.mean()) if len(nobodys) else 0.0))


def _posterior(pool: _Pool) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the log posterior of tau on its grid and the mean residual over customers at each of its values."""
    has = pool.size > 0
    prior = -0.5 * (_TAU / _TAU_PRIOR) ** 2
    prior[0] = np.log(_ALIKE / (1 - _ALIKE)) + np.log(np.exp(prior[1:]).sum())
    if not has.any():
        return prior, np.zeros_like(_TAU)
    variance, mean = _TAU[:, None] ** 2 + pool.within**2 / pool.size[has], pool.mean[has]
    n, nobodys_mean = pool.nobodys
    if n:  # visits of as many customers: their mean tells m as well
        variance = np.column_stack([variance, (_TAU**2 + pool.within**2) / n])
        mean = np.append(mean, nobodys_mean)
    total = (1 / variance).sum(axis=1)
    centre = (mean / variance).sum(axis=1) / total
    squares = ((mean - centre[:, None]) ** 2 / variance).sum(axis=1)
    return prior - 0.5 * (np.log(variance).sum(axis=1) + squares + np.log(total)), centre


def _levels(pool: _Pool, centre: NDArray[np.float64], rows: slice = slice(None)) -> NDArray[np.float64]:
    """Return the expected m + e_c of customers at each tau of the grid, (n_customers, n_tau)."""
    precise = pool.size[rows, None] / pool.within**2
    shrunk = precise * _TAU**2 / (1 + precise * _TAU**2)
    return np.asarray(centre + shrunk * (pool.mean[rows, None] - centre))


def _visits_mean(pool: _Pool, centre: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean of the levels over all visits at each tau of the grid, (n_tau,)."""
    n, mean = pool.nobodys
    total = pool.size @ _levels(pool, centre) + n * mean
    return np.asarray(total / max(float(pool.size.sum()) + n, 1.0))


def _own(score: NDArray[np.float64], customer: NDArray[np.int64], n_customers: int) -> NDArray[np.float64]:
    """Return the variance of each customer's scores around their mean over that of all scores, (n_customers,).

    Both are shrunk, by `_SCATTER_WEIGHT` scores: that within customers to that of all, the customer's to that within.
    With few visits that leaves part of tau^2 in twice; taken out by its expectation, answers came out too narrow, since
    the learner finds some of what customers differ by elsewhere. Scores are used and not residuals, since a predictive
    knows already which jobs scatter more.
    """
    seen = np.isfinite(score)
    total = float(score[seen].var()) if seen.any() else 0.0
    if not total > 0:
        return np.ones(n_customers)
    seen &= customer >= 0
    code, value = customer[seen], score[seen]
    size = np.bincount(code, minlength=n_customers)
    mean = np.bincount(code, value, minlength=n_customers) / np.maximum(size, 1)
    squares = np.bincount(code, (value - mean[code]) ** 2, minlength=n_customers)
    freedom = np.maximum(size - 1, 0)
    within = (squares.sum() + _SCATTER_WEIGHT * total) / (freedom.sum() + _SCATTER_WEIGHT)
    own = (squares + _SCATTER_WEIGHT * within) / (freedom + _SCATTER_WEIGHT)
    return np.asarray(np.clip(own / total, *_SCATTER_LIMITS))


def with_customer(totals: NDArray[np.float64], customer: CustomerDraws, quantity: int) -> NDArray[np.float64]:
    """Return the totals of jobs of one customer: its effect added, what customers differ by taken from the own noise.

    The draws of a job already hold what unknown customers differ by. For a newcomer that part of its own variance,
    tau^2, is taken out of each visit's own noise and given to the effect that all visits of the customer share, so
    that one visit keeps its spread and twelve visits do not average it away. A customer with a record has the variance
    of its own visits (`CustomerDraws.own`).

    Parameters
    ----------
    totals : float64 array (n_jobs, n_draws)
        Totals of jobs under common scenarios. With several alike jobs, what differs between them within a scenario is
        their own noise; with one, all of its spread is taken for that.
    quantity : int
        0 for pellets, 1 for minutes.
    """
    logs = np.log(np.maximum(totals, 1e-9))
    if len(logs) > 1:
        centre = logs.mean(axis=0)
        variance = float(np.mean(logs.var(axis=0, ddof=1)))
    else:
        centre = np.full(logs.shape[1], logs.mean())
        variance = float(logs.var())
    scatter = customer.own[quantity]
    if np.isnan(scatter):
        own = np.sqrt(np.clip(1 - customer.tau[quantity] ** 2 / max(variance, 1e-12), _LEAST_OWN, 1.0))
    else:
        own = np.full(logs.shape[1], np.sqrt(scatter))
    return np.asarray(np.exp(centre + own * (logs - centre) + customer.effect[quantity]), dtype=np.float64)
