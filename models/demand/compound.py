"""Month totals: a random number of jobs, each like a past one, each taking what the learner draws for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

#: After so many days a past job counts half as an example of those to come.
HALF_LIFE_DAYS = 240.0


def recency(day: NDArray[np.int64], today: int, half_life_days: float = HALF_LIFE_DAYS) -> NDArray[np.float64]:
    """Return the weight of past jobs as examples of those to come, 1 for the newest, shape of `day`."""
    return np.asarray(0.5 ** (np.maximum(today - day, 0) / half_life_days), dtype=np.float64)


def resampled_totals(
    counts: NDArray[np.float64],
    amounts: Sequence[NDArray[np.float64]],
    weight: NDArray[np.float64],
    rng: np.random.Generator,
    *,
    mix_known: bool = False,
) -> tuple[NDArray[np.float64], ...]:
    """Return the totals of several quantities over the same resampled jobs.

    In scenario j the share of each past job in the coming ones is itself drawn, gamma(weight) over their sum (the
    Bayesian bootstrap, Rubin 1981, Annals of Statistics 9:130), then counts[p, j] jobs are drawn with these shares and
    their amounts of column j are added. With known shares and S = X_1 + ... + X_N: E S = E N E X,
    var S = E N var X + var N (E X)^2.

    Parameters
    ----------
    counts : float64 array (n_periods, n_draws)
        Whole numbers.
    amounts : sequence of float64 arrays (n_jobs, n_draws)
        One array for each quantity.
    weight : float64 array (n_jobs,), > 0
        In jobs: a job of weight 1 counts as one seen job.
    mix_known : bool
        The shares are the weights, without a draw.

    Returns
    -------
    tuple of float64 arrays (n_periods, n_draws), one for each quantity

    Raises
    ------
    ValueError
        When there is a job to come but none to be like.
    """
    n_periods, n_draws = counts.shape
    n_jobs = len(weight)
    if not n_jobs:
        if counts.any():
            raise ValueError("jobs to come need a past job to be like")
        return tuple(np.zeros(counts.shape) for _ in amounts)
    whole = counts.astype(np.int64)
    columns = [np.ascontiguousarray(a.T) for a in amounts]
    totals = tuple(np.zeros((n_periods, n_draws)) for _ in amounts)
    known = np.cumsum(weight / weight.sum())
    for j in range(n_draws):
        shares = known
        if not mix_known:
            drawn = np.cumsum(rng.standard_gamma(weight) + 1e-300)
            shares = drawn / drawn[-1]
        n = int(whole[:, j].sum())
        chosen = np.minimum(np.searchsorted(shares, rng.random(n), side="right"), n_jobs - 1)
        period = np.repeat(np.arange(n_periods), whole[:, j])
        for column, total in zip(columns, totals, strict=True):
            total[:, j] = np.bincount(period, column[j, chosen], n_periods)
    return totals
