"""Steps of the Gibbs sampler for one quantity, given its priors: latent lines, coefficients, job noise, line noise.

The model of a quantity on the log scale, line i of job j in zone z:

    y_i = offset_i + own_i + x_i'b + u_j + e_i,   u_j ~ N(a_j, v_j),   e_i ~ N(0, s2_z f_k^2 / l_i),
    l_i ~ Gamma(nu/2, nu/2),

so that e_i is Student-t (Geweke 1993, J. Appl. Econometrics 8:S19-S40); f_k = exp(g (k - 1)) at soil level k, as it is
written or drawn, which is 1 in most shops (`noise_by_soil`); own_i is what the fixed amount per visit adds.
A recorded total is the sum of exp(y_i) over its lines, whose logarithms are then latent (data augmentation, Tanner &
Wong 1987, JASA 82:528-540); a figure read off in steps is an interval.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption import noise_by_soil
from shared.units import LB_PER_KG

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.sparse import csr_array

    from models.consumption.jobs import Observed

#: Steps in which shops round, from coarse to fine, tried in order; a shop that weighs in kg rounds there.
STEPS = {
    "pellets_lb": (5 * LB_PER_KG, 10.0, 2.5 * LB_PER_KG, 5.0, 2.5, LB_PER_KG, 1.0),
    "minutes": (15.0, 10.0, 5.0, 2.0),
}
_ROUNDED_SHARE = 0.97
_ROUNDED_LEAST = 8
NU_GRID = np.array([2.5, 3.0, 4.0, 5.0, 7.0, 10.0, 15.0, 30.0, 100.0])
NU_LOG_PRIOR = np.log(np.array([0.5, 0.7, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.5]))
NU0_GRID = np.array([4.0, 8.0, 16.0, 32.0, 64.0, 256.0])
#: Prior guess of a line's noise sd and its weight.
LINE_SD = 0.25
LINE_SD_WEIGHT = 3.0
_PAIR_MOVES = 4
_PAIR_SCALE = 0.6
_MOST_TRIES = 12
_WIDEST_SHIFT = 2.0


def rounding_step(values: NDArray[np.float64], steps: tuple[float, ...]) -> float:
    """Return the coarsest step of which nearly all values are multiples, 0.0 when there is none."""
    if len(values) < _ROUNDED_LEAST:
        return 0.0
    for step in steps:
        off = np.abs(values / step - np.round(values / step)) * step
        if np.mean(off < 1e-6) >= _ROUNDED_SHARE:
            return step
    return 0.0


def rounding_steps(
    lines: NDArray[np.float64], totals: NDArray[np.float64], steps: tuple[float, ...]
) -> tuple[float, float]:
    """Return the rounding steps of lines and of totals; a few values that fit the other's step share it."""
    by_line, by_total = rounding_step(lines, steps), rounding_step(totals, steps)
    shared = [
        other if len(values) < _ROUNDED_LEAST and other and np.allclose(values % other, 0.0, atol=1e-6) else own
        for values, own, other in ((lines, by_line, by_total), (totals, by_total, by_line))
    ]
    return shared[0], shared[1]


class Target:
    """Working state of one quantity in the sampler (changes in place at each sweep)."""

    def __init__(
        self,
        observed: Observed,
        steps: tuple[float, ...],
        matrix: NDArray[np.float64],
        offset: NDArray[np.float64],
        line_job: NDArray[np.int64],
        line_zone: NDArray[np.int64],
        n_zones: int,
        line_soil: NDArray[np.int64],
    ) -> None:
        usable = np.zeros(len(observed.value) + 1, dtype=bool)
        usable[:-1] = observed.value > 0
        self.lines = np.flatnonzero(usable[observed.group])
        group = observed.group[self.lines]
        self.position = np.full(len(line_job), -1, dtype=np.int64)
        self.position[self.lines] = np.arange(len(self.lines))
        self.jobs, self.job = np.unique(line_job[self.lines], return_inverse=True)
        self.first = np.searchsorted(self.job, np.arange(len(self.jobs)))
        self._by_job = _sums_by_job(self.first, len(self.lines))
        self.zone = line_zone[self.lines]
        self.n_zones = n_zones
        self.zone_lines = np.bincount(self.zone, minlength=n_zones)
        self.soil = line_soil[self.lines]
        self.growth = 0.0
        self.x = np.ascontiguousarray(matrix[self.lines])
        self.offset = offset[self.lines].copy()
        self._init_groups(group, observed.value, steps)
        self.b = np.zeros(matrix.shape[1])
        self.u = np.zeros(len(self.jobs))
        self.s2 = np.full(n_zones, LINE_SD**2)
        self.s02, self.nu0, self.nu = LINE_SD**2, 16.0, 10.0
        self.l = np.ones(len(self.lines))
        self.drift = np.zeros(len(self.jobs))
        self.own = np.zeros(len(self.lines))
        self.fit = self.offset.copy()

    def _init_groups(self, group: NDArray[np.int64], value: NDArray[np.float64], steps: tuple[float, ...]) -> None:
        size = np.bincount(group, minlength=len(value))
        self.single = np.flatnonzero(size[group] == 1)
        self.y = self.offset.copy()
        recorded = value[group[self.single]]
        self.y[self.single] = np.log(recorded)
        totals = np.flatnonzero(size > 1)
        step, total_step = rounding_steps(recorded, value[totals], steps)
        self.lower, self.upper = _interval(recorded, step)
        self.rounded = step > 0
        many = np.flatnonzero(size[group] > 1)
        self.members = many[np.argsort(group[many], kind="stable")]
        self.total_size = size[totals]
        self.total_first = np.concatenate([[0], np.cumsum(self.total_size)[:-1]]).astype(np.int64)
        self.total_of = np.repeat(np.arange(len(totals)), self.total_size)
        self.total_lower, self.total_upper = _interval(value[totals], total_step)
        self.total_rounded = total_step > 0
        if len(totals):
            planned = np.exp(self.offset[self.members])
            share = np.log(value[totals] / np.add.reduceat(planned, self.total_first))
            self.y[self.members] = self.offset[self.members] + share[self.total_of]

    @property
    def n(self) -> int:
        """Number of lines with a record."""
        return len(self.lines)

    def put(self, b: NDArray[np.float64], soil_step: int, floor: NDArray[np.float64]) -> None:
        """Take coefficients (n_columns,), none of the three soil steps from `soil_step` on below its `floor`."""
        self.b = b.copy()
        self.b[soil_step : soil_step + 3] = np.maximum(self.b[soil_step : soil_step + 3], floor)
        self.refit()

    def refit(self) -> None:
        """Bring each line's mean up to date after x, b, the drift of its job or the offset changed."""
        self.fit = self.offset + self.own + self.drift[self.job] + self.x @ self.b

    def line_var(self) -> NDArray[np.float64]:
        """Return the variance of each line's noise without its tail weight, (n,)."""
        var = self.s2[self.zone]
        return var * self.soil_var()[self.soil] if self.growth else var

    def soil_var(self) -> NDArray[np.float64]:
        """Return what the noise variance is multiplied by at each soil level, (4,)."""
        return noise_by_soil.sd_factor(2 * self.growth)

    def weight(self) -> NDArray[np.float64]:
        """Return the precision of each line's noise, (n,)."""
        return np.asarray(self.l / self.line_var())

    def job_sums(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the sums over each job's lines of their weights, and of weight times residual with the job noise."""
        q = self.weight()
        return np.add.reduceat(q, self.first), np.add.reduceat(q * (self.y - self.fit), self.first)

    def draw_latent_lines(self, rng: np.random.Generator) -> None:
        """Draw the logarithms of rounded lines and of lines known only by a total, given everything else."""
        from scipy.special import ndtr, ndtri

        mean = self.fit + self.u[self.job]
        sd = np.sqrt(self.line_var() / self.l)
        if self.rounded:
            at, spread = mean[self.single], sd[self.single]
            low, high = (self.lower - at) / spread, (self.upper - at) / spread
            flip = low > 0
            low, high = np.where(flip, -high, low), np.where(flip, -low, high)
            p_low, p_high = ndtr(low), ndtr(high)
            z = ndtri(p_low + (p_high - p_low) * rng.random(len(at)))
            z = np.clip(np.where(np.isfinite(z), z, high), low, high)
            self.y[self.single] = at + spread * np.where(flip, -z, z)
        if len(self.total_size):
            self._move_shares(mean, sd, rng)
            if self.total_rounded:
                self._move_totals(mean, sd, rng)

    def _move_shares(self, mean: NDArray[np.float64], sd: NDArray[np.float64], rng: np.random.Generator) -> None:
        """Metropolis moves of two lines of each total along the curve on which their sum stays the same.

        With S = log(e^a + e^c) and f = a - c, a = S - log(1 + e^-f), c = S - log(1 + e^f); the Jacobian of (S, f) to
        (a, c) is constant, so the acceptance is the ratio of the two normal densities.
        """
        n = len(self.total_size)
        for _ in range(_PAIR_MOVES):
            one = np.minimum((rng.random(n) * self.total_size).astype(np.int64), self.total_size - 1)
            hop = 1 + np.minimum((rng.random(n) * (self.total_size - 1)).astype(np.int64), self.total_size - 2)
            a = self.members[self.total_first + one]
            c = self.members[self.total_first + (one + hop) % self.total_size]
            ya, yc = self.y[a], self.y[c]
            both = np.logaddexp(ya, yc)
            f = ya - yc + _PAIR_SCALE * rng.standard_normal(n)
            new_a, new_c = both - np.logaddexp(0.0, -f), both - np.logaddexp(0.0, f)
            gain = ((ya - mean[a]) / sd[a]) ** 2 - ((new_a - mean[a]) / sd[a]) ** 2
            gain += ((yc - mean[c]) / sd[c]) ** 2 - ((new_c - mean[c]) / sd[c]) ** 2
            taken = np.log(rng.random(n)) < 0.5 * gain
            self.y[a[taken]], self.y[c[taken]] = new_a[taken], new_c[taken]

    def _move_totals(self, mean: NDArray[np.float64], sd: NDArray[np.float64], rng: np.random.Generator) -> None:
        """Metropolis shifts of all lines of a rounded total inside its interval (volume is preserved)."""
        m, first = self.members, self.total_first
        y = self.y[m]
        width = np.minimum(self.total_upper - self.total_lower, _WIDEST_SHIFT)
        shift = (rng.random(len(self.total_size)) - 0.5) * width
        new = y + shift[self.total_of]
        before, after = ((y - mean[m]) / sd[m]) ** 2, ((new - mean[m]) / sd[m]) ** 2
        total = np.log(np.add.reduceat(np.exp(new), first))
        taken = np.log(rng.random(len(shift))) < 0.5 * np.add.reduceat(before - after, first)
        taken &= (total > self.total_lower) & (total < self.total_upper)
        self.y[m] = np.where(taken[self.total_of], new, y)

    def draw_coefficients(
        self,
        prior_mean: NDArray[np.float64],
        prior_var: NDArray[np.float64],
        job_mean: NDArray[np.float64],
        job_var: NDArray[np.float64],
        floor: NDArray[np.float64],
        soil_step: int,
        rng: np.random.Generator,
    ) -> None:
        """Draw b with the job noise integrated out, then the job noise given b.

        Per job with weights q the covariance of its lines has the inverse Q - qq'/D, D = sum q + 1/v, so with
        m = X'q summed over its lines X'QX - sum mm'/D is the precision. Soil steps are kept above `floor` by drawing
        again.
        """
        from scipy.linalg.lapack import dpotrf, dpotrs, dtrtrs

        q = self.weight()
        root = np.sqrt(q)
        precision = np.diag(1.0 / prior_var)
        rest = self.y - self.offset - self.own - (job_mean + self.drift)[self.job]
        if self.n:
            total = np.add.reduceat(q, self.first) + 1.0 / job_var
            rows = root[:, None] * self.x
            self._by_job.data = root
            summed = (self._by_job @ rows) / np.sqrt(total)[:, None]
            h = rows.T @ rows - summed.T @ summed + precision
            common = np.add.reduceat(q * rest, self.first) / np.sqrt(total)
            g = rows.T @ (root * rest) - summed.T @ common + prior_mean / prior_var
        else:
            h, g = precision, prior_mean / prior_var
        lower, _ = dpotrf(h, lower=1)
        centre, _ = dpotrs(lower, g, lower=1)
        noise, _ = dtrtrs(lower, rng.standard_normal((len(g), _MOST_TRIES)), lower=1, trans=1)
        tries = centre[:, None] + noise
        good = (tries[soil_step : soil_step + 3] >= floor[:, None]).all(axis=0)
        self.put(tries[:, int(np.argmax(good))], soil_step, floor)
        if self.n:
            left = np.add.reduceat(q * (self.y - self.fit - job_mean[self.job]), self.first)
            self.u = job_mean + left / total + rng.standard_normal(len(total)) / np.sqrt(total)

    def residual(self) -> NDArray[np.float64]:
        """Return the line noise as it stands, shape (n,)."""
        return self.y - self.fit - self.u[self.job]

    def draw_line_noise(self, rng: np.random.Generator) -> None:
        """Draw tail weight and line weights; then growth by soil, the zones' variances integrated out; then these."""
        r2 = self.residual() ** 2
        if self.n:
            scaled = r2 / self.line_var()
            terms = np.log1p(scaled[:, None] / NU_GRID).sum(axis=0)
            log_density = NU_LOG_PRIOR - 0.5 * (NU_GRID + 1) * terms + self.n * _NU_CONSTANT
            self.nu = float(draw_from_log(log_density, NU_GRID, rng))
            self.l = rng.standard_gamma((self.nu + 1) / 2, self.n) / ((self.nu + scaled) / 2)
        cell, n_cells = 4 * self.zone + self.soil, 4 * self.n_zones
        lines = np.bincount(cell, minlength=n_cells).reshape(-1, 4)
        by_soil = np.bincount(cell, weights=self.l * r2, minlength=n_cells).astype(np.float64).reshape(-1, 4)
        growths, log_prior = noise_by_soil.choices(rng)
        likelihood = noise_by_soil.log_likelihood(growths, by_soil, lines, self.nu0, self.s02)
        self.growth = float(draw_from_log(log_prior + likelihood, growths, rng))
        square = by_soil @ (1 / self.soil_var())
        self.s2 = (self.nu0 * self.s02 + square) / rng.chisquare(self.nu0 + self.zone_lines)
        inverse, logs = float((1 / self.s2).sum()), float(np.log(self.s2).sum())
        shape = LINE_SD_WEIGHT + self.n_zones * self.nu0 / 2
        rate = LINE_SD_WEIGHT / LINE_SD**2 + self.nu0 / 2 * inverse
        self.s02 = float(rng.standard_gamma(shape) / rate)
        half = NU0_GRID / 2
        density = self.n_zones * (half * np.log(half * self.s02) - _lgamma(half))
        density += -(half + 1) * logs - half * self.s02 * inverse
        self.nu0 = float(draw_from_log(density, NU0_GRID, rng))


def draw_from_log(
    log_density: NDArray[np.float64], grid: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Draw one grid value from unnormalised log densities along the last axis (griddy Gibbs)."""
    noise = rng.gumbel(size=log_density.shape)
    if log_density.ndim == 1:
        return np.asarray(grid[int(np.argmax(log_density + noise))])
    return np.take_along_axis(
        np.broadcast_to(grid, log_density.shape), np.argmax(log_density + noise, axis=-1)[..., None], axis=-1
    )[..., 0]


def _sums_by_job(first: NDArray[np.int64], n: int) -> csr_array:
    """Return the matrix (n_jobs, n) that adds up each job's rows of a dense one, many times as fast as `reduceat`."""
    from scipy.sparse import csr_array

    return csr_array((np.ones(n), np.arange(n), np.append(first, n)), shape=(len(first), n))


def _interval(value: NDArray[np.float64], step: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return log bounds of values read off in steps; the lowest, one step, also stands for all that is less."""
    low = np.where(value <= 1.01 * step, 0.0, value - step / 2)
    with np.errstate(divide="ignore"):
        return np.log(low), np.log(np.where(value <= 1.01 * step, 1.5 * value, value + step / 2))


def _lgamma(values: NDArray[np.float64]) -> NDArray[np.float64]:
    from math import lgamma

    return np.array([lgamma(v) for v in values.tolist()])


_NU_CONSTANT = _lgamma((NU_GRID + 1) / 2) - _lgamma(NU_GRID / 2) - 0.5 * np.log(NU_GRID)
