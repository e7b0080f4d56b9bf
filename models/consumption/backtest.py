"""The out-of-sample record: what was expected of each past job from earlier jobs only, and how it turned out."""

from __future__ import annotations

import json
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor, Future

    from numpy.typing import NDArray

    from models.consumption.answer import Consumption
    from models.consumption.jobs import JobTable

    Answering = Callable[[JobTable, JobTable], Consumption]

#: A refit falls due when the history has grown by this factor, or by a smaller one within so many days, or in a year.
GROWTH = 1.3
REFIT_DAYS, REFIT_GROWTH = 90, 1.12
YEAR_DAYS = 365
FIRST_REFIT_JOBS = 8
_WEEK = 7
#: The record covers the windows that reach into the newest so many jobs.
RECORD_JOBS = 20_000
#: A refit looks at the newest so many jobs before its day.
PAST_JOBS = 10_000
_JUDGED = ("day", "n_before", "pit")


@dataclass(frozen=True)
class Record:
    """Out-of-sample expectations of past jobs as arrays, in order of day; the first axis is the quantity.

    Attributes
    ----------
    job_id : tuple of str (n,)
    day : int64 array (n,)
    n_before : int64 array (n,)
        Usable jobs in the fit behind each expectation; all of them lie before its day.
    actual, mean, pit : float64 arrays (2, n)
        NaN where a total is not recorded.
    quantiles : float64 array (2, n, n_levels)
        At `QUANTILE_LEVELS`.
    """

    job_id: tuple[str, ...]
    day: NDArray[np.int64]
    n_before: NDArray[np.int64]
    actual: NDArray[np.float64]
    mean: NDArray[np.float64]
    pit: NDArray[np.float64]
    quantiles: NDArray[np.float64]

    @property
    def n(self) -> int:
        """Number of jobs."""
        return len(self.job_id)

    @classmethod
    def empty(cls) -> Record:
        """Return a record of no jobs."""
        none, two = np.empty(0, dtype=np.int64), np.empty((2, 0))
        return cls((), none, none, two, two, two, np.empty((2, 0, len(QUANTILE_LEVELS))))

    def before(self, day: int) -> Record:
        """Return the rows of jobs dated before a day (ordinal); every row rests on earlier jobs only."""
        return self.take(self.day < day)

    def take(self, kept: NDArray[np.bool_]) -> Record:
        """Return the rows of a mask, (n,)."""
        return Record(
            tuple(job for job, keep in zip(self.job_id, kept.tolist(), strict=True) if keep),
            self.day[kept],
            self.n_before[kept],
            self.actual[:, kept],
            self.mean[:, kept],
            self.pit[:, kept],
            self.quantiles[:, kept],
        )

    def to_json(self) -> str:
        """Return the record as JSON text; figures keep five significant digits, NaN becomes null."""
        body = {"job_id": self.job_id, "day": self.day.tolist(), "n_before": self.n_before.tolist()}
        for name in ("actual", "mean", "pit", "quantiles"):
            flat = getattr(self, name).ravel().tolist()
            body[name] = [None if v != v else float(f"{v:.5g}") for v in flat]
        return json.dumps(body, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Record:
        """Return the record stored as `text`."""
        body = json.loads(text)
        n = len(body["job_id"])
        arrays = {k: np.array(body[k], dtype=np.float64) for k in ("actual", "mean", "pit", "quantiles")}
        return cls(
            job_id=tuple(body["job_id"]),
            day=np.array(body["day"], dtype=np.int64),
            n_before=np.array(body["n_before"], dtype=np.int64),
            actual=arrays["actual"].reshape(2, n),
            mean=arrays["mean"].reshape(2, n),
            pit=arrays["pit"].reshape(2, n),
            quantiles=arrays["quantiles"].reshape(2, n, len(QUANTILE_LEVELS)),
        )


def stored_pits(text: str) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return day (n,), n_before (n,) and pit (2, n) of a record stored as `text`.

    Nothing else is read: what was expected fills most of a long record, and every answer would wait for it.
    """
    read = json.JSONDecoder().raw_decode
    # No job's id can look like a name of the record: quotation marks inside a text are escaped.
    day, n_before, pit = (read(text, text.rindex(f'"{name}":') + len(name) + 3)[0] for name in _JUDGED)
    return (
        np.array(day, dtype=np.int64), np.array(n_before, dtype=np.int64),
        np.array(pit, dtype=np.float64).reshape(2, len(day)),
    )  # fmt: skip


def refit_days(day: NDArray[np.int64]) -> list[int]:
    """Return the days (Mondays) before whose opening the rolling learner is fitted anew, from the job days alone.

    A refit falls due when the jobs before that day have grown by `GROWTH` since the last one (`FIRST_REFIT_JOBS` for
    the first), by `REFIT_GROWTH` in `REFIT_DAYS` or more, or at all in a year: a shop with few jobs a year gets no
    refit for a handful of them. Only days before a refit decide on it.
    """
    if not len(day):
        return []
    ordered = np.sort(day)
    out: list[int] = []
    n_last, last = 0, int(ordered[0])
    for monday in range(int(ordered[0]) + (1 - int(ordered[0])) % _WEEK, int(ordered[-1]) + 1, _WEEK):
        n = int(np.searchsorted(ordered, monday))
        since = monday - last
        due = n >= max(FIRST_REFIT_JOBS, GROWTH * n_last)
        due |= n_last > 0 and n >= REFIT_GROWTH * n_last and since >= REFIT_DAYS
        due |= n > n_last > 0 and since >= YEAR_DAYS
        if due:
            out.append(monday)
            n_last, last = n, monday
    return out


class RollingRecord:
    """The record of a table under rolling refits; every refit stands by itself, so `workers` may make some meanwhile.

    Parameters
    ----------
    table : JobTable
        Jobs in order of day.
    answer_at : callable (past, request) -> Consumption
        Called once for each refit, with the newest `PAST_JOBS` jobs before it and the jobs up to the next one.
    workers : Executor, optional
        Processes beside this one: they begin at once, with the longest refits. The record is the same without them.
    """

    def __init__(self, table: JobTable, answer_at: Answering, workers: Executor | None = None) -> None:
        self._table, self._answer_at = table, answer_at
        cuts = np.searchsorted(table.day, [*refit_days(table.day)])
        edges = [0, *cuts.tolist(), table.n_jobs]
        self._windows = [
            (start, stop) for start, stop in pairwise(edges) if stop > max(start, table.n_jobs - RECORD_JOBS)
        ]
        self._begun: dict[int, Future[Record]] = {}
        if workers is not None:
            for k in range(len(self._windows) - 1, -1, -1):
                self._begun[k] = workers.submit(_judged, answer_at, *self._tables(k))

    def finish(self, tell: Callable[[float], None] | None = None) -> Record:
        """Return the record, `tell` told the share of the work that is done; what nobody has begun is made here."""
        parts = []
        for k, (_, stop) in enumerate(self._windows):
            parts.append(self._part(k))
            if tell is not None:
                tell(stop / self._table.n_jobs)
        return _joined(parts) if parts else Record.empty()

    def _part(self, k: int) -> Record:
        begun = self._begun.pop(k, None)
        if begun is not None and not begun.cancel():
            try:
                return begun.result()
            except BrokenExecutor:  # a worker was ended from outside, for want of memory say
                pass
        return _judged(self._answer_at, *self._tables(k))

    def _tables(self, k: int) -> tuple[JobTable, JobTable, int]:
        """Return the jobs a refit looks at, those of its window, and the number of all jobs before it."""
        start, stop = self._windows[k]
        past = self._table.take_jobs(np.arange(max(start - PAST_JOBS, 0), start))
        return past, self._table.take_jobs(np.arange(start, stop)), start


def _judged(answer_at: Answering, past: JobTable, window: JobTable, n_before: int) -> Record:
    return scored(window, answer_at(past, window.without_figures()), n_before)


def scored(window: JobTable, answer: Consumption, n_before: int) -> Record:
    """Return the rows of jobs whose lines were answered by a fit of `n_before` jobs."""
    n = window.n_jobs
    actual, mean, pit = np.empty((2, n)), np.empty((2, n)), np.empty((2, n))
    quantiles = np.empty((2, n, len(QUANTILE_LEVELS)))
    for t, quantity in enumerate(QUANTITIES):
        draws = answer.jobs(quantity).draws
        actual[t] = window.job_total(quantity)
        mean[t] = draws.mean(axis=1)
        quantiles[t] = np.quantile(draws, QUANTILE_LEVELS, axis=1).T
        below = (draws < actual[t][:, None]).sum(axis=1)
        pit[t] = np.where(np.isfinite(actual[t]), (below + 0.5) / (draws.shape[1] + 1), np.nan)
    before = np.full(n, n_before, dtype=np.int64)
    return Record(window.job_id, window.day, before, actual, mean, pit, quantiles)


def _joined(parts: list[Record]) -> Record:
    return Record(
        tuple(job for part in parts for job in part.job_id),
        np.concatenate([p.day for p in parts]),
        np.concatenate([p.n_before for p in parts]),
        np.concatenate([p.actual for p in parts], axis=1),
        np.concatenate([p.mean for p in parts], axis=1),
        np.concatenate([p.pit for p in parts], axis=1),
        np.concatenate([p.quantiles for p in parts], axis=1),
    )
