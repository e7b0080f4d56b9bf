"""What the sampler believes before it sees a row: scales, correlations and switches, and their draws.

Deviations of a pooled block have an sd tau with tau^2 ~ scaled-inv-chi2(weight, (g guess)^2) (Gelman 2006, Bayesian
Analysis 1:515-534). One factor g, log g ~ N(0, `COMMON_SD`^2), is common to all blocks and both quantities: a shop
whose zones hardly differ from their planning figures is likely one whose classes and people hardly differ either. A
block that a shop may do without is switched on or off as a whole (George & McCulloch 1993, JASA 88:881-889).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from models.consumption.sampler_target import draw_from_log

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns

#: Blocks whose scale is learned, with the prior guess of their sd on the log scale; from memory, without a source.
POOLED = {
    "class": 0.25,
    "zone": 0.40,
    "class_zone": 0.12,
    "operator": 0.12,
    "machine": 0.10,
    "machine_zone": 0.08,
    "class_soil": 0.06,
    "zone_soil": 0.06,
    "setting": 0.06,
    "soil": 0.15,
    # The last: where it has no columns nothing is drawn for it, and shops without it are answered as they were.
    "setting_zone": 0.012,
}
#: Of settings by zone the guess is hardly any and worth little: most shops have none, and where one has, it is large.
POOL_WEIGHT = {**dict.fromkeys(POOLED, 8.0), "setting_zone": 4.0}
COMMON_SD = 0.4
COMMON_SCALES = np.exp(np.linspace(-1.2, 1.2, 61))
#: Blocks with a fixed prior: mean and sd.
FIXED = {
    "level": (0.0, 0.4),
    "coating": (0.0, 0.4),
    "age": (0.05, 0.07),
    "ambient": (0.0, 0.05),
}
#: Blocks that a shop may do without: chance that it has one, and mean and sd of each of its columns where it has.
SWITCHED: dict[str, tuple[float, tuple[tuple[float, float], ...]]] = {
    "season": (0.3, ((0.0, 0.2), (0.0, 0.2), (0.0, 0.06), (0.0, 0.06))),
    # Of shops without a working order.
    "together": (0.3, ((-0.15, 0.25),)),
    "after": (0.1, ((-0.25, 0.15),)),
}
#: Of shops whose zones take together what they take alone, those that book the fixed amount on the line worked first.
BOOKED_FIRST = 0.3
#: What lines of one visit have to do with one another: nothing; all take a little less; those after the first take
#: less; the first carries the fixed amount.
Form = Literal["none", "alike", "after", "first"]
_TOGETHER, _AFTER = (list(SWITCHED).index(block) for block in ("together", "after"))
#: Variance of a coefficient that is switched off.
_OFF_VAR = 1e-8
#: Such a coefficient is smaller than this.
SWITCHED_OFF = 1e-3
JOB_SD = 0.16
JOB_SD_WEIGHT = 3.0
SCALE_FACTORS = np.exp(np.linspace(-2.5, 2.2, 95))
RHO_GRID = np.linspace(-0.6, 0.97, 41)
RHO_LOG_PRIOR = 2.0 * np.log1p(RHO_GRID) + 0.5 * np.log1p(-RHO_GRID)


def set_moments(columns: Columns, without: str = "") -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and variance (n,) of coefficients whose prior is set: `FIXED`, and `SWITCHED` where on; else 0, 1.

    One of `SWITCHED` may be left out.
    """
    mean, var = np.zeros(columns.n), np.ones(columns.n)
    for block, (centre, sd) in FIXED.items():
        mean[columns.span(block)], var[columns.span(block)] = centre, sd**2
    for block, (_, each) in SWITCHED.items():
        centres, sds = np.array(each).T
        mean[columns.span(block)], var[columns.span(block)] = centres, sds**2
    if without:
        mean[columns.span(without)], var[columns.span(without)] = 0.0, _OFF_VAR
    return mean, var


class Priors:
    """Prior of the coefficients and of the job noise given the scales as they stand; changes in place.

    Attributes
    ----------
    mean, var : (n,), (2, n)
        Of each coefficient; the first axis is the quantity.
    tie : (n,)
        Correlation of a coefficient of pellets with that of minutes.
    tau : (2, n_pooled)
        Scale of each block of `POOLED`.
    job_sd : (2,)
    rho : (3,)
        Correlation of pellets and minutes in effects, job noise, line noise.
    common : float
        The factor g.
    on : bool array
        Which blocks of `SWITCHED` the shop has.
    """

    def __init__(self, columns: Columns) -> None:
        self._set_mean, self._set_var = set_moments(columns)
        self.mean, self.var = self._set_mean.copy(), np.tile(self._set_var, (2, 1))
        self.tie = np.zeros(columns.n)
        self._switched = [columns.span(block) for block in SWITCHED]
        self.on = np.zeros(len(SWITCHED), dtype=bool)
        for k in range(len(SWITCHED)):
            self.switch(k, on=False)
        self._spans = [columns.span(block) for block in POOLED]
        self._size = np.array([span.stop - span.start for span in self._spans])
        self._guess = np.array(list(POOLED.values()))
        self._weight = np.array([POOL_WEIGHT[block] for block in POOLED])
        self._pooled = np.concatenate([np.arange(columns.n)[span] for span in self._spans])
        self._block = np.repeat(np.arange(len(POOLED)), self._size)
        self._n_drawn = len(POOLED) - (not self._size[-1])
        self.tau, self.common, self.job_sd = np.tile(self._guess, (2, 1)), 1.0, np.full(2, JOB_SD)
        self.rho = np.array([0.3, 0.3, 0.3])
        self._put()

    def _put(self) -> None:
        self.var[:, self._pooled] = self.tau[:, self._block] ** 2
        self.tie[self._pooled] = self.rho[0]

    def switch(self, k: int, *, on: bool) -> None:
        """Switch a block of `SWITCHED` on or off."""
        span = self._switched[k]
        self.on[k] = on
        self.mean[span] = self._set_mean[span] if on else 0.0
        self.var[:, span] = self._set_var[span] if on else _OFF_VAR

    @property
    def in_order(self) -> bool:
        """Whether zones after the first cost less."""
        return bool(self.on[_AFTER])

    def put_form(self, *, together: bool, in_order: bool) -> None:
        """Switch the two forms of zones worked together on or off."""
        self.switch(_TOGETHER, on=together)
        self.switch(_AFTER, on=in_order)

    @staticmethod
    def log_forms() -> dict[Form, float]:
        """Return the log prior chance of each form."""
        (together, _), (in_order, _) = SWITCHED["together"], SWITCHED["after"]
        neither = (1 - in_order) * (1 - together)
        chance: dict[Form, float] = {
            "none": neither * (1 - BOOKED_FIRST), "alike": (1 - in_order) * together, "after": in_order,
            "first": neither * BOOKED_FIRST,
        }  # fmt: skip
        return {form: float(np.log(share)) for form, share in chance.items()}

    def moments(self, column: int) -> tuple[float, float]:
        """Return mean and variance of a switched column's coefficient where it is on."""
        return float(self._set_mean[column]), float(self._set_var[column])

    def joint(self, at: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return precision (2 d, 2 d) and mean (2 d,) of some coefficients, those of pellets first."""
        d = len(at)
        v, keep = self.var[:, at], 1 - self.tie[at] ** 2
        precision, each = np.zeros((2 * d, 2 * d)), np.arange(d)
        precision[each, each], precision[d + each, d + each] = 1 / (v * keep)
        precision[each, d + each] = precision[d + each, each] = -self.tie[at] / (np.sqrt(v[0] * v[1]) * keep)
        return precision, np.tile(self.mean[at], 2)

    def given_other(self, t: int, b: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return mean and variance (n,) of the coefficients of quantity t given those of the other one."""
        ratio = np.sqrt(self.var[t] / self.var[1 - t])
        return self.mean + self.tie * ratio * (b - self.mean), self.var[t] * (1 - self.tie**2)

    def noise_given_other(
        self, t: int, effect: NDArray[np.float64], paired: NDArray[np.bool_]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return mean and variance (n_jobs,) of the job noise of quantity t given that of the other, where paired."""
        rho = float(self.rho[1])
        mean = np.where(paired, rho * self.job_sd[t] / self.job_sd[1 - t] * effect, 0.0)
        return mean, self.job_sd[t] ** 2 * np.where(paired, 1 - rho**2, 1.0)

    def noise_precision(self) -> NDArray[np.float64]:
        """Return the inverse covariance (2, 2) of the job noise."""
        rho = float(self.rho[1])
        return np.linalg.inv(np.outer(self.job_sd, self.job_sd) * np.array([[1.0, rho], [rho, 1.0]]))

    def draw(
        self,
        b: NDArray[np.float64],
        effect: NDArray[np.float64],
        in_job: NDArray[np.bool_],
        noise: list[NDArray[np.float64]],
        rng: np.random.Generator,
    ) -> None:
        """Draw all scales and correlations.

        Parameters
        ----------
        b : (2, n)
        effect, in_job : (2, n_jobs)
            Job noise, and whether a job has a record of the quantity.
        noise : two (n_paired,) arrays
            Standardised noise of lines with both quantities.
        """
        rho_b, both = float(self.rho[0]), np.asarray(in_job.all(axis=0))
        guess = self._guess * self.common
        grid = guess[:, None] * _shifted_factors(rng)
        prior = -(self._size + self._weight)[:, None] * np.log(grid)
        prior -= self._weight[:, None] * guess[:, None] ** 2 / (2 * grid**2)
        pooled, n_blocks = b[:, self._pooled], len(POOLED)
        product = np.bincount(self._block, weights=pooled[0] * pooled[1], minlength=n_blocks).astype(np.float64)
        for t in range(2):
            own = np.bincount(self._block, weights=pooled[t] ** 2, minlength=n_blocks)
            cross = product / self.tau[1 - t]
            rest = (own[:, None] / grid**2 - 2 * rho_b * cross[:, None] / grid) / (2 * (1 - rho_b**2))
            drawn = draw_from_log((prior - rest)[: self._n_drawn], grid[: self._n_drawn], rng)
            self.tau[t] = np.append(drawn, guess[self._n_drawn :])
            self._draw_job_sd(t, effect, in_job, both, rng)
        self._draw_common(rng)
        self._rescale(pooled, product, rng)
        self._put()
        scaled = pooled / np.sqrt(self.var[:, self._pooled])
        self.rho[0] = _draw_rho(scaled[0], scaled[1], rng)
        self.rho[1] = _draw_rho(effect[0, both] / self.job_sd[0], effect[1, both] / self.job_sd[1], rng)
        self.rho[2] = _draw_rho(noise[0], noise[1], rng)
        self.tie[self._pooled] = self.rho[0]

    def _draw_common(self, rng: np.random.Generator) -> None:
        used = self._size > 0
        weight = self._weight[used]
        spread = float((weight * self._guess[used] ** 2 / (2 * self.tau[:, used] ** 2)).sum())
        density = -0.5 * (np.log(COMMON_SCALES) / COMMON_SD) ** 2
        density += 2 * weight.sum() * np.log(COMMON_SCALES) - COMMON_SCALES**2 * spread
        self.common = float(draw_from_log(density, COMMON_SCALES, rng))

    def _rescale(self, pooled: NDArray[np.float64], product: NDArray[np.float64], rng: np.random.Generator) -> None:
        """Draw the common factor once more with all tau / g held, and move the taus along.

        Given the taus the factor hardly moves; the two draws in turn mix quickly (interweaving: Yu & Meng 2011, J.
        Computational and Graphical Statistics 20:531-570).
        """
        rho, eta = float(self.rho[0]), self.tau / self.common
        squares = [np.bincount(self._block, weights=pooled[t] ** 2, minlength=len(POOLED)) for t in range(2)]
        spread = squares[0] / eta[0] ** 2 + squares[1] / eta[1] ** 2 - 2 * rho * product / (eta[0] * eta[1])
        log_g = np.log(COMMON_SCALES)
        density = -0.5 * (log_g / COMMON_SD) ** 2 - 2 * self._size.sum() * log_g
        density -= float(spread.sum()) / (2 * (1 - rho**2) * COMMON_SCALES**2)
        self.common = float(draw_from_log(density, COMMON_SCALES, rng))
        self.tau = eta * self.common

    def _draw_job_sd(
        self,
        t: int,
        effect: NDArray[np.float64],
        in_job: NDArray[np.bool_],
        both: NDArray[np.bool_],
        rng: np.random.Generator,
    ) -> None:
        rho = float(self.rho[1])
        u, v = effect[t], effect[1 - t] / self.job_sd[1 - t]
        paired, alone = float((u[both] ** 2).sum()), float((u[in_job[t] & ~both] ** 2).sum())
        grid = JOB_SD * _shifted_factors(rng)
        density = -(in_job[t].sum() + JOB_SD_WEIGHT) * np.log(grid)
        density -= (JOB_SD_WEIGHT * JOB_SD**2 + alone) / (2 * grid**2)
        density -= (paired / grid**2 - 2 * rho * float((u[both] * v[both]).sum()) / grid) / (2 * (1 - rho**2))
        self.job_sd[t] = draw_from_log(density, grid, rng)


def _shifted_factors(rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the grid of scales moved by up to half a step, so that long logs are not held to its points."""
    return np.asarray(SCALE_FACTORS * (SCALE_FACTORS[1] / SCALE_FACTORS[0]) ** (rng.random() - 0.5))


def _draw_rho(one: NDArray[np.float64], two: NDArray[np.float64], rng: np.random.Generator) -> float:
    """Draw a correlation on its grid from two columns of standardised values."""
    keep = 1 - RHO_GRID**2
    squares, product = float((one**2).sum() + (two**2).sum()), float((one * two).sum())
    density = RHO_LOG_PRIOR - len(one) / 2 * np.log(keep) - (squares - 2 * RHO_GRID * product) / (2 * keep)
    return float(draw_from_log(density, RHO_GRID, rng))
