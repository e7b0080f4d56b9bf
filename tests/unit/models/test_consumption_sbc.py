"""Simulation-based calibration of the sampler (Talts et al. 2018, arXiv:1804.06788): under its own prior, ranks of the
true values among posterior draws are uniform."""

from __future__ import annotations

import numpy as np
import pytest

from models.consumption import sampler_order, sampler_visit
from models.consumption.design import columns_of, rows_of, word_codes
from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.latent_soil import fit_soil
from models.consumption.noise_by_soil import GROWTH_CHANCE, GROWTH_SD, sd_factor
from models.consumption.planning import Planning, log_median
from models.consumption.priors import (
    COMMON_SCALES,
    COMMON_SD,
    FIXED,
    JOB_SD,
    JOB_SD_WEIGHT,
    POOL_WEIGHT,
    POOLED,
    RHO_GRID,
    RHO_LOG_PRIOR,
    SCALE_FACTORS,
    SWITCHED,
)
from models.consumption.sampler import Chain, stack
from models.consumption.sampler_target import LINE_SD, LINE_SD_WEIGHT, NU0_GRID, NU_GRID, NU_LOG_PRIOR
from models.consumption.sampler_time import Changes
from shared.vocabulary import QUANTITIES

N_JOBS = 30
N_RANKS = 40


def draw_scale(guess: float, weight: float, rng: np.random.Generator) -> float:
    grid = guess * SCALE_FACTORS
    log_density = -weight * np.log(grid) - weight * guess**2 / (2 * grid**2)
    return float(grid[np.argmax(log_density + rng.gumbel(size=len(grid)))])


def blank_table(rng: np.random.Generator) -> JobTable:
    n_lines = rng.integers(1, 4, N_JOBS)
    job = np.repeat(np.arange(N_JOBS), n_lines)
    n = len(job)
    zones = np.array(["engine_bay", "interior", "suspension", "undercarriage"])
    zone = np.concatenate([rng.permutation(zones)[:k] for k in n_lines])
    per_job = {
        "class": rng.choice(["sedan", "suv", "van"], N_JOBS)[job],
        "operator": rng.choice(["a", "b", "c"], N_JOBS)[job],
        "machine": rng.choice(["m", "n"], N_JOBS)[job],
    }
    return JobTable(
        job_id=tuple(f"{k:03d}" for k in range(N_JOBS)),
        day=np.sort(rng.integers(738_000, 738_500, N_JOBS)),
        customer=Factor.of([""] * N_JOBS),
        ambient_f=np.full(N_JOBS, np.nan),
        line_job=job,
        vehicle_class=Factor.of(per_job["class"].tolist()),
        zone=Factor.of(zone.tolist()),
        machine=Factor.of(per_job["machine"].tolist()),
        operator=Factor.of(per_job["operator"].tolist()),
        soil=rng.integers(0, 4, n),
        coating_removed=np.zeros(n, dtype=bool),
        settings={name: np.full(n, np.nan) for name in SETTINGS},
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
    )


def simulate(rng: np.random.Generator, *, totals: bool) -> tuple[JobTable, dict[str, float], Chain]:
    """Return a table drawn from the sampler's own prior, the true values, and its chain.

    Nobody wrote down who worked on three jobs in ten.
    """
    table, planning = blank_table(rng), Planning()
    columns = columns_of(table)
    floor = np.stack([-np.diff(np.log(planning.of(q).soil)) for q in QUANTITIES])
    prior_rho = np.exp(RHO_LOG_PRIOR)
    rho_b, rho_j = rng.choice(RHO_GRID, 2, p=prior_rho / prior_rho.sum())
    common = np.exp(-0.5 * (np.log(COMMON_SCALES) / COMMON_SD) ** 2)
    common_scale = float(rng.choice(COMMON_SCALES, p=common / common.sum()))
    tau = np.array([[draw_scale(a * common_scale, POOL_WEIGHT[k], rng) for k, a in POOLED.items()] for _ in range(2)])
    b = np.zeros((2, columns.n))
    for k, block in enumerate(POOLED):
        span = columns.span(block)
        lowest = floor if block == "soil" else -np.inf
        b[:, span] = np.nan
        while not (b[:, span] >= lowest).all():
            z = rng.standard_normal((2, span.stop - span.start))
            b[0, span] = tau[0, k] * z[0]
            b[1, span] = tau[1, k] * (rho_b * z[0] + np.sqrt(1 - rho_b**2) * z[1])
    for block, (mean, sd) in FIXED.items():
        span = columns.span(block)
        b[:, span] = mean + sd * rng.standard_normal((2, span.stop - span.start))
    for block, (chance, each) in SWITCHED.items():
        mean, sd = np.array(each).T
        if rng.random() < chance and block != "after":
            b[:, columns.span(block)] = mean + sd * rng.standard_normal((2, len(mean)))
    job_sd = np.array([draw_scale(JOB_SD, JOB_SD_WEIGHT, rng) for _ in range(2)])
    z = rng.standard_normal((2, N_JOBS))
    u = job_sd[:, None] * np.stack([z[0], rho_j * z[0] + np.sqrt(1 - rho_j**2) * z[1]])
    matrix = rows_of(columns, table).dense(columns.n, table.soil)
    codes = word_codes(columns, table)
    zone = codes["zone"]
    changes = draw_changes(table, codes["machine"], len(columns.blocks["machine"]), rng)
    drift, after = changes.drift(), b.copy()
    for scope, delta in changes.now().items():
        after[:, columns.start("machine") + scope - 1 if scope else columns.start("level")] += delta
    truth = {"rho_b": rho_b, "rho_j": rho_j, "n_changes": float((changes.scope >= 0).sum())}
    observed = []
    for t, q in enumerate(QUANTITIES):
        s02 = rng.standard_gamma(LINE_SD_WEIGHT) * LINE_SD**2 / LINE_SD_WEIGHT
        nu0 = rng.choice(NU0_GRID)
        s2 = nu0 * s02 / rng.chisquare(nu0, len(columns.blocks["zone"]))
        weights = np.exp(NU_LOG_PRIOR)
        nu = rng.choice(NU_GRID, p=weights / weights.sum())
        growth = GROWTH_SD * rng.standard_normal() if rng.random() < GROWTH_CHANCE else 0.0
        noise = np.sqrt(s2[zone]) * sd_factor(growth)[table.soil] * rng.standard_t(nu, table.n_lines)
        y = log_median(table, planning.of(q)) + matrix @ b[t] + (u + drift)[t, table.line_job] + noise
        whole = (rng.random(N_JOBS) < 0.6)[table.line_job] & totals
        key = np.where(whole, table.line_job, N_JOBS + np.arange(table.n_lines))
        _, group = np.unique(key, return_inverse=True)
        observed.append(Observed(group, np.bincount(group, weights=np.exp(y))))
        truth |= {
            f"level{t}": after[t, 0],
            f"season{t}": b[t, columns.start("season")],
            f"class{t}": b[t, columns.start("class")],
            f"soil{t}": b[t, columns.start("soil")],
            f"tau_zone{t}": tau[t, 1],
            f"tau_class{t}": tau[t, 0],
            f"operator{t}": b[t, columns.start("operator")],
            f"job_sd{t}": job_sd[t],
            f"line_sd{t}": float(np.sqrt(s2[0])),
            f"tail{t}": nu,
            f"growth{t}": growth,
            f"mean{t}": float((matrix @ after[t]).mean()),
        }
    blank = (rng.random(N_JOBS) < 0.3)[table.line_job]
    operator = Factor(table.operator.names, np.where(blank, -1, table.operator.codes).astype(np.int32))
    table = JobTable(**{**table.__dict__, "pellets": observed[0], "minutes": observed[1], "operator": operator})
    return table, truth, Chain(table, planning, columns, fit_soil(table), rng)


def draw_changes(table: JobTable, machine: np.ndarray, n_machines: int, rng: np.random.Generator) -> Changes:
    """Return changes of level drawn from their prior."""
    first = np.searchsorted(table.line_job, np.arange(table.n_jobs))
    changes = Changes(table.day, machine[first], n_machines, np.zeros((table.n_jobs, 0)))
    chance = np.repeat(np.exp(changes.log_prior), len(changes.days)) * (1 - changes.chance)
    for k in range(changes.n):
        option = int(rng.choice(len(chance) + 1, p=np.append(chance, 1 - changes.chance)))
        if option < len(chance):
            g, changes.place[k] = divmod(option, len(changes.days))
            worn, scope = divmod(g, len(changes.scopes))
            changes.worn[k], changes.scope[k] = worn, changes.scopes[scope]
            changes.delta[k] = rng.multivariate_normal(np.zeros(2), changes.slab[worn])
    return changes


def ranks(rng: np.random.Generator, *, totals: bool) -> dict[str, float]:
    _, truth, chain = simulate(rng, totals=totals)
    n_changes: list[float] = []
    chain.run(300, 1)
    parts = []
    for _ in range(N_RANKS):
        parts.append(chain.run(24, 1))
        n_changes.append(float((chain.levels.changes.scope >= 0).sum()))
    states = stack(parts)
    columns, matrix = chain.columns, chain.rows.dense(chain.columns.n, chain.soil.level)
    drawn = {"rho_b": states.rho[:, 0], "rho_j": states.rho[:, 1], "n_changes": np.array(n_changes)}
    for t in range(2):
        drawn |= {
            f"level{t}": states.b[:, t, 0],
            f"season{t}": states.b[:, t, columns.start("season")],
            f"class{t}": states.b[:, t, columns.start("class")],
            f"soil{t}": states.b[:, t, columns.start("soil")],
            f"tau_zone{t}": states.tau[:, t, 1],
            f"tau_class{t}": states.tau[:, t, 0],
            f"operator{t}": states.b[:, t, columns.start("operator")],
            f"job_sd{t}": states.job_sd[:, t],
            f"line_sd{t}": states.line_sd[:, t, 0],
            f"tail{t}": states.tail[:, t],
            f"growth{t}": states.noise_growth[:, t],
            f"mean{t}": states.b[:, t] @ matrix.mean(axis=0),
        }
    tie = {k: rng.random(N_RANKS) for k in drawn}
    return {k: float(np.mean((v < truth[k]) | ((v == truth[k]) & (tie[k] < 0.5)))) for k, v in drawn.items()}


@pytest.mark.slow
@pytest.mark.parametrize("totals", [False, True])
def test_ranks_of_true_values_among_draws_are_uniform(totals: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over many simulated shops the rank of each true value is uniform: mean 1/2, mean square 1/3, within 4 se.

    The fixed amount per visit is left out: its step is an approximation and says so. So is the working order, whose
    moves have a test of their own.
    """
    monkeypatch.setattr(sampler_visit, "VISIT_CHANCE", 1e-12)
    monkeypatch.setattr(sampler_order, "_EVERY_SWEEPS", 10**9)
    rng = np.random.default_rng(20)
    n_shops = 40
    all_ranks = [ranks(rng, totals=totals) for _ in range(n_shops)]
    for name in all_ranks[0]:
        r = np.array([one[name] for one in all_ranks])
        assert abs(r.mean() - 0.5) < 4 * np.sqrt(1 / 12 / n_shops), (name, r.mean())
        assert abs((r**2).mean() - 1 / 3) < 4 * np.sqrt(4 / 45 / n_shops), (name, (r**2).mean())
