"""All stretches of days of one machine, operator or the whole shop, tried in the joint fit at once.

For each pair of days the statistic of "this stream took more from here to there" is its score over the root of its
information, everything else in the fit allowed for. The same figures give the chance of the best one while nothing
changes, and the posterior of where the stretch lies and how large it is: a change point's likelihood over both ends
(Barry & Hartigan 1993, JASA 88:309-319) with the size integrated out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from models.technique.design import Step
from models.technique.likejobs import whitener
from models.technique.runlength import level_shift_chance, stretch_chance
from models.technique.shrinkage import shrink_each

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.technique.likejobs import Fit
    from models.technique.rows import Whitener
    from models.technique.shrinkage import Shrunk

#: Jobs that a stretch must hold, and that must lie outside it.
LEAST_INSIDE = 6
LEAST_OUTSIDE = 12
#: Part of the error that goes to changes that last; the rest goes to stretches that ended before today.
LASTING_PART = 0.7
#: Part of the error that goes to rises; the rest goes to falls, which waste nothing while they are not told.
RISING_PART = 0.8
#: Standard deviation (log) of the size of a change where its place is weighed.
SIZE = 0.2
#: Half-Cauchy scale (log) of the size of a change that stands out: larger than that of an effect nobody looked for.
CHANGE_SCALE = 0.3
#: Stretches, the likeliest, over which a size is averaged.
MOST_AVERAGED = 150
_DRAWS = 400


@dataclass(frozen=True)
class Ground:
    """The joint fit prepared for scores of further columns: c'Py and c'Pc with P = V^-1 of everything else."""

    fit: Fit
    x: NDArray[np.float64]
    noise: Whitener
    pulled: NDArray[np.float64]
    cov: NDArray[np.float64]
    weighted_residual: NDArray[np.float64]

    @classmethod
    def of(cls, fit: Fit, *, without: Step | None = None) -> Ground:
        """Prepare a fit, if wished without the column of a step that it holds, all variances and weights kept."""
        kept = np.ones(len(fit.coef), dtype=np.bool_)
        block = fit.design.block("step")
        if without is not None and block is not None and without.label in block.labels:
            kept[block.column(without.label)] = False
        x = fit.x[:, kept]
        noise = whitener(fit)
        pulled = noise.apply(x)
        precision = x.T @ pulled
        precision[np.diag_indices_from(precision)] += 1.0 / fit.prior_var[kept]
        cov = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        coef = cov @ (pulled.T @ fit.y)
        return cls(fit, x, noise, pulled, cov, noise.apply((fit.y - x @ coef)[:, None])[:, 0])

    def measured(
        self, column: NDArray[np.float64], beside: NDArray[np.float64] | None = None
    ) -> tuple[float, float] | None:
        """Return estimate and error of a column's coefficient, given another column where `beside` is set.

        None where the rest of the fit leaves nothing of it.
        """
        columns = column[:, None] if beside is None else np.column_stack([column, beside])
        cross = self.pulled.T @ columns
        information = columns.T @ self.noise.apply(columns) - cross.T @ self.cov @ cross
        score = columns.T @ self.weighted_residual
        kept, value = information[0, 0], score[0]
        if beside is not None and information[1, 1] > 0:
            kept = kept - information[0, 1] ** 2 / information[1, 1]
            value = value - information[0, 1] / information[1, 1] * score[1]
        if kept <= 1e-9 * columns.T[0] @ self.noise.apply(column[:, None])[:, 0]:
            return None
        return float(value / kept), float(np.sqrt(self.fit.tail_factor / kept))

    def statistic(self, column: NDArray[np.float64], beside: NDArray[np.float64] | None = None) -> float:
        """Return the signed statistic of a column, given another one where `beside` is set."""
        found = self.measured(column, beside)
        return 0.0 if found is None else found[0] / found[1]


def stream_column(fit: Fit, kind: str, name: str) -> NDArray[np.float64]:
    """Return a stream's share of each row, shape (n_rows,); 1 everywhere for the shop."""
    if kind == "shop":
        return np.ones(fit.rows.n)
    block = fit.design.block(kind)
    if block is None or name not in block.labels:
        return np.zeros(fit.rows.n)
    return fit.x[:, block.column(name)]


def step_rows(table: JobTable, fit: Fit, step: Step) -> NDArray[np.float64]:
    """Return a step's column in the joint fit, shape (n_rows,)."""
    return stream_column(fit, step.kind, step.name) * step.holds(table.day[fit.rows.job])


@dataclass(frozen=True)
class Place:
    """Where a stretch may lie: its first day within `since`, the first day after it within `until` (None: it lasts).

    Both ends of each range are allowed.
    """

    since: tuple[int, int]
    until: tuple[int, int] | None


def _lasting_part(sign: float) -> float:
    """Return the part of the changes of a direction that last; all falls do."""
    return LASTING_PART if sign > 0 else 1.0


@dataclass(frozen=True)
class Stretches:
    """All stretches [first, last) of one stream's days.

    Attributes
    ----------
    kind, name : str
    days : int64 array (n,)
        Days on which the stream has jobs.
    n_jobs : int
    score : float64 array (n,)
    block : float64 array (n, n)
        Covariance of the scores.
    raw, error : float64 arrays (n + 1, n + 1)
        Log size of a stretch and its standard error.
    allowed : bool array (n + 1, n + 1)
        Stretches with enough jobs inside, before and outside them.
    """

    kind: str
    name: str
    days: NDArray[np.int64]
    n_jobs: int
    block: NDArray[np.float64]
    raw: NDArray[np.float64]
    error: NDArray[np.float64]
    allowed: NDArray[np.bool_]

    @property
    def z(self) -> NDArray[np.float64]:
        """Statistic of each stretch, shape (n + 1, n + 1)."""
        return self.raw / self.error

    def within(self, place: Place) -> Stretches:
        """Return the stretches that lie in a place, whatever jobs it leaves outside."""
        n = len(self.days)
        starts = np.append((self.days >= place.since[0]) & (self.days <= place.since[1]), False)
        ends = np.zeros(n + 1, dtype=np.bool_)
        if place.until is None:
            ends[n] = True
        else:
            ends[:n] = (self.days >= place.until[0]) & (self.days <= place.until[1])
            ends[n] = not ends[:n].any()
        inside = starts[:, None] & ends[None, :] & np.tri(n + 1, k=-1, dtype=np.bool_).T
        return replace(self, allowed=inside & np.isfinite(self.error))

    def near(self, step: Step) -> Stretches:
        """Return the stretches that have a day in common with a step."""
        days = np.append(self.days, np.iinfo(np.int64).max)
        common = (days[:, None] < step.end) & (days[None, :] > step.since)
        return replace(self, allowed=self.allowed & common)

    def step(self, first: int, last: int) -> Step:
        """Return the stretch of two positions as a step."""
        until = int(self.days[last]) if last < len(self.days) else None
        return Step(self.kind, self.name, int(self.days[first]), until)

    def best(self, *, sign: float) -> tuple[Step, float, float] | None:
        """Return the stretch that stands out most, its statistic, and the chance of such a one while nothing changes.

        Of rises two kinds are tried, one that ended and one that lasts; each has its part of the error, and so has each
        direction: the chance is that of any stretch of either direction, by Bonferroni's inequality. None where none
        is allowed.
        """
        n = len(self.days)
        z = np.where(self._of_sign(sign), sign * self.z, -np.inf)
        if not np.isfinite(z).any():
            return None
        part, lasts = (RISING_PART if sign > 0 else 1.0 - RISING_PART), _lasting_part(sign)
        lasting = [int(np.argmax(z[:, n])), n]
        top = float(z[lasting[0], n])
        by_chance = [(level_shift_chance(top, self.n_jobs, LEAST_INSIDE) / (part * lasts), lasting)]
        if sign > 0:
            ended = [int(i) for i in np.unravel_index(int(np.argmax(z[:, :n])), (n + 1, n))]
            top = float(z[ended[0], ended[1]])
            by_chance.append((stretch_chance(top, self.n_jobs, LEAST_INSIDE) / (part * (1.0 - lasts)), ended))
        chance, (first, last) = min(by_chance, key=lambda pair: (pair[0], pair[1][1] < n))
        if not z[first, last] > 0:
            return None
        return self.step(first, last), sign * float(z[first, last]), min(1.0, chance)

    def _of_sign(self, sign: float) -> NDArray[np.bool_]:
        """Return the stretches that may hold a change of a direction, shape (n + 1, n + 1).

        A fall must last. One that ended is told as a rise since then: the two differ only in the first jobs of the
        record, and things rarely get better and then worse again by as much.
        """
        lasts = np.arange(len(self.days) + 1)[None, :] == len(self.days)
        return np.asarray(self.allowed & (lasts | (sign > 0)))

    def chance_of_best(self) -> float:
        """Return the chance that any allowed stretch stands out upward as much as the best does, by simulation.

        Importance sampling (Naiman & Priebe 2001, J. Comput. Graph. Stat. 10:296-328): with k stretches and z the best
        statistic, P = k P(N > z) E[1/m], where one stretch drawn at random is put above z, the others follow from their
        covariance, and m of all are above z. For few stretches: all their covariances are held at once.
        """
        from scipy.special import ndtr, ndtri

        first, last = np.nonzero(self.allowed)
        if len(first) == 0:
            return 1.0
        z = float(self.z[first, last].max())
        inside = np.asarray(
            (np.arange(len(self.days)) >= first[:, None]) & (np.arange(len(self.days)) < last[:, None]), np.float64
        )
        cov = inside @ self.block @ inside.T
        root = np.sqrt(np.diag(cov))
        cov = cov / np.outer(root, root)
        rng = np.random.default_rng(0)
        chosen = rng.integers(0, len(first), _DRAWS)
        top = -ndtri(ndtr(-z) * rng.uniform(1e-12, 1.0, _DRAWS))
        values, vectors = np.linalg.eigh(cov)
        free = rng.standard_normal((_DRAWS, len(first))) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
        own = free[np.arange(_DRAWS), chosen]
        drawn = free + cov[chosen] * (top - own)[:, None]
        above = np.maximum((drawn >= z - 1e-9).sum(axis=1), 1)
        return float(min(1.0, len(first) * ndtr(-z) * np.mean(1.0 / above)))

    def weights(self, *, sign: float) -> NDArray[np.float64]:
        """Return the posterior of each stretch, shape (n + 1, n + 1), a change of direction `sign` taken for granted.

        All 0 where none is allowed.
        """
        log_weight = self._log_weights(sign)
        top = float(log_weight.max())
        if not np.isfinite(top):
            return np.zeros_like(self.raw)
        weight = np.exp(log_weight - top)
        return np.asarray(weight / weight.sum(), dtype=np.float64)

    def evidence(self, *, sign: float) -> float:
        """Return the log of the likelihood of a change of direction `sign`, wherever it lies, over that of none.

        It tells a fall that lasts from a rise that ended where the fall began: the two differ only in the first jobs
        of the record, where the rise may begin on any day, and a place that is free to be chosen counts for less
        (the marginal likelihood weighs it against all others; Kass & Raftery 1995, JASA 90:773-795). -inf where no
        stretch is allowed.
        """
        log_weight = self._log_weights(sign)
        top = float(log_weight.max())
        return top + float(np.log(np.exp(log_weight - top).sum())) if np.isfinite(top) else -np.inf

    def _log_weights(self, sign: float) -> NDArray[np.float64]:
        """Return log prior and likelihood ratio of each stretch against no change.

        The size N(0, SIZE^2) is integrated out. A priori `LASTING_PART` is spread evenly over the rises that last, the
        rest over those that ended; all falls last.
        """
        n = len(self.days)
        z = sign * self.z
        may = self._of_sign(sign)
        gain = SIZE**2 / (SIZE**2 + self.error**2)
        log_prior = np.full(self.raw.shape, np.log((1.0 - LASTING_PART) / max(1, int(may[:, :n].sum()))))
        log_prior[:, n] = np.log(_lasting_part(sign) / max(1, int(may[:, n].sum())))
        log_ratio = 0.5 * z**2 * gain + 0.5 * np.log1p(-np.minimum(gain, 1 - 1e-12))
        return np.asarray(np.where(may & (z > 0), log_prior + log_ratio, -np.inf), dtype=np.float64)

    def likeliest(self, weight: NDArray[np.float64]) -> Step | None:
        """Return the stretch in the middle of a posterior: whether it ended, then each end's median; None without one.

        A median is the day that is the fewest jobs away on average.
        """
        n = len(self.days)
        if weight.sum() <= 0:
            return None
        lasts = weight[:, n].sum() >= weight[:, :n].sum()
        kept = weight[:, n:] if lasts else weight[:, :n]
        share = kept / kept.sum()
        first = int(np.searchsorted(np.cumsum(share.sum(axis=1)), 0.5))
        last = n if lasts else int(np.searchsorted(np.cumsum(share.sum(axis=0)), 0.5))
        return self.step(first, last) if last > first else self.step(*self._mode(share, lasts))

    def _mode(self, share: NDArray[np.float64], lasts: bool) -> tuple[int, int]:
        first, last = (int(i) for i in np.unravel_index(int(np.argmax(share)), share.shape))
        return first, len(self.days) if lasts else last

    def size(self, weight: NDArray[np.float64], *, like: Step) -> Shrunk:
        """Return the posterior of the size, averaged over where the stretch may lie, ended or lasting as `like`."""
        n = len(self.days)
        kept = weight.copy()
        kept[:, :n] *= like.until is not None
        kept[:, n] *= like.until is None
        top = np.sort(kept.ravel())[-MOST_AVERAGED:][0]
        first, last = np.nonzero((kept > 0) & (kept >= top))
        return shrink_each(self.raw[first, last], self.error[first, last], kept[first, last], scale=CHANGE_SCALE)


def stretches(table: JobTable, ground: Ground, kind: str, name: str) -> Stretches | None:
    """Return all stretches of a stream in a fit; None where it has too few jobs.

    With s the stream's column, a stretch's score is the sum of its jobs' scores, its information the sum of the block
    of c'Pc; both come from prefix sums.
    """
    fit = ground.fit
    share = stream_column(fit, kind, name)
    rows = np.flatnonzero(share > 0)
    days, index = np.unique(table.day[fit.rows.job[rows]], return_inverse=True)
    n = len(days)
    jobs_on = np.bincount(np.unique(np.column_stack([index, fit.rows.job[rows]]), axis=0)[:, 0], minlength=n)
    if jobs_on.sum() < LEAST_INSIDE + LEAST_OUTSIDE:
        return None
    weighted = ground.noise.apply(share[:, None])[rows, 0]
    score = np.bincount(index, weights=share[rows] * ground.weighted_residual[rows], minlength=n)
    pulled = np.zeros((n, ground.x.shape[1]))
    np.add.at(pulled, index, ground.x[rows] * weighted[:, None])
    block = -pulled @ ground.cov @ pulled.T
    block[np.diag_indices(n)] += np.bincount(index, weights=share[rows] * weighted, minlength=n)
    total = np.zeros((n + 1, n + 1))
    total[1:, 1:] = block.cumsum(axis=0).cumsum(axis=1)
    own = np.diag(total)
    information = own[None, :] + own[:, None] - total - total.T
    sums, counts = np.append(0.0, score.cumsum()), np.append(0, jobs_on.cumsum())
    inside = counts[None, :] - counts[:, None]
    allowed = (inside >= LEAST_INSIDE) & (counts[-1] - inside >= LEAST_OUTSIDE) & (counts[:, None] >= LEAST_OUTSIDE)
    known = (information > 1e-6 * max(float(own[-1]), 1e-12)) & (inside > 0)
    raw, error = np.zeros_like(total), np.full_like(total, np.inf)
    raw[known] = (sums[None, :] - sums[:, None])[known] / information[known]
    error[known] = np.sqrt(fit.tail_factor / information[known])
    return Stretches(kind, name, days, int(counts[-1]), block, raw, error, allowed & known)
