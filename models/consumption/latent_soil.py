"""Soil that nobody wrote down: which level this shop finds on such lines, and lines of one job sharing it.

An ordered probit with fixed cuts (McCullagh 1980, JRSS B 42:109-142; data augmentation after Albert & Chib 1993, JASA
88:669-679): a line's latent dirt is t = m(class, zone, season) + v(job) + e, and its level counts the cuts below t. The
cuts are the shop's own shares (with planning shares as four pseudo-lines), m is shrunk towards 0 by a fixed number of
pseudo-lines per class and zone, and the part of the variance that lines of one job share comes from their products.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable

#: Shares of light, moderate, heavy, severe before anything is written down; from memory, without a source.
PLANNING_SHARES = (0.25, 0.42, 0.25, 0.08)
_PSEUDO_LINES = 4.0
_CELL_LINES = 8.0
_SEASON_LINES = 20.0
_PAIR_PRIOR = (0.5, 10.0)


@dataclass(frozen=True)
class SoilModel:
    """The distribution of soil levels at a shop.

    Attributes
    ----------
    cuts : tuple of 3 floats, increasing
    zone, vehicle_class : dict word -> mean of the latent dirt
    season : (sin, cos) coefficients of the yearly wave
    job_share : float
        Share of the latent variance (1 within a class, zone and season) that lines of one job have in common.
    """

    cuts: tuple[float, float, float]
    zone: dict[str, float]
    vehicle_class: dict[str, float]
    season: tuple[float, float]
    job_share: float

    def mean(self, table: JobTable) -> NDArray[np.float64]:
        """Return the mean latent dirt of each line, shape (n_lines,); unseen words count as 0."""
        zone = np.array([self.zone.get(n, 0.0) for n in table.zone.names])[table.zone.codes]
        vehicle = np.array([self.vehicle_class.get(n, 0.0) for n in table.vehicle_class.names])
        # Line by line: the last bits of a matrix product depend, on some processors, on the rows beside a row.
        season = (_waves(table) * np.array(self.season)).sum(axis=1)
        return np.asarray(zone + vehicle[table.vehicle_class.codes] + season)

    def chances(self, table: JobTable, lines: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the chance of each level on the given lines before anything about them is known, (n, 4)."""
        from scipy.special import ndtr

        edges = np.array([-np.inf, *self.cuts, np.inf])
        return np.asarray(np.diff(ndtr(edges - self.mean(table)[lines, None]), axis=1))

    def scores(self) -> NDArray[np.float64]:
        """Return the mean of a standard normal within each level's cuts, shape (4,)."""
        return _interval_means(self.cuts)

    def draw_levels(
        self,
        mean: NDArray[np.float64],
        soil: NDArray[np.int64],
        rng: np.random.Generator,
        n_draws: int,
    ) -> NDArray[np.int64]:
        """Return levels of the lines of one job, shape (n_lines, n_draws); written levels stay as they are.

        The job's common part is drawn given the scores of the written lines (normal approximation).
        """
        share = self.job_share
        known = soil >= 0
        n_known = int(known.sum())
        excess = float((self.scores()[soil[known]] - mean[known]).sum()) if n_known else 0.0
        weight = share / (share * n_known + 1.0 - share)
        centre, variance = weight * excess, share * (1.0 - share) / (share * n_known + 1.0 - share)
        common = centre + np.sqrt(variance) * rng.standard_normal(n_draws)
        own = np.sqrt(1.0 - share) * rng.standard_normal((len(mean), n_draws))
        drawn = np.searchsorted(np.array(self.cuts), mean[:, None] + common + own)
        return np.where(known[:, None], soil[:, None], drawn).astype(np.int64)


class SoilRows:
    """Lines whose soil is known or stands drawn, with what their dirt may depend on; `fit` learns from their levels."""

    def __init__(self, table: JobTable, lines: NDArray[np.int64]) -> None:
        self._zone, self._class = table.zone, table.vehicle_class
        self._zone_codes, self._class_codes = table.zone.codes[lines], table.vehicle_class.codes[lines]
        self._waves = _waves(table)[lines]
        self._wave_inverse = np.linalg.inv(self._waves.T @ self._waves + _SEASON_LINES * np.eye(2))
        self._job = table.line_job[lines]

    def counts(self, soil: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return how many lines have each level, planning shares counted as `_PSEUDO_LINES` more, shape (4,)."""
        return np.asarray(np.bincount(soil, minlength=4) + _PSEUDO_LINES * np.array(PLANNING_SHARES))

    def fit(self, soil: NDArray[np.int64], shares: NDArray[np.float64]) -> SoilModel:
        """Return the soil distribution given each line's level and the levels' shares of all lines."""
        first, second, third = cuts_of(shares)
        score = _interval_means((first, second, third))[soil]
        zone, score = _shrunk_means(score, self._zone_codes, self._zone.names)
        vehicle, score = _shrunk_means(score, self._class_codes, self._class.names)
        season = self._wave_inverse @ (self._waves.T @ score)
        share = _job_share(score - self._waves @ season, self._job)
        return SoilModel((first, second, third), zone, vehicle, (float(season[0]), float(season[1])), share)


def fit_soil(table: JobTable) -> SoilModel:
    """Return the soil distribution of what was written; without any it is `PLANNING_SHARES` everywhere."""
    known = np.flatnonzero(table.soil >= 0)
    rows, soil = SoilRows(table, known), table.soil[known]
    counts = rows.counts(soil)
    return rows.fit(soil, counts / counts.sum())


def cuts_of(shares: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the cuts of a standard normal that leave each level its share, shares (4,) > 0 that sum to 1."""
    first, second, third = (NormalDist().inv_cdf(float(c)) for c in np.cumsum(shares)[:3])
    return first, second, third


def average(models: list[SoilModel]) -> SoilModel:
    """Return the mean of several distributions of one shop: of the levels' shares, and of what shifts the dirt."""
    normal = NormalDist()
    below = np.mean([[normal.cdf(c) for c in m.cuts] for m in models], axis=0)
    season = np.mean([m.season for m in models], axis=0)

    def words(parts: list[dict[str, float]]) -> dict[str, float]:
        return {name: sum(p.get(name, 0.0) for p in parts) / len(parts) for name in sorted(set().union(*parts))}

    return SoilModel(
        cuts=cuts_of(np.diff(below, prepend=0.0, append=1.0)),
        zone=words([m.zone for m in models]),
        vehicle_class=words([m.vehicle_class for m in models]),
        season=(float(season[0]), float(season[1])),
        job_share=sum(m.job_share for m in models) / len(models),
    )


def _waves(table: JobTable) -> NDArray[np.float64]:
    angle = 2 * np.pi * table.day[table.line_job] / DAYS_PER_YEAR
    return np.column_stack([np.sin(angle), np.cos(angle)])


def _interval_means(cuts: tuple[float, float, float]) -> NDArray[np.float64]:
    normal = NormalDist()
    density = np.array([0.0, *(normal.pdf(c) for c in cuts), 0.0])
    below = np.array([0.0, *(normal.cdf(c) for c in cuts), 1.0])
    return np.asarray((density[:-1] - density[1:]) / np.diff(below))


def _shrunk_means(
    score: NDArray[np.float64], codes: NDArray[np.int32], names: tuple[str, ...]
) -> tuple[dict[str, float], NDArray[np.float64]]:
    """Return the shrunk mean of each word and what is left of the scores."""
    total = np.bincount(codes, weights=score, minlength=len(names))
    mean = total / (np.bincount(codes, minlength=len(names)) + _CELL_LINES)
    return {n: float(m) for n, m in zip(names, mean.tolist(), strict=True) if m}, score - mean[codes]


def _job_share(rest: NDArray[np.float64], job: NDArray[np.int64]) -> float:
    """Return the mean product of two lines of a job over the variance, shrunk to a half by ten pseudo-pairs."""
    prior, weight = _PAIR_PRIOR
    variance = float(rest.var()) if len(rest) > 1 else 0.0
    if variance <= 0.0:
        return prior
    size = np.bincount(job)
    products = (np.bincount(job, weights=rest) ** 2 - np.bincount(job, weights=rest**2)) / 2
    n_pairs = float((size * (size - 1) / 2).sum())
    share = (products.sum() / variance + prior * weight) / (n_pairs + weight)
    return float(np.clip(share, 0.02, 0.95))
