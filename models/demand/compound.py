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


def drawn_mix(weight: NDArray[np.float64], n_draws: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return draws of the share of each past job in the coming ones, summed from job to job, (n_draws, n_jobs).

    The shares are gamma(weight) over their sum: the Bayesian bootstrap (Rubin 1981, Annals of Statistics 9:130).

    Parameters
    ----------
    weight : float64 array (n_jobs,), > 0
        In jobs: a job of weight 1 counts as one seen job.
    n_draws : int
    rng : numpy Generator
    """
    drawn = np.cumsum(rng.standard_gamma(weight, (n_draws, len(weight))) + 1e-300, axis=1)
    return np.asarray(drawn / drawn[:, -1:], dtype=np.float64)


def resampled_totals(
    counts: NDArray[np.float64],
    amounts: Sequence[NDArray[np.float64]],
    mix: NDArray[np.float64],
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], ...]:
    """Return the totals of several quantities over the same resampled jobs of one period.

    In scenario j counts[j] jobs are drawn with the shares of that scenario, and their amounts of column j are added.
    With known shares and S = X_1 + ... + X_N: E S = E N E X, var S = E N var X + var N (E X)^2.

    Parameters
    ----------
    counts : float64 array (n_draws,)
        Whole numbers.
    amounts : sequence of float64 arrays (n_jobs, n_draws)
        One array for each quantity.
    mix : float64 array (n_draws, n_jobs)
        Shares of the jobs summed from job to job, as `drawn_mix` returns them.
    rng : numpy Generator

    Returns
    -------
    tuple of float64 arrays (n_draws,), one for each quantity

    Raises
    ------
    ValueError
        When there is a job to come but none to be like.
    """
    n_draws, n_jobs = mix.shape
    if not n_jobs and counts.any():
        raise ValueError("jobs to come need a past job to be like")
    columns = [np.ascontiguousarray(a.T) for a in amounts]
    totals = tuple(np.zeros(n_draws) for _ in amounts)
    for j, n in enumerate(counts.astype(np.int64).tolist()):
        chosen = np.minimum(np.searchsorted(mix[j], rng.random(n), side="right"), n_jobs - 1)
        for column, total in zip(columns, totals, strict=True):
            total[j] = column[j, chosen].sum()
    return totals
