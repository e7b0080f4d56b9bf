"""The sampler's draw of a shop's working order, where the first zone of a visit is paid in full and others cost less.

Zones worked in one visit may each cost a little less, which a coefficient on 1 - 1 / lines says, or the first is paid
in full (hopper, hose and masking are set up once) and every later one at a factor exp(d). Which line was first is
nowhere written; a shop works its zones in an order, which is latent: any order of n zones has the chance 1 / n!.

All coefficients and the job noise are integrated out in both moves (`sampler_marginal`), since an order looks much like
zones that take less. One exchanges two zones of the order. The other goes from no such form to an order and back
(Metropolis); the order it proposes follows from what the move leaves alone. With r_i the residual of a line, q its
weight and d the discount, both from a fit beside a first guess of who is first,

    l_i = sum over quantities of q/2 ((r_i - d)^2 - r_i^2)

says by how much line i looks like a first one (what pellets and minutes share in their noise counts once). A zone that
leads the visits still open is drawn with a chance proportional to

    exp(1/T sum over those visits with it of (l_i - log mean exp l)),

its visits are closed, and so on to the last zone; the guess is made better so a few times before.
"""

from __future__ import annotations

from math import lgamma
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.order import worked_later
from models.consumption.sampler_marginal import Lines, Marginal

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.priors import Priors
    from models.consumption.sampler_marginal import Extra
    from models.consumption.sampler_target import Target

#: Guesses of the order are made better so often, and look for a discount of at least so much (log scale).
_GUESSES = 4
_LEAST_STEP = -0.1
#: T of the module's text: proposals are bolder than one line after another would have it.
_BOLDNESS = 2.0
#: Zones are exchanged so often in one move.
_EXCHANGES = 6
#: A proposal costs as much as a few sweeps: one is made so often.
_EVERY_SWEEPS = 15


class WorkOrder:
    """The working order as it stands.

    Attributes
    ----------
    place : (n_zones,)
        Place of each zone in the order, from 0; where the shop has none, as it was last.
    """

    def __init__(self, table: JobTable, columns: Columns, zone: NDArray[np.int64]) -> None:
        self._table = table
        size = np.bincount(table.line_job, minlength=table.n_jobs)[table.line_job]
        self._share = 1.0 - 1.0 / size
        self._lines = np.flatnonzero(size > 1)
        _, self._start, self._job = np.unique(table.line_job[self._lines], return_index=True, return_inverse=True)
        self._zone_of, self._zone = zone, zone[self._lines]
        self._alike, self._after = columns.start("together"), columns.start("after")
        self.place = np.arange(len(columns.blocks["zone"]))
        self._turn, self._asks = 0, len(self._lines) > 0 and len(self.place) > 1

    def draw(
        self,
        targets: list[Target],
        priors: Priors,
        floor: tuple[int, list[NDArray[np.float64]]],
        rng: np.random.Generator,
    ) -> None:
        """Draw whether the shop has an order, and which, and all coefficients; the job noise is left as it was.

        Parameters
        ----------
        floor : (first soil step, least steps of each target)
        """
        self._turn += 1
        if not self._asks or self._turn % _EVERY_SWEEPS:
            return
        rest = Marginal(Lines.of(targets, self._table).without_columns([self._alike, self._after]), priors)
        was_in_order = priors.in_order
        fit: Extra | None = None
        if was_in_order:
            fit = self._exchanged(rest, priors, rng)
        fit, column = self._form(rest, priors, fit, rng)
        if not (was_in_order or priors.in_order):
            return
        step, least = floor
        b, extra = fit.draw(rng) if fit else (rest.draw(rng), np.zeros(2))
        later = self._later(self.place)
        for t, target in enumerate(targets):
            target.b = b[t].copy()
            target.b[[self._alike, self._after]] = 0.0
            target.b[column] = extra[t]
            target.b[step : step + 3] = np.maximum(target.b[step : step + 3], least[t])
            target.x[:, self._after] = later[target.lines]
            target.refit()

    def _exchanged(self, rest: Marginal, priors: Priors, rng: np.random.Generator) -> Extra:
        """Return the fit of the order after a few exchanges of two zones."""
        fit = self._of(rest, self.place, priors)
        for _ in range(_EXCHANGES):
            place = self.place.copy()
            two = rng.choice(len(place), 2, replace=False)
            place[two] = place[two[::-1]]
            other = self._of(rest, place, priors)
            if np.log(rng.random()) < other.log_factor - fit.log_factor:
                self.place, fit = place, other
        return fit

    def _form(
        self, rest: Marginal, priors: Priors, fit: Extra | None, rng: np.random.Generator
    ) -> tuple[Extra | None, int]:
        """Propose another form; return the fit of the form there is now, None without any, and its column."""
        alike = rest.with_column(self._share, *priors.moments(self._alike))
        leads = self._leads(rest, priors)
        place, after = self.place, fit
        if after is None:
            place = self._ranked(leads, rng)
            after = self._of(rest, place, priors)
        log_none, log_alike, log_after = priors.log_forms()
        others = np.logaddexp(log_none, log_alike + alike.log_factor)
        log_odds = log_after + after.log_factor - others - lgamma(len(place) + 1.0) - self._log_chance(leads, place)
        if rng.logistic() >= (log_odds if fit is None else -log_odds):
            return fit, self._after
        if fit is None:
            self.place = place
            priors.put_form(together=False, in_order=True)
            return after, self._after
        none = bool(np.log(rng.random()) < log_none - others)
        priors.put_form(together=not none, in_order=False)
        return (None if none else alike), self._alike

    def _of(self, rest: Marginal, place: NDArray[np.int64], priors: Priors) -> Extra:
        return rest.with_column(self._later(place), *priors.moments(self._after))

    def _later(self, place: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return 1 for each line after the first of its visit in an order, else 0."""
        return worked_later(self._table.line_job, place[self._zone_of]).astype(np.float64)

    def _leads(self, rest: Marginal, priors: Priors) -> NDArray[np.float64]:
        """Return how much each zone looks like the first of each visit, (n_visits, n_zones), -inf where not in it."""
        v = self._share
        for _ in range(_GUESSES):
            fit = rest.with_column(v, *priors.moments(self._after))
            step, r = np.minimum(fit.step, _LEAST_STEP), fit.left()[:, self._lines]
            pull = np.einsum("tsi,s->ti", rest.o[:, :, self._lines], step)
            gain = 0.5 * step @ pull - (pull * r).sum(axis=0)
            top = np.maximum.reduceat(gain, self._start)
            mean = np.add.reduceat(np.exp(gain - top[self._job]), self._start) / np.diff([*self._start, len(gain)])
            leads = np.full((len(self._start), len(self.place)), -np.inf)
            leads[self._job, self._zone] = gain - (top + np.log(mean))[self._job]
            v = self._later(self._ranked(leads, None))
        return leads

    def _ranked(self, leads: NDArray[np.float64], rng: np.random.Generator | None) -> NDArray[np.int64]:
        """Return an order drawn as the module's text says, the likeliest one step after another without a generator."""
        place = np.full(len(self.place), -1)
        for rank in range(len(place)):
            score = self._scores(leads, place)
            if rng is not None:
                score = score + rng.gumbel(size=len(score))
            place[int(np.argmax(score))] = rank
        return place

    def _scores(self, leads: NDArray[np.float64], place: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the log chance, to a constant, of each zone to come next in an order; -inf of those that are in it."""
        still = np.isneginf(leads[:, place >= 0]).all(axis=1)
        part = leads[still]
        score = np.where(np.isneginf(part), 0.0, part).sum(axis=0) / _BOLDNESS
        return np.where(place >= 0, -np.inf, score)

    def _log_chance(self, leads: NDArray[np.float64], place: NDArray[np.int64]) -> float:
        """Return the log chance with which an order is proposed."""
        out, so_far = 0.0, np.full(len(place), -1)
        for zone in np.argsort(place).tolist():
            score = self._scores(leads, so_far)
            out += float(score[zone] - np.logaddexp.reduce(score))
            so_far[zone] = place[zone]
        return out
