"""Joint scenarios: the one form in which every uncertain figure travels."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from shared.vocabulary import Basis


@dataclass(frozen=True)
class Predictive:
    """Draws of several targets under common scenarios.

    Column j is one scenario across zones, jobs and days (and across quantities that were drawn together), so sums of
    lines, jobs and weeks are plain sums of rows; quantiles come last. Adding interval ends instead would give a job
    interval far too wide.

    Attributes
    ----------
    draws : float64 array (n_targets, n_draws)
        Finite and >= 0; made read-only.
    quantity : str
        What is drawn, for example ``pellets_lb``.
    unit : str
        For example ``lb``.
    basis : {"planning", "mixed", "learned"}
    n_rows : int
        History rows behind the draws.
    """

    draws: NDArray[np.float64]
    quantity: str
    unit: str
    basis: Basis
    n_rows: int = field(default=0)

    def __post_init__(self) -> None:
        draws = np.array(self.draws, dtype=np.float64, copy=True)
        if draws.ndim != 2:
            raise ValueError(f"draws must have shape (n_targets, n_draws), got {draws.shape}")
        if draws.size and (not np.isfinite(draws).all() or draws.min() < 0):
            raise ValueError("draws must be finite and >= 0")
        draws.flags.writeable = False
        object.__setattr__(self, "draws", draws)

    @property
    def n_targets(self) -> int:
        """Number of targets (rows)."""
        return int(self.draws.shape[0])

    @property
    def n_draws(self) -> int:
        """Number of scenarios (columns)."""
        return int(self.draws.shape[1])

    def summed(self, group: ArrayLike, n_groups: int) -> Predictive:
        """Return the sums of the targets of each group, scenario by scenario.

        Parameters
        ----------
        group : int array (n_targets,)
            Group of each target in 0..n_groups-1.
        n_groups : int
        """
        sums = np.zeros((n_groups, self.n_draws))
        np.add.at(sums, np.asarray(group, dtype=np.int64), self.draws)
        return Predictive(sums, self.quantity, self.unit, self.basis, self.n_rows)

    def total(self) -> NDArray[np.float64]:
        """Return the sum over all targets, shape (n_draws,)."""
        return np.asarray(self.draws.sum(axis=0), dtype=np.float64)

    def quantiles(self, levels: Sequence[float]) -> NDArray[np.float64]:
        """Return quantiles per target, shape (n_targets, len(levels)), by linear interpolation of order statistics."""
        return np.asarray(np.quantile(self.draws, list(levels), axis=1).T, dtype=np.float64)
