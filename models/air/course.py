"""The course of a concentration under piecewise-constant sources and air, solved exactly piece by piece.

In each piece dC/dt = drive - rate C, so C(t) = C0 exp(-rate t) + drive (1 - exp(-rate t)) / rate: the build-up and
dilution law of a well-mixed room. Within a piece C is monotone, its integral is closed, and nothing is stepped.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_SUBCELLS = 5
_BISECTIONS = 48


def _faded(rate: Array, t: Array) -> Array:
    """Return (1 - exp(-rate t)) / rate, which is t where rate is 0."""
    x = rate * t
    return np.where(x > 1e-12, -np.expm1(-x) / np.where(x > 1e-12, rate, 1.0), t)


def _faded_twice(rate: Array, t: Array, faded: Array) -> Array:
    """Return (t - faded) / rate with faded = (1 - exp(-rate t)) / rate; it tends to t^2 / 2 as rate goes to 0."""
    x = rate * t
    small = x < 1e-4
    exact = (t - faded) / np.where(small, 1.0, rate)
    return np.where(small, t * t * (0.5 - x / 6), exact)


@dataclass(frozen=True)
class Course:
    """A concentration over time, one column a scenario. Time is in minutes; the concentration in any one unit.

    Attributes
    ----------
    edges : float64 array (n_pieces + 1, n_draws)
        Ends of the pieces, non-decreasing, from 0.
    rate : float64 array (n_pieces, n_draws)
        Air changes a minute, >= 0.
    drive : float64 array (n_pieces, n_draws)
        What the sources and the incoming air add a minute.
    level, integral : float64 arrays (n_pieces + 1, n_draws)
        Concentration, and its integral from time 0, at the edges.
    """

    edges: Array
    rate: Array
    drive: Array
    level: Array
    integral: Array

    @classmethod
    def solve(cls, edges: Array, rate: Array, drive: Array, start: Array | float) -> Course:
        """Solve the pieces one after the other from the concentration `start`, one or (n_draws,)."""
        level, integral = np.empty_like(edges), np.empty_like(edges)
        level[0], integral[0] = start, 0.0
        for i in range(len(rate)):
            span = edges[i + 1] - edges[i]
            faded = _faded(rate[i], span)
            level[i + 1] = level[i] * np.exp(-rate[i] * span) + drive[i] * faded
            integral[i + 1] = integral[i] + level[i] * faded + drive[i] * _faded_twice(rate[i], span, faded)
        return cls(edges, rate, drive, level, integral)

    def take(self, draws: NDArray[np.bool_]) -> Course:
        """Return the course of the chosen scenarios."""
        return Course(*(part[:, draws] for part in (self.edges, self.rate, self.drive, self.level, self.integral)))

    def until(self, end: Array) -> Course:
        """Return the course up to a time of each scenario, (n_draws,); what comes later is cut off."""
        edges = np.minimum(self.edges, end)
        return Course(edges, self.rate, self.drive, self.at(edges), self.integral_to(edges))

    def stretched(self, base: float, factor: float) -> Course:
        """Return base + factor (C - base): what stands above a base, multiplied.

        Where C' = drive - rate C, D = base + f (C - base) obeys D' = f (drive - rate base) + rate base - rate D.
        """
        if factor == 1:
            return self
        drive = factor * (self.drive - self.rate * base) + self.rate * base
        level, alone = base + factor * (self.level - base), base * self.edges
        return Course(self.edges, self.rate, drive, level, alone + factor * (self.integral - alone))

    @cached_property
    def _keys(self) -> tuple[Array, float]:
        """Return the edges of all scenarios as one sorted line, each scenario moved by its own multiple of a span."""
        span = float(self.edges[-1].max()) * 2 + 1.0
        return (self.edges + span * np.arange(self.edges.shape[1])).T.ravel(), span

    def _piece(self, t: Array) -> NDArray[np.int64]:
        keys, span = self._keys
        n_edges, n_draws = self.edges.shape
        draw = np.arange(n_draws)
        found: NDArray[np.int64] = (
            np.searchsorted(keys, np.maximum(t, 0.0) + span * draw, side="right") - 1 - n_edges * draw
        )
        return np.asarray(np.clip(found, 0, n_edges - 2), dtype=np.int64)

    def at(self, t: Array) -> Array:
        """Return the concentration at times t, shape (m, n_draws); before time 0 it is the start's."""
        i, column = self._piece(t), np.arange(self.edges.shape[1])
        since = np.maximum(t - self.edges[i, column], 0.0)
        rate = self.rate[i, column]
        return self.level[i, column] * np.exp(-rate * since) + self.drive[i, column] * _faded(rate, since)

    def integral_to(self, t: Array) -> Array:
        """Return the integral of the concentration from 0 to t, shape (m, n_draws); negative before time 0."""
        i, column = self._piece(t), np.arange(self.edges.shape[1])
        since = np.maximum(t - self.edges[i, column], 0.0)
        rate = self.rate[i, column]
        faded = _faded(rate, since)
        inside = self.level[i, column] * faded + self.drive[i, column] * _faded_twice(rate, since, faded)
        total: Array = self.integral[i, column] + inside + self.level[0] * np.minimum(t, 0.0)
        return total

    def peak(self) -> Array:
        """Return the highest concentration, shape (n_draws,): pieces are monotone, so it stands at an edge."""
        return np.asarray(self.level.max(axis=0), dtype=np.float64)

    def running_average(self, t: Array, window_min: float) -> Array:
        """Return the mean over the window that ends at t; before time 0 the air is as at the start."""
        mean: Array = (self.integral_to(t) - self.integral_to(t - window_min)) / window_min
        return mean

    def highest_running_average(self, window_min: float) -> Array:
        """Return the highest running average, shape (n_draws,).

        Its slope is (C(t) - C(t - window)) / window: it turns down inside a grid cell where that difference changes its
        sign. The cell with the highest top, by the parabola that has the slopes at its ends, is searched by bisection.
        """
        grid = self._grid(window_min)
        means, rise = self.running_average(grid, window_min), self._rise(grid, window_min)
        up, down = rise[:-1], rise[1:]
        turns = (up > 0) & (down < 0)
        gain = np.divide(up**2, up - down, out=np.zeros_like(up), where=turns) * np.diff(grid, axis=0)
        cell = np.where(turns, means[:-1] + gain / (2 * window_min), -np.inf).argmax(axis=0)
        column = np.arange(grid.shape[1])
        top = _bisected(lambda t: self._rise(t, window_min) <= 0, grid[cell, column], grid[cell + 1, column])
        return np.asarray(np.maximum(means.max(axis=0), self.running_average(top, window_min)), dtype=np.float64)

    def _rise(self, t: Array, window_min: float) -> Array:
        return np.asarray(self.at(t) - self.at(t - window_min), dtype=np.float64)

    def minutes_to_level(self, limit: float) -> Array:
        """Return when the concentration first reaches a limit, shape (n_draws,), infinite where it never does.

        In a piece: t = -ln((limit - end) / (C0 - end)) / rate with end = drive / rate; without air
        1 - C = (1 - C0) exp(-V_gas / V).
        """
        reached = self.level >= limit
        piece = np.maximum(reached.argmax(axis=0) - 1, 0)
        column = np.arange(self.edges.shape[1])
        start, rate, drive = self.level[piece, column], self.rate[piece, column], self.drive[piece, column]
        rise = drive - rate * start
        with np.errstate(divide="ignore", invalid="ignore"):
            gone = rate * (limit - start) / rise
            since = np.where(np.abs(gone) > 1e-9, -np.log1p(-gone) / rate, (limit - start) / rise)
        inside = np.minimum(self.edges[piece, column] + since, self.edges[piece + 1, column])
        when = np.where(reached[0], 0.0, inside)
        return np.where(reached.any(axis=0), when, np.inf)

    def minutes_to_exposure(self, limit: float, divisor_min: float) -> Array:
        """Return when the integral so far has used up `limit * divisor_min`, infinite where it never does."""
        goal = limit * divisor_min
        low, high = np.zeros(self.edges.shape[1]), self.edges[-1].copy()
        when = _bisected(lambda t: self.integral_to(t) >= goal, low, high)
        return np.where(self.integral[-1] >= goal, when, np.inf)

    def _grid(self, window_min: float) -> Array:
        """Return sorted times at which the running average is smooth in between, with sub-cells, (m, n_draws)."""
        end = self.edges[-1]
        knots = np.sort(np.concatenate([self.edges, np.minimum(self.edges + window_min, end)]), axis=0)
        parts = np.linspace(0.0, 1.0, _SUBCELLS, endpoint=False)[None, :, None]
        cells = knots[:-1, None, :] + np.diff(knots, axis=0)[:, None, :] * parts
        return np.concatenate([cells.reshape(-1, knots.shape[1]), knots[-1:]])


def _bisected(reached: Callable[[Array], NDArray[np.bool_]], low: Array, high: Array) -> Array:
    """Return the first time at which `reached` holds between low (not yet) and high (reached), per scenario."""
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        there = reached(middle)
        low, high = np.where(there, low, middle), np.where(there, middle, high)
    return high
