"""What the lines' figures say with all coefficients of both quantities and the job noise integrated out.

Line i of job j has residuals r_i of pellets and minutes (without coefficients), line noise of precision O_i (2, 2),
which is correlated, and job noise u_j ~ N(0, L^-1). With K_j = (sum_j O_i + L)^-1 = C_j C_j' and V_j = sum_j O_i v_i
for a column v, two columns v and w, each with a coefficient of either quantity, have the product

    <v, w> = sum_i O_i v_i w_i - sum_j V_j K_j W_j    (2, 2).

Let M and g be the precision and information of all coefficients so built, prior included. Then, up to what depends on
neither the columns nor the residuals nor their weights,

    log p = -1/2 sum_i r_i'O_i r_i + 1/2 sum_j (sum_j O_i r_i)'K_j (sum_j O_i r_i) + 1/2 g'M^-1 g - 1/2 log |M|
            + 1/2 sum_i log |O_i| + 1/2 sum_j log |K_j|.

One more column v, or one of its own for each quantity, whose coefficients d are N(m, S) beforehand, with B = <x, v>:

    Q = <v, v> + S^-1 - B'M^-1 B,  h = <v, r> + S^-1 m - B'M^-1 g,  d ~ N(Q^-1 h, Q^-1),
    log Bayes factor = 1/2 h'Q^-1 h - 1/2 log |Q| - 1/2 log |S| - 1/2 m'S^-1 m;

where d = m is known, S = 0, it is m'h - 1/2 m'Q m without the terms of the prior.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.sampler_time import times

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.consumption.priors import Priors
    from models.consumption.sampler_target import Target


@dataclass(frozen=True)
class Lines:
    """The lines of a table as a sampler holds them.

    Attributes
    ----------
    x : (n_lines, n_columns)
        0 for a line without any record.
    rest, weight : (2, n_lines)
        Residuals without coefficients and job noise, and their weights, 0 without a record.
    job : (n_lines,)
    first : (n_jobs,)
        First line of each job.
    """

    x: NDArray[np.float64]
    rest: NDArray[np.float64]
    weight: NDArray[np.float64]
    job: NDArray[np.int64]
    first: NDArray[np.int64]

    @classmethod
    def of(cls, targets: list[Target], table: JobTable) -> Lines:
        """Return the lines of the targets."""
        x = np.zeros((table.n_lines, len(targets[0].b)))
        rest, weight = np.zeros((2, table.n_lines)), np.zeros((2, table.n_lines))
        for t, target in enumerate(targets):
            x[target.lines] = target.x
            rest[t, target.lines] = target.y - target.offset - target.own - target.drift[target.job]
            weight[t, target.lines] = target.weight()
        return cls(x, rest, weight, table.line_job, np.searchsorted(table.line_job, np.arange(table.n_jobs)))

    def without_columns(self, columns: list[int]) -> Lines:
        """Return the lines without some of their columns."""
        x = self.x.copy()
        x[:, columns] = 0.0
        return replace(self, x=x)

    def without_lines(self, lines: NDArray[np.int64]) -> Lines:
        """Return the lines with some of them as if they had no record."""
        weight = self.weight.copy()
        weight[:, lines] = 0.0
        return replace(self, weight=weight)

    def precision(self, rho: float) -> NDArray[np.float64]:
        """Return O of the module's text, (2, 2, n_lines); rho: correlation of line noise where both have a record."""
        keep = np.where((self.weight > 0).all(axis=0), 1 - rho**2, 1.0)
        off = -rho * np.sqrt(self.weight[0] * self.weight[1]) / keep
        return np.array([[self.weight[0] / keep, off], [off, self.weight[1] / keep]])

    @property
    def n_jobs(self) -> int:
        """Number of jobs."""
        return len(self.first)

    def by_job(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return sums over the lines of each job along the first axis."""
        return np.asarray(np.add.reduceat(values, self.first, axis=0))


class Marginal:
    """The coefficients of both quantities given latent lines, scales and noise; `log_p` integrates them out.

    Attributes
    ----------
    lines : Lines
    o : (2, 2, n_lines)
        Precision of the line noise.
    c : (n_jobs, 2, 2)
    pulled : (2, n_lines)
        O r.
    own : (n_jobs, 2)
        C' times the job's sum of O r.
    sums : (2, n_jobs, 2, n_columns)
        C' V of each column, for its coefficient of either quantity.
    log_p : float
    """

    def __init__(self, lines: Lines, priors: Priors) -> None:
        from scipy.linalg.lapack import dpotrf

        n = lines.x.shape[1]
        self.lines, self.o = lines, lines.precision(float(priors.rho[2]))
        noise = lines.by_job(np.moveaxis(self.o, 2, 0)) + priors.noise_precision()
        self.c = np.linalg.cholesky(np.linalg.inv(noise))
        self.pulled = times(self.o, lines.rest)
        self.own = self.job_part(self.pulled[:, :, None])[:, :, 0]
        m, mean = priors.joint(np.arange(n))
        g = m @ mean
        by_job = np.empty((2, lines.n_jobs, 2, n))
        for t, s in ((0, 0), (0, 1), (1, 1)):  # O is symmetric
            weighted = self.o[t, s][:, None] * lines.x
            square = lines.x.T @ weighted
            by_job[t, :, s] = by_job[s, :, t] = lines.by_job(weighted)
            m[t * n : (t + 1) * n, s * n : (s + 1) * n] += square
            if t != s:
                m[s * n : (s + 1) * n, t * n : (t + 1) * n] += square.T
        self.sums = np.ascontiguousarray(self.c.transpose(0, 2, 1) @ by_job)
        for t in range(2):
            g[t * n : (t + 1) * n] += self.pulled[t] @ lines.x - np.tensordot(self.own, self.sums[t])
        flat = np.concatenate([part.reshape(-1, n) for part in self.sums], axis=1)
        lower, _ = dpotrf(m - flat.T @ flat, lower=1, clean=1)
        self.lower = np.asarray(lower, dtype=np.float64)
        self.half = self.solve(g)
        self.log_p = 0.5 * float((self.half**2).sum() + (self.own**2).sum() - (self.pulled * lines.rest).sum())
        self.log_p -= float(np.log(self.lower.diagonal()).sum())
        # Of |O| only the weights differ between states of one shop: its correlation is held.
        self.log_p += 0.5 * float(np.log(lines.weight[lines.weight > 0]).sum())
        self.log_p += float(np.log(self.c.diagonal(axis1=1, axis2=2)).sum())

    def solve(self, right: NDArray[np.float64], *, transposed: bool = False) -> NDArray[np.float64]:
        """Return the lower root of M, or its transpose, solved for the right side."""
        from scipy.linalg.lapack import dtrtrs

        solved, _ = dtrtrs(self.lower, right, lower=1, trans=int(transposed))
        return np.asarray(solved, dtype=np.float64)

    def job_part(self, weighted: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return C' V of columns that are weighted, (2, n_lines, k), already: (n_jobs, 2, k)."""
        return np.asarray(self.c.transpose(0, 2, 1) @ self.lines.by_job(np.moveaxis(weighted, 0, 1)))

    def coefficients(self, half: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the coefficients (2, n_columns) from their half-solved information."""
        return self.solve(half, transposed=True).reshape(2, -1)

    def draw(self, rng: np.random.Generator) -> NDArray[np.float64]:
        """Draw the coefficients, (2, n_columns)."""
        return self.coefficients(self.half + rng.standard_normal(len(self.half)))

    def job_noise(self, left: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the mean of the job noise, (2, n_jobs), given residuals (2, n_lines) with all but it taken off."""
        part = self.job_part(times(self.o, left)[:, :, None])
        return np.asarray((self.c @ part)[:, :, 0].T)

    def with_column(self, v: NDArray[np.float64], mean: float, var: float) -> Extra:
        """Return the fit with a column more, (n_lines,) or (2, n_lines), its coefficients each N(mean, var) beforehand.

        Where var is 0 they are known.
        """
        return Extra(self, v, mean, var)

    def log_density(self, whole: Lines, at: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the log density of lines that were left out, one quantity after another, (n,), to a constant.

        `whole` are the lines with nothing left out.
        """
        b = self.coefficients(self.half)
        u = self.job_noise(self.lines.rest - b @ self.lines.x.T)
        job = whole.job[at]
        left = whole.rest[:, at] - b @ whole.x[at].T - u[:, job]
        spread = (self.c**2).sum(axis=2).T[:, job]
        weight = whole.weight[:, at]
        with np.errstate(divide="ignore"):
            var = 1.0 / weight + spread
        return np.asarray(-0.5 * (left**2 / var + np.where(weight > 0, np.log(var), 0.0)).sum(axis=0))


class Extra:
    """One column more.

    Attributes
    ----------
    step : (2,)
        Posterior mean of its coefficients.
    log_factor : float
        Log Bayes factor against the column left out.
    """

    def __init__(self, rest: Marginal, v: NDArray[np.float64], mean: float, var: float) -> None:
        x, weighted = rest.lines.x, rest.o * v
        own = np.stack([rest.job_part(weighted[:, s][:, :, None])[:, :, 0] for s in range(2)])
        cross = np.concatenate(
            [weighted[t] @ x - np.tensordot(own, rest.sums[t], axes=((1, 2), (0, 1))) for t in range(2)], axis=1
        )
        self.rest, self.v, self.half = rest, v, rest.solve(cross.T)
        both = np.broadcast_to(v, (2, len(x)))
        q = np.einsum("tsi,ti->ts", weighted, both) - np.tensordot(own, own, axes=((1, 2), (1, 2)))
        q -= self.half.T @ self.half
        h = (rest.pulled * both).sum(axis=1) - np.tensordot(own, rest.own) - self.half.T @ rest.half
        if not var:
            self.step, self.cov = np.full(2, mean), np.zeros((2, 2))
            self.log_factor = float(mean * h.sum() - 0.5 * mean**2 * q.sum())
            return
        q += np.eye(2) / var
        h += mean / var
        self.cov = np.linalg.inv(q)
        self.step = self.cov @ h
        log_det = float(np.log(np.linalg.det(q)))
        self.log_factor = 0.5 * float(h @ self.step) - 0.5 * log_det - np.log(var) - mean**2 / var

    def left(self) -> NDArray[np.float64]:
        """Return the residuals (2, n_lines) with all but the column taken off, at the posterior mean."""
        rest = self.rest
        b = rest.coefficients(rest.half - self.half @ self.step)
        bare = rest.lines.rest - b @ rest.lines.x.T
        u = rest.job_noise(bare - self.step[:, None] * self.v)
        return np.asarray(bare - u[:, rest.lines.job])

    def draw(self, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Draw the coefficients (2, n_columns) and those of the column, (2,)."""
        known = not self.cov.any()
        step = self.step if known else self.step + np.linalg.cholesky(self.cov) @ rng.standard_normal(2)
        half = self.rest.half - self.half @ step
        return self.rest.coefficients(half + rng.standard_normal(len(half))), step
