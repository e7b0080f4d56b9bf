"""Scenarios of a request's lines from posterior states: numpy only, and quick.

Each job draws its noise from its own stream, seeded by what the job is (and by how many like jobs stand before it, by
day and job id), so its answer does not depend on the order of the file, on later jobs or on unlike jobs beside it. What
jobs share in a scenario (coefficients, a newcomer's effect, the next step in time) comes from streams named by what is
shared.
"""

from __future__ import annotations

from dataclasses import replace
from hashlib import blake2b
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.design import CELL, N_SOILS, POWERS, SOIL_BLOCKS, rows_of, setting_term, zone_slopes
from models.consumption.grades import meant
from models.consumption.jobs import SETTINGS
from models.consumption.noise_by_soil import sd_factor
from models.consumption.planning import log_median
from models.consumption.priors import POOLED
from models.consumption.usual_order import has_order
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.consumption.fitted import FittedModel
    from models.consumption.jobs import JobTable

#: Line noise is cut off at so many of its sds, and at a factor on either side (from memory, without a source): a log-t
#: has no mean, and in a short log one slip of the pen lets a state's sd be anything.
_NOISE_LIMIT = 6.0
_WIDEST_NOISE = np.log(10.0)
_POOL_AT = {block: k for k, block in enumerate(POOLED)}


def stream(seed: int, *words: str) -> np.random.Generator:
    """Return a generator named by words; equal names give equal streams."""
    digest = blake2b("\x1f".join(words).encode(), digest_size=16).digest()
    key = [int.from_bytes(digest[:8], "big"), int.from_bytes(digest[8:], "big")]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed % 2**63, *key])))


def normal_scores(n: int) -> NDArray[np.float64]:
    """Return the n midpoint quantiles of a standard normal; permuted they are draws with no error in their spread."""
    half = [NormalDist().inv_cdf((k + 0.5) / n) for k in range(n // 2)]
    middle = [0.0] if n % 2 else []
    return np.array([*half, *middle, *(-h for h in reversed(half))])


class Scenarios:
    """Draws line by line of both quantities for one request."""

    def __init__(self, fitted: FittedModel, request: JobTable, seed: int, n_draws: int, *, alone: bool = False) -> None:
        self.fitted, self.request, self.seed, self.n_draws, self.alone = fitted, request, seed, n_draws, alone
        states = fitted.states
        n_states = states.n
        every = np.arange(n_draws)
        self.pick = every % n_states if n_draws >= n_states else (every * n_states) // n_draws
        self.rows = rows_of(fitted.columns, request)
        bare = replace(request, soil=np.zeros(request.n_lines, dtype=np.int64))
        self.soil_log = [np.log(np.array(fitted.planning.of(q).soil)) for q in QUANTITIES]
        medians = (log_median(bare, fitted.planning.of(q)) for q in QUANTITIES)
        self.base = [median - log[0] for median, log in zip(medians, self.soil_log, strict=True)]
        zeros = np.zeros((n_states, 2, 1))
        self.b = np.ascontiguousarray(np.concatenate([states.b, zeros], axis=2).transpose(1, 2, 0))
        step = self.rows.soil_step
        steps = np.concatenate([np.zeros((2, 1, n_states)), self.b[:, step : step + 3]], axis=1).cumsum(axis=1)
        self.steps = steps + np.array(self.soil_log)[:, :, None]
        self.scores = normal_scores(n_draws)
        self.rho = states.rho[self.pick].T
        self.job_sd, self.visit = states.job_sd[self.pick].T, states.visit[self.pick].T
        # The t quantile at a normal score z is nearly sqrt(nu expm1(c z^2)), c = ((8nu + 3) / (8nu + 1))^2 / nu
        # (Wallace 1959, Ann. Math. Stat. 30:1124-1130), which needs no second random number.
        self.tail = states.tail[self.pick].T[:, None, :]
        self.bend = ((8 * self.tail + 3) / (8 * self.tail + 1)) ** 2 / self.tail
        self.sd = np.concatenate([states.line_sd, states.other_sd[:, :, None]], axis=2)[self.pick].transpose(1, 2, 0)
        self.soil_sd = sd_factor(states.noise_growth[self.pick].T).swapaxes(1, 2)
        self.grows = bool(states.noise_growth.any())
        self.zone = request.zone.recoded(fitted.columns.blocks["zone"]).astype(np.int64)
        self.soil_mean = fitted.soil.mean(request)
        self.words = {
            "class": request.vehicle_class.words(),
            "zone": request.zone.words(),
            "operator": request.operator.words(),
            "machine": request.machine.words(),
        }
        self.column = fitted.columns.keyed()
        self.slopes = zone_slopes(fitted.columns)
        self.grade = states.grade[self.pick].T.astype(np.int64)
        self.graded = bool(self.grade.any())
        ordered = bool(has_order(states, fitted.columns).any())
        self.after = self._spread(self.b[:, self.column["after", "after"]]) if ordered else None
        # A zone that is new comes last.
        last = np.full((n_states, 1), float(states.place.shape[1]))
        self.place = np.concatenate([states.place, last], axis=1)[self.pick].T
        self.on_first = states.on_first[self.pick] > 0
        self.booked = bool(self.on_first.any())
        self.fresh: dict[tuple[str, str], NDArray[np.float64]] = {}

    def run(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the draws of pellets and minutes, each (n_lines, n_draws)."""
        request = self.request
        out = np.empty((2, request.n_lines, self.n_draws))
        first = np.searchsorted(request.line_job, np.arange(request.n_jobs + 1))
        line_keys = self._line_keys()
        order, keys, turn = self._job_keys(first, line_keys)
        chunk = 512
        for start in range(0, request.n_jobs, chunk):
            stop = min(start + chunk, request.n_jobs)
            at = slice(int(first[start]), int(first[stop]))
            fixed = self._fixed(at)
            for job in range(start, stop):
                lines = order[first[job] : first[job + 1]]
                rng = stream(self.seed, "job", keys[job], str(turn[job]))
                out[:, lines] = self._job(lines, fixed[:, lines - at.start], int(request.day[job]), rng)
        return out[0], out[1]

    def _line_keys(self) -> list[str]:
        request = self.request
        settings = np.column_stack([request.settings[name] for name in SETTINGS])
        soil, coating = request.soil.tolist(), request.coating_removed.tolist()
        columns = zip(*self.words.values(), soil, coating, settings.tolist(), strict=True)
        return ["\x1e".join(map(str, parts)) for parts in columns]

    def _job_keys(
        self, first: NDArray[np.int64], line_keys: list[str]
    ) -> tuple[NDArray[np.int64], list[str], list[int]]:
        """Return the lines of each job in canonical order, each job's key, and its turn among jobs of the same key."""
        request = self.request
        order = np.arange(request.n_lines)
        keys = []
        for job in range(request.n_jobs):
            lines = sorted(range(int(first[job]), int(first[job + 1])), key=line_keys.__getitem__)
            order[first[job] : first[job + 1]] = lines
            keys.append("\x1d".join([str(request.ambient_f[job]), *(line_keys[i] for i in lines)]))
        turn, seen = [0] * request.n_jobs, dict.fromkeys(keys, 0)
        if self.alone:
            return order, keys, turn
        for job in sorted(range(request.n_jobs), key=lambda j: (int(request.day[j]), request.job_id[j])):
            turn[job] = seen[keys[job]]
            seen[keys[job]] += 1
        return order, keys, turn

    def _fixed(self, at: slice) -> NDArray[np.float64]:
        """Return each line's mean at each state without soil, (2, n, n_states)."""
        index, value = self.rows.index[at], self.rows.value[at]
        out = np.stack([np.repeat(self.base[t][at, None], self.b.shape[2], axis=1) for t in range(2)])
        # Term by term: the last bits of a matrix product depend, on some processors, on the rows beside a row.
        for k in range(index.shape[1]):
            out += self.b[:, index[:, k]] * value[:, k, None]
        return out

    def _job(
        self, lines: NDArray[np.int64], fixed: NDArray[np.float64], day: int, rng: np.random.Generator
    ) -> NDArray[np.float64]:
        n, m = len(lines), self.n_draws
        z = rng.permuted(np.broadcast_to(self.scores, (2 + 2 * n, m)), axis=1)
        log_mean = self._spread(fixed)
        operator = self._add_blanks(log_mean, lines, rng)
        self._add_newcomers(log_mean, lines)
        level = self._add_soil(log_mean, lines, operator, rng)
        if day > self.fitted.last_day:
            log_mean += self._effect("time", "next")[:, None, :]
        later = self._later(lines) if n > 1 and (self.after is not None or self.booked) else None
        if self.after is not None and later is not None:
            log_mean += self.after[:, None, :] * later
        self._add_visit(log_mean, later)
        u = _pair(z[0], z[1], self.rho[1]) * self.job_sd
        e = _pair(z[2 : 2 + n], z[2 + n :], self.rho[2])
        e = np.copysign(np.minimum(np.sqrt(self.tail * np.expm1(self.bend * e**2)), _NOISE_LIMIT), e)
        e *= self.sd[:, self.zone[lines]]
        if self.grows:
            e *= self._soil_sd(lines, level)
        np.clip(e, -_WIDEST_NOISE, _WIDEST_NOISE, out=e)
        e += log_mean
        e += u[:, None, :]
        return np.asarray(np.exp(e, out=e))

    def _later(self, lines: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return which lines of a job are worked after the first in each scenario, (n, n_draws)."""
        # Lines in one zone stand as they do where they are learned.
        words, soil = self.words, self.request.soil
        stand = sorted(
            range(len(lines)),
            key=lambda k: (*(words[of][lines[k]] for of in ("class", "zone")), int(soil[lines[k]]),
                           *(words[of][lines[k]] for of in ("machine", "operator"))),
        )  # fmt: skip
        first = np.array(stand)[np.argmin(self.place[self.zone[lines[stand]]], axis=0)]
        return np.asarray(np.arange(len(lines))[:, None] != first)

    def _add_visit(self, log_mean: NDArray[np.float64], later: NDArray[np.bool_] | None) -> None:
        """Add the fixed amount of the visit, (2, n, n_draws): each line its share, or the line that is first all.

        `later` (n, n_draws) are the lines after the first, None where it does not matter which was.
        """
        taken = np.exp(log_mean)
        added = np.log1p(self.visit / taken.sum(axis=1))[:, None, :]
        if self.booked and later is not None:
            added = np.where(self.on_first, np.log1p(self.visit[:, None, :] / taken) * ~later, added)
        log_mean += added

    def _spread(self, at_states: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return values at states (..., n_states) as values of scenarios (..., n_draws)."""
        n_states = at_states.shape[-1]
        if self.n_draws < n_states:
            return np.asarray(at_states[..., self.pick])
        repeats = -(-self.n_draws // n_states)
        return np.concatenate([at_states] * repeats, axis=-1)[..., : self.n_draws]

    def _effect(self, block: str, key: str) -> NDArray[np.float64]:
        """Return a column's effect in each scenario, (2, n_draws); drawn from its block where it was never seen."""
        column = self.column.get((block, key))
        if column is not None:
            return self._spread(self.b[:, column])
        if (block, key) not in self.fresh:
            rng = stream(self.seed, block, key)
            z = rng.permuted(np.broadcast_to(self.scores, (2, self.n_draws)), axis=1)
            states = self.fitted.states
            scale = states.time_scale if block == "time" else states.tau[:, :, _POOL_AT[block]]
            self.fresh[block, key] = _pair(z[0], z[1], self.rho[0]) * scale[self.pick].T
        return self.fresh[block, key]

    def _add_newcomers(self, log_mean: NDArray[np.float64], lines: NDArray[np.int64]) -> None:
        blocks = self.fitted.columns.blocks
        for k, i in enumerate(lines.tolist()):
            word = {name: words[i] for name, words in self.words.items()}
            cells = {
                "class": word["class"],
                "zone": word["zone"],
                "operator": word["operator"],
                "machine": word["machine"],
                "class_zone": word["class"] + CELL + word["zone"],
                "machine_zone": word["machine"] and word["machine"] + CELL + word["zone"],
            }
            for block, key in cells.items():
                if key and blocks[block] and (block, key) not in self.column:
                    log_mean[:, k] += self._effect(block, key)
            for key in self.slopes:
                value = self.request.settings[key.removesuffix("^2")][i]
                if self.zone[i] < 0 and np.isfinite(value):
                    log_mean[:, k] += self._slope(key, i) * setting_term(key, value)

    def _slope(self, key: str, line: int) -> NDArray[np.float64]:
        """Return what a setting's term has of its own in a line's zone, (2, n_draws).

        A zone that the fit never saw is in each scenario like one of those that have it: a setting that matters in two
        zones of eight is no normal, and the two terms of one zone belong together. One that was worked without telling
        enough has none: its own effect holds what it usually takes.
        """
        columns = self.slopes[key]
        if (column := columns[self.zone[line]]) >= 0:
            return self._spread(self.b[:, column])
        if self.zone[line] >= 0:
            return np.zeros((len(self.b), self.n_draws))
        like = columns[columns >= 0]
        rng = stream(self.seed, "setting_zone", key.removesuffix("^2"), self.words["zone"][line])
        return np.asarray(self.b[:, like[rng.integers(len(like), size=self.n_draws)], self.pick])

    def _add_blanks(
        self, log_mean: NDArray[np.float64], lines: NDArray[np.int64], rng: np.random.Generator
    ) -> NDArray[np.int64] | None:
        """Mix a blank operator, machine or setting over this shop's usual ones, one draw per job and scenario.

        Return the operators drawn, if any.
        """
        usual, columns, operator = self.fitted.usual, self.fitted.columns, None
        for block in ("operator", "machine"):
            blank = [k for k, i in enumerate(lines.tolist()) if not self.words[block][i]]
            if not blank or not columns.blocks[block]:
                continue
            chosen = np.searchsorted(np.cumsum(usual.shares[block])[:-1], rng.random(self.n_draws))
            operator = chosen if block == "operator" else operator
            start = columns.start(block)
            log_mean[:, blank] += self.b[:, start + chosen, self.pick][:, None, :]
            if block == "machine" and columns.blocks["machine_zone"]:
                for k in blank:
                    zone = self.words["zone"][lines[k]]
                    cells = [self.column.get(("machine_zone", w + CELL + zone), -1) for w in columns.blocks[block]]
                    log_mean[:, k] += self.b[:, np.array(cells)[chosen], self.pick]
        for name in SETTINGS:
            self._add_blank_setting(log_mean, lines, name, rng)
        return operator

    def _add_blank_setting(
        self, log_mean: NDArray[np.float64], lines: NDArray[np.int64], name: str, rng: np.random.Generator
    ) -> None:
        values = self.fitted.usual.settings.get(name)
        blank = np.flatnonzero(np.isnan(self.request.settings[name][lines]))
        if values is None or not len(blank):
            return
        value = rng.choice(np.array(values), self.n_draws)
        block, powers = ("age", ("",)) if name == "ice_age_days" else ("setting", POWERS)
        for key in (name + power for power in powers):
            term = setting_term(key, value)
            log_mean[:, blank] += (self._effect(block, key) * term)[:, None, :]
            for k in blank.tolist() if key in self.slopes else ():
                log_mean[:, k] += self._slope(key, int(lines[k])) * term

    def _add_soil(
        self,
        log_mean: NDArray[np.float64],
        lines: NDArray[np.int64],
        operator: NDArray[np.int64] | None,
        rng: np.random.Generator,
    ) -> dict[int, NDArray[np.int64]]:
        """Add what the soil of each line takes; return the levels (n_draws,) of those of which they are drawn."""
        soil, level = self.request.soil[lines], {}
        for k, i in enumerate(lines.tolist() if self.graded else ()):
            grade = self._grade(i, operator)
            if soil[k] >= 0 and grade is not None and grade.any():
                level[k] = self._meant(i, int(soil[k]), grade, rng)
        if (soil < 0).any():
            known = soil.copy()
            for k, drawn in level.items():
                known[k] = round(float(drawn.mean()))
            every = self.fitted.soil.draw_levels(self.soil_mean[lines], known, rng, self.n_draws)
            level.update({k: every[k] for k in np.flatnonzero(soil < 0).tolist()})
        for k, i in enumerate(lines.tolist()):
            if k not in level:
                log_mean[:, k] += self._spread(self.steps[:, soil[k]]) + self._soil_cells(i, int(soil[k]))
                continue
            log_mean[:, k] += self.steps[:, level[k], self.pick]
            for s in range(N_SOILS):
                log_mean[:, k] += self._soil_cells(i, s) * (level[k] == s)
        return level

    def _soil_sd(self, lines: NDArray[np.int64], level: dict[int, NDArray[np.int64]]) -> NDArray[np.float64]:
        """Return what the noise of each line is multiplied by, (2, n, n_draws), given the levels that are drawn."""
        out, every = self.soil_sd[:, self.request.soil[lines]], np.arange(self.n_draws)
        for k, drawn in level.items():
            out[:, k] = self.soil_sd[:, drawn, every]
        return out

    def _grade(self, line: int, operator: NDArray[np.int64] | None) -> NDArray[np.int64] | None:
        """Return how many levels above the true one a line's soil is written in each scenario, None for a newcomer."""
        word = self.words["operator"][line]
        if word:
            column = self.column.get(("operator", word))
            return None if column is None else self.grade[column - self.fitted.columns.start("operator")]
        return None if operator is None else self.grade[operator, np.arange(self.n_draws)]

    def _meant(self, line: int, written: int, grade: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
        """Return the level that a written one stands for in each scenario, (n_draws,)."""
        soil, normal = self.fitted.soil, NormalDist(self.soil_mean[line])
        share = np.diff([0.0, *(normal.cdf(c) for c in soil.cuts), 1.0])
        chance = share * meant(np.full(len(grade), written), grade)
        reached = np.cumsum(chance, axis=1)
        return np.asarray((reached < rng.random((len(grade), 1)) * reached[:, -1:]).sum(axis=1))

    def _soil_cells(self, line: int, soil: int) -> NDArray[np.float64]:
        words = ((block, self.words[block][line]) for block in SOIL_BLOCKS)
        return np.asarray(sum(self._effect(block + "_soil", word + CELL + str(soil)) for block, word in words))


def _pair(one: NDArray[np.float64], two: NDArray[np.float64], rho: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (2, ...) standard normals with correlation rho (along the last axis)."""
    return np.stack([one, rho * one + np.sqrt(1 - rho**2) * two])
