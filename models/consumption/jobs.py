"""The job table: a shop's jobs as arrays, with what was written down by line or only as a total."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from shared.vocabulary import Quantity

#: Per-line covariates that are numbers; NaN where not written down.
SETTINGS = ("ice_age_days", "feed_lb_min", "pressure_psi", "standoff_in", "ice_on_share")


@dataclass(frozen=True)
class Factor:
    """A column of codes: `names[codes[i]]` is the word of row i; code -1 means it was left blank.

    Attributes
    ----------
    names : tuple of str
    codes : int32 array (n,)
    """

    names: tuple[str, ...]
    codes: NDArray[np.int32]

    @classmethod
    def of(cls, words: Iterable[str]) -> Factor:
        """Build a factor from words; '' becomes -1, names are sorted."""
        listed = list(words)
        names = tuple(sorted({w for w in listed if w}))
        index = {name: i for i, name in enumerate(names)}
        return cls(names, np.array([index.get(w, -1) for w in listed], dtype=np.int32))

    def words(self) -> list[str]:
        """Return the column as words, '' where blank."""
        return [self.names[c] if c >= 0 else "" for c in self.codes.tolist()]

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_]) -> Factor:
        """Return the factor of the given rows, with the same names."""
        return Factor(self.names, self.codes[rows])

    def recoded(self, names: tuple[str, ...]) -> NDArray[np.int32]:
        """Return the codes of this column in another list of names, -1 for words that are not in it."""
        index = {name: i for i, name in enumerate(names)}
        lookup = np.array([*(index.get(n, -1) for n in self.names), -1], dtype=np.int32)
        return lookup[self.codes]


@dataclass(frozen=True)
class Observed:
    """What was written down of one quantity: values over groups of lines.

    A group is a set of lines of one job whose sum was recorded: one line (line grain), all lines of a visit (its
    total) or the zones of a package. Both grains are thus one thing.

    Attributes
    ----------
    group : int64 array (n_lines,)
        Group of each line, -1 where nothing was recorded for it.
    value : float64 array (n_groups,)
        Recorded sums, > 0.
    """

    group: NDArray[np.int64]
    value: NDArray[np.float64]

    @classmethod
    def nothing(cls, n_lines: int) -> Observed:
        """Return an `Observed` without any record."""
        return cls(np.full(n_lines, -1, dtype=np.int64), np.empty(0))

    def take(self, lines: NDArray[np.int64]) -> Observed:
        """Return what was recorded of the given lines; groups must be kept whole by the caller."""
        kept = self.group[lines]
        used, renumbered = np.unique(kept[kept >= 0], return_inverse=True)
        group = np.full(len(lines), -1, dtype=np.int64)
        group[kept >= 0] = renumbered
        return Observed(group, self.value[used])

    def size(self) -> NDArray[np.int64]:
        """Return the number of lines in each group, shape (n_groups,)."""
        return np.bincount(self.group[self.group >= 0], minlength=len(self.value)).astype(np.int64)


@dataclass(frozen=True)
class JobTable:
    """Jobs (visits) and their lines (vehicle zones) as arrays; also the form of a request, with nothing observed.

    Attributes
    ----------
    job_id : tuple of str (n_jobs,)
    day : int64 array (n_jobs,)
        Date as a proleptic ordinal (`datetime.date.toordinal`).
    customer : Factor (n_jobs,)
    ambient_f : float64 array (n_jobs,)
        Air temperature in °F, NaN where unknown.
    line_job : int64 array (n_lines,)
        Row of each line's job, non-decreasing.
    vehicle_class, zone, machine, operator : Factor (n_lines,)
        Class and zone are never blank.
    soil : int64 array (n_lines,)
        0..3 as in `shared.vocabulary.SOILS`, -1 unknown.
    coating_removed : bool array (n_lines,)
    settings : dict of float64 arrays (n_lines,)
        One array for each name in `SETTINGS`, NaN where not written down.
    pellets, minutes : Observed
        In lb and hands-on person-minutes.
    """

    job_id: tuple[str, ...]
    day: NDArray[np.int64]
    customer: Factor
    ambient_f: NDArray[np.float64]
    line_job: NDArray[np.int64]
    vehicle_class: Factor
    zone: Factor
    machine: Factor
    operator: Factor
    soil: NDArray[np.int64]
    coating_removed: NDArray[np.bool_]
    settings: dict[str, NDArray[np.float64]]
    pellets: Observed
    minutes: Observed

    @property
    def n_jobs(self) -> int:
        """Number of jobs."""
        return len(self.job_id)

    @property
    def n_lines(self) -> int:
        """Number of lines."""
        return len(self.line_job)

    def observed(self, quantity: Quantity) -> Observed:
        """Return what was recorded of a quantity."""
        return self.pellets if quantity == "pellets_lb" else self.minutes

    def job_total(self, quantity: Quantity) -> NDArray[np.float64]:
        """Return each job's recorded total, shape (n_jobs,), NaN where some line of it has no record."""
        total = self.job_recorded(quantity)
        total[self.line_job[self.observed(quantity).group < 0]] = np.nan
        return total

    def job_recorded(self, quantity: Quantity) -> NDArray[np.float64]:
        """Return the sum of what was recorded of each job, shape (n_jobs,), whatever lines of it have no record."""
        seen = self.observed(quantity)
        total = np.zeros(self.n_jobs)
        if len(seen.value):
            first = np.full(len(seen.value), -1, dtype=np.int64)
            has = seen.group >= 0
            first[seen.group[has]] = self.line_job[has]
            np.add.at(total, first, seen.value)
        return total

    def take_jobs(self, jobs: NDArray[np.int64] | NDArray[np.bool_]) -> JobTable:
        """Return the table of the given jobs (indices in increasing order, or a mask)."""
        chosen = np.flatnonzero(jobs) if jobs.dtype == np.bool_ else np.asarray(jobs, dtype=np.int64)
        position = np.full(self.n_jobs, -1, dtype=np.int64)
        position[chosen] = np.arange(len(chosen))
        lines = np.flatnonzero(position[self.line_job] >= 0)
        return JobTable(
            job_id=tuple(self.job_id[i] for i in chosen.tolist()),
            day=self.day[chosen],
            customer=self.customer.take(chosen),
            ambient_f=self.ambient_f[chosen],
            line_job=position[self.line_job[lines]],
            vehicle_class=self.vehicle_class.take(lines),
            zone=self.zone.take(lines),
            machine=self.machine.take(lines),
            operator=self.operator.take(lines),
            soil=self.soil[lines],
            coating_removed=self.coating_removed[lines],
            settings={name: column[lines] for name, column in self.settings.items()},
            pellets=self.pellets.take(lines),
            minutes=self.minutes.take(lines),
        )

    def without_figures(self) -> JobTable:
        """Return the same jobs as a request: nothing observed."""
        nothing = Observed.nothing(self.n_lines)
        return replace(self, pellets=nothing, minutes=nothing)
