"""Changes of level in time: whether, when, for whom and by how much, one joint Gibbs move over both quantities.

Each of a few possible changes is off or on. One that is on adds s delta, delta = (delta_lb, delta_min), to the log of
every line of the jobs in its scope (all jobs, or those of one machine); delta ~ N(0, S) (spike and slab: George &
McCulloch 1993, JASA 88:881-889; change points: Barry & Hartigan 1993, JASA 88:309-319; Chib 1998, J. Econometrics
86:221-241). It has one of two shapes, given a day c: a step, s = 1 from c on, or wear, s = years since the first job,
and from c on years since c, when the worn part was renewed. A change confounds with whatever is constant within a job
(level, machine, operator, season), so the move integrates all of those out together with the job noise.

With W_tj = sum q and A_tj = sum q r over the lines of job j (r without the parts integrated out), and job noise
u_j ~ N(0, L^-1), job j carries the precision P_j = W - W (W + L)^-1 W, W = diag(W_1j, W_2j), and the information
h_j = A - W (W + L)^-1 A for its two levels. Let M and v be the precision and information of the integrated
coefficients (prior included), B = sum s P z' their covariance terms with the change. Then the change has precision
Q = sum s^2 P_j + S^-1 - B'M^-1 B and information w = sum s h_j - B'M^-1 v, and against no change

    log Bayes factor = 1/2 w'Q^-1 w - 1/2 log |Q| - 1/2 log |S|.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Prior of one change: its chance (less where many are possible: so many are expected at most), its sd on the log
#: scale, what pellets and minutes have in common; from memory, without a source, like the bounds below.
CHANCE = 0.12
MOST_EXPECTED = 0.48
STEP_SD = 0.25
STEP_RHO = 0.5
#: Wear: its share among changes, and its sd on the log scale a year.
WEAR_SHARE = 0.25
WEAR_SD = 0.8
#: Days for which a request is taken to lie ahead of the last job.
AHEAD_DAYS = 15.0
#: One change per so many jobs up to four, then one per so many up to the most: several machines may wear.
JOBS_PER_CHANGE, FIRST_CHANGES = 10, 4
JOBS_PER_FURTHER, MOST_CHANGES = 60, 8
#: A change is looked for at so many days at most, and in a machine that has so many jobs.
_MOST_PLACES = 60
_MACHINE_JOBS = 8


@dataclass(frozen=True)
class Change:
    """A change of level that is on.

    Attributes
    ----------
    day : int
        Ordinal from which a step is on, or on which what wears was renewed.
    machine : str
        Whose it is, '' for all jobs.
    wears : bool
        Whether it is wear and not a step.
    """

    day: int
    machine: str
    wears: bool

    def shape(self, day: NDArray[np.int64], first_day: int) -> NDArray[np.float64]:
        """Return s of the module's text on each day of a log that begins on `first_day`."""
        late = day >= self.day
        if not self.wears:
            return late.astype(np.float64)
        return (day - np.where(late, self.day, first_day)) / DAYS_PER_YEAR

    def ahead(self, last_day: int) -> float:
        """Return s for a job to come, after the last day of the log."""
        return (last_day + AHEAD_DAYS - self.day) / DAYS_PER_YEAR if self.wears else 1.0


@dataclass(frozen=True)
class Sums:
    """What the lines of each job say of its two levels; see the module's text.

    Attributes
    ----------
    weight, info : (2, n_jobs)
        Sums of q, and of q times the residual without integrated columns and changes.
    """

    weight: NDArray[np.float64]
    info: NDArray[np.float64]

    def noise_cov(self, job_precision: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the covariance (2, 2, n_jobs) of each job's noise given its level, (W + L)^-1 of the module's text."""
        one, two = self.weight + job_precision.diagonal()[:, None]
        return _inverse(one, two, job_precision[0, 1])


@dataclass(frozen=True)
class Told:
    """What the jobs say of their levels with the job noise integrated out.

    Attributes
    ----------
    sums : Sums
    noise_cov : (2, 2, n_jobs)
        Covariance of each job's noise given its level.
    p : (2, 2, n_jobs)
    info : (2, n_jobs)
        P and h of the module's text.
    precision : (2 d, 2 d)
        Of the integrated coefficients, prior left out.
    """

    sums: Sums
    noise_cov: NDArray[np.float64]
    p: NDArray[np.float64]
    info: NDArray[np.float64]
    precision: NDArray[np.float64]


class Changes:
    """The changes as they stand; `draw` renews them.

    Attributes
    ----------
    scope, place : int64 arrays (n_changes,)
        Scope 0: all jobs; k > 0: machine code k - 1; -1: the change is off. Place: index into `days`.
    worn : bool array (n_changes,)
        Whether the change is wear and not a step.
    delta : (n_changes, 2)
    chance : float
        Prior chance that one of them is on.
    log_prior : (2 n_scopes,)
        Log prior odds of each shape and scope at one place, against off: steps first, then wear.
    """

    def __init__(
        self, day: NDArray[np.int64], machine: NDArray[np.int64], n_machines: int, base: NDArray[np.float64]
    ) -> None:
        """Take per job its day, its machine (-1: none) and the columns (n_jobs, d) to integrate out."""
        self.base = base
        self.order = np.argsort(day, kind="stable")
        ordered = day[self.order]
        days = np.unique(ordered)[1:]
        if len(days) > _MOST_PLACES:
            days = np.unique(ordered[(np.arange(1, _MOST_PLACES + 1) * len(day)) // (_MOST_PLACES + 1)])
            days = days[days > ordered[0]]
        self.days = days
        self.first = np.searchsorted(ordered, days)
        first, most = min(FIRST_CHANGES, len(day) // JOBS_PER_CHANGE), min(MOST_CHANGES, len(day) // JOBS_PER_FURTHER)
        n_changes = max(first, most) if len(days) else 0
        used = [m for m in range(n_machines) if (machine == m).sum() >= _MACHINE_JOBS]
        self.scopes = np.array([0, *(m + 1 for m in used)] if n_machines > 1 else [0])
        self.inside = np.stack([np.ones(len(day), dtype=bool), *(machine == s - 1 for s in self.scopes[1:])])
        share = np.full(len(self.scopes), 0.5 / max(len(self.scopes) - 1, 1))
        share[0] = 1.0 if len(self.scopes) == 1 else 0.5
        self.chance = min(CHANCE, MOST_EXPECTED / max(n_changes, 1))
        share = np.concatenate([(1 - WEAR_SHARE) * share, WEAR_SHARE * share])
        self.log_prior = np.log(self.chance / (1 - self.chance) * share / max(len(days), 1))
        self.day, self.worn = day, np.zeros(n_changes, dtype=bool)
        self._first_day, self._last_day = (int(ordered[0]), int(ordered[-1])) if len(day) else (0, 0)
        self._years, self._places = (day - self._first_day) / DAYS_PER_YEAR, (days - self._first_day) / DAYS_PER_YEAR
        self.scope, self.place = np.full(n_changes, -1), np.zeros(n_changes, dtype=np.int64)
        self.delta = np.zeros((n_changes, 2))
        self.slab = np.array([STEP_SD, WEAR_SD])[:, None, None] ** 2 * np.array([[1.0, STEP_RHO], [STEP_RHO, 1.0]])

    @property
    def n(self) -> int:
        """Number of changes there may be."""
        return len(self.scope)

    def drift(self, without: int = -1) -> NDArray[np.float64]:
        """Return what the changes that are on add to each job, (2, n_jobs), leaving one of them out."""
        out = np.zeros((2, len(self.day)))
        for k in range(self.n):
            if self.scope[k] >= 0 and k != without:
                out += self.delta[k][:, None] * self._basis(k)
        return out

    def now(self) -> dict[int, NDArray[np.float64]]:
        """Return what the changes add to a job to come, by scope."""
        out: dict[int, NDArray[np.float64]] = {}
        for k in range(self.n):
            if self.scope[k] >= 0:
                amount = self.change(k).ahead(self._last_day) * self.delta[k]
                out[int(self.scope[k])] = out.get(int(self.scope[k]), 0.0) + amount
        return out

    def change(self, k: int, machine: str = "") -> Change:
        """Return a change that is on, under the name of its machine."""
        return Change(int(self.days[self.place[k]]), machine, bool(self.worn[k]))

    def told(self, sums: Sums, job_precision: NDArray[np.float64]) -> Told:
        """Return what the jobs say of their two levels, given the inverse covariance (2, 2) of the job noise."""
        weight, info = sums.weight, sums.info
        kept = sums.noise_cov(job_precision)
        cross = -weight[0] * weight[1] * kept[0, 1]
        p = np.array(
            [[weight[0] - weight[0] ** 2 * kept[0, 0], cross], [cross, weight[1] - weight[1] ** 2 * kept[1, 1]]]
        )
        h = info - weight * times(kept, info)
        z = self.base
        both = np.block([[z.T @ (p[t, s][:, None] * z) for s in range(2)] for t in range(2)])
        return Told(sums, kept, p, h, both)

    def log_marginal(
        self, told: Told, precision: NDArray[np.float64], mean: NDArray[np.float64], info: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the log marginal likelihood of the jobs, to a constant, for each of k sets of `told.info`.

        Parameters
        ----------
        told : Told
            Its own info is not read.
        precision, mean : (2 d, 2 d), (2 d,)
            Prior of the integrated coefficients, those of pellets first.
        info : (k, 2, n_jobs)
        """
        lower, prior = np.linalg.cholesky(told.precision + precision), np.linalg.cholesky(precision)
        drift = self.drift()
        pulled = times(told.p, drift)
        v = precision @ mean + ((info - pulled) @ self.base).reshape(len(info), -1)
        half = np.linalg.solve(lower, v.T)
        logs = np.log(prior.diagonal()).sum() - np.log(lower.diagonal()).sum() - 0.5 * mean @ precision @ mean
        own = ((info - 0.5 * pulled) * drift).sum(axis=(1, 2))
        return np.asarray(logs + 0.5 * (half**2).sum(axis=0) + own)

    def draw(
        self, told: Told, precision: NDArray[np.float64], mean: NDArray[np.float64], rng: np.random.Generator
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Draw changes, integrated coefficients and job noise from their joint conditional.

        Parameters
        ----------
        told : Told
        precision, mean : (2 d, 2 d), (2 d,)
            Prior of the integrated coefficients, those of pellets first.

        Returns
        -------
        (2, d) coefficients and (2, n_jobs) job noise.
        """
        z, p, h = self.base, told.p, told.info
        m = told.precision + precision
        m_inverse: NDArray[np.float64] = np.asarray(np.linalg.inv(m), dtype=np.float64)
        v_prior = precision @ mean
        if self.n:
            tables = self._tables(p, m_inverse)
        for k in range(self.n):
            left = h - times(p, self.drift(without=k))
            self._draw_one(k, left, v_prior + (left @ z).ravel(), tables, rng)
        drift = self.drift()
        left = h - times(p, drift)
        drawn = m_inverse @ (v_prior + (left @ z).ravel())
        drawn += np.linalg.solve(np.linalg.cholesky(m).T, rng.standard_normal(len(drawn)))
        beta = drawn.reshape(2, -1)
        rest = told.sums.info - told.sums.weight * (beta @ z.T + drift)
        return beta, _job_noise(told.noise_cov, rest, rng)

    def _tables(self, p: NDArray[np.float64], m_inverse: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Return M^-1 B, (2 scopes, places, 2 d, 2), the inverse of Q and log |Q| |S|, steps first, then wear."""
        d, n_places = self.base.shape[1], len(self.days)
        each = np.concatenate([p.reshape(4, 1, -1), p.reshape(4, 1, -1) * self.base.T], axis=1).reshape(4 * (d + 1), -1)
        first = self._against(each)
        square = np.concatenate([first[: len(self.scopes), :: d + 1], self._squared(each[:: d + 1])])
        q = np.moveaxis(square.reshape(-1, 2, 2, n_places), 3, 1)
        b = first.reshape(-1, 2, 2, d + 1, n_places)[:, :, :, 1:]
        b = np.moveaxis(b, 4, 1).transpose(0, 1, 2, 4, 3).reshape(-1, n_places, 2 * d, 2)
        solved = m_inverse @ b
        slab = np.repeat(self.slab, len(self.scopes), axis=0)[:, None]
        q = q + np.linalg.inv(slab) - np.swapaxes(b, 2, 3) @ solved
        q_inverse = _inverse(q[..., 0, 0], q[..., 1, 1], q[..., 0, 1])
        log_det = np.log(q[..., 0, 0] * q[..., 1, 1] - q[..., 0, 1] ** 2) + np.log(np.linalg.det(slab))
        return solved, q_inverse, log_det

    def _draw_one(
        self,
        k: int,
        h: NDArray[np.float64],
        v: NDArray[np.float64],
        tables: tuple[NDArray[np.float64], ...],
        rng: np.random.Generator,
    ) -> None:
        solved, q_inverse, log_det = tables
        w = np.swapaxes(self._against(h), 1, 2) - np.einsum("gcit,i->gct", solved, v)
        mean = np.einsum("tsgc,gcs->gct", q_inverse, w)
        density = self.log_prior[:, None] + 0.5 * (mean * w).sum(axis=2) - 0.5 * log_det
        options = np.append(density.ravel(), 0.0)
        best = int(np.argmax(options + rng.gumbel(size=len(options))))
        if best == density.size:
            self.scope[k], self.delta[k] = -1, 0.0
            return
        g, c = divmod(best, len(self.days))
        self.worn[k], self.scope[k], self.place[k] = g >= len(self.scopes), self.scopes[g % len(self.scopes)], c
        lower = np.linalg.cholesky(q_inverse[:, :, g, c])
        self.delta[k] = mean[g, c] + lower @ rng.standard_normal(2)

    def _summed(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return sums of (k, n_jobs) values over the jobs from each place on, (k, n_places)."""
        parts = np.add.reduceat(values[:, self.order], self.first, axis=1)
        return np.asarray(np.cumsum(parts[:, ::-1], axis=1)[:, ::-1])

    def _against(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return sums of s times (k, n_jobs) values, (2 scopes, k, n_places), steps first."""
        steps = np.stack([self._summed(values * inside) for inside in self.inside])
        aged = np.stack([(values * inside) @ self._years for inside in self.inside])
        return np.concatenate([steps, aged[:, :, None] - self._places * steps])

    def _squared(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return sums of s^2 times (k, n_jobs) values where s is wear, (scopes, k, n_places)."""
        out = []
        for inside in self.inside:
            own = values * inside
            late = self._places**2 * self._summed(own) - 2 * self._places * self._summed(own * self._years)
            out.append((own @ self._years**2)[:, None] + late)
        return np.stack(out)

    def _basis(self, k: int) -> NDArray[np.float64]:
        """Return s of a change that is on for each job, (n_jobs,)."""
        shape = self.change(k).shape(self.day, self._first_day)
        return np.asarray(shape * self.inside[int(np.flatnonzero(self.scopes == self.scope[k])[0])])


def _inverse(
    one: NDArray[np.float64], two: NDArray[np.float64], cross: NDArray[np.float64] | float
) -> NDArray[np.float64]:
    """Return the inverses (2, 2, ...) of symmetric 2 x 2 matrices given by their entries."""
    det = one * two - cross**2
    off = -cross / det
    return np.array([[two / det, off], [off, one / det]])


def times(matrices: NDArray[np.float64], vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the products of (2, 2, n) matrices and (2, n) vectors."""
    return np.asarray((matrices * vectors).sum(axis=1))


def _job_noise(
    covariance: NDArray[np.float64], info: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Draw (2, n) normals with the given covariances (2, 2, n) and information."""
    mean = times(covariance, info)
    z = rng.standard_normal(info.shape)
    first = np.sqrt(covariance[0, 0])
    cross = covariance[0, 1] / first
    rest = np.sqrt(np.maximum(covariance[1, 1] - cross**2, 0.0))
    return np.asarray(mean + np.stack([first * z[0], cross * z[0] + rest * z[1]]))
