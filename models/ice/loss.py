"""Learning how a shop's containers lose ice, from deliveries, weighings and logged use.

The stretches between two known amounts are compared with the law of `models.ice.law`; the amount and its variance are
carried through each stretch by moment matching. Rates of containers are partially pooled, the exponent is pulled to 0,
and use that was not logged shows as a share of logged use (it grows with work, loss grows with time) or as a jump that
neither explains. The posterior is drawn by importance sampling from a t distribution around the mode, adapted as it
goes (Cappé et al. 2004, J. Comput. Graph. Stat. 13:907).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.ice.law import PLANNING_LB_DAY, PLANNING_SPREAD, LossLaw, remaining_lb
from models.ice.stretches import Stretches, cut

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.ice.law import Climate
    from models.ice.record import IceLog
    from shared.vocabulary import Basis

# Priors (from memory, without a source): sd of log rate between containers about .18; p by Beta(1, 8); seasonal swing
# 4 % +- 4 %, .9 +- .25 of a known air temperature's; weighing error about 2 lb; day's loss +- 12 %; unlogged share
# exponential with mean 4 %.
_LOG_TAU, _LOG_WEIGH, _LOG_SCATTER = (np.log(0.18), 0.5), (np.log(2.0), 0.6), (np.log(0.12), 0.5)
_SEASON, _AIR_SHARE, _P_SHAPE, _UNLOGGED_MEAN = (0.04, 0.04), (0.9, 0.25), 8.0, 0.04
_LOG_RATE_SD = float(np.sqrt(PLANNING_SPREAD**2 - 0.18**2))
# A stretch in which something happened that is not in the log (ice taken or added): its share, and the scale in lb of
# a t distribution with 2 degrees of freedom, whose tails let a wrong weighing be wrong by any amount.
_JUMP_SHARE, _JUMP_LB, _JUMP_DF = 0.03, 60.0, 2.0
# Error of what was logged: share of a use, share of a delivered weight, lb of rounding.
_USE_ERROR, _ROUNDING_LB, _SCALE_ERROR = 0.06, 0.7, 0.005
_MU, _TAU, _P, _SWING, _AIR, _WEIGH, _SCATTER, _UNLOGGED, _FIRST = range(9)
_T_DF = 6.0
# Containers with a rate of their own; where suppliers' totes come and go, older ones count as a new one.
_MOST_CONTAINERS = 12
# Proposals of a round of adapted importance sampling, rounds, and the effective draws that are enough.
_PROPOSALS, _ROUNDS, _MOST_ROUNDS, _ENOUGH_DRAWS = 600, 4, 14, 250.0


@dataclass(frozen=True)
class LossFit:
    """What was learned of a shop's loss.

    Attributes
    ----------
    law : LossLaw
    jump_lb : float64 array (n_stretches, n_draws)
        Ice that left (> 0) or came (< 0) in a stretch and that neither loss nor logged use explains.
    jump_share : float64 array (n_stretches,)
        Posterior probability that there was such a jump.
    stretches : Stretches
        In the order of `jump_lb`.
    effective_draws : float
        Effective sample size of the importance weights.
    """

    law: LossLaw
    jump_lb: NDArray[np.float64]
    jump_share: NDArray[np.float64]
    stretches: Stretches
    effective_draws: float


@dataclass(frozen=True)
class _Walked:
    """Log likelihood (n,), probability of a jump (n, n_stretches) and its expected lb, + taken."""

    log_likelihood: NDArray[np.float64]
    jump_share: NDArray[np.float64]
    jump_lb: NDArray[np.float64]


def _sorted_by_length(stretches: Stretches) -> Stretches:
    """Return the stretches with the longest first, so that a step touches a leading block only."""
    length = np.sum((stretches.days > 0) | (stretches.change_lb != 0), axis=1)
    order = np.argsort(-length, kind="stable")
    return Stretches(
        stretches.container[order], stretches.names, stretches.start_lb[order], stretches.start_sd_lb[order],
        stretches.days[order], stretches.season[order], stretches.air[order], stretches.change_lb[order],
        stretches.end_lb[order], stretches.end_at[order],
    )  # fmt: skip


def _flow(
    mean: NDArray[np.float64], variance: NDArray[np.float64], lost: NDArray[np.float64],
    p: NDArray[np.float64], scatter: NDArray[np.float64], full_lb: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Carry mean and variance through a step by three points at mean and mean +- sqrt(3) sd, weights 2/3, 1/6, 1/6."""
    reach = np.sqrt(3.0 * variance)
    points = np.maximum(np.stack([mean, mean + reach, mean - reach]), 0.0)
    after = remaining_lb(points, lost, 1.0, p, full_lb)
    new = (4 * after[0] + after[1] + after[2]) / 6
    spread = (4 * (after[0] - new) ** 2 + (after[1] - new) ** 2 + (after[2] - new) ** 2) / 6
    # Daily loss scatters independently from day to day, so its variance grows with time; an empty box loses nothing.
    return new, spread + scatter**2 * lost * np.clip(mean - new, 0.0, lost)


def _after_use(
    mean: NDArray[np.float64], variance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Condition on the stock not being below 0 after a use; return mean, variance, log probability of it.

    Where there would not have been enough, a delivery may be missing from the log: the stock is then about 0.
    """
    from scipy.special import log_ndtr

    sd = np.sqrt(variance + 1e-9)
    z = np.clip(mean / sd, -30.0, None)
    log_enough = log_ndtr(z)
    hazard = np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - log_enough)
    enough = np.exp(log_enough)
    evidence = enough + _JUMP_SHARE * (1 - enough)
    weight = enough / evidence
    inside_mean = np.maximum(mean + sd * hazard, 0.0)
    inside_variance = variance * np.clip(1 - hazard * (hazard + z), 0.0, 1.0)
    new = weight * inside_mean
    return new, weight * (inside_variance + (inside_mean - new) ** 2) + (1 - weight) * new**2, np.log(evidence)


def _walk(theta: NDArray[np.float64], stretches: Stretches, full_lb: float) -> _Walked:
    """Walk parameter vectors (n, d) through all stretches (already sorted by length)."""
    rate = np.exp(theta[:, _FIRST + stretches.container])
    p = 1 / (1 + np.exp(-theta[:, [_P]]))
    weigh_variance = np.exp(2 * theta[:, [_WEIGH]])
    scatter, unlogged = np.exp(theta[:, [_SCATTER]]), np.exp(theta[:, [_UNLOGGED]])
    shape = (len(theta), stretches.n)
    mean = np.broadcast_to(stretches.start_lb, shape).copy()
    variance = np.where(np.isnan(stretches.start_sd_lb), weigh_variance, stretches.start_sd_lb**2)
    variance = variance + (_SCALE_ERROR * stretches.start_lb) ** 2
    total = np.zeros(len(theta))
    for step in range(stretches.days.shape[1]):
        change = stretches.change_lb[:, step]
        n = int(np.max(np.flatnonzero((stretches.days[:, step] > 0) | (change != 0)), initial=-1)) + 1
        warm = theta[:, [_SWING]] * stretches.season[:n, step] + theta[:, [_AIR]] * stretches.air[:n, step]
        days = np.maximum(stretches.days[:n, step] + warm, 0.0)
        lead = np.s_[:, :n]
        mean[lead], variance[lead] = _flow(mean[lead], variance[lead], rate[lead] * days, p, scatter, full_lb)
        used, came = np.maximum(-change[:n], 0.0), np.maximum(change[:n], 0.0)
        mean[lead] += came - used * (1 + unlogged)
        variance[lead] += (_USE_ERROR * used) ** 2 + _ROUNDING_LB**2 * (used > 0) + (2 * _SCALE_ERROR * came) ** 2
        drawn = np.flatnonzero(used)
        if len(drawn):
            mean[:, drawn], variance[:, drawn], enough = _after_use(mean[:, drawn], variance[:, drawn])
            total += enough.sum(axis=1)
    error = np.where(np.isnan(stretches.end_lb), 0.0, stretches.end_lb) - mean
    plain = variance + weigh_variance + (_SCALE_ERROR * np.nan_to_num(stretches.end_lb)) ** 2
    wide = plain + _JUMP_LB**2
    log_plain = np.log1p(-_JUMP_SHARE) - 0.5 * (error**2 / plain + np.log(2 * np.pi * plain))
    far = error**2 / wide
    log_wide = np.log(_JUMP_SHARE) - 0.5 * (_JUMP_DF + 1) * np.log1p(far / _JUMP_DF) - 0.5 * np.log(8 * wide)
    # Mean of the jump given the error: the t is a normal whose variance is the larger the farther the error lies.
    gain = 1 - plain / (wide * np.maximum((_JUMP_DF + far) / (_JUMP_DF + 1), 1.0))
    both = np.logaddexp(log_plain, log_wide)
    closed = np.isfinite(stretches.end_lb)
    share = np.where(closed, np.exp(log_wide - both), 0.0)
    return _Walked(total + both[:, closed].sum(axis=1), share, -share * error * gain)


def _log_prior(theta: NDArray[np.float64], planning_lb_day: float) -> NDArray[np.float64]:
    """Return the log prior density of parameter vectors (n, d), up to a constant."""

    def normal(column: int, mean: float, sd: float) -> NDArray[np.float64]:
        return np.asarray(-0.5 * ((theta[:, column] - mean) / sd) ** 2)

    p = 1 / (1 + np.exp(-theta[:, _P]))
    # Beta(1, 8) and the exponential, each with the Jacobian of its transformed scale.
    pulled = np.log(p) + _P_SHAPE * np.log1p(-p)
    unlogged = theta[:, _UNLOGGED] - np.exp(np.minimum(theta[:, _UNLOGGED], 30.0)) / _UNLOGGED_MEAN
    away = (theta[:, _FIRST:] - theta[:, [_MU]]) * np.exp(-theta[:, [_TAU]])
    pooled = -0.5 * (away**2).sum(axis=1) - away.shape[1] * theta[:, _TAU]
    return np.asarray(
        normal(_MU, float(np.log(planning_lb_day)), _LOG_RATE_SD) + normal(_TAU, *_LOG_TAU) + normal(_SWING, *_SEASON)
        + normal(_AIR, *_AIR_SHARE) + normal(_WEIGH, *_LOG_WEIGH) + normal(_SCATTER, *_LOG_SCATTER)
        + pulled + unlogged + pooled
    )  # fmt: skip


def _mode(log_density: _Density, start: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the mode and a covariance from the curvature there (negative curvature is cut off)."""
    from scipy.optimize import minimize

    d, h = len(start), 1e-4
    eye = np.eye(d)

    def value_and_slope(x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        values = -log_density(np.vstack([x, x + h * eye, x - h * eye]))
        return float(values[0]), (values[1 : d + 1] - values[d + 1 :]) / (2 * h)

    mode = np.asarray(minimize(value_and_slope, start, jac=True, method="BFGS", options={"maxiter": 60}).x)
    k = 0.05
    corners = [
        mode + k * (a * eye[i] + b * eye[j]) for i in range(d) for j in range(i + 1) for a in (1, -1) for b in (1, -1)
    ]
    values = -log_density(np.array(corners)).reshape(-1, 4)
    curvature = np.zeros((d, d))
    row, column = np.tril_indices(d)
    curvature[row, column] = curvature[column, row] = (values[:, 0] - values[:, 1] - values[:, 2] + values[:, 3]) / (
        4 * k * k
    )
    size, axes = np.linalg.eigh(curvature)
    return mode, (axes / np.maximum(size, 0.3)) @ axes.T


class _Density:
    """Log posterior density of parameter vectors (n, d)."""

    def __init__(self, stretches: Stretches, planning_lb_day: float, full_lb: float) -> None:
        self._stretches, self._planning, self._full = stretches, planning_lb_day, full_lb

    def __call__(self, theta: NDArray[np.float64]) -> NDArray[np.float64]:
        bounded = np.abs(theta) < 25.0
        inside = bounded.all(axis=1)
        safe = np.where(bounded, theta, 0.0)
        density = _walk(safe, self._stretches, self._full).log_likelihood + _log_prior(safe, self._planning)
        return np.where(inside, density, -1e12)


def _sample(
    log_density: _Density, mode: NDArray[np.float64], cov: NDArray[np.float64], n_draws: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], float]:
    """Draw (n_draws, d) by adapted importance sampling and return them with the effective sample size."""
    from scipy.special import logsumexp

    d, n = len(mode), _PROPOSALS
    kept, kept_weight = [], []
    for turn in range(_MOST_ROUNDS):
        root = np.linalg.cholesky(cov + 1e-9 * np.eye(d))
        z = rng.standard_normal((n, d))
        scale = np.sqrt(_T_DF / rng.chisquare(_T_DF, n))
        theta = mode + (z * scale[:, None]) @ root.T
        log_t = -0.5 * (_T_DF + d) * np.log1p((z**2).sum(axis=1) * scale**2 / _T_DF) - np.log(np.diag(root)).sum()
        log_weight = log_density(theta) - log_t
        kept.append(theta)
        kept_weight.append(log_weight)
        pool, weights = np.vstack(kept), np.concatenate(kept_weight)
        # Weights are capped at a hundredth of their sum while adapting, so that one lucky draw does not set the scale.
        weight = np.exp(weights - logsumexp(weights))
        if turn + 1 >= _ROUNDS and 1 / np.sum(weight**2) > _ENOUGH_DRAWS:
            break
        capped = np.minimum(weight, 0.01)
        capped /= capped.sum()
        mode = capped @ pool
        cov = 1.15 * ((pool - mode).T * capped) @ (pool - mode) + 1e-6 * np.eye(d)
    places = (np.arange(n_draws) + rng.random()) / n_draws
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), places), len(weight) - 1)
    return rng.permutation(pool[chosen]), float(1 / np.sum(weight**2))


def _prior_draws(planning_lb_day: float, n_draws: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw parameter vectors (n_draws, 8) without any container from the prior."""
    p = np.clip(rng.beta(1.0, _P_SHAPE, n_draws), 1e-9, 1 - 1e-9)
    return np.column_stack([
        rng.normal(np.log(planning_lb_day), _LOG_RATE_SD, n_draws),
        rng.normal(*_LOG_TAU, n_draws),
        np.log(p / (1 - p)),
        rng.normal(*_SEASON, n_draws),
        rng.normal(*_AIR_SHARE, n_draws),
        rng.normal(*_LOG_WEIGH, n_draws),
        rng.normal(*_LOG_SCATTER, n_draws),
        np.log(np.maximum(rng.exponential(_UNLOGGED_MEAN, n_draws), 1e-9)),
    ])  # fmt: skip


def _latest_containers(log: IceLog) -> IceLog:
    """Return the events of the twelve containers seen last: importance sampling does not carry more rates."""
    seen = list(dict.fromkeys(reversed(log.container)))
    kept = set(seen[:_MOST_CONTAINERS])
    return log if len(seen) <= _MOST_CONTAINERS else log.take(np.array([c in kept for c in log.container]))


def learn_loss(
    log: IceLog, climate: Climate, *, seed: int, planning_lb_day: float = PLANNING_LB_DAY, full_lb: float,
    n_draws: int = 2000,
) -> LossFit:  # fmt: skip
    """Learn the loss law of a shop's containers.

    Parameters
    ----------
    log : IceLog
        Uses name their container (see `models.ice.record.walk`).
    climate : Climate
    planning_lb_day : float
        Prior median of a container's loss, log sd 0.4.
    full_lb : float
        Amount at which a container's rate is stated (its capacity), lb.
    n_draws : int

    Returns
    -------
    LossFit
        Basis "planning" without a weighed stretch, "mixed" below eight, else "learned".
    """
    rng = np.random.default_rng(seed)
    stretches = _sorted_by_length(cut(_latest_containers(log), climate))
    if stretches.n == 0:
        theta, effective = _prior_draws(planning_lb_day, n_draws, rng), float(n_draws)
        jump_lb, jump_share = np.zeros((0, n_draws)), np.zeros(0)
    else:
        density = _Density(stretches, planning_lb_day, full_lb)
        start = np.array([
            np.log(planning_lb_day), _LOG_TAU[0], -2.5, _SEASON[0], _AIR_SHARE[0], _LOG_WEIGH[0], _LOG_SCATTER[0], -3.5,
            *[np.log(planning_lb_day)] * len(stretches.names),
        ])  # fmt: skip
        theta, effective = _sample(density, *_mode(density, start), n_draws, rng)
        walked = _walk(theta, stretches, full_lb)
        jump_lb, jump_share = walked.jump_lb.T, walked.jump_share.mean(axis=0)
    n_weighed = stretches.n_weighed
    basis: Basis = "planning" if n_weighed == 0 else "mixed" if n_weighed < 8 else "learned"
    law = LossLaw(
        containers=stretches.names if stretches.n else (),
        rate_lb_day=np.exp(theta[:, _FIRST:]).T,
        other_lb_day=np.exp(theta[:, _MU] + np.exp(theta[:, _TAU]) * rng.standard_normal(n_draws)),
        exponent=1 / (1 + np.exp(-theta[:, _P])),
        season=theta[:, _SWING],
        air_share=theta[:, _AIR],
        unlogged_share=np.exp(theta[:, _UNLOGGED]),
        scatter=np.exp(theta[:, _SCATTER]),
        weigh_sd_lb=np.exp(theta[:, _WEIGH]),
        full_lb=full_lb,
        basis=basis,
        n_intervals=n_weighed,
    )
    return LossFit(law, jump_lb, jump_share, stretches, effective)
