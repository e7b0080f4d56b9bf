"""What the rest of a part-done job takes: the joint draws given what was used so far. Needs numpy only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Sds of the logit of the share used, given the share of the work that is done: the eye that judged it (common to
#: pellets and minutes) and each quantity's uneven course inside a zone. For one zone at a third done the share used is
#: 0.33 +- 0.07. Planning figures, from memory, no source.
JUDGED_SD = 0.20
UNEVEN_SD = 0.25
#: Chance that zones are worked one after another, in an order nobody wrote down, and not all at once (no source).
IN_TURN_SHARE = 0.7
#: With fewer effective scenarios the draws do not reach what happened; the log-normal closed form answers.
LEAST_EFFECTIVE = 60.0
_SURPRISE_FREEDOM = 4.0


@dataclass(frozen=True)
class PartDone:
    """Scenarios of the rest.

    Attributes
    ----------
    rest, whole : float64 arrays (2, n_draws)
        Pellets (lb) and minutes still to come, and of the whole job.
    effective : float
        Effective number of the scenarios that agree with what happened: (sum w)^2 / sum w^2.
    method : {"scenarios", "log-normal"}
    scenario : int64 array (n_draws,)
        The scenario of the whole job that each draw comes from; each its own where the closed form answers.
    """

    rest: NDArray[np.float64]
    whole: NDArray[np.float64]
    effective: float
    method: Literal["scenarios", "log-normal"]
    scenario: NDArray[np.int64]


def shares_done(
    lines: NDArray[np.float64], work: NDArray[np.float64], done_share: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return which share of each total is used, scenario by scenario, when a share of the work is done; (2, n_draws).

    Zones are worked all at once, or one after another in an order drawn for each scenario. What is done of the zones
    follows from the work they were thought to be; what it used from what they take in that scenario.

    Parameters
    ----------
    lines : float64 array (2, n_lines, n_draws)
        Joint draws of pellets and minutes of each zone.
    work : float64 array (n_lines,)
        What each zone was thought to be, in minutes.
    done_share : float
        In (0, 1).
    """
    _, n_lines, n_draws = lines.shape
    size = work / work.sum()
    order = rng.permuted(np.broadcast_to(np.arange(n_lines)[:, None], (n_lines, n_draws)), axis=0)
    ordered = size[order]
    before = np.cumsum(ordered, axis=0) - ordered
    part = np.empty((n_lines, n_draws))
    np.put_along_axis(part, order, np.clip((done_share - before) / ordered, 0.0, 1.0), axis=0)
    part[:, rng.random(n_draws) >= IN_TURN_SHARE] = done_share
    total = np.maximum(lines.sum(axis=1), 1e-12)
    share = (part * lines).sum(axis=1) / total
    return np.asarray(np.clip(share, 0.01 * done_share, 1 - 0.01 * (1 - done_share)), dtype=np.float64)


def rest_of(
    total: NDArray[np.float64], so_far: NDArray[np.float64], share: NDArray[np.float64], rng: np.random.Generator
) -> PartDone:
    """Return scenarios of what a part-done job still takes.

    With total T_q and used x_q where a share s_q should be used, logit(x_q / T_q) = logit(s_q) + c + e_q, c and e_q
    normal. Each scenario gets the likelihood of x as its weight; scenarios that took less than x have none. Drawn again
    by weight (systematic resampling), the rest is T - x: pellets inform minutes through the joint draws. Where hardly
    a scenario agrees, the logarithms of T are taken as jointly normal and conditioned in closed form.

    Parameters
    ----------
    total : float64 array (2, n_draws)
        Joint draws of pellets and minutes of the whole job.
    so_far : float64 array (2,)
        Used so far, > 0; NaN where one was not read.
    share : float64 array (2, n_draws)
        From `shares_done`; in (0, 1).
    """
    known = np.isfinite(so_far)
    log_weight = _log_likelihood(total[known], so_far[known], share[known])
    top = log_weight.max()
    weight = np.exp(log_weight - top) if np.isfinite(top) else np.zeros_like(log_weight)
    effective = float(weight.sum() ** 2 / (weight @ weight)) if weight.any() else 0.0
    used = np.where(known, so_far, 0.0)
    method: Literal["scenarios", "log-normal"] = "scenarios"
    again = np.arange(total.shape[1], dtype=np.int64)
    if effective >= LEAST_EFFECTIVE:
        again = resampled(weight, total.shape[1], rng)
        drawn, left = total[:, again], 1 - share[:, again]
    else:
        drawn, left, method = _log_normal(total, so_far, share, rng), 1 - share, "log-normal"
    rest = np.maximum(np.where(known[:, None], drawn - used[:, None], left * drawn), 0.0)
    return PartDone(rest, np.where(known[:, None], used[:, None] + rest, drawn), effective, method, again)


def _log_likelihood(
    total: NDArray[np.float64], used: NDArray[np.float64], share: NDArray[np.float64]
) -> NDArray[np.float64]:
    taken = used[:, None] / np.maximum(total, 1e-12)
    possible = (taken < 1).all(axis=0)
    inside = np.clip(taken, 1e-12, 1 - 1e-12)
    error = np.log(inside / (1 - inside)) - np.log(share / (1 - share))
    precision = np.linalg.inv(_noise(len(used)))
    squares = np.einsum("qj,qr,rj->j", error, precision, error)
    # The density of x given T: that of the logit times d logit / dx = 1 / (x (1 - share)).
    log_weight = -0.5 * squares - np.log1p(-inside).sum(axis=0)
    return np.where(possible, log_weight, -np.inf)


def _noise(n: int) -> NDArray[np.float64]:
    return np.asarray(JUDGED_SD**2 + UNEVEN_SD**2 * np.eye(n), dtype=np.float64)


def resampled(weight: NDArray[np.float64], n: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return n indices drawn in proportion to weights >= 0 by systematic resampling, shuffled.

    Reference: Kitagawa (1996), Journal of Computational and Graphical Statistics 5, 1-25 (from memory).
    """
    edges = np.cumsum(weight) / weight.sum()
    picked = np.searchsorted(edges, (np.arange(n) + rng.random()) / n, side="right")
    return rng.permutation(np.minimum(picked, len(weight) - 1)).astype(np.int64)


def normal_given(
    mean: NDArray[np.float64], covariance: NDArray[np.float64], seen: NDArray[np.float64], noise: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and covariance of a normal vector given noisy sight of some of it.

    y ~ N(mean, covariance) is seen as s = y + n, n ~ N(0, noise), where `seen` is not NaN: with gain
    K = C_s (C_ss + noise)^-1 the mean is mean + K (s - mean_s) and the covariance C - K C_s^T.

    Parameters
    ----------
    mean : (k,), covariance : (k, k), seen : (k,) NaN where not seen, noise : (n_seen, n_seen)
    """
    at = np.flatnonzero(np.isfinite(seen))
    gain = covariance[:, at] @ np.linalg.inv(covariance[np.ix_(at, at)] + noise)
    return mean + gain @ (seen[at] - mean[at]), covariance - gain @ covariance[at]


def _log_normal(
    total: NDArray[np.float64], so_far: NDArray[np.float64], share: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return draws of totals from the normal of their logarithms given log(x / s); never below what was used.

    A job this far from what was thought is of another kind: the spread it was thought to have grows with the squared
    distance, as that of a Student t does.
    """
    logs = np.log(np.maximum(total, 1e-9))
    at = np.isfinite(so_far)
    typical = np.median(share, axis=1)
    # d log(x) at share s: an error of the logit moves log(x) by 1 - s of it; what zones differ by comes on top.
    noise = _noise(int(at.sum())) * np.outer(1 - typical[at], 1 - typical[at])
    noise = noise + np.diag(np.var(np.log(share[at]), axis=1))
    centre, spread = logs.mean(axis=1), np.cov(logs)
    gap = (np.log(so_far / typical) - centre)[at]
    distance = float(gap @ np.linalg.solve(spread[np.ix_(at, at)] + noise, gap))
    spread = spread * (_SURPRISE_FREEDOM + distance) / (_SURPRISE_FREEDOM + len(gap))
    mean, covariance = normal_given(centre, spread, np.log(so_far / typical), noise)
    root = np.linalg.cholesky(covariance + 1e-12 * np.eye(2))
    drawn = np.exp(mean[:, None] + root @ rng.standard_normal(total.shape))
    least = np.where(at, so_far, 0.0)[:, None]
    return np.asarray(np.maximum(drawn, least * (1 + 0.1 * (1 - typical[:, None]))), dtype=np.float64)
