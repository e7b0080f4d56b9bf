"""Operator, machine and settings that nobody wrote down of a job: drawn from what the shop usually does.

A job that leaves one of them blank on all of its lines has one of the usual operators (machines, ages of the ice, ...),
with the shop's shares beforehand. Taken as the mean they would widen the job noise, and be counted once more in an
answer that mixes over them. With q the weights of a job's lines, r their residuals without the job noise
u ~ N(0, L^-1) (two quantities), and e_k what candidate k adds to each line,

    log p(k) = log share_k - 1/2 sum q (r - e_k)^2 + 1/2 A_k' (W + L)^-1 A_k,  W = diag(sum q), A_k = sum q (r - e_k),

u integrated out; the fixed amount per visit is held, as it is elsewhere in a sweep. Constants that candidates share are
left away (data augmentation, Tanner & Wong 1987, JASA 82:528-540).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import POWERS, cell_column, setting_term, word_codes, zone_slopes
from models.consumption.jobs import SETTINGS
from models.consumption.sampler_target import draw_from_log

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.sampler_jobs import JobLevels
    from models.consumption.sampler_target import Target
    from models.consumption.usual import Usual


#: So many quantiles of a setting stand for what it may have been.
_N_CANDIDATES = 9


@dataclass
class _Blank:
    """One thing that some jobs leave blank, and what stands for it now.

    Attributes
    ----------
    jobs : (m,)
        Jobs without it.
    lines, job : (n,)
        Their lines, and to which of `jobs` each belongs.
    column, amount : (n, n_candidates, p)
        What a candidate adds to a line: columns (the number of all columns: none) and the values in them.
    log_share : (n_candidates,)
    now : (m,)
        Candidate of each job, -1 before the first draw.
    """

    jobs: NDArray[np.int64]
    lines: NDArray[np.int64]
    job: NDArray[np.int64]
    column: NDArray[np.int64]
    amount: NDArray[np.float64]
    log_share: NDArray[np.float64]
    now: NDArray[np.int64]


class Unwritten:
    """What is blank in a table; `draw` renews it in the targets' rows and in the jobs' columns."""

    def __init__(self, table: JobTable, columns: Columns, usual: Usual) -> None:
        self._n_columns = columns.n
        self._blanks = [*_words(table, columns, usual), *_settings(table, columns, usual)]

    def draw(
        self,
        targets: list[Target],
        levels: JobLevels,
        noise_precision: NDArray[np.float64],
        rng: np.random.Generator,
    ) -> None:
        """Draw every blank once, and bring rows and means up to date."""
        for blank in self._blanks:
            log_p = self._log_chance(blank, targets, noise_precision)
            new = draw_from_log(log_p, np.arange(float(len(blank.log_share))), rng).astype(np.int64)
            self._put(blank, new, targets, levels)

    def _log_chance(
        self, blank: _Blank, targets: list[Target], noise_precision: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the unnormalised log chance of each candidate, (m, n_candidates)."""
        n_jobs, n_candidates = len(blank.jobs), len(blank.log_share)
        weight, info = np.zeros((2, n_jobs)), np.zeros((2, n_jobs, n_candidates))
        log_p = np.tile(blank.log_share, (n_jobs, 1))
        for t, target in enumerate(targets):
            at = target.position[blank.lines]
            seen = np.flatnonzero(at >= 0)
            at, job = at[seen], blank.job[seen]
            effect = (np.append(target.b, 0.0)[blank.column[seen]] * blank.amount[seen]).sum(axis=2)
            now = blank.now[job]
            rest = target.y[at] - target.fit[at] + np.where(now >= 0, effect[np.arange(len(seen)), now], 0.0)
            q = target.weight()[at]
            left = rest[:, None] - effect
            weight[t] = np.bincount(job, weights=q, minlength=n_jobs)
            for k in range(n_candidates):
                info[t, :, k] = np.bincount(job, weights=q * left[:, k], minlength=n_jobs)
                log_p[:, k] -= 0.5 * np.bincount(job, weights=q * left[:, k] ** 2, minlength=n_jobs)
        one, two = weight[0] + noise_precision[0, 0], weight[1] + noise_precision[1, 1]
        cross = noise_precision[0, 1]
        square = two[:, None] * info[0] ** 2 - 2 * cross * info[0] * info[1] + one[:, None] * info[1] ** 2
        return np.asarray(log_p + 0.5 * square / (one * two - cross**2)[:, None])

    def _put(self, blank: _Blank, new: NDArray[np.int64], targets: list[Target], levels: JobLevels) -> None:
        moved = new != blank.now
        for chosen, sign in ((blank.now, -1.0), (new, 1.0)):
            at = np.flatnonzero(moved[blank.job] & (chosen[blank.job] >= 0))
            pick = at, chosen[blank.job[at]]
            column, amount = blank.column[pick], blank.amount[pick]
            levels.add(blank.jobs[blank.job[at]], column[:, 0], sign * amount[:, 0])
            for target in targets:
                row = target.position[blank.lines[at]]
                for p in range(column.shape[1]):
                    has = (row >= 0) & (column[:, p] < self._n_columns)
                    add = sign * amount[has, p]
                    target.x[row[has], column[has, p]] += add
                    target.fit[row[has]] += add * target.b[column[has, p]]
        blank.now = new


def _blank_jobs(table: JobTable, missing: NDArray[np.bool_]) -> tuple[NDArray[np.int64], ...]:
    """Return the jobs of which all lines miss something, their lines, and the place of each line's job among them."""
    size = np.bincount(table.line_job, minlength=table.n_jobs)
    jobs = np.flatnonzero(np.bincount(table.line_job, weights=missing, minlength=table.n_jobs) == size)
    place = np.full(table.n_jobs, -1)
    place[jobs] = np.arange(len(jobs))
    lines = np.flatnonzero(place[table.line_job] >= 0)
    return jobs, lines, place[table.line_job[lines]]


def _words(table: JobTable, columns: Columns, usual: Usual) -> Iterator[_Blank]:
    """Yield the blanks of operators and of machines, a machine with what is its own in each zone."""
    zone = word_codes(columns, table)["zone"]
    for block, factor in (("operator", table.operator), ("machine", table.machine)):
        share = np.array(usual.shares[block])
        used = np.flatnonzero(share > 0)
        jobs, lines, job = _blank_jobs(table, factor.codes < 0)
        if not len(used) or not len(jobs):
            continue
        column = np.full((len(lines), len(used), 2), columns.n)
        column[:, :, 0] = columns.start(block) + used
        if block == "machine":
            cell = cell_column(columns, "machine_zone", used, zone[lines, None])
            column[:, :, 1] = np.where(cell >= 0, cell, columns.n)
        yield _Blank(jobs, lines, job, column, np.ones(column.shape), np.log(share[used]), np.full(len(jobs), -1))


def _settings(table: JobTable, columns: Columns, usual: Usual) -> Iterator[_Blank]:
    """Yield the blanks of settings that other jobs have, a setting with what is its own in each zone."""
    keyed, slopes = columns.keyed(), zone_slopes(columns)
    zone = word_codes(columns, table)["zone"]
    for name in SETTINGS:
        usually = np.array(usual.settings.get(name, ()))
        jobs, lines, job = _blank_jobs(table, np.isnan(table.settings[name]))
        if not len(usually) or not len(jobs):
            continue
        at = ((np.arange(_N_CANDIDATES) + 0.5) * len(usually) / _N_CANDIDATES).astype(np.int64)
        values, count = np.unique(usually[at], return_counts=True)
        block, powers = ("age", ("",)) if name == "ice_age_days" else ("setting", POWERS)
        keys = [name + power for power in powers]
        at_lines = [np.full(len(lines), keyed[block, key]) for key in keys]
        at_lines += [slopes[key][zone[lines]] for key in keys if key in slopes]
        terms = [setting_term(key, values) for key in keys]
        terms += [term for key, term in zip(keys, terms, strict=True) if key in slopes]
        shape = (len(lines), len(values), len(terms))
        found = np.column_stack(at_lines)[:, None]
        column = np.broadcast_to(np.where(found >= 0, found, columns.n), shape)
        amount = np.broadcast_to(np.column_stack(terms), shape)
        yield _Blank(jobs, lines, job, column, amount, np.log(count / count.sum()), np.full(len(jobs), -1))
