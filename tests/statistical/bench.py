"""The worlds benchmark: answers of learners on simulated shops against perfect knowledge.

    python tests/statistical/bench.py --sizes 30,150 --seeds 5 --worlds held-out --learners structured,boosted,cell

prints for each kind of shop and over all of them the ratio to the oracle (expected 80 % interval score of the answer
over that of the law's own interval, averaged over jobs and over pellets and minutes) and the expected coverage.
"""

import argparse
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from bench_floor import FLOORS, has_floor
from bench_learners import LEARNERS, Learner
from bench_score import Verdict, allowed_coverage, by_trait, judge, mean_held, mean_ratio, worst_tenth
from world_kinds import Kind, chosen
from worlds import draw_world

SIZES = (30, 150, 500, 5000)


def run(
    kinds: list[Kind], sizes: list[int], seeds: list[int], learners: list[str], *, n_fresh: int = 150
) -> Iterator[Verdict]:
    """Judge each learner on each shop, one at a time; the floor only where there is one."""
    known: dict[str, Learner] = {**LEARNERS, **FLOORS}
    for n_jobs in sizes:
        for kind in kinds:
            for seed in seeds:
                world = draw_world(kind, n_jobs, seed, n_fresh=n_fresh)
                for name in learners:
                    if name in FLOORS and not has_floor(kind):
                        continue
                    started = time.perf_counter()
                    answer = known[name](world)
                    yield judge(world, name, n_jobs, answer, time.perf_counter() - started)


def table(verdicts: list[Verdict]) -> str:
    """Return ratio and coverage by size, kind and learner as text; * marks coverage outside what chance allows."""
    lines = []
    learners = list(dict.fromkeys(v.learner for v in verdicts))
    for n_jobs in sorted({v.n_jobs for v in verdicts}):
        here = [v for v in verdicts if v.n_jobs == n_jobs]
        lines += ["", f"n = {n_jobs}".ljust(26) + "".join(name[:18].rjust(20) for name in learners)]
        for kind in dict.fromkeys(v.kind for v in here):
            lines.append(kind.ljust(26) + "".join(_cell([v for v in here if (v.kind, v.learner) == (kind, name)])
                                                  for name in learners))  # fmt: skip
        for tag in dict.fromkeys(v.kind.split("/")[1] for v in here):
            pooled = [v for v in here if v.kind.endswith(tag)]
            lines.append(f"all {tag}".ljust(26) + "".join(
                _cell([v for v in pooled if v.learner == name], pooled=True) for name in learners))  # fmt: skip
    return "\n".join(lines)


def _cell(verdicts: list[Verdict], *, pooled: bool = False) -> str:
    if not verdicts:
        return "-".rjust(20)
    held = mean_held(verdicts)
    low, high = (0.78, 0.83) if pooled else allowed_coverage(verdicts[0].n_jobs, len(verdicts))
    mark = " " if low <= held <= high else "*"
    spread = np.std([v.ratio.mean() for v in verdicts]) / np.sqrt(len(verdicts))
    return f"{mean_ratio(verdicts):.3f}+-{spread:.3f} ({held:.3f}){mark}".rjust(20)


def breakdown(verdicts: list[Verdict], learner: str) -> str:
    """Return ratio and coverage by zones, class and soil, and the worst tenth of jobs, for one learner."""
    lines = []
    for n_jobs in sorted({v.n_jobs for v in verdicts}):
        here = [v for v in verdicts if v.n_jobs == n_jobs and v.learner == learner]
        if not here:
            continue
        sides = " / ".join(f"{np.mean([v.ratio[k].mean() for v in here]):.3f}" for k in (0, 1))
        below, held = np.mean([v.below.mean() for v in here]), mean_held(here)
        others = f"50 %: {np.mean([v.held_50.mean() for v in here]):.3f}, "
        others += f"90 %: {np.mean([v.held_90.mean() for v in here]):.3f}"
        lines += ["", f"{learner} at n = {n_jobs}: pellets / minutes {sides}; worst tenth {worst_tenth(here):.2f}; "
                  f"below {below:.3f}, above {1 - below - held:.3f}; held at {others}; "
                  f"{np.mean([v.seconds for v in here]):.1f} s"]  # fmt: skip
        for name, trait in (
            ("zones", lambda t: t.n_zones),
            ("class", lambda t: t.vehicle_class),
            ("soil", lambda t: t.soil),
        ):
            values = by_trait(here, trait)
            lines.append(f"  by {name}: " + ", ".join(f"{k} {r:.3f} ({h:.3f})" for k, (r, h, _) in values.items()))
    return "\n".join(lines)


def record(verdict: Verdict) -> str:
    """Return a verdict's means as one line of JSON."""
    return json.dumps({
        "kind": verdict.kind, "n_jobs": verdict.n_jobs, "seed": verdict.seed, "learner": verdict.learner,
        "ratio": [round(float(x), 4) for x in verdict.ratio.mean(axis=1)],
        "held": [round(float(x), 4) for x in verdict.held.mean(axis=1)],
        "worst_tenth": round(worst_tenth([verdict]), 3), "seconds": round(verdict.seconds, 2),
    })  # fmt: skip


def main() -> None:
    """Parse, judge, print."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sizes", default="30,150")
    ask.add_argument("--seeds", type=int, default=5, help="how many shops of each kind")
    ask.add_argument("--first-seed", type=int, default=0)
    ask.add_argument("--worlds", default="held-out", help="all, tuning, held-out, writing, or names")
    ask.add_argument("--learners", default="structured,shop,cell,linear,ridge,boosted,boosted_cqr")
    ask.add_argument("--out", type=Path, help="append one JSON line a shop and learner")
    said = ask.parse_args()
    sizes = [int(n) for n in said.sizes.split(",")]
    seeds = list(range(said.first_seed, said.first_seed + said.seeds))
    learners = said.learners.split(",")
    verdicts = []
    for verdict in run(chosen(said.worlds), sizes, seeds, learners):
        verdicts.append(verdict)
        print(record(verdict), file=sys.stderr)
        if said.out:
            with said.out.open("a") as out:
                out.write(record(verdict) + "\n")
    print(table(verdicts))
    for name in learners:
        print(breakdown(verdicts, name))


if __name__ == "__main__":
    main()
