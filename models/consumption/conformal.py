"""Calibration from out-of-sample scores: the finite-sample rank rule, and a shrunk monotone map of a predictive.

Conformal prediction: Vovk, Gammerman & Shafer (2005), Algorithmic Learning in a Random World; Lei et al. (2018), JASA
113:1094-1111. The map is a location and scale change on the probit scale of the quantile levels, shrunk to the identity
by `KAPPA` pseudo-scores, so a short record hardly moves an answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

KAPPA = 100.0
_Z_LIMIT = 3.0
_NEGLIGIBLE = 0.01


def finite_sample_rank(n: int, level: float) -> int:
    """Return k = ceil((n + 1) level): the k-th smallest of n exchangeable scores bounds a new one with that chance.

    The product is taken 1e-12 low, because (19 + 1) * 0.95 in floating point is above 19.
    """
    return ceil((n + 1) * level - 1e-12)


def supported(n: int, level: float) -> bool:
    """Return whether n scores carry a level: the rank exists among them."""
    return finite_sample_rank(n, level) <= n


def conformal_quantile(scores: NDArray[np.float64], level: float) -> float:
    """Return the finite-sample quantile of the scores, infinite where they do not support the level."""
    k = finite_sample_rank(len(scores), level)
    return float(np.sort(scores)[k - 1]) if k <= len(scores) else float("inf")


@dataclass(frozen=True)
class ProbitMap:
    """Quote level a at level Phi(shift + correction + scale * probit(a)) of the raw predictive.

    Attributes
    ----------
    shift, scale : float
        0 and 1 leave the predictive as it is.
    n : int
        Out-of-sample scores behind the map.
    rule : str
        How it was chosen, see `mapping`.
    by_kind : dict word -> float
        What a job's correction is summed from.
    """

    shift: float
    scale: float
    n: int
    rule: str = "none"
    by_kind: dict[str, float] = field(default_factory=dict)

    def corrections(self, kinds: list[tuple[str, ...]]) -> NDArray[np.float64]:
        """Return the correction of each job from the words of its kind, (n_jobs,)."""
        return np.array([sum(self.by_kind.get(word, 0.0) for word in job) for job in kinds])

    @property
    def is_identity(self) -> bool:
        """Whether the map would move no quantile by more than a hundredth of a sd."""
        return abs(self.shift) < _NEGLIGIBLE and abs(self.scale - 1.0) < _NEGLIGIBLE and not self.by_kind


def fit_map(pit: NDArray[np.float64]) -> ProbitMap:
    """Return the map of probability integral transforms (n,) of out-of-sample totals; NaN are left out.

    With z = probit(pit) limited to +-3 and kappa = `KAPPA`: shift = sum z / (n + kappa) and
    scale^2 = (sum (z - shift)^2 + kappa) / (n + kappa).
    """
    z = probit_scores(pit[np.isfinite(pit)])
    shift, scale = shrunk_moments(z, np.ones(len(z)))
    return ProbitMap(round(shift, 6), round(scale, 6), len(z), "whole")


def probit_scores(pit: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return probit(pit) limited to +-3, (n,)."""
    normal = NormalDist()
    z = np.array([normal.inv_cdf(p) for p in np.clip(pit, 1e-4, 1 - 1e-4).tolist()])
    return np.asarray(np.clip(z, -_Z_LIMIT, _Z_LIMIT))


def shrunk_moments(z: NDArray[np.float64], weight: NDArray[np.float64]) -> tuple[float, float]:
    """Return weighted mean and sd of z, (n,), shrunk to 0 and 1 by `KAPPA` pseudo-scores."""
    n = float(weight.sum())
    shift = float(weight @ z) / (n + KAPPA)
    return shift, float(np.sqrt((weight @ (z - shift) ** 2 + KAPPA) / (n + KAPPA)))


def remapped(
    draws: NDArray[np.float64],
    line_job: NDArray[np.int64],
    n_jobs: int,
    level_map: ProbitMap,
    correction: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Return line draws scaled, scenario by scenario, so that each job's total follows the mapped predictive.

    The total of rank r (level a = (r + 1/2) / n) becomes the raw quantile at Phi(shift + scale * probit(a)),
    interpolated on the probit and log scales and extended linearly beyond the ends; ranks stay as they are. Each job's
    correction, (n_jobs,), adds to the shift.
    """
    if level_map.is_identity or not draws.size:
        return draws
    n = draws.shape[1]
    normal = NormalDist()
    z = np.array([normal.inv_cdf((k + 0.5) / n) for k in range(n)])
    common = level_map.shift + level_map.scale * z
    tail = max(n // 10, 1)
    first = np.searchsorted(line_job, np.arange(n_jobs + 1))
    out = draws.copy()
    for job in range(n_jobs):
        lines = slice(int(first[job]), int(first[job + 1]))
        total = np.log(np.maximum(draws[lines].sum(axis=0), 1e-300))
        order = np.argsort(total, kind="stable")
        value = total[order]
        target = common if correction is None else common + correction[job]
        new = np.interp(target, z, value)
        low = (value[tail] - value[0]) / (z[tail] - z[0])
        high = (value[-1] - value[-1 - tail]) / (z[-1] - z[-1 - tail])
        new += low * np.minimum(target - z[0], 0.0) + high * np.maximum(target - z[-1], 0.0)
        out[lines][:, order] *= np.exp(new - value)
    return out
