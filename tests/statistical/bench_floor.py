"""The floor: a fit that is told the variances, the noise law and the exact prior, and is Bayesian about the rest.

Gibbs sampling over both quantities at once (Gelfand & Smith 1990, JASA 85:398-409). Effects are drawn with the job
noise integrated out; lines behind a total, blanks, readings behind a rounding and slips of the pen are drawn too, each
from the law that made them, and so are amounts per visit, lines done twice and wear where a shop has them. Shares no
code with the product's learner. There is none for saturation and gamma noise.
"""

from dataclasses import replace

import numpy as np
from bench_score import Answer
from floor_data import N_SOILS, N_ZONES, Log, Places, design, places, prior, read_log, soil_steps
from world_kinds import Kind
from world_law import COMMON, FIXED_SD, LINE_COMMON, T_SCALE, Floats, Ints, Law, job_soil, line_soil, machine_shares
from worlds import COMPATIBLE, KG, World, conditional

from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES

N_BURN, N_KEPT, THIN, PER_STATE = 200, 60, 6, 60
AGES = 6


class Floor:
    """The chain's state; one sweep draws everything once."""

    def __init__(self, world: World, log: Log, rng: np.random.Generator) -> None:
        self.world, self.law, self.log, self.rng = world, world.law, log, rng
        self.where: Places = places(world)
        self.mean0, self.precision0 = prior(world, self.where)
        self.soil = np.where(log.soil < 0, 1, log.soil)
        self.operator = np.where(log.job_operator < 0, 0, log.job_operator)
        self.machine = np.where(log.job_machine < 0, 0, log.job_machine)
        self.age = np.where(log.job_age < 0, 2, log.job_age)
        self.base = np.ones(log.n_jobs, dtype=np.int64)
        self.lam = np.ones(len(log.job))
        self.b = self.mean0.reshape(2, -1)
        self.u = np.zeros((log.n_jobs, 2))
        self.y = np.empty((len(log.job), 2))
        self.slip = np.zeros(len(log.value[0]))
        self.first = np.unique(log.job, return_index=True)[1]
        later = np.setdiff1d(np.arange(len(log.job)), self.first)
        self.offset = np.zeros(len(log.job))
        self.offset[later] = np.log(self.law.kind.together)
        self.redo = np.zeros(len(log.job))
        self.visit = np.tile(np.log(self.law.fixed), (log.n_jobs, 1)) if self.law.kind.fixed_share else None
        start = self._fitted(self._x())
        for q in range(2):
            sums = np.bincount(log.group[q], weights=np.exp(start[:, q]))
            if self.visit is not None:
                sums += np.bincount(log.group[q][self.first], np.exp(self.visit[:, q]), minlength=len(sums))
            scale = np.log(log.value[q] / sums)[log.group[q]]
            self.y[:, q] = start[:, q] + scale
            if self.visit is not None:
                self.visit[:, q] += scale[self.first]
        self.kernel = np.array([line_soil(self.law, z) for z in range(N_ZONES)])
        self.base_log = np.log(
            [job_soil(self.law, int(v), d) for v, d in zip(self._job_class(), log.job_day, strict=True)]
        )
        self.machine_log = np.log(np.array([machine_shares(self.law, p) for p in log.job_part]) + 1e-300)
        cov = np.outer(self.law.job_sd, self.law.job_sd) * np.array([[1, COMMON], [COMMON, 1]])
        self.job_precision = np.linalg.inv(cov)

    def _job_class(self) -> Ints:
        return self.log.vehicle[self.first]

    def _fitted(self, x: Floats) -> Floats:
        """Return the middle of each line's log figures, (n_lines, 2)."""
        doing_twice = self.law.redo[1] * self.redo
        return x @ self.b.T + self.u[self.log.job] + (self.offset + doing_twice)[:, None]

    def _x(self) -> Floats:
        return design(self.log, self.where, self.soil, self.operator, self.machine, self.age, self.law.shift_day)

    def _sd(self, soil: Ints | None = None) -> Floats:
        """Return the scale of each line's noise by quantity, (n_lines, 2)."""
        soil = self.soil if soil is None else soil
        size = self.law.line_sd[:, self.log.zone].T * (1 + self.law.kind.noise_per_soil * (soil - 1))[:, None]
        return size * (T_SCALE if self.law.kind.noise == "t" else 1.0)

    def _log_density(self, residual: Floats, sd: Floats) -> Floats:
        """Return the log density of each line's pair of residuals, (n_lines,)."""
        z = residual / sd
        rho = LINE_COMMON
        quad = (z[:, 0] ** 2 - 2 * rho * z[:, 0] * z[:, 1] + z[:, 1] ** 2) / (1 - rho**2)
        return -0.5 * self.lam * quad - np.log(sd).sum(axis=1)

    def sweep(self) -> None:
        x = self._x()
        self._effects(x)
        self._twice(self._fitted(x))
        fitted = self._fitted(x)
        self._tails(fitted)
        self._readings(fitted)
        self._splits(fitted)
        self._slips(fitted)
        self._soil(x)
        for name, known, n in (
            ("operator", self.log.job_operator, self.law.operator.shape[1]),
            ("machine", self.log.job_machine, self.law.machine.shape[1]),
            ("age", self.log.job_age, AGES),
        ):
            self._code(name, known, n)

    def _effects(self, x: Floats) -> None:
        """Draw all effects with the job noise integrated out, then the job noise."""
        log, p = self.log, self.where.n
        sd, rho = self._sd(), LINE_COMMON
        inverse = np.array([[1, -rho], [-rho, 1]]) / (1 - rho**2)
        weight = self.lam[:, None, None] * inverse / (sd[:, :, None] * sd[:, None, :])
        root = np.linalg.cholesky(weight)
        n = len(log.job)
        wide = np.empty((n, 2, 2 * p))
        for q in range(2):
            wide[:, :, q * p : (q + 1) * p] = root[:, q, :, None] * x[:, None, :]
        y = self.y - (self.offset + self.law.redo[1] * self.redo)[:, None]
        white = np.einsum("nqr,nq->nr", root, y)
        total = np.zeros((log.n_jobs, 2, 2))
        np.add.at(total, log.job, weight)
        total += self.job_precision
        lifted = np.einsum("nqr,nrc->nqc", root, wide)
        sums, sums_y = np.zeros((log.n_jobs, 2, 2 * p)), np.zeros((log.n_jobs, 2))
        np.add.at(sums, log.job, lifted)
        np.add.at(sums_y, log.job, np.einsum("nqr,nr->nq", root, white))
        inner = np.linalg.cholesky(np.linalg.inv(total))
        down = np.einsum("jqr,jqc->jrc", inner, sums).reshape(-1, 2 * p)
        down_y = np.einsum("jqr,jq->jr", inner, sums_y).ravel()
        flat = wide.reshape(-1, 2 * p)
        h = flat.T @ flat - down.T @ down + self.precision0
        g = flat.T @ white.ravel() - down.T @ down_y + self.precision0 @ self.mean0
        lower = np.linalg.cholesky(h)
        middle = np.linalg.solve(lower.T, np.linalg.solve(lower, g) + self.rng.normal(size=2 * p))
        self.b = middle.reshape(2, p)
        residual = np.einsum("nqr,nr->nq", weight, y - x @ self.b.T)
        pull = np.zeros((log.n_jobs, 2))
        np.add.at(pull, log.job, residual)
        covariance = np.linalg.inv(total)
        noise = np.einsum("jqr,jr->jq", inner, self.rng.normal(size=(log.n_jobs, 2)))
        self.u = np.einsum("jqr,jr->jq", covariance, pull) + noise

    def _twice(self, fitted: Floats) -> None:
        """Draw which lines were done twice."""
        if self.law.kind.noise != "mixture":
            return
        share, size = self.law.redo
        once = fitted - size * self.redo[:, None]
        scores = np.stack([self._log_density(self.y - once - size * k, self._sd()) for k in range(2)], axis=1)
        self.redo = _pick(self.rng, scores + np.log([1 - share, share])).astype(float)

    def _tails(self, fitted: Floats) -> None:
        if self.law.kind.noise != "t":
            return
        z, rho = (self.y - fitted) / self._sd(), LINE_COMMON
        quad = (z[:, 0] ** 2 - 2 * rho * z[:, 0] * z[:, 1] + z[:, 1] ** 2) / (1 - rho**2)
        self.lam = self.rng.gamma((self.law.nu + 2) / 2, 2 / (self.law.nu + quad))

    def _given_other(self, fitted: Floats, q: int) -> tuple[Floats, Floats]:
        """Return mean and sd of each line's log figure given the line's other quantity."""
        sd, rho, o = self._sd(), LINE_COMMON, 1 - q
        mean = fitted[:, q] + rho * sd[:, q] / sd[:, o] * (self.y[:, o] - fitted[:, o])
        return mean, sd[:, q] * np.sqrt((1 - rho**2) / self.lam)

    def _parts(self, fitted: Floats, q: int) -> tuple[Ints, Floats, Floats, Floats]:
        """Return record, log figure, mean and sd of all that records are sums of: lines, then amounts per visit."""
        mean, sd = self._given_other(fitted, q)
        group = self.log.group[q]
        if self.visit is None:
            return group, self.y[:, q], mean, sd
        n = self.log.n_jobs
        return (
            np.concatenate([group, group[self.first]]),
            np.concatenate([self.y[:, q], self.visit[:, q]]),
            np.concatenate([mean, np.full(n, np.log(self.law.fixed[q]))]),
            np.concatenate([sd, np.full(n, FIXED_SD)]),
        )

    def _put(self, q: int, y: Floats) -> None:
        n = len(self.log.job)
        self.y[:, q] = y[:n]
        if self.visit is not None:
            self.visit[:, q] = y[n:]

    def _splits(self, fitted: Floats) -> None:
        """Move amounts between two parts of one record, keeping their sum."""
        for q in range(2):
            group, y, mean, sd = self._parts(fitted, q)
            y = y.copy()
            size = np.bincount(group)
            if size.max() < 2:
                continue
            order = np.argsort(group, kind="stable")
            start = np.concatenate([[0], np.cumsum(size)[:-1]])
            many = np.flatnonzero(size > 1)
            for step in (0.2, 0.6, 1.5, 0.6, 0.2, 0.6):
                first = self.rng.integers(size[many])
                second = (first + 1 + self.rng.integers(size[many] - 1)) % size[many]
                a, c = order[start[many] + first], order[start[many] + second]
                whole = np.logaddexp(y[a], y[c])
                f = y[a] - y[c] + step * self.rng.normal(size=len(many))
                new_a, new_c = whole - np.log1p(np.exp(-f)), whole - np.log1p(np.exp(f))
                gain = (
                    ((y[a] - mean[a]) / sd[a]) ** 2 - ((new_a - mean[a]) / sd[a]) ** 2
                    + ((y[c] - mean[c]) / sd[c]) ** 2 - ((new_c - mean[c]) / sd[c]) ** 2
                ) / 2  # fmt: skip
                yes = np.log(self.rng.random(len(many))) < gain
                y[a[yes]], y[c[yes]] = new_a[yes], new_c[yes]
            self._put(q, y)

    def _readings(self, fitted: Floats) -> None:
        """Draw what was really used behind rounded readings: move each record's true sum inside its interval."""
        if not self.law.kind.rounded_to:
            return
        for q in range(2):
            step, value = self.law.kind.rounded_to[q], self.log.value[q]
            low = np.where(value <= step, 1e-3, value - step / 2)
            group, y, mean, sd = self._parts(fitted, q)
            y = y.copy()
            for size in (0.1, 0.4, 0.1, 0.4):
                total = np.bincount(group, weights=np.exp(y))
                move = size * self.rng.normal(size=len(value))
                fits = (total * np.exp(move) >= low) & (total * np.exp(move) <= value + step / 2)
                gain = np.bincount(group, weights=(((y - mean) / sd) ** 2 - ((y + move[group] - mean) / sd) ** 2) / 2)
                yes = fits & (np.log(self.rng.random(len(value))) < gain)
                y += np.where(yes, move, 0.0)[group]
            self._put(q, y)

    def _slips(self, fitted: Floats) -> None:
        """Draw whether a pellet figure is true, kg written as lb, or lb as kg."""
        share = self.law.kind.slip_share
        if not share:
            return
        group, (mean, sd) = self.log.group[0], self._given_other(fitted, 0)
        options = np.array([0.0, np.log(KG), -np.log(KG)])
        chance = np.log([1 - share, share / 2, share / 2])
        scores = np.empty((len(self.slip), 3))
        for k, option in enumerate(options):
            moved = self.y[:, 0] + (self.slip - option)[group]
            scores[:, k] = chance[k] + np.bincount(group, weights=-0.5 * ((moved - mean) / sd) ** 2)
        new = options[_pick(self.rng, scores)]
        self.y[:, 0] += (self.slip - new)[group]
        self.slip = new

    def _soil(self, x: Floats) -> None:
        """Draw the level of lines where none was written down or the hand that wrote it grades high."""
        log, grader = self.log, self.law.grader
        fits = COMPATIBLE[log.soil + 1, (self.operator[log.job] == grader).astype(np.int64)]
        open_lines = np.flatnonzero(fits.sum(axis=1) > 1)
        sure = fits.sum(axis=1) == 1
        self.soil[sure] = fits[sure].argmax(axis=1)
        if not len(open_lines):
            return
        score = self.base_log.copy()
        np.add.at(score, log.job, np.log(self.kernel[log.zone, :, self.soil] + 1e-300))
        self.base = _pick(self.rng, score)
        at, p3 = self.where.at, slice(self.where.at["soil"], self.where.at["soil"] + 3)
        rest = self._fitted(x) - self._soil_effect(x[:, p3], at)
        options = np.empty((len(log.job), N_SOILS))
        for level in range(N_SOILS):
            steps = soil_steps(np.full(len(log.job), level))
            residual = self.y - rest - self._soil_effect(steps, at)
            options[:, level] = self._log_density(residual, self._sd(np.full(len(log.job), level)))
        options += np.log(self.kernel[log.zone, self.base[log.job]] * fits + 1e-300)
        self.soil[open_lines] = _pick(self.rng, options[open_lines])

    def _soil_effect(self, steps: Floats, at: dict[str, int]) -> Floats:
        own = self.b[:, at["class_soil"] : at["class_soil"] + 24].reshape(2, 8, 3)[:, self.log.vehicle]
        slope = self.b[:, None, at["soil"] : at["soil"] + 3] + own
        return np.einsum("qnk,nk->nq", slope, steps)

    def _code(self, name: str, known: Ints, n: int) -> None:
        """Draw operator, machine or ice age of the jobs where it was left blank."""
        blank = np.flatnonzero(known < 0)
        if not len(blank):
            return
        current = getattr(self, name)
        scores = np.empty((self.log.n_jobs, n))
        for option in range(n):
            trial = np.where(known < 0, option, current)
            setattr(self, name, trial)
            residual = self.y - self._fitted(self._x())
            line = self._log_density(residual, self._sd())
            if name == "operator" and self.law.grader >= 0:
                grading = int(option == self.law.grader)
                ok = COMPATIBLE[self.log.soil + 1, grading, self.soil]
                line = line + np.log(ok + 1e-300)
            scores[:, option] = np.bincount(self.log.job, weights=line)
        if name == "operator":
            scores += np.log(self.law.operator_share)
        elif name == "machine":
            scores += self.machine_log
        setattr(self, name, np.where(known < 0, _pick(self.rng, scores), current))

    def as_law(self) -> Law:
        """Return the current effects as a law from which jobs can be drawn."""
        at, b = self.where.at, self.b
        n_machines, n_operators = self.law.machine.shape[1], self.law.operator.shape[1]

        def block(name: str, size: int) -> Floats:
            return b[:, at[name] : at[name] + size]

        steps = block("soil", 3)[:, None, :] + block("class_soil", 24).reshape(2, 8, 3)
        soil = np.stack([-steps[..., 0], 0 * steps[..., 0], steps[..., 1], steps[..., 1] + steps[..., 2]], axis=-1)
        return replace(
            self.law, zone=block("zone", 8), vehicle=block("class", 8),
            class_zone=block("class_zone", 64).reshape(2, 8, 8), soil=soil, operator=block("operator", n_operators),
            machine=block("machine", n_machines),
            machine_zone=block("machine_zone", 8 * n_machines).reshape(2, n_machines, 8),
            wear=block("wear", n_machines), age=block("age", 1)[:, 0],
            coating=block("coating", 1)[:, 0], pressure=block("pressure", 1)[:, 0], season=block("season", 1)[:, 0],
            shift=block("shift", 1)[:, 0],
        )  # fmt: skip


def _pick(rng: np.random.Generator, log_weight: Floats) -> Ints:
    """Return one index a row with chances in proportion to exp(log_weight)."""
    return np.asarray((log_weight + rng.gumbel(size=log_weight.shape)).argmax(axis=1), dtype=np.int64)


def has_floor(kind: Kind) -> bool:
    """Return whether the floor knows a kind's law."""
    return not kind.saturating and kind.noise != "gamma"


def floor(world: World) -> Answer:
    """Quantiles of an exact Bayesian fit that is told the priors and the noise law."""
    if not has_floor(world.kind):
        raise ValueError(f"no floor is built for {world.kind.key}")
    rng = np.random.default_rng(world.seed + 77)
    chain = Floor(world, read_log(world), rng)
    for _ in range(N_BURN):
        chain.sweep()
    draws = [[] for _ in world.asks]
    for _ in range(N_KEPT):
        for _ in range(THIN):
            chain.sweep()
        law = chain.as_law()
        for j, (visit, asked) in enumerate(world.asks):
            draws[j].append(conditional(law, rng, visit, asked, PER_STATE, world.unseen_class))
    together = [np.concatenate(d, axis=1) for d in draws]
    return {
        quantity: np.array([np.quantile(d[q], QUANTILE_LEVELS) for d in together])
        for q, quantity in enumerate(QUANTITIES)
    }


FLOORS = {"floor": floor}
