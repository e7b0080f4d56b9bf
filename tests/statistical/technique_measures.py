"""What the technique review gets right and wrong on simulated shops with known waste."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from technique_worlds import SIZES, Waste, simulate

from models.consumption.planning import Planning
from models.technique.drift import cusum, limits, reference_value, watch
from models.technique.effects import (
    ALIKE,
    FALSE_DISCOVERY,
    LEAST_RATIO,
    benjamini_hochberg,
    compare_codes,
    reference_contrasts,
    tail_chance,
)
from models.technique.likejobs import fit_like_jobs
from models.technique.review import review
from models.technique.rows import Whitener, recorded_rows
from models.technique.shrinkage import shrink_alone

if TYPE_CHECKING:
    from models.technique.review import Drift

FIGURES = Planning().pellets_lb
MINUTES = Planning().minutes
WASTE = float(np.log(1.15))
DRIFT = float(np.log(1.2))


def told(reviewed) -> set[tuple[str, str]]:
    """Return (kind, name) of everything a review accuses."""
    drifts = {("drift", d.step.name) for d in reviewed.drifts if d.is_waste}
    return drifts | {(e.kind, e.name) for e in reviewed.wasteful()}


def false_findings(n: int, *, seed: int = 100_000, **world) -> dict[str, float]:
    """Return the share of shops without waste in which each family accuses anybody."""
    counts: Counter[str] = Counter()
    for i in range(n):
        counts.update({kind for kind, _ in told(review(simulate(seed + i, **world).table, FIGURES, minutes=MINUTES))})
    return {kind: counts[kind] / n for kind in ("operator", "machine", "machine_zone", "setting", "drift")}


def false_changes(n: int, *, seed: int = 900_000) -> dict[str, float]:
    """Return the share of unchanged shops in which a rise, a fall or either is told, over `n` shops of each size."""
    counts: Counter[str] = Counter()
    for size, world in SIZES.items():
        for i in range(n):
            drifts = review(simulate(seed + i, **world).table, FIGURES, minutes=MINUTES).drifts
            rise, fall = any(d.is_waste for d in drifts), any(d.is_saving for d in drifts)
            counts.update({"rise": rise, "fall": fall, "either": rise or fall, f"either, {size}": rise or fall})
    return {kind: count / (n if "," in kind else n * len(SIZES)) for kind, count in sorted(counts.items())}


def _as_changed(drift: Drift, name: str, ratio: float) -> bool:
    """Whether a drift tells that a machine changed for good, in the direction of `ratio`."""
    told = drift.is_waste if ratio > 1 else drift.is_improvement
    return told and drift.step.name == name and drift.step.until is None


def changed(n: int, ratio: float, *, seed: int = 910_000) -> dict[str, float]:
    """Return how a machine is told that takes `ratio` as much from job 200 of 400 on.

    `delay` counts that machine's jobs from the change to the first of reviews after 10, 20, ..., 60 of them that tells
    it (999: none of them does); `error` the jobs between the day told, in the review of all jobs, and the true one.
    """
    delay, error, counts = [], [], Counter[str]()
    for i in range(n):
        shop = simulate(seed + i, waste=Waste(machine_period={"m0": (float(np.log(ratio)), 200, 400)}))
        mine = np.flatnonzero(shop.job_machine == 0)
        first = int(np.searchsorted(mine, 200))
        after = 999
        for k in range(10, 70, 10):
            seen = np.arange(mine[first + k - 1] + 1 if first + k <= len(mine) else 400)
            if any(_as_changed(d, "m0", ratio) for d in review(shop.table.take_jobs(seen), FIGURES).drifts):
                after = k
                break
        delay.append(after)
        drifts = review(shop.table, FIGURES).drifts
        told = [d for d in drifts if _as_changed(d, "m0", ratio)]
        days = shop.table.day[mine]
        error += [abs(int(np.searchsorted(days, d.step.since)) - first) for d in told[:1]]
        waste = {d.step.name for d in drifts if d.is_waste}
        counts.update(told=bool(told), waste="m0" in waste, another=bool(waste - {"m0"}))
    return {
        "told": counts["told"] / n, "told as waste": counts["waste"] / n,
        "another one accused of drift": counts["another"] / n, "median delay": float(np.median(delay)),
        "median error": float(np.median(error)) if error else float("nan"),
        "dated within 25": float(np.mean(np.array(error) <= 25)) if error else float("nan"),
    }  # fmt: skip


def told_the_truth(shop, spread: float) -> set[str]:
    """Return the operators found by the same test when it knows the true expectation and the noise."""
    rows = recorded_rows(shop.table, "pellets_lb")
    part = np.exp(shop.true_log_line[rows.order])
    whole = np.add.reduceat(part, rows.first)
    share = part / np.repeat(whole, np.diff([*rows.first, len(rows.order)]))
    variance = spread**2 / 2
    noise = Whitener.of(rows, variance * np.add.reduceat(share**2, rows.first), np.full(shop.table.n_jobs, variance))
    n = int(shop.job_operator.max()) + 1
    x = (shop.job_operator[rows.job][:, None] == np.arange(n)).astype(float)
    cov = np.linalg.inv(x.T @ noise.apply(x))
    raw = cov @ (noise.apply(x).T @ (rows.log_value - np.log(whole)))
    jobs = np.bincount(shop.job_operator, minlength=n).astype(float)
    contrasts = reference_contrasts(raw, cov, jobs, np.zeros(n, dtype=bool))
    value, error = contrasts @ raw, np.sqrt(np.einsum("ij,jk,ik->i", contrasts, cov, contrasts))
    q = benjamini_hochberg(np.array([tail_chance((v - ALIKE) / e, 400.0) for v, e in zip(value, error, strict=True)]))
    ratio = [float(np.exp(shrink_alone(v, e).quantile(0.5)[0])) for v, e in zip(value, error, strict=True)]
    return {f"op{i}" for i in range(n) if q[i] <= FALSE_DISCOVERY and ratio[i] >= LEAST_RATIO}


def power(n: int, spread: float, *, seed: int = 200_000) -> dict[str, float]:
    """Return how often a 15 % waster with a tenth of 400 jobs is found, by us and by the test told the truth."""
    ours = truth = held = 0
    for i in range(n):
        shop = simulate(seed + i, spread=spread, waste=Waste(operator={"op0": WASTE}))
        effects, _ = compare_codes(shop.table, fit_like_jobs(shop.table, FIGURES), "operator")
        effect = next(e for e in effects if e.name == "op0")
        ours += effect.is_waste
        truth += "op0" in told_the_truth(shop, spread)
        low, high = effect.interval(0.8)
        held += low <= 1.15 <= high
    return {"ours": ours / n, "told the truth": truth / n, "80 % interval holds it": held / n}


def coverage(n: int, sd: float, *, seed: int = 300_000) -> float:
    """Return how often 80 % intervals hold operators' true contrasts when effects scatter with an sd."""
    held = total = 0
    for i in range(n):
        true = np.random.default_rng(seed + i).normal(0, sd, 5)
        shop = simulate(seed + i, waste=Waste(operator={f"op{k}": float(v) for k, v in enumerate(true)}))
        fit = fit_like_jobs(shop.table, FIGURES)
        effects, _ = compare_codes(shop.table, fit, "operator")
        block = fit.design.block("operator")
        columns = [block.column(e.name) for e in effects]
        jobs = np.array([e.n_jobs for e in effects], dtype=float)
        cov = fit.cov[np.ix_(columns, columns)]
        contrasts = reference_contrasts(fit.coef[columns], cov, jobs, np.zeros(len(jobs), dtype=bool))
        for effect, value in zip(effects, contrasts @ true, strict=True):
            low, high = effect.interval(0.8)
            held += low <= np.exp(value) <= high
            total += 1
    return held / total


def jobs_between_alarms(n: int, *, seed: int = 400_000) -> float:
    """Return the jobs of unchanged shops for each upward alarm of any stream."""
    alarms = 0
    for i in range(n):
        table = simulate(seed + i).table
        for stream in watch(table, fit_like_jobs(table, FIGURES, settings=False)):
            k, level = reference_value(stream), 0.0
            for value in stream.score.tolist():
                level = max(0.0, level + value - k)
                if level > limits(k)[0]:
                    alarms, level = alarms + 1, 0.0
    return 400 * n / max(alarms, 1)


def drift(n: int, kind: str, name: str, *, seed: int = 500_000, **world) -> dict[str, float]:
    """Return how soon and how well +20 % from job 200 on is found; delays in jobs of the machine or operator."""
    delays, away, held, false, counts = [], [], [], [], Counter[str]()
    period = {name: (DRIFT, 200, 400)}
    waste = Waste(machine_period=period) if kind == "machine" else Waste(operator_period=period)
    for i in range(n):
        shop = simulate(seed + i, waste=waste, **world)
        streams = watch(shop.table, fit_like_jobs(shop.table, FIGURES, settings=False))
        stream = next(s for s in streams if s.name == name)
        first = int(np.searchsorted(stream.jobs, 200))
        k = reference_value(stream)
        over = np.flatnonzero(cusum(stream.score, k, np.zeros(len(stream.jobs), dtype=bool))[first:] > limits(k)[0])
        delays.append(int(over[0]) + 1 if len(over) else 999)
        found = review(shop.table, FIGURES, minutes=MINUTES)
        waste_drifts = [d for d in found.drifts if d.is_waste]
        mine = [d for d in waste_drifts if d.step.name == name]
        counts.update(found=bool(mine), wrong=len(mine) < len(waste_drifts), level=bool(found.wasteful()))
        false.append(1 - len(mine) / max(len(waste_drifts), 1) if waste_drifts else 0.0)
        counts.update(seen=any(d.step.name == name for d in found.drifts))
        for d in mine:
            away.append(abs(int(np.searchsorted(stream.day, d.step.since)) - first))
            low, high = d.interval(0.8)
            held.append(low <= 1.2 <= high)
    return {
        "median delay": float(np.median(delays)), "told as finding": counts["found"] / n, "seen": counts["seen"] / n,
        "another one accused of drift": counts["wrong"] / n, "false share of drifts told": float(np.mean(false)),
        "a level accused": counts["level"] / n,
        "dated within 25": float(np.mean(np.array(away) <= 25)), "80 % interval holds it": float(np.mean(held)),
    }  # fmt: skip


def named(n: int, *, seed: int = 600_000) -> dict[str, float]:
    """Return how often the right one is named, where operators are spread unevenly and one of either wastes 25 %."""
    right = wrong = 0
    for i in range(n):
        mine = ("machine", "m1") if i % 2 else ("operator", "op1")
        effect = {mine[1]: float(np.log(1.25))}
        waste = Waste(machine=effect) if i % 2 else Waste(operator=effect)
        found = {f for f in told(review(simulate(seed + i, uneven=0.7, waste=waste).table, FIGURES)) if f[0] in
                 ("operator", "machine", "drift")}  # fmt: skip
        right += mine in found or ("drift", mine[1]) in found
        wrong += any(name != mine[1] for _, name in found)
    return {"right one named": right / n, "another one accused": wrong / n}


def graders(n: int, levels: int, *, seed: int = 700_000) -> dict[str, float]:
    """Return how often an operator who grades a level off is noticed and accused, and any operator is accused."""
    noticed = accused = grader = 0
    for i in range(n):
        found = review(simulate(seed + i, waste=Waste(grading={"op1": levels})).table, FIGURES)
        noticed += found.grading["op1"].differs
        accused += any(kind == "operator" for kind, _ in told(found))
        grader += ("operator", "op1") in told(found)
    return {"noticed": noticed / n, "accused": grader / n, "an operator accused": accused / n}


def regraded(seed: int, levels: int, **world):
    """Return a table in which op1 writes soil down some levels off from job 200 on, and all else is alike."""
    before = simulate(seed, **world).table
    after = simulate(seed, waste=Waste(grading={"op1": levels}), **world).table
    return replace(before, soil=np.where(before.line_job >= 200, after.soil, before.soil))


def graders_midway(n: int, levels: int, *, seed: int = 800_000) -> float:
    """Return how often an operator is accused of drift who grades a level off from the middle of the record on."""
    accused = 0
    for i in range(n):
        found = review(regraded(seed + i, levels, minutes=0.6), FIGURES, minutes=MINUTES)
        accused += ("drift", "op1") in told(found)
    return accused / n
