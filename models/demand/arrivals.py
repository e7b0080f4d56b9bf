"""How many jobs come: a count model with a wandering level, a trend and a season, all uncertain.

Row i of a record (a week, a month) holds y_i ~ NB(mean e_i exp(eta_i), variance mean + a mean^2), e_i its open days.
eta is a level at the end of the record, a slope, steps of a random walk backwards from it, and six harmonics of the
year whose scale falls with the square root of their order; each has a normal prior whose scale is drawn as well. A
season nobody has seen yet is thus not left out but uncertain, and a short record answers wide.

Given the scales and a the posterior is normal around its mode (Laplace); the scales are drawn by importance sampling
on their Laplace evidence, adapted as it goes (Tierney & Kadane 1986, JASA 81:82; Cappé et al. 2004, J. Comput. Graph.
Stat. 13:907; both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import lgamma
from typing import TYPE_CHECKING

import numpy as np

from shared.units import DAYS_PER_MONTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

N_HARMONICS = 6
#: More steps of the level than this are not told apart: older ones become longer.
_MOST_STEPS = 60
# Hyper-priors (from memory, without a source): median and sd of the logarithm of the level's step a month, the slope a
# month, the season and the overdispersion a of a row.
_PRIOR_MEAN = np.log(np.array([0.05, 0.006, 0.12, 0.02]))
_PRIOR_SD = np.array([0.9, 0.8, 0.9, 1.5])
_STEP, _SLOPE, _SEASON, _OVER = range(4)
# Beyond these the scales are not believed: their exponential tails would rule the mean of an unknown shop's months.
_PRIOR_TOP = np.log(np.array([0.25, 0.03, 0.5, 3.0]))
_N_POINTS, _N_STAGES, _T_DF, _NEWTON_STEPS = 120, 4, 5.0, 14


@dataclass(frozen=True)
class CountRows:
    """A record of counts, or rows to forecast (then `count` is not looked at).

    Attributes
    ----------
    count : float64 array (n,)
    exposure : float64 array (n,), > 0
        For example open days.
    at : float64 array (n,)
        Middle of each row, days; increasing.
    phase : float64 array (n,)
        Share of the year gone by then, 0..1.
    """

    count: NDArray[np.float64]
    exposure: NDArray[np.float64]
    at: NDArray[np.float64]
    phase: NDArray[np.float64]

    @property
    def n(self) -> int:
        """Number of rows."""
        return len(self.at)

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_] | slice) -> CountRows:
        """Return some of the rows."""
        return CountRows(self.count[rows], self.exposure[rows], self.at[rows], self.phase[rows])


@dataclass(frozen=True)
class ArrivalFit:
    """Draws of everything that was learned; column j of every array is one scenario.

    Attributes
    ----------
    level : float64 array (n_draws,)
        Logarithm of the rate at `end`, without season.
    slope : float64 array (n_draws,)
        Change of the log rate a month.
    season : float64 array (2 N_HARMONICS, n_draws)
        Coefficients of cos and sin of the year's harmonics.
    step_sd : float64 array (n_draws,)
        Sd of the level's step a month.
    over : float64 array (n_draws,)
        Overdispersion a of a row.
    end : float
        Day up to which the level is known.
    n_rows : int
        Rows learned from.
    """

    level: NDArray[np.float64]
    slope: NDArray[np.float64]
    season: NDArray[np.float64]
    step_sd: NDArray[np.float64]
    over: NDArray[np.float64]
    end: float
    n_rows: int

    @property
    def n_draws(self) -> int:
        """Number of scenarios."""
        return len(self.level)


def fit_arrivals(
    past: CountRows,
    *,
    prior_rate: float,
    seed: int,
    prior_sd: float = 0.8,
    n_draws: int = 2000,
    end: float | None = None,
) -> ArrivalFit:
    """Learn the rate of arrivals from a record, which may be empty.

    Parameters
    ----------
    past : CountRows
    prior_rate : float
        Prior median of the rate at the record's end, per unit of exposure.
    seed : int
    prior_sd : float
        Sd of its logarithm.
    n_draws : int
    end : float, optional
        Day at which the forecast starts; the last row's middle where not given.
    """
    rng = np.random.default_rng([seed % 2**63, 0xA221])
    stop = float(end) if end is not None else float(past.at[-1]) if past.n else 0.0
    posterior = _Posterior(past, stop, float(np.log(prior_rate)), prior_sd)
    points, chance = posterior.points(rng)
    places = (np.arange(n_draws) + rng.random()) / n_draws
    chosen = rng.permutation(np.minimum(np.searchsorted(np.cumsum(chance), places), len(chance) - 1))
    beta = posterior.draws(points, chosen, rng)
    scale = np.exp(points[chosen])
    return ArrivalFit(
        level=beta[:, 0],
        slope=beta[:, 1],
        season=np.ascontiguousarray(beta[:, 2 : 2 + 2 * N_HARMONICS].T),
        step_sd=scale[:, _STEP],
        over=scale[:, _OVER],
        end=stop,
        n_rows=past.n,
    )


def centred(fit: ArrivalFit, rate: float) -> ArrivalFit:
    """Return a fit whose mean rate over draws and over the year is `rate`, its spread as it was.

    Plans and bills follow the mean: where nothing was seen, it is the mean that must be the planning figure. A season
    with coefficients c multiplies the mean of the rate by about exp(sum c^2 / 4), half its variance over the phase.
    """
    swing = 0.25 * (fit.season**2).sum(axis=0)
    return replace(fit, level=fit.level + np.log(rate) - np.log(np.mean(np.exp(fit.level + swing))))


def harmonics(phase: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return cos and sin of the year's first six harmonics, shape (n, 12)."""
    angle = 2 * np.pi * phase[:, None] * np.arange(1, N_HARMONICS + 1)
    return np.concatenate([np.cos(angle), np.sin(angle)], axis=1)


def log_rate(fit: ArrivalFit, rows: CountRows, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return draws of the log rate of coming rows, shape (n_rows, n_draws): the level walks on from the end.

    A row is the same whichever rows follow it.
    """
    ahead = np.maximum(rows.at - fit.end, 0.0) / DAYS_PER_MONTH
    walk = np.cumsum(
        np.sqrt(np.diff(ahead, prepend=0.0).clip(0.0))[:, None] * rng.standard_normal((rows.n, fit.n_draws)), axis=0
    )
    # A matrix product may add up a row in another order where it has other rows beside it; einsum adds each alike.
    season = np.einsum("rk,kd->rd", harmonics(rows.phase), fit.season)
    return np.asarray(fit.level + ahead[:, None] * fit.slope + walk * fit.step_sd + season, dtype=np.float64)


def draw_counts(log_rates: NDArray[np.float64], exposure: NDArray[np.float64], over: NDArray[np.float64],
                rng: np.random.Generator) -> NDArray[np.float64]:  # fmt: skip
    """Return counts of rows, shape (n_rows, n_draws): Poisson around a gamma with mean e exp(eta), variance a mean^2.

    Parameters
    ----------
    log_rates : float64 array (n_rows, n_draws)
    exposure : float64 array (n_rows,)
    over : float64 array (n_draws,)
    """
    # A rate beyond e^12 a day is a runaway of the walk, not a shop; the cap keeps the Poisson sampler in its range.
    mean = exposure[:, None] * np.exp(np.minimum(log_rates, 12.0))
    shape = 1.0 / np.maximum(over, 1e-8)
    around = rng.standard_gamma(np.broadcast_to(shape, mean.shape)) / shape
    return rng.poisson(mean * around).astype(np.float64)


class _Posterior:
    """Laplace evidence and draws of the coefficients at many points of the hyper-parameters at once."""

    def __init__(self, past: CountRows, end: float, prior_level: float, prior_sd: float) -> None:
        self.y, self.log_e = past.count, np.log(past.exposure)
        self.prior_level, self.prior_sd = prior_level, prior_sd
        back = np.maximum(end - past.at, 0.0) / DAYS_PER_MONTH
        span = float(back.max(initial=0.0))
        # Steps of about a month, the newest first; the level runs straight between them.
        n_steps = min(int(np.ceil(span)), _MOST_STEPS)
        edges = span * (np.arange(n_steps + 1) / max(n_steps, 1)) ** (1.0 if span <= _MOST_STEPS else 1.5)
        self.width = np.diff(edges)
        steps = np.clip((back[:, None] - edges[:-1]) / self.width, 0.0, 1.0) if n_steps else np.zeros((past.n, 0))
        self.x = np.concatenate([np.ones((past.n, 1)), -back[:, None], harmonics(past.phase), steps], axis=1)
        self.log_factorial = float(sum(lgamma(v + 1.0) for v in self.y.tolist()))

    def points(self, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return points (n, 4) of the logarithms of the hyper-parameters and their probabilities (n,)."""
        if not len(self.y):
            free = _PRIOR_MEAN + _PRIOR_SD * rng.standard_normal((_N_POINTS, 4))
            return np.minimum(free, _PRIOR_TOP), np.full(_N_POINTS, 1 / _N_POINTS)
        centre, root = self._first_guess()
        all_points, all_weights = [], []
        for stage in range(_N_STAGES):
            z = rng.standard_normal((_N_POINTS // 2, 4))
            z = np.concatenate([z, -z])
            stretch = np.sqrt(_T_DF / rng.chisquare(_T_DF, (_N_POINTS, 1)))
            found = centre + (z * stretch) @ root.T
            log_t = (
                -0.5 * (_T_DF + 4) * np.log1p(((z * stretch) ** 2).sum(axis=1) / _T_DF) - np.log(np.diag(root)).sum()
            )
            prior = -0.5 * (((found - _PRIOR_MEAN) / _PRIOR_SD) ** 2).sum(axis=1)
            all_points.append(found)
            believed = np.where((found <= _PRIOR_TOP).all(axis=1), 0.0, -np.inf)
            all_weights.append(self.evidence(np.minimum(found, _PRIOR_TOP)) + prior - log_t + believed)
            points, logs = np.concatenate(all_points), np.concatenate(all_weights)
            weight = np.exp(logs - logs.max())
            weight /= weight.sum()
            if stage < _N_STAGES - 1:
                # Capped while adapting, so that one lucky point does not set the scale.
                capped = np.minimum(weight, 0.05)
                capped /= capped.sum()
                centre = capped @ points
                away = points - centre
                root = np.linalg.cholesky(1.2 * (away.T * capped) @ away + 0.01 * np.diag(_PRIOR_SD**2))
        return points, weight

    def _first_guess(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the first proposal: the prior, its overdispersion pulled to the moment estimate of a flat record."""
        mean = np.exp(self.log_e) * self.y.sum() / np.exp(self.log_e).sum()
        excess = float(((self.y - mean) ** 2 - self.y).sum() / max(float((mean**2).sum()), 1e-9))
        centre, spread = _PRIOR_MEAN.copy(), _PRIOR_SD.copy()
        centre[_OVER] = 0.5 * (centre[_OVER] + np.log(np.clip(excess, 1e-4, 3.0)))
        spread[_OVER] = max(spread[_OVER], abs(centre[_OVER] - _PRIOR_MEAN[_OVER]))
        return centre, np.diag(spread)

    def _scales(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the prior sd of each coefficient at each point, (n, d)."""
        step, slope, season = (np.exp(points[:, [k]]) for k in (_STEP, _SLOPE, _SEASON))
        order = np.sqrt(1.0 / np.arange(1, N_HARMONICS + 1))
        level = np.full((len(points), 1), self.prior_sd)
        return np.concatenate(
            [level, slope, season * np.concatenate([order, order]), step * np.sqrt(self.width)], axis=1
        )

    def _mode(self, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the mode of the standardised coefficients (n, d) and the Cholesky factor of the curvature there."""
        scale, over = self._scales(points), np.exp(points[:, [_OVER]])
        n, d = scale.shape
        z = np.zeros((n, d))
        if len(self.y):
            # From the record's own rate, so that the first step is not taken far from the data.
            guess = np.log(max(float(self.y.sum()), 0.5) / float(np.exp(self.log_e).sum()))
            z[:, 0] = (guess - self.prior_level) / self.prior_sd
        eye = np.eye(d)
        for _ in range(_NEWTON_STEPS):
            eta = self._eta(z, scale)
            mean = np.exp(eta)
            slope = ((self.y - mean) / (1 + over * mean)) @ self.x * scale - z
            curve = mean * (1 + over * self.y) / (1 + over * mean) ** 2
            hessian = (self.x.T * curve[:, None, :]) @ self.x * scale[:, :, None] * scale[:, None, :] + eye
            step = np.linalg.solve(hessian, slope[:, :, None])[:, :, 0]
            reach = np.abs((step * scale) @ self.x.T).max(axis=1, initial=1e-12)
            z += step * np.minimum(1.0, 1.5 / reach)[:, None]
            if reach.max() < 1e-6:
                break
        mean = np.exp(self._eta(z, scale))
        curve = mean * (1 + over * self.y) / (1 + over * mean) ** 2
        hessian = (self.x.T * curve[:, None, :]) @ self.x * scale[:, :, None] * scale[:, None, :] + eye
        return z, np.linalg.cholesky(hessian)

    def _eta(self, z: NDArray[np.float64], scale: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.clip(self.prior_level + (z * scale) @ self.x.T + self.log_e, -30.0, 30.0))

    def evidence(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the Laplace log evidence at each point, (n,)."""
        z, lower = self._mode(points)
        over = np.exp(points[:, [_OVER]])
        eta = self._eta(z, self._scales(points))
        fitted = _log_nb(self.y, np.exp(eta), eta, over).sum(axis=1)
        log_det = np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        return np.asarray(fitted - self.log_factorial - 0.5 * (z**2).sum(axis=1) - log_det)

    def draws(
        self, points: NDArray[np.float64], chosen: NDArray[np.int64], rng: np.random.Generator
    ) -> NDArray[np.float64]:
        """Return coefficients (n_draws, d), each from the normal around the mode of its chosen point."""
        used, place = np.unique(chosen, return_inverse=True)
        z, lower = self._mode(points[used])
        noise = rng.standard_normal((len(chosen), z.shape[1]))
        out = np.empty_like(noise)
        for k in range(len(used)):
            rows = place == k
            out[rows] = z[k] + np.linalg.solve(lower[k].T, noise[rows].T).T
        beta = out * self._scales(points[used])[place]
        beta[:, 0] += self.prior_level
        return beta


def _log_nb(
    y: NDArray[np.float64], mean: NDArray[np.float64], log_mean: NDArray[np.float64], over: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the negative binomial log probability without its log y!, (n_points, n_rows).

    The rising factorial prod_{k<y} (1 + a k) is summed as logarithms, which stays exact as a goes to 0; for large
    counts its Stirling form takes over.
    """
    rising = np.empty((len(over), len(y)))
    highest = int(y.max(initial=0))
    if highest <= 3000:
        table = np.cumsum(np.log1p(over * np.arange(max(highest, 1))), axis=1)
        table = np.concatenate([np.zeros((len(over), 1)), table], axis=1)
        rising = table[:, y.astype(np.int64)]
    else:
        r = 1.0 / over
        rising = _log_gamma_ratio(y, r) + y * np.log(over)
    return np.asarray(rising + y * log_mean - (y + 1.0 / over) * np.log1p(over * mean))


def _log_gamma_ratio(y: NDArray[np.float64], r: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return log Gamma(y + r) - log Gamma(r) elementwise."""
    from scipy.special import gammaln

    return np.asarray(gammaln(y + r) - gammaln(r), dtype=np.float64)
