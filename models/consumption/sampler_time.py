"""Where steps in time lie: a Gibbs draw of each cut, with the job noise integrated out.

A step that is on from day d adds b to every line of the jobs from d on. With weights q of a job's lines, Q = sum q, job
variance v and residuals r (against the job's prior mean), integrating the job noise out changes its log likelihood by

    delta A - 1/2 delta^2 B,   A = sum q r / (1 + Q v),   B = Q / (1 + Q v),

when delta is added to all of its lines, so the density of every candidate day is a cumulative sum over jobs (multiple
change points: Barry & Hartigan 1993, JASA 88:309-319; Chib 1998, J. Econometrics 86:221-241).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Cuts:
    """Days from which each step is on, between the first and the last day, in order."""

    def __init__(self, cuts: tuple[int, ...], job_day: NDArray[np.int64]) -> None:
        self.at = np.array(cuts, dtype=np.int64)
        self.job_day = job_day
        self.candidates = np.unique(job_day)[1:]

    def on(self) -> NDArray[np.bool_]:
        """Return which steps are on for each job, (n_jobs, n_cuts)."""
        return np.asarray(self.job_day[:, None] >= self.at)

    def draw(
        self,
        step: NDArray[np.float64],
        weighted: NDArray[np.float64],
        weight: NDArray[np.float64],
        job_var: NDArray[np.float64],
        rng: np.random.Generator,
    ) -> bool:
        """Draw each cut between its neighbours, given the steps; return whether any moved.

        Parameters
        ----------
        step : (n_cuts,)
            Size of each step.
        weighted, weight : (n_jobs,)
            Sums of q r and of q over each job's lines.
        job_var : (n_jobs,)
        """
        keep = 1 + weight * job_var
        a, b = weighted / keep, weight / keep
        on = self.on()
        moved = False
        for k in range(len(self.at)):
            low = self.at[k - 1] if k else -1
            high = self.at[k + 1] if k + 1 < len(self.at) else np.iinfo(np.int64).max
            place = self.candidates[(self.candidates > low) & (self.candidates < high)]
            if len(place) < 2:
                continue
            without = a + step[k] * on[:, k] * b
            inside = self.job_day < high
            gain = np.where(inside, step[k] * without - 0.5 * step[k] ** 2 * b, 0.0)
            first = np.searchsorted(self.job_day, place)
            density = np.cumsum(gain[::-1])[::-1][first]
            new = int(place[np.argmax(density + rng.gumbel(size=len(place)))])
            if new != self.at[k]:
                moved = True
                self.at[k] = new
                on[:, k] = self.job_day >= new
                a = without - step[k] * on[:, k] * b
        return moved
