"""What the consumption model answers: pellets and minutes of the same scenarios."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from shared.predictive import Predictive
    from shared.vocabulary import Basis, Quantity


@dataclass(frozen=True)
class Consumption:
    """Draws of both quantities for the lines of a request; column j of both is one and the same scenario.

    Attributes
    ----------
    request : JobTable
        The jobs asked for (n_jobs, n_lines).
    pellets, minutes : Predictive (n_lines, n_draws)
        In lb and hands-on person-minutes.
    basis : tuple of {"planning", "mixed", "learned"} (n_jobs,)
    similar_jobs : int64 array (n_jobs,)
        Past jobs that share the class and a zone.
    n_calibration : int64 array (2, n_jobs)
        Past out-of-sample scores behind the intervals of each job's pellets and minutes; a level is supported when the
        finite-sample rank ceil((n + 1) level) is at most n.
    """

    request: JobTable
    pellets: Predictive
    minutes: Predictive
    basis: tuple[Basis, ...]
    similar_jobs: NDArray[np.int64]
    n_calibration: NDArray[np.int64]

    def n_both(self, job: int = 0) -> int:
        """Return the scores behind what rests on pellets and minutes of a job, such as its cost."""
        return int(self.n_calibration[:, job].min())

    def of(self, quantity: Quantity) -> Predictive:
        """Return the line draws of a quantity."""
        return self.pellets if quantity == "pellets_lb" else self.minutes

    def jobs(self, quantity: Quantity) -> Predictive:
        """Return the draws of each job's total, shape (n_jobs, n_draws)."""
        return self.of(quantity).summed(self.request.line_job, self.request.n_jobs)
