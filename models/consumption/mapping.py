"""The map the record calls for: none, one for all jobs, one that follows recent jobs, or corrections by kind of job.

On the probit scale of the quantile levels a perfect predictive gives z = probit(PIT) ~ N(0, 1). Each candidate predicts
the z of later jobs from those of earlier ones as N(m, s^2), block after block of the record (prequential: Dawid 1984,
JRSS A 147:278-292), and is scored by its mean log density. The predictive stays as it is unless a map beats it by more
than `_STANDARD_ERRORS` standard errors (the rule of one: Breiman et al. 1984, Classification and Regression Trees, sec.
3.4.3; with three rivals one is too easily beaten by chance): the record's early fits saw fewer jobs than the one whose
answers are mapped, and a map that is not needed costs width and coverage.

* none: m = 0, s = 1.
* whole: as `fit_map`, shrunk to the identity.
* recent: the same with weights that halve every `HALF_LIFE_DAYS`.
* kinds: m = shift + the sum of a job's corrections, one for each word that says what kind of job it is (number of
  zones, worst soil, class, zones); ridge regression of z on the words with prior sd `KIND_SD` each (Hoerl & Kennard
  1970, Technometrics 12:55-67), so a kind with few jobs keeps nearly the parent's. It is a linear learner on the
  residuals of the structured one, and wins where the structured learner's form is wrong for some kinds.

What moves answers up or down (m) is kept only as far as the fit that answers is still off itself (`still_called_for`):
when the level changes, every fit of the record lags behind in turn, so the record promises later jobs the same lag
again, though the newest fit has learned the change by now. To correct for it once more would count it twice.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.conformal import KAPPA, ProbitMap, probit_scores, shrunk_moments
from shared.vocabulary import SOILS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable

RULES = ("none", "whole", "recent", "kinds")
#: Rule of a map that is left where the fit has learned by itself what moved the map; the scale is the chosen one's.
LEARNED = "learned"
#: Of what a map moves less than this share is nothing to speak of.
_LEAST_SHARE = 0.1
HALF_LIFE_DAYS = 120.0
KIND_SD = 0.15
#: A word gets a correction from so many jobs on.
_KIND_JOBS = 8
#: Scores that a choice needs: with fewer nothing is tried.
LEAST_SCORES = 120
#: Scores before the first block, and blocks.
_FIRST, _BLOCKS = 60, 8
_STANDARD_ERRORS = 2.0
_MANY_ZONES = 4


def job_kinds(table: JobTable) -> list[tuple[str, ...]]:
    """Return the words that say what kind of job each one is, in order of the jobs."""
    n = table.n_jobs
    zones: list[set[str]] = [set() for _ in range(n)]
    words: list[set[str]] = [set() for _ in range(n)]
    worst = np.full(n, -1, dtype=np.int64)
    np.maximum.at(worst, table.line_job, table.soil)
    blank = np.bincount(table.line_job, weights=table.soil < 0, minlength=n) > 0
    lines = zip(table.line_job.tolist(), table.zone.words(), table.vehicle_class.words(), strict=True)
    for job, zone, vehicle in lines:
        zones[job].add(zone)
        words[job].add(f"class {vehicle}")
    out = []
    for job in range(n):
        soil = "unknown" if blank[job] else SOILS[worst[job]]
        count = f"zones {min(len(zones[job]), _MANY_ZONES)}"
        out.append((count, f"soil {soil}", *sorted(words[job]), *(f"zone {z}" for z in sorted(zones[job]))))
    return out


def choose_map(pit: NDArray[np.float64], day: NDArray[np.int64], kinds: list[tuple[str, ...]]) -> ProbitMap:
    """Return the map of out-of-sample PITs (n,) in order of day, NaN left out, fitted by the rule that did best.

    Parameters
    ----------
    pit, day : (n,)
    kinds : n tuples of words, see `job_kinds`
    """
    seen = np.flatnonzero(np.isfinite(pit))
    z, day = probit_scores(pit[seen]), day[seen]
    none = ProbitMap(0.0, 1.0, len(z))
    if len(z) < LEAST_SCORES:
        return none
    words, x = _indicators([kinds[i] for i in seen.tolist()])
    edges = np.linspace(_FIRST, len(z), _BLOCKS + 1).astype(int).tolist()
    density: dict[str, list[NDArray[np.float64]]] = {rule: [] for rule in RULES}
    for start, stop in pairwise(edges):
        for rule in RULES:
            shift, scale, by_word = _fitted(rule, z[:start], day[:start], x[:start])
            rest = (z[start:stop] - shift - x[start:stop] @ by_word) / scale
            density[rule].append(-np.log(scale) - rest**2 / 2)
    better: dict[str, float] = {}
    for rule in RULES[1:]:
        gain = np.concatenate(density[rule]) - np.concatenate(density["none"])
        if gain.mean() > _STANDARD_ERRORS * gain.std(ddof=1) / np.sqrt(len(gain)):
            better[rule] = float(gain.mean())
    if not better:
        return none
    rule = max(better, key=better.__getitem__)
    shift, scale, by_word = _fitted(rule, z, day, x)
    corrections = {w: round(c, 4) for w, c in zip(words, by_word.tolist(), strict=True) if round(c, 4)}
    return ProbitMap(round(shift, 6), round(scale, 6), len(z), rule, corrections)


def still_called_for(
    level_map: ProbitMap, pit: NDArray[np.float64], day: NDArray[np.int64], kinds: list[tuple[str, ...]]
) -> ProbitMap:
    """Return the map with its shift and corrections as large as the fit that answers still needs them, if at all.

    With m_j what the map moves job j by and z_j = probit(PIT) of the same job by that fit, both are multiplied by the
    least-squares share w = sum m_j z_j / sum m_j^2, limited to 0..1, newer jobs counting more where the rule says so.
    The fit has seen these jobs, which makes z_j smaller than they would be for new ones: the share errs to less.

    Parameters
    ----------
    level_map : ProbitMap
    pit : (n,)
        Of jobs that the fit has learned from; NaN is left out.
    day : (n,)
    kinds : n tuples of words, see `job_kinds`
    """
    seen = np.flatnonzero(np.isfinite(pit))
    moved = level_map.shift + level_map.corrections([kinds[i] for i in seen.tolist()])
    weight = _weights(level_map.rule, day[seen])
    size = float(weight @ moved**2)
    share = float(np.clip(weight @ (moved * probit_scores(pit[seen])) / size, 0.0, 1.0)) if size > 0 else 0.0
    if share < _LEAST_SHARE:
        return ProbitMap(0.0, level_map.scale, level_map.n, LEARNED)
    corrections = {w: round(share * c, 4) for w, c in level_map.by_kind.items() if round(share * c, 4)}
    return replace(level_map, shift=round(share * level_map.shift, 6), by_kind=corrections)


def _weights(rule: str, day: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return what each job counts for a rule, (n,)."""
    recent = rule == "recent" and len(day) > 0
    return 0.5 ** ((day.max() - day) / HALF_LIFE_DAYS) if recent else np.ones(len(day))


def _indicators(kinds: list[tuple[str, ...]]) -> tuple[list[str], NDArray[np.float64]]:
    """Return the words that enough jobs have, and which job has which, (n, n_words)."""
    count: dict[str, int] = {}
    for job in kinds:
        for word in job:
            count[word] = count.get(word, 0) + 1
    words = sorted(w for w, n in count.items() if _KIND_JOBS <= n < len(kinds))
    place = {word: k for k, word in enumerate(words)}
    x = np.zeros((len(kinds), len(words)))
    for row, job in enumerate(kinds):
        x[row, [place[w] for w in job if w in place]] = 1.0
    return words, x


def _fitted(
    rule: str, z: NDArray[np.float64], day: NDArray[np.int64], x: NDArray[np.float64]
) -> tuple[float, float, NDArray[np.float64]]:
    """Return shift, scale and corrections (n_words,) of one rule."""
    nothing = np.zeros(x.shape[1])
    if rule == "none":
        return 0.0, 1.0, nothing
    if rule != "kinds":
        shift, scale = shrunk_moments(z, _weights(rule, day))
        return shift, scale, nothing
    shift, _ = shrunk_moments(z, np.ones(len(z)))
    precision = x.T @ x + np.eye(x.shape[1]) / KIND_SD**2
    solved = np.linalg.solve(precision, np.column_stack([x.T @ (z - shift), x.T @ x]))
    by_word = np.asarray(solved[:, 0], dtype=np.float64)
    rest, used = z - shift - x @ by_word, float(np.trace(solved[:, 1:]))
    scale = float(np.sqrt(((rest**2).sum() + KAPPA) / (max(len(z) - used, 1.0) + KAPPA)))
    return shift, scale, by_word
