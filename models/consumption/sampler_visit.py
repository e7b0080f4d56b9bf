"""The sampler's draw of the fixed amount that each visit takes (hopper, purge), and of what it adds to its lines.

An amount F adds log(1 + F / T) to the log of every line of a visit, T being what its lines take without it: as if each
carried its share. A shop with a working order may book it on the line that is worked first (`sampler_order`), which it
adds log(1 + F / m) to, m being what that line takes without it; the total is the same. T and m follow from the
coefficients but are held while F is drawn, so a sweep only approximates the joint draw. The amount of each quantity
comes from a grid of its log, moved by up to half a step at each draw, with all that is constant within a job and the
job noise integrated out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.consumption.sampler_target import draw_from_log
from models.consumption.sampler_time import times
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from models.consumption.sampler_target import Target
    from shared.vocabulary import Quantity

#: Chance that there is a fixed amount, its median in lb and min, sd of its log; from memory, without a source.
VISIT_CHANCE = 0.4
VISIT_AMOUNT = {"pellets_lb": 6.0, "minutes": 10.0}
VISIT_LOG_SD = 0.7
#: Scores of the logs of amounts that are looked at, in units of that sd.
SCORES = np.linspace(-2.4, 1.8, 13)
SCORE_STEP = float(SCORES[1] - SCORES[0])


def amounts(quantity: Quantity, scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return amounts with these scores and, last, none; in lb or min."""
    return np.append(VISIT_AMOUNT[quantity] * np.exp(VISIT_LOG_SD * scores), 0.0)


def log_prior(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the log prior chance of cells of width `SCORE_STEP` around these scores and, last, of no amount."""
    density = -0.5 * scores**2 - np.logaddexp.reduce(-0.5 * SCORES**2)
    return np.append(density + np.log(VISIT_CHANCE), np.log(1 - VISIT_CHANCE))


class VisitAmount:
    """The fixed amount as it stands.

    Attributes
    ----------
    amount : (2,)
        In lb and min.
    first : bool array (n_lines,) or None
        Lines that it is booked on; None: all lines of a visit carry their share.
    """

    def __init__(self) -> None:
        self.amount = np.zeros(2)
        self.first: NDArray[np.bool_] | None = None

    @staticmethod
    def taken(target: Target) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return what each line of a target, and all lines of its visit, take without the fixed amount, (n,) each."""
        bare = np.exp(target.fit - target.own)
        return bare, np.add.reduceat(bare, target.first)[target.job] if target.n else bare

    def carried(self, target: Target, amount: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Return what amounts (...) add to the logs of a target's lines, (..., n), as the lines stand without any."""
        bare, total = self.taken(target)
        by = total if self.first is None else np.where(self.first[target.lines], bare, np.inf)
        return np.asarray(np.log1p(np.asarray(amount)[..., None] / by))

    def draw(
        self,
        targets: list[Target],
        info: NDArray[np.float64],
        noise_cov: NDArray[np.float64],
        log_marginal: Callable[[NDArray[np.float64]], NDArray[np.float64]],
        rest: list[NDArray[np.float64]],
        rng: np.random.Generator,
    ) -> None:
        """Draw the amount of each quantity, and bring `info`, `rest` and the targets' lines up to date.

        Parameters
        ----------
        info : (2, n_jobs)
            Sums of weight times `rest`.
        noise_cov : (2, 2, n_jobs)
            Covariance of each job's noise given its level.
        log_marginal : callable
            The log marginal likelihood of k sets of job sums (k, 2, n_jobs), for what does not depend on the lines.
        rest : two arrays (n_t,)
            Residuals of each target's lines without what is integrated out.
        """
        for t, (target, quantity) in enumerate(zip(targets, QUANTITIES, strict=True)):
            moved = SCORES + (rng.random() - 0.5) * SCORE_STEP
            choices, prior = amounts(quantity, moved), log_prior(moved)
            if not target.n:
                self.amount[t] = choices[int(draw_from_log(prior, np.arange(float(len(choices))), rng))]
                continue
            more = self.carried(target, choices) - target.own
            weight = target.weight()
            sums = np.tile(info, (len(choices), 1, 1))
            sums[:, t, target.jobs] -= np.add.reduceat(weight * more, target.first, axis=1)
            own = (weight * (rest[t] - 0.5 * more) * more).sum(axis=1)
            own += 0.5 * np.array([(times(noise_cov, each) * each).sum() for each in sums])
            chosen = int(draw_from_log(own + log_marginal(sums) + prior, np.arange(float(len(choices))), rng))
            self.amount[t], info[t] = choices[chosen], sums[chosen, t]
            rest[t] -= more[chosen]
            target.own = target.own + more[chosen]
            target.refit()
