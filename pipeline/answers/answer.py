"""What every use case returns, and the summary in which an uncertain figure is told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np

from models.consumption.conformal import supported
from shared.vocabulary import QUANTILE_LEVELS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pipeline.book.store import Book

Result = TypeVar("Result")


@dataclass(frozen=True)
class Asking:
    """Who asks, and as of when: the morning of `today`, before opening.

    Attributes
    ----------
    book : Book
    today : date
        Only what happened before it is used.
    seed : int
        Fixes the draws.
    level : float
        Level of the interval that is told, in (0, 1).
    """

    book: Book
    today: date
    seed: int = 1
    level: float = 0.8

    @property
    def again(self) -> bool:
        """Whether a past day's answer is made again: its morning lies before today's and is not the book's `as_of`."""
        return self.today < date.today() and self.today != self.book.settings.shop.as_of


@dataclass(frozen=True)
class Answer(Generic[Result]):
    """A result with what must be said beside it.

    Attributes
    ----------
    result : Result
        A frozen dataclass whose field names are those of the JSON answer.
    warnings, cautions : tuple of str
    """

    result: Result
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Interval:
    """A central interval; `supported` tells whether the record has enough past answers to stand behind its level."""

    level: float
    low: float
    high: float
    supported: bool


@dataclass(frozen=True)
class QuantitySummary:
    """An uncertain figure: the mean and quantiles of its draws and a central interval."""

    mean: float
    quantiles: Mapping[float, float]
    interval: Interval


def summarise(draws: NDArray[np.float64], *, level: float = 0.8, n_scores: int = 0) -> QuantitySummary:
    """Return the summary of the draws of one figure.

    Parameters
    ----------
    draws : float64 array (n_draws,)
    level : float
        Level of the central interval.
    n_scores : int
        Past out-of-sample scores behind it.
    """
    return summaries(draws[None, :], [n_scores], level=level)[0]


def summaries(
    draws: NDArray[np.float64], n_scores: Sequence[int], *, level: float = 0.8
) -> tuple[QuantitySummary, ...]:
    """Return the summary of each row of draws: far quicker than one call a row where there are many.

    Parameters
    ----------
    draws : float64 array (n_figures, n_draws)
    n_scores : sequence of int, one for each row
        Past out-of-sample scores behind it.
    level : float
        Level of the central intervals.
    """
    tails = (0.5 - level / 2, 0.5 + level / 2)
    # Sorted first: the same values, and quicker than the partial sorts of many levels.
    values = np.quantile(np.sort(draws, axis=1), [*QUANTILE_LEVELS, *tails], axis=1).T.tolist()
    told = []
    for row, mean, n in zip(values, draws.mean(axis=1).tolist(), n_scores, strict=True):
        interval = Interval(level, row[-2], row[-1], supported(n, level))
        told.append(QuantitySummary(mean, dict(zip(QUANTILE_LEVELS, row, strict=False)), interval))
    return tuple(told)
