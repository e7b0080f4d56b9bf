"""A shift in level among the out-of-sample errors: is there one, since when, and how large."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: 1 % point of the largest absolute value of a Brownian bridge (Kolmogorov's distribution, 1933).
CRITICAL = 1.628
#: Fewer errors than this on either side of a split tell nothing of a shift.
LEAST_SIDE = 10


@dataclass(frozen=True)
class Shift:
    """A shift: the first row after it, and the ratio of the level after to that before with a 95 % interval."""

    row: int
    ratio: float
    low: float
    high: float


def level_shift(log_ratio: NDArray[np.float64]) -> Shift | None:
    """Return the most likely single shift in the mean of errors in time order, or None where chance explains them.

    With errors e_1..e_n, mean m and standard deviation s the statistic is max_k |sum_{i<=k} (e_i - m)| / (s sqrt(n)),
    which for independent errors tends to the largest absolute value of a Brownian bridge (Ploberger & Kramer 1992,
    Econometrica 60:271-285); above its 1 % point there is a shift, dated at the k of the maximum. Errors beyond three
    robust standard deviations (1.4826 MAD) are drawn in, so that a slip of units is no shift.

    Parameters
    ----------
    log_ratio : float64 array (n,)
        Logarithms of actual over expected, in time order, finite.
    """
    n = len(log_ratio)
    if n < 2 * LEAST_SIDE:
        return None
    middle = float(np.median(log_ratio))
    spread = 1.4826 * float(np.median(np.abs(log_ratio - middle)))
    if spread <= 0:
        return None
    error = np.clip(log_ratio, middle - 3 * spread, middle + 3 * spread)
    walk = np.abs(np.cumsum(error - error.mean())) / (error.std(ddof=1) * np.sqrt(n))
    inner = walk[LEAST_SIDE - 1 : n - LEAST_SIDE]
    row = int(np.argmax(inner)) + LEAST_SIDE
    if inner.max() < CRITICAL:
        return None
    before, after = error[:row], error[row:]
    step = float(after.mean() - before.mean())
    margin = 1.96 * float(np.sqrt(before.var(ddof=1) / len(before) + after.var(ddof=1) / len(after)))
    return Shift(row, float(np.exp(step)), float(np.exp(step - margin)), float(np.exp(step + margin)))
