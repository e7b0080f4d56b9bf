"""The sampler's draws of soil that nobody wrote down, of the shop's soil, and of how likely each level is written.

An unwritten line has level s with a chance proportional to

    P(s | class, zone, season, the job's common dirt) (1 - w_s) p(figures | s),

w_s the chance that a line of level s has its soil written (a selection model: Little & Rubin 2002, Statistical
Analysis with Missing Data, ch. 15). Most shops forget the soil by chance, w_s = w; some write it where it is worth a
word, mostly where it is heavy. The w_s are Beta(k w, k (1 - w)) with k drawn from `CHOICE_WEIGHTS`, infinite meaning by
chance. The shares of the levels are drawn from all lines, written or drawn: Dirichlet, planning shares as pseudo-lines.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption.latent_soil import SoilRows, average
from models.consumption.sampler_target import draw_from_log

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.consumption.latent_soil import SoilModel

#: How much a shop's levels differ in the chance of being written (weight of the common chance, in lines), with the
#: chance of each; from memory, without a source.
CHOICE_WEIGHTS = np.array([2.0, 8.0, 32.0, np.inf])
CHOICE_LOG_PRIOR = np.log(np.array([0.1, 0.1, 0.1, 0.7]))
#: What an unwritten line is taken for until its first draw: moderate.
FIRST_LEVEL = 1
_LEAST = 1e-300


class LatentSoil:
    """Levels of the lines without soil, and what they are drawn from.

    Attributes
    ----------
    level : int64 array (n_lines,)
        Of every line of the table, as written or as drawn last.
    drawn : int64 array
        Lines whose level is drawn: a figure, and no soil or one that may stand for two levels.
    lines : int64 array
        All lines of the jobs in which a level is drawn, but for those with neither soil nor figure, which say nothing.
    model : SoilModel
        The shop's soil as drawn last.
    unwritten : (4,)
        Log chance that a line of each level stays without soil, as drawn last; 0 where that is by chance.
    """

    def __init__(self, table: JobTable, used: NDArray[np.bool_], model: SoilModel) -> None:
        self._unknown, self._used = table.soil < 0, used
        self.level = np.where(self._unknown, FIRST_LEVEL, table.soil)
        self.model, self._table = model, table
        self._kept: list[tuple[SoilModel, NDArray[np.float64]]] = []
        self._meant = self._unknown[:, None] | (self.level[:, None] == np.arange(4))
        self._known = np.flatnonzero(~self._unknown)
        self._all = np.flatnonzero(~self._unknown | used)
        self._rows = SoilRows(table, self._all)
        self.unwritten = np.zeros(4)
        self._regraded = False
        self._index()

    def _index(self) -> None:
        """Find the lines that are drawn, and what they stand beside."""
        table = self._table
        open_lines = self._used & (self._meant.sum(axis=1) > 1)
        self.drawn = np.flatnonzero(open_lines)
        touched = np.zeros(table.n_jobs, dtype=bool)
        touched[table.line_job[self.drawn]] = True
        self.lines = np.flatnonzero(touched[table.line_job] & (self._used | ~self._unknown))
        _, self._job = np.unique(table.line_job[self.lines], return_inverse=True)
        self._at = np.flatnonzero(open_lines[self.lines])
        self._mean = self.model.mean(table)[self.lines]
        self._common = np.zeros(int(self._job.max()) + 1 if len(self._job) else 0)

    def regrade(self, lines: NDArray[np.int64], meant: NDArray[np.bool_], level: NDArray[np.int64]) -> None:
        """Take the given lines for these levels, each out of those it may mean, (n, 4), from now on."""
        self._meant[lines], self.level[lines], self._regraded = meant, level, True
        self._index()

    @property
    def moves(self) -> bool:
        """Whether anything here is drawn."""
        return self._regraded or bool(len(self.drawn))

    def draw(
        self,
        likelihood: Callable[[NDArray[np.int64]], NDArray[np.float64]],
        put: Callable[[NDArray[np.int64], NDArray[np.int64]], None],
        rng: np.random.Generator,
    ) -> None:
        """Draw levels, the dirt that lines of a job share, the shop's soil and the chances of being written.

        Parameters
        ----------
        likelihood : callable lines -> (n, 4)
            Log likelihood of the lines' figures at each level.
        put : callable (lines, levels)
            Told of lines whose level changes, before `level` does.
        """
        from scipy.special import ndtr, ndtri

        share = self.model.job_share
        own_sd = np.sqrt(1 - share)
        edges = np.array([-np.inf, *self.model.cuts, np.inf])
        centre = self._mean + self._common[self._job]
        below = ndtr((edges - centre[self._at, None]) / own_sd)
        log_p = np.log(np.maximum(np.diff(below, axis=1), _LEAST)) + likelihood(self.drawn)
        log_p += np.where(self._unknown[self.drawn, None], self.unwritten, 0.0)
        log_p[~self._meant[self.drawn]] = -np.inf
        new = draw_from_log(log_p, np.arange(4.0), rng).astype(np.int64)
        moved = np.flatnonzero(self.level[self.drawn] != new)
        put(self.drawn[moved], new[moved])
        self.level[self.drawn] = new
        level = self.level[self.lines]
        low, high = ndtr((edges[level] - centre) / own_sd), ndtr((edges[level + 1] - centre) / own_sd)
        p = np.clip(low + (high - low) * rng.random(len(level)), 1e-12, 1 - 1e-12)
        dirt = own_sd * ndtri(p) + self._common[self._job]
        size = np.bincount(self._job)
        precision = size / (1 - share) + 1 / share
        self._common = np.bincount(self._job, weights=dirt) / (1 - share) / precision
        self._common += rng.standard_normal(len(size)) / np.sqrt(precision)
        self._draw_written(rng)
        self._draw_shop(rng)

    def _draw_written(self, rng: np.random.Generator) -> None:
        """Draw how the chance of being written differs by level, the chances integrated out, then the chances."""
        from scipy.special import betaln

        missing = np.bincount(self.level[self.drawn[self._unknown[self.drawn]]], minlength=4)
        written = np.bincount(self.level[self._known], minlength=4)
        mean = (len(self._known) + 1) / (len(self._all) + 2)
        one, two = CHOICE_WEIGHTS[:-1, None] * mean, CHOICE_WEIGHTS[:-1, None] * (1 - mean)
        marginal = (betaln(one + written, two + missing) - betaln(one, two)).sum(axis=1)
        by_chance = written.sum() * np.log(mean) + missing.sum() * np.log1p(-mean)
        weight = float(draw_from_log(np.append(marginal, by_chance) + CHOICE_LOG_PRIOR, CHOICE_WEIGHTS, rng))
        if not np.isfinite(weight):
            self.unwritten = np.zeros(4)
            return
        chance = rng.beta(weight * (1 - mean) + missing, weight * mean + written)
        self.unwritten = np.log(np.maximum(chance, _LEAST))

    def _draw_shop(self, rng: np.random.Generator) -> None:
        level = self.level[self._all]
        shares = rng.dirichlet(self._rows.counts(level)) + 1e-6
        self.model = self._rows.fit(level, shares / shares.sum())
        self._mean = self.model.mean(self._table)[self.lines]

    def keep(self) -> None:
        """Count the shop's soil as it stands into what `kept` returns."""
        if self.moves:
            self._kept.append((self.model, self.unwritten))

    def by_choice(self) -> bool:
        """Whether it is more likely than not that what stays unwritten depends on the soil."""
        return sum(bool(c.any()) for _, c in self._kept) > len(self._kept) / 2

    def kept(self) -> tuple[SoilModel, NDArray[np.float64]]:
        """Return the mean of what was kept: the shop's soil, and how likely each level stays unwritten, (4,)."""
        if not self._kept:
            return self.model, np.ones(4)
        return average([m for m, _ in self._kept]), np.mean([np.exp(c) for _, c in self._kept], axis=0)
