"""Average run lengths of CUSUM and EWMA charts, and the limits that give a wished one.

Observations are independent N(shift, 1). The average run length (ARL) L(s) from a starting value s obeys a Fredholm
equation of the second kind; it is solved by Gauss-Legendre quadrature (Nystroem), as in Crowder (1987) for the EWMA
and Lucas & Crosier (1982), Vance (1986) for the CUSUM. The Markov chain of Brook & Evans (1972) is the second,
independent way. Two one-sided CUSUMs are joined by 1/L = 1/L+ + 1/L- (Kemp 1961), exact without head starts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


def _normal_cdf(x: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtr

    return np.asarray(ndtr(x), dtype=np.float64)


def _normal_pdf(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi), dtype=np.float64)


def cusum_arl(k: float, h: float, shift: float = 0.0, *, head_start: float = 0.0, nodes: int = 81) -> float:
    """Return the ARL of the one-sided upper CUSUM C = max(0, C + x - k), alarm at C > h, for x ~ N(shift, 1).

    L(s) = 1 + L(0) Phi(k - shift - s) + integral_0^h L(t) phi(t - s + k - shift) dt.

    Parameters
    ----------
    k, h : float
        Reference value and decision interval in standard deviations; h > 0.
    head_start : float
        Starting value in [0, h] (fast initial response).

    Raises
    ------
    ValueError
        When h is not positive or the head start lies outside [0, h].
    """
    if h <= 0 or not 0 <= head_start <= h:
        raise ValueError(f"need h > 0 and 0 <= head start <= h, got h={h}, head start={head_start}")
    t, w = np.polynomial.legendre.leggauss(nodes)
    t, w = 0.5 * h * (t + 1.0), 0.5 * h * w
    points = np.concatenate([[0.0], t])
    kernel = np.zeros((nodes + 1, nodes + 1))
    kernel[:, 0] = _normal_cdf(k - shift - points)
    kernel[:, 1:] = w * _normal_pdf(t[None, :] - points[:, None] + k - shift)
    run = np.linalg.solve(np.eye(nodes + 1) - kernel, np.ones(nodes + 1))
    from_start = w * _normal_pdf(t - head_start + k - shift)
    at_zero = float(_normal_cdf(np.array([k - shift - head_start]))[0])
    return float(1.0 + run[0] * at_zero + from_start @ run[1:])


def cusum_arl_markov(k: float, h: float, shift: float = 0.0, *, states: int = 400) -> float:
    """Return the same ARL (no head start) by the Markov chain of Brook & Evans (1972) with `states` states."""
    width = 2.0 * h / (2.0 * states - 1.0)
    centre = width * np.arange(states)
    lower = centre[None, :] - centre[:, None] - 0.5 * width + k - shift
    lower[:, 0] = -np.inf
    upper = centre[None, :] - centre[:, None] + 0.5 * width + k - shift
    moves = _normal_cdf(upper) - _normal_cdf(lower)
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])


def two_sided_cusum_arl(k: float, h: float, shift: float = 0.0) -> float:
    """Return the ARL of an upper and a lower CUSUM run together (no head start): 1/L = 1/L+ + 1/L-."""
    up, down = cusum_arl(k, h, shift), cusum_arl(k, h, -shift)
    return 1.0 / (1.0 / up + 1.0 / down)


def ewma_arl(weight: float, limit: float, shift: float = 0.0, *, nodes: int = 101) -> float:
    """Return the ARL of a two-sided EWMA z = (1 - weight) z + weight x with fixed limits, started at 0.

    The limits are +- limit sqrt(weight / (2 - weight)); Crowder (1987):
    L(u) = 1 + 1/weight integral_-h^h L(t) phi((t - (1 - weight) u)/weight - shift) dt.
    """
    h = limit * np.sqrt(weight / (2.0 - weight))
    t, w = np.polynomial.legendre.leggauss(nodes)
    t, w = h * t, h * w
    kernel = w / weight * _normal_pdf((t[None, :] - (1.0 - weight) * t[:, None]) / weight - shift)
    run = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    return float(1.0 + (w / weight * _normal_pdf(t / weight - shift)) @ run)


def _limit_for(run_length: Callable[[float], float], arl: float, low: float, high: float) -> float:
    from scipy.optimize import brentq

    def gap(limit: float) -> float:
        return float(np.log(run_length(limit)) - np.log(arl))

    while gap(high) < 0:
        high *= 1.5
    return float(brentq(gap, low, high, xtol=1e-6))


def cusum_limit(k: float, arl: float) -> float:
    """Return the decision interval h that gives the one-sided CUSUM an in-control ARL of `arl` (> 3)."""
    return _limit_for(lambda h: cusum_arl(k, h), arl, 0.05, 8.0)


def ewma_limit(weight: float, arl: float) -> float:
    """Return the limit L (in standard deviations of the EWMA) that gives an in-control ARL of `arl` (> 3)."""
    return _limit_for(lambda limit: ewma_arl(weight, limit), arl, 0.3, 4.0)


def _overshoot(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Siegmund's nu(x), the correction for discrete steps."""
    half = 0.5 * x
    return np.asarray(
        (2.0 / x) * (_normal_cdf(half) - 0.5) / (half * _normal_cdf(half) + _normal_pdf(half)), dtype=np.float64
    )


def stretch_chance(z: float, n: int, least: int) -> float:
    """Return the chance that some stretch of `n` unchanged N(0, 1) values stands out upward by `z` or more.

    The statistic is the largest standardised difference between the mean of a stretch of at least `least` values and
    the mean of the rest (circular binary segmentation). Siegmund (1988), Annals of Probability 16:487-501, as used by
    Olshen et al. (2004), Biostatistics 5:557-572, one-sided:
    P = z^3 exp(-z^2/2) / (4 sqrt(2 pi)) integral_d^(1/2) nu(z / sqrt(n t (1 - t)))^2 / (t (1 - t))^2 dt, d = least/n.
    """
    if z < 1.0 or n < 2 * least:
        return 1.0
    edges = np.linspace(least / n, 0.5, 201)
    t = 0.5 * (edges[1:] + edges[:-1])
    inner = t * (1.0 - t)
    integral = float(np.sum(_overshoot(z / np.sqrt(n * inner)) ** 2 / inner**2) * (edges[1] - edges[0]))
    return float(min(1.0, z**3 * np.exp(-0.5 * z * z) / (4.0 * np.sqrt(2.0 * np.pi)) * integral))


def level_shift_chance(z: float, n: int, least: int) -> float:
    """Return the chance that, at some point, the rest of `n` unchanged values stands out upward by `z` or more.

    At least `least` values lie on each side. James, James & Siegmund (1987), Biometrika 74:71-83, one-sided:
    P = z phi(z) / 2 integral_d^(1-d) nu(z / sqrt(n t (1 - t))) / (t (1 - t)) dt, d = least/n.
    """
    if z < 1.0 or n < 2 * least:
        return 1.0
    edges = np.linspace(least / n, 1.0 - least / n, 401)
    t = 0.5 * (edges[1:] + edges[:-1])
    inner = t * (1.0 - t)
    integral = float(np.sum(_overshoot(z / np.sqrt(n * inner)) / inner) * (edges[1] - edges[0]))
    return float(min(1.0, 0.5 * z * np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) * integral))
