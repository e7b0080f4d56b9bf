"""Watching each machine and operator in job order: recursive residuals and a CUSUM with a stated run length.

Given the variances, the like-jobs model is a Gaussian linear model, so its one-step-ahead residuals, standardised by
their own covariance (Kalman form; Brown, Durbin & Evans 1975, J. R. Stat. Soc. B 37:149-192), are independent N(0, 1)
while nothing changes: the published run lengths hold exactly, the uncertainty of the expectation included. The shop's
own slow change is in the model and taken out. Page (1954) CUSUMs run upward for waste and, set far rarer, downward;
they tell on which day a change could first be noticed. What is told as a change is looked for in the whole record.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from models.technique.likejobs import whitener
from models.technique.runlength import cusum_limit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.technique.likejobs import Fit

#: Jobs between false upward alarms, over all streams together: each job moves one machine's and one operator's stream.
RUN_LENGTH = 500.0
#: The same for downward ones.
RUN_LENGTH_DOWN = 10_000.0
#: The change to be found soonest: +20 % pellets.
TARGET_LOG = float(np.log(1.2))
#: Jobs of a stream before a change can be told from a start.
LEAST_BEFORE = 8


@dataclass(frozen=True)
class Stream:
    """Standardised one-step-ahead residuals of one machine or operator, a value a job.

    Attributes
    ----------
    kind, name : str
    jobs : int64 array (n,)
        Rows of the job table, in date order.
    day : int64 array (n,)
    score : float64 array (n,)
        N(0, 1) while nothing changes.
    gain : float64 array (n,)
        Expected score per unit of log change.
    """

    kind: str
    name: str
    jobs: NDArray[np.int64]
    day: NDArray[np.int64]
    score: NDArray[np.float64]
    gain: NDArray[np.float64]


@dataclass(frozen=True)
class Alarm:
    """A stream's CUSUM over its limit.

    Attributes
    ----------
    stream : Stream
    at : int
        Position in the stream.
    up : bool
    """

    stream: Stream
    at: int
    up: bool

    @property
    def day(self) -> int:
        """Day of the alarm."""
        return int(self.stream.day[self.at])


def _membership(table: JobTable, fit: Fit, kind: str) -> NDArray[np.int64]:
    """Return the code of each row's machine or operator, -1 where blank or mixed, shape (n_rows,)."""
    factor = table.machine if kind == "machine" else table.operator
    codes = factor.codes[fit.rows.order].astype(np.int64)
    low = np.minimum.reduceat(codes, fit.rows.first)
    high = np.maximum.reduceat(codes, fit.rows.first)
    return np.where(low == high, low, -1)


def _normal_score(z: float, tail: float) -> float:
    """Return the normal score of a Student-t value, cut at +-3.5."""
    if tail < 100.0:
        from scipy.special import ndtri, stdtr

        z = float(ndtri(np.clip(stdtr(tail, z), 1e-4, 1.0 - 1e-4)))
    return float(np.clip(z, -3.5, 3.5))


def watch(table: JobTable, fit: Fit) -> list[Stream]:
    """Return the streams of all machines and operators from one pass through the jobs in date order.

    Each job is predicted from the jobs before it (prior: the fit's blocks), scored, and only then learned from.
    """
    rows = fit.rows
    noise = whitener(fit)
    jobs, starts = np.unique(rows.job, return_index=True)
    ends = np.append(starts[1:], rows.n)
    codes = {kind: _membership(table, fit, kind) for kind in ("machine", "operator")}
    gathered: dict[tuple[str, int], list[tuple[int, float, float]]] = {}
    mean, cov = np.zeros(len(fit.coef)), np.diag(fit.prior_var)
    row_var, job_var = fit.row_var, fit.job_var
    for i in np.argsort(table.day[jobs], kind="stable").tolist():
        span = slice(int(starts[i]), int(ends[i]))
        x = fit.x[span]
        n = len(x)
        pulled = cov @ x.T
        error = fit.y[span] - x @ mean
        known = x @ pulled
        plain = known + np.diag(row_var[span]) + job_var[jobs[i]]
        for kind, code in codes.items():
            here = code[span]
            for which in set(here[here >= 0].tolist()):
                own = here == which
                weight = np.linalg.solve(plain[np.ix_(own, own)], np.ones(int(own.sum())))
                gain = float(np.sqrt(weight.sum()))
                score = _normal_score(float(weight @ error[own]) / gain, fit.tail)
                gathered.setdefault((kind, which), []).append((int(jobs[i]), score, gain))
        # what is learned from the job carries its robust weights, so that a slip moves nothing
        shared = 1.0 / (noise.total[i] - noise.q[span].sum())
        learned = known + np.diag(1.0 / noise.q[span]) + shared * np.ones((n, n))
        step = np.linalg.solve(learned, pulled.T)
        mean = mean + step.T @ error
        cov = cov - pulled @ step
    streams = []
    for (kind, which), found in sorted(gathered.items()):
        factor = table.machine if kind == "machine" else table.operator
        at = np.array([f[0] for f in found], dtype=np.int64)
        figures = np.array([f[1:] for f in found], dtype=np.float64)
        streams.append(Stream(kind, factor.names[which], at, table.day[at], figures[:, 0], figures[:, 1]))
    return streams


def cusum(score: NDArray[np.float64], k: float, restart: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return C_i = max(0, C_(i-1) + score_i - k), set back to 0 before positions marked `restart`, shape (n,)."""
    path = np.empty(len(score))
    level = 0.0
    for i, (value, fresh) in enumerate(zip(score.tolist(), restart.tolist(), strict=True)):
        level = max(0.0, (0.0 if fresh else level) + value - k)
        path[i] = level
    return path


def reference_value(stream: Stream) -> float:
    """Return k, two fifths of what a change of +20 % adds to a score, kept within 0.12 to 0.75.

    The usual half would suit a change that stays; here the stream's own level is learned on and takes part of it in.
    """
    return float(np.clip(0.4 * TARGET_LOG * np.median(stream.gain), 0.12, 0.75))


@lru_cache(maxsize=4096)
def _limit(k: float, arl: float) -> float:
    return cusum_limit(k, arl)


def limits(k: float) -> tuple[float, float]:
    """Return the upward and downward decision intervals for the stated run lengths over all streams together."""
    return _limit(round(k, 2), 2.0 * RUN_LENGTH), _limit(round(k, 2), 2.0 * RUN_LENGTH_DOWN)


def restarts(stream: Stream, days: Mapping[tuple[str, str], tuple[int, ...]]) -> NDArray[np.bool_]:
    """Mark the first job of a stream on or after each of its change days, shape (n,)."""
    mark = np.zeros(len(stream.jobs), dtype=np.bool_)
    for day in days.get((stream.kind, stream.name), ()):
        at = int(np.searchsorted(stream.day, day))
        if at < len(mark):
            mark[at] = True
    return mark


def alarm_of(stream: Stream, restart: NDArray[np.bool_], *, since: int = 0) -> Alarm | None:
    """Return a stream's first alarm from a day on, None where it keeps quiet.

    Starts are learned, so the first jobs do not count.
    """
    k = reference_value(stream)
    up, down = limits(round(k, 2))
    first: Alarm | None = None
    for sign, limit in ((1.0, up), (-1.0, down)):
        path = cusum(sign * stream.score, k, restart)
        over = np.flatnonzero(path > limit)
        over = over[(over >= LEAST_BEFORE) & (stream.day[over] >= since)]
        if len(over) and (first is None or over[0] < first.at):
            first = Alarm(stream, int(over[0]), sign > 0)
    return first
