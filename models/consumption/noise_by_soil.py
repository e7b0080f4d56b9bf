"""Line noise that differs by soil: its form, its prior, and the chance of its growth given the lines' residuals.

In some shops dirtier jobs scatter more. The sd of the line noise at soil level k = 0..3 (1 is moderate) is

    s_z exp(g (k - 1)),

with one g for each quantity: 0, or N(0, `GROWTH_SD`^2) with the chance `GROWTH_CHANCE` (regression with unequal
variances: Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 14.7, from memory). With tail weights l_i and residuals
r_i, and the zones' variances s_z^2 ~ scaled-inv-chi2(nu0, s0^2) integrated out,

    log p(g | r, l) = log p(g) - g sum_i (k_i - 1) - sum_z (nu0 + n_z) / 2 log(nu0 s0^2 + S_z(g)),
    S_z(g) = sum_{i in z} l_i r_i^2 exp(-2 g (k_i - 1)),

up to a constant. Needs numpy only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Chance that the noise differs by soil, and sd of its growth a level where it does; from memory, without a source.
#: Twice that sd is a severe job that scatters 2.5 times as much as a light one.
GROWTH_CHANCE = 0.3
GROWTH_SD = 0.15
#: Growths that are looked at where there is one.
GROWTHS = np.linspace(-0.6, 0.6, 81)
_STEP = float(GROWTHS[1] - GROWTHS[0])
#: Soil levels as steps from moderate, at which s_z holds.
_STEPS = np.arange(4.0) - 1.0


def sd_factor(growth: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Return what the sd of the line noise is multiplied by at each soil level, (..., 4), for growths (...)."""
    return np.asarray(np.exp(np.asarray(growth, dtype=np.float64)[..., None] * _STEPS))


def choices(rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return growths, the last of them 0, and the log prior chance of each.

    The grid is moved by up to half a step, so that long logs are not held to its points.
    """
    grid = GROWTHS + _STEP * (rng.random() - 0.5)
    density = -0.5 * (grid / GROWTH_SD) ** 2 - np.log(GROWTH_SD * np.sqrt(2 * np.pi)) + np.log(_STEP)
    return np.append(grid, 0.0), np.append(density + np.log(GROWTH_CHANCE), np.log(1 - GROWTH_CHANCE))


def log_likelihood(
    growth: NDArray[np.float64], square: NDArray[np.float64], lines: NDArray[np.int64], weight: float, guess: float
) -> NDArray[np.float64]:
    """Return the log likelihood of growths (m,), to a constant, with the zones' variances integrated out.

    Parameters
    ----------
    square, lines : (n_zones, 4)
        Sum of tail weight times squared residual, and number of lines, by zone and soil level.
    weight, guess : float
        nu0 and s0^2 of the zones' variances.
    """
    left = square @ sd_factor(-2 * growth).T
    half = (weight + lines.sum(axis=1)) / 2
    return np.asarray(-growth * float(lines.sum(axis=0) @ _STEPS) - half @ np.log(weight * guess + left))
