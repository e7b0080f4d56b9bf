"""How an operator grades soil: as it is, or one level above or below it.

Operator o writes min(max(s + g_o, 0), 3) for a line of level s, g_o in `GRADES` and mostly 0; a line that the rule
cannot give (light of one who grades high) has its own level, with the chance `SLIP`. Given the shop's soil the levels
that an operator wrote have the chance

    P(w | g) = int N(d; 0, s^2) prod_jobs int N(c; 0, r) prod_lines P(t in cuts of w under g | m + c + d) dc dd,

t the latent dirt of `latent_soil`, r the share of it that lines of a job have in common, and d how much dirtier than
the colleagues' an operator's lines are anyhow. Both integrals are Gauss-Hermite sums (Abramowitz & Stegun 1964,
25.4.46).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.consumption.latent_soil import SoilModel

#: Levels that an operator writes above the true one, and the chance of each; from memory, without a source.
GRADES = np.array([-1, 0, 1])
GRADE_LOG_PRIOR = np.log(np.array([0.05, 0.9, 0.05]))
#: Chance that a line does not follow its operator's rule.
SLIP = 0.01
#: Sd of how much dirtier an operator's lines are than the colleagues', in units of the latent dirt.
_OWN_DIRT_SD = 0.3
_JOB_NODES = 9
_OWN_NODES = 7
_LEAST = 1e-300


def _rule() -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return the lowest and highest level meant, and the log chance of writing so, each (grade, written level)."""
    level = np.arange(4)
    low = np.clip(level - GRADES[:, None], 0, 3)
    high = low.copy()
    low[0, 0], high[2, 3] = 0, 3
    low[2, 3], high[0, 0] = 2, 1
    log_chance = np.zeros((3, 4))
    log_chance[2, :2], log_chance[0, 2:] = np.log([SLIP, 1 - SLIP]), np.log([1 - SLIP, SLIP])
    return low, high, log_chance


_LOW, _HIGH, _LOG_CHANCE = _rule()


def meant(written: NDArray[np.int64], grade: NDArray[np.int64] | int) -> NDArray[np.bool_]:
    """Return which of the four levels a written one (>= 0) may stand for, (..., 4), by its operator's grade."""
    row = np.asarray(grade) + 1
    level = np.arange(4)
    return np.asarray((level >= _LOW[row, written][..., None]) & (level <= _HIGH[row, written][..., None]))


def log_chance_of_grades(table: JobTable, lines: NDArray[np.int64], model: SoilModel) -> NDArray[np.float64]:
    """Return the log chance of what one operator wrote on the given lines (soil known) under each of `GRADES`."""
    from numpy.polynomial.hermite_e import hermegauss
    from scipy.special import logsumexp, ndtr

    job_node, job_weight = hermegauss(_JOB_NODES)
    own_node, own_weight = hermegauss(_OWN_NODES)
    shared, own_sd = np.sqrt(model.job_share), np.sqrt(1 - model.job_share)
    moved = (shared * job_node[:, None] + _OWN_DIRT_SD * own_node).ravel()
    edges = np.array([-np.inf, *model.cuts, np.inf])
    mean, written = model.mean(table)[lines], table.soil[lines]
    first = np.flatnonzero(np.diff(table.line_job[lines], prepend=-1))
    out = np.empty(len(GRADES))
    for row in range(len(GRADES)):
        low, high = edges[_LOW[row, written]], edges[_HIGH[row, written] + 1]
        inside = ndtr(((high - mean)[:, None] - moved) / own_sd) - ndtr(((low - mean)[:, None] - moved) / own_sd)
        per_job = np.add.reduceat(np.log(np.maximum(inside, _LEAST)), first, axis=0)
        per_job = per_job.reshape(len(first), _JOB_NODES, _OWN_NODES)
        by_own = logsumexp(per_job, axis=1, b=job_weight[:, None] / job_weight.sum()).sum(axis=0)
        out[row] = logsumexp(by_own, b=own_weight / own_weight.sum()) + _LOG_CHANCE[row, written].sum()
    return out


def usual_grades(drawn: NDArray[np.float64], operators: tuple[str, ...]) -> dict[str, int]:
    """Return the most frequent of the drawn grades (n_states, n_operators) of each operator, where that is not 0."""
    count = np.stack([(drawn == g).sum(axis=0) for g in GRADES])
    return {o: int(g) for o, g in zip(operators, GRADES[np.argmax(count, axis=0)].tolist(), strict=True) if g}
