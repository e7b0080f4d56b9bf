"""The sampler's draw of a shop's working order, where what was worked first of a visit matters.

Zones worked in one visit may each take a little less, which a coefficient on 1 - 1 / lines says (`alike`). Or the first
is paid in full and every later one at a factor exp(d) (`after`), or the first carries the fixed amount of the visit
(`first`, see `sampler_visit`). Which line was first is nowhere written; a shop works its zones in an order, which is
latent: any order of n zones has the chance 1 / n!.

All coefficients and the job noise are integrated out in every move (`sampler_marginal`), since an order looks much like
zones that take less. One exchanges two zones of the order, two go from `after` to `first` or back, one with the fixed
amount as it is and one with it. The last goes from no order to one and back (Metropolis); the order it proposes follows
from what the move leaves alone. With r_i the residuals of a line, O_i their precision and a_i what being first adds,
from a fit beside a first guess of who is first,

    l_i = a_i'O_i r_i - 1/2 a_i'O_i a_i   (after: a_i = -d, r_i with d)

says by how much line i looks like a first one. A zone that leads the visits still open is drawn with a chance
proportional to

    exp(1/T sum over those visits with it of (l_i - log mean exp l)),

its visits are closed, and so on to the last zone; the guess is made better so a few times before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import lgamma
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.order import worked_later
from models.consumption.sampler_marginal import Lines, Marginal
from models.consumption.sampler_target import draw_from_log
from models.consumption.sampler_visit import SCORE_STEP, SCORES, VISIT_AMOUNT, VISIT_LOG_SD, amounts, log_prior
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.design import Columns
    from models.consumption.jobs import JobTable
    from models.consumption.priors import Form, Priors
    from models.consumption.sampler_marginal import Extra
    from models.consumption.sampler_target import Target
    from models.consumption.sampler_visit import VisitAmount

#: A guess of the order is made better so often, and looks for a discount of at least so much (log scale).
_BETTER_GUESSES = 3
_LEAST_STEP = -0.1
#: T of the module's text: proposals are bolder than one line after another would have it.
_BOLDNESS = 2.0
#: Zones are exchanged so often in one move.
_EXCHANGES = 6
#: A move costs as much as a sweep or two: one is made so often.
_EVERY_SWEEPS = 10
#: Up to so many jobs each move asks whether there is an order at all, above every other one: what a sweep costs grows.
_FEW_JOBS = 300
#: Share of proposals that lines after the first take less where there is no fixed amount to be booked.
_AFTER_WITHOUT_AMOUNT = 0.8


@dataclass(frozen=True)
class _Ground:
    """What a move leaves alone.

    Attributes
    ----------
    rest : Marginal
        All coefficients but those of the forms, the fixed amount being carried by all lines of a visit.
    priors : Priors
    taken, total : (2, n_lines)
        What a line, and all lines of its visit, take without the fixed amount; inf without a record.
    amount : (2,)
        The fixed amount.
    """

    rest: Marginal
    priors: Priors
    taken: NDArray[np.float64]
    total: NDArray[np.float64]
    amount: NDArray[np.float64]

    @classmethod
    def of(
        cls, targets: list[Target], priors: Priors, visit: VisitAmount, table: JobTable, columns: tuple[int, ...]
    ) -> _Ground:
        """Return the ground of a move, some columns left out."""
        now = np.zeros((2, table.n_lines))
        taken, total = np.full((2, table.n_lines), np.inf), np.full((2, table.n_lines), np.inf)
        for t, target in enumerate(targets):
            now[t, target.lines] = target.own
            taken[t, target.lines], total[t, target.lines] = visit.taken(target)
        lines = Lines.of(targets, table).without_columns(list(columns))
        lines = replace(lines, rest=lines.rest + now - np.log1p(visit.amount[:, None] / total))
        return cls(Marginal(lines, priors), priors, taken, total, visit.amount.copy())

    def with_amount(self, amount: NDArray[np.float64]) -> _Ground:
        """Return the ground with another fixed amount."""
        lines = self.rest.lines
        lines = replace(lines, rest=lines.rest + self.spread - np.log1p(amount[:, None] / self.total))
        return replace(self, rest=Marginal(lines, self.priors), amount=amount)

    @property
    def spread(self) -> NDArray[np.float64]:
        """What the fixed amount adds to a line where all of a visit carry their share, (2, n_lines)."""
        return np.asarray(np.log1p(self.amount[:, None] / self.total))

    @property
    def alone(self) -> NDArray[np.float64]:
        """What it adds to a line that is the first, (2, n_lines)."""
        return np.asarray(np.log1p(self.amount[:, None] / self.taken))


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
        self._column: dict[Form, int] = {"alike": columns.start("together"), "after": columns.start("after")}
        self.place = np.arange(len(columns.blocks["zone"]))
        self._asked_each = 1 if table.n_jobs <= _FEW_JOBS else 2
        self._turn, self._asks = 0, len(self._lines) > 0 and len(self.place) > 1

    def draw(
        self,
        targets: list[Target],
        priors: Priors,
        visit: VisitAmount,
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
        was: Form = "after" if priors.in_order else ("none" if visit.first is None else "first")
        # Whether there is an order at all is asked alike in either state: else the chain would be biased.
        asks = self._turn // _EVERY_SWEEPS % self._asked_each == 0
        if was == "none" and not asks:
            return
        ground = _Ground.of(targets, priors, visit, self._table, tuple(self._column.values()))
        form, place, fit = was, self.place, None
        if was != "none":
            place, fit = self._exchanged(ground, was, rng)
            form, fit = self._changed(ground, was, place, fit, rng)
            ground, form, fit = self._rebooked(ground, form, place, fit, rng)
        if asks:
            form, place, fit = self._left_or_entered(ground, form, place, fit, rng)
        if was == form == "none":
            return
        self.place = place
        priors.put_form(together=form == "alike", in_order=form == "after")
        later = self._later(place)
        visit.first, visit.amount = (later == 0 if form == "first" else None), ground.amount
        own = ground.alone * (1 - later) if form == "first" else ground.spread
        step, least = floor
        b, extra = fit.draw(rng) if fit else (ground.rest.draw(rng), np.zeros(2))
        b[:, list(self._column.values())] = 0.0
        if form in self._column:
            b[:, self._column[form]] = extra
        for t, target in enumerate(targets):
            target.x[:, self._column["after"]], target.own = later[target.lines], own[t, target.lines]
            target.put(b[t], step, least[t])

    def _exchanged(self, ground: _Ground, form: Form, rng: np.random.Generator) -> tuple[NDArray[np.int64], Extra]:
        """Return the order and its fit after a few exchanges of two zones."""
        at, fit = self.place, self._fit(ground, form, self.place)
        for _ in range(_EXCHANGES):
            place = at.copy()
            two = rng.choice(len(place), 2, replace=False)
            place[two] = place[two[::-1]]
            other = self._fit(ground, form, place)
            if np.log(rng.random()) < other.log_factor - fit.log_factor:
                at, fit = place, other
        return at, fit

    def _changed(
        self, ground: _Ground, form: Form, place: NDArray[np.int64], fit: Extra, rng: np.random.Generator
    ) -> tuple[Form, Extra]:
        """Return which of the two forms with an order there is now, and its fit."""
        new: Form = "first" if form == "after" else "after"
        other, prior = self._fit(ground, new, place), ground.priors.log_forms()
        taken = rng.logistic() < prior[new] + other.log_factor - prior[form] - fit.log_factor
        return (new, other) if taken else (form, fit)

    def _rebooked(
        self, ground: _Ground, form: Form, place: NDArray[np.int64], fit: Extra, rng: np.random.Generator
    ) -> tuple[_Ground, Form, Extra]:
        """Propose to go from less for later lines to a fixed amount on the first or back; return what there is then.

        Both may explain the same lines, and the amount that goes with one does not go with the other: here later lines
        take less beside no amount. The amounts proposed come from their grid, one quantity after the other.
        """
        if form == "after" and ground.amount.any():
            return ground, form, fit
        bare = ground.with_amount(np.zeros(2)) if form == "first" else ground
        first, amount, log_ratio = 1 - self._later(place), np.zeros(2), 0.0

        def booked(amount: NDArray[np.float64]) -> Extra:
            return bare.rest.with_column(np.log1p(amount[:, None] / bare.taken) * first, 1.0, 0.0)

        for t, quantity in enumerate(QUANTITIES):
            choices = amounts(quantity, SCORES)
            log_q = np.array([booked(np.where(np.arange(2) == t, c, amount)).log_factor for c in choices.tolist()])
            log_q += log_prior(SCORES)
            log_q -= np.logaddexp.reduce(log_q)
            if form == "after":
                k = int(draw_from_log(log_q, np.arange(float(len(choices))), rng))
                score = SCORES[k] + (rng.random() - 0.5) * SCORE_STEP if choices[k] else 0.0
                amount[t] = amounts(quantity, np.array([score]))[0] if choices[k] else 0.0
            else:
                amount[t] = ground.amount[t]
                score = np.log(amount[t] / VISIT_AMOUNT[quantity]) / VISIT_LOG_SD if amount[t] else 0.0
                k = int(np.argmin(np.abs(SCORES - score))) if amount[t] else len(SCORES)
            log_ratio += log_prior(np.array([score]))[0 if amount[t] else 1] - log_q[k] - log_prior(SCORES)[-1]
        cheaper, prior = self._fit(bare, "after", place), ground.priors.log_forms()
        log_ratio += prior["first"] + booked(amount).log_factor - prior["after"] - cheaper.log_factor
        if np.log(rng.random()) >= (log_ratio if form == "after" else -log_ratio):
            return ground, form, fit
        if form == "first":
            return bare, "after", cheaper
        new = bare.with_amount(amount)
        return new, "first", self._fit(new, "first", place)

    def _left_or_entered(
        self, ground: _Ground, form: Form, place: NDArray[np.int64], fit: Extra | None, rng: np.random.Generator
    ) -> tuple[Form, NDArray[np.int64], Extra | None]:
        """Propose to leave an order, or to have one; return form, order and fit as they are then.

        Which form with an order is proposed depends on the fixed amount alone; leaving one is proposed always.
        """
        after = 0.5 if ground.alone.any() else _AFTER_WITHOUT_AMOUNT
        alike = ground.rest.with_column(self._share, *ground.priors.moments(self._column["alike"]))
        new: Form = form if fit else ("after" if rng.random() < after else "first")
        leads = self._leads(ground, new)
        at = place if fit else self._ranked(leads, rng)
        ordered = fit or self._fit(ground, new, at)
        prior = ground.priors.log_forms()
        others = np.logaddexp(prior["none"], prior["alike"] + alike.log_factor)
        log_odds = prior[new] + ordered.log_factor - others - lgamma(len(at) + 1.0) - self._log_chance(leads, at)
        log_odds -= np.log(after if new == "after" else 1 - after)
        if np.log(rng.random()) >= (-log_odds if fit else log_odds):
            return form, place, fit
        if not fit:
            return new, at, ordered
        if np.log(rng.random()) < prior["none"] - others:
            return "none", place, None
        return "alike", place, alike

    def _fit(self, ground: _Ground, form: Form, place: NDArray[np.int64]) -> Extra:
        """Return the fit of a form with an order."""
        later = self._later(place)
        if form == "after":
            return ground.rest.with_column(later, *ground.priors.moments(self._column[form]))
        return ground.rest.with_column(ground.alone * (1 - later) - ground.spread, 1.0, 0.0)

    def _later(self, place: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return 1 for each line after the first of its visit in an order, else 0."""
        return worked_later(self._table.line_job, place[self._zone_of]).astype(np.float64)

    def _leads(self, ground: _Ground, form: Form) -> NDArray[np.float64]:
        """Return how much each zone looks like the first of each visit, (n_visits, n_zones), -inf where not in it."""
        if form == "after":
            fit = ground.rest.with_column(self._share, *ground.priors.moments(self._column[form]))
        else:
            fit = ground.rest.with_column(np.zeros_like(ground.spread), 1.0, 0.0)
        leads = self._leads_by(ground, form, fit)
        for _ in range(_BETTER_GUESSES):
            leads = self._leads_by(ground, form, self._fit(ground, form, self._ranked(leads, None)))
        return leads

    def _leads_by(self, ground: _Ground, form: Form, fit: Extra) -> NDArray[np.float64]:
        r = fit.left()[:, self._lines]
        if form == "after":
            # A line that is not first has d: seen from one that has, being first adds its opposite.
            adds = np.broadcast_to(-np.minimum(fit.step, _LEAST_STEP)[:, None], r.shape)
            r = r + adds
        else:
            adds = ground.alone[:, self._lines]
            r = r + ground.spread[:, self._lines]
        pull = np.einsum("tsi,si->ti", ground.rest.o[:, :, self._lines], adds)
        gain = (pull * (r - 0.5 * adds)).sum(axis=0)
        top = np.maximum.reduceat(gain, self._start)
        mean = np.add.reduceat(np.exp(gain - top[self._job]), self._start) / np.diff([*self._start, len(gain)])
        leads = np.full((len(self._start), len(self.place)), -np.inf)
        leads[self._job, self._zone] = gain - (top + np.log(mean))[self._job]
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
