"""The sampler's draw of how each operator grades soil.

An operator who grades a level high looks thrifty: the effect of a whole level, uneven by level, zone and class, stands
in what is written and not in the work. One move proposes another grade of one operator, with the levels that its lines
then have (Metropolis; where a written level may stand for two, each by its prior chance, which cancels). All
coefficients of both quantities and the job noise are integrated out, since soil steps and the operator's effect move
along (`sampler_marginal`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.grades import GRADE_LOG_PRIOR, GRADES, log_chance_of_grades, meant
from models.consumption.sampler_marginal import Lines, Marginal

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.priors import Priors
    from models.consumption.sampler_soil import LatentSoil
    from models.consumption.sampler_target import Target

#: Lines without which nothing is asked of an operator's grades.
_LEAST_LINES = 12
#: Grades are proposed where what was written makes them no less likely than this, as log odds.
_LEAST_ODDS = -12.0
#: A proposal costs as much as some sweeps: one is made so often, and not again in a chain that would take it less
#: often than this (log chance).
_EVERY_SWEEPS = 10
_HOPELESS = -30.0


class Grading:
    """The grade of each operator as it stands, `grade` (n_operators,); 0 where there is nothing to ask."""

    def __init__(self, table: JobTable, columns: Columns, operator: NDArray[np.int64], soil: LatentSoil) -> None:
        self._table, self._soil = table, soil
        n_operators = len(columns.blocks["operator"])
        self.grade = np.zeros(n_operators, dtype=np.int64)
        self._lines = [np.flatnonzero((operator == o) & (table.soil >= 0)) for o in range(n_operators)]
        self._proposals: list[tuple[int, int]] = []
        self._turn = 0
        for o, lines in enumerate(self._lines):
            if n_operators > 1 and len(lines) >= _LEAST_LINES:
                written = self._written(o)
                self._proposals += [(o, g) for g, log_p in written.items() if g and log_p - written[0] > _LEAST_ODDS]

    def _written(self, operator: int) -> dict[int, float]:
        """Return the log chance of each grade of an operator, to a constant, by what was written alone."""
        log_p = GRADE_LOG_PRIOR + log_chance_of_grades(self._table, self._lines[operator], self._soil.model)
        return dict(zip(GRADES.tolist(), log_p.tolist(), strict=True))

    def draw(
        self,
        targets: list[Target],
        priors: Priors,
        at_levels: Callable[[NDArray[np.int64], NDArray[np.int64]], Lines],
        put_levels: Callable[[NDArray[np.int64], NDArray[np.int64]], None],
        floor: tuple[int, list[NDArray[np.float64]]],
        rng: np.random.Generator,
    ) -> None:
        """Draw the grade of one operator, and all coefficients where it changes; the job noise is left as it was.

        Parameters
        ----------
        at_levels, put_levels : callable (lines, levels)
            Return the lines as they were if some had these levels; give them these levels.
        floor : (first soil step, least steps of each target)
        """
        self._turn += 1
        if not self._proposals or self._turn % _EVERY_SWEEPS:
            return
        place = self._turn // _EVERY_SWEEPS % len(self._proposals)
        operator, grade = self._proposals[place]
        old = int(self.grade[operator])
        new = 0 if old == grade else grade
        written, lines = self._written(operator), self._lines[operator]
        there, back = (self._options(priors, at_levels, lines, g) for g in (new, old))
        proposed = there.low.copy()
        proposed[there.open] += rng.random(len(there.open)) < np.exp(there.log_q[:, 1])
        log_odds = written[new] - written[old]
        log_odds += there.log_weight(proposed) - back.log_weight(self._soil.level[lines])
        before = Marginal(Lines.of(targets, self._table), priors)
        after = Marginal(at_levels(lines, proposed), priors)
        log_chance = log_odds + after.log_p - before.log_p
        if log_chance < _HOPELESS:
            del self._proposals[place]
        if np.log(rng.random()) >= log_chance:
            return
        put_levels(lines, proposed)
        self._soil.regrade(lines, there.meant, proposed)
        self.grade[operator] = new
        b = after.draw(rng)
        step, least = floor
        for t, target in enumerate(targets):
            target.put(b[t], step, least[t])

    def _options(
        self,
        priors: Priors,
        at_levels: Callable[[NDArray[np.int64], NDArray[np.int64]], Lines],
        lines: NDArray[np.int64],
        grade: int,
    ) -> _Options:
        """Return what an operator's lines mean under a grade."""
        from scipy.special import log_softmax

        allowed = meant(self._table.soil[lines], grade)
        low, is_open = allowed.argmax(axis=1), allowed.sum(axis=1) > 1
        at = np.flatnonzero(is_open)
        if not len(at):
            return _Options(allowed, low, at, np.zeros((0, 2)), np.zeros((0, 2)))
        pick = np.arange(len(at))[:, None], low[at][:, None] + np.arange(2)
        log_prior = log_softmax(np.log(self._soil.model.chances(self._table, lines[at]))[pick], axis=1)
        both = [at_levels(lines, low + more * is_open) for more in (0, 1)]
        others = Marginal(both[0].without_lines(lines[at]), priors)
        log_q = log_prior.copy()
        for k, each in enumerate(both):
            log_q[:, k] += others.log_density(each, lines[at])
        return _Options(allowed, low, at, log_prior, log_softmax(log_q, axis=1))


@dataclass(frozen=True)
class _Options:
    """What an operator's lines mean under one grade: the level `low`, or for those at `open` that or the next one.

    `meant` (n, 4) says it line by line.
    `log_prior` and `log_q`, (n_open, 2), are the log chances of both by the shop's soil, and with the line's figures,
    given all other lines: what is proposed.
    """

    meant: NDArray[np.bool_]
    low: NDArray[np.int64]
    open: NDArray[np.int64]
    log_prior: NDArray[np.float64]
    log_q: NDArray[np.float64]

    def log_weight(self, level: NDArray[np.int64]) -> float:
        """Return the log of prior over proposal chance of the lines' levels."""
        high = (level - self.low)[self.open]
        return float((self.log_prior - self.log_q)[np.arange(len(high)), high].sum())
