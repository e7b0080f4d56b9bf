"""Print the measured figures of the technique review.

Run `python tests/statistical/technique_bench.py [shops [part ...]]`.
"""

from __future__ import annotations

import sys
import time

import technique_measures as measures
from technique_demo import demo
from technique_worlds import Waste


def parts(n: int) -> dict[str, object]:
    """Return each part's name and the call that measures it."""
    half, fifth, few = max(n // 2, 5), max(n // 5, 5), max(3 * n // 10, 5)
    ratios = (1.1, 1.2, 1.3, 0.9, 0.8, 0.7)
    return {
        "null": lambda: measures.false_findings(n),
        "null-settings": lambda: measures.false_findings(half, settings=True),
        "null-tails": lambda: measures.false_findings(half, tail=3.5, slips=0.03),
        "null-totals": lambda: measures.false_findings(half, totals_share=1.0),
        "null-minutes": lambda: measures.false_findings(n, minutes=0.6),
        "null-faster": lambda: measures.false_findings(half, minutes=0.6, waste=Waste(pace={"op1": (-0.2, 200, 400)})),
        "power-0.15": lambda: measures.power(half, 0.15),
        "power-0.25": lambda: measures.power(n, 0.25),
        "power-0.40": lambda: measures.power(half, 0.40),
        "coverage-0.05": lambda: measures.coverage(half, 0.05),
        "coverage-0.10": lambda: measures.coverage(half, 0.10),
        "run-length": lambda: measures.jobs_between_alarms(n),
        "drift-machine": lambda: measures.drift(half, "machine", "m0"),
        "drift-uneven": lambda: measures.drift(half, "machine", "m1", uneven=0.7),
        "drift-minutes": lambda: measures.drift(half, "machine", "m0", minutes=0.6),
        "drift-both": lambda: measures.drift(half, "machine", "m0", minutes=0.6, minutes_share=1.0),
        "drift-operator": lambda: measures.drift(half, "operator", "op1"),
        "named": lambda: measures.named(half),
        "graded-high": lambda: measures.graders(half, 1),
        "graded-low": lambda: measures.graders(half, -1),
        "graded-midway": lambda: measures.graders_midway(half, -1),
        "null-sizes": lambda: measures.false_changes(few),
        **{f"changed-{ratio}": lambda ratio=ratio: measures.changed(few, ratio) for ratio in ratios},
        "demo": lambda: demo(fifth),
    }


def main(arguments: list[str]) -> None:
    """Measure the named parts, all by default, on that many shops (200)."""
    n = int(arguments[0]) if arguments else 200
    for name, measure in parts(n).items():
        if len(arguments) > 1 and name not in arguments[1:]:
            continue
        start = time.perf_counter()
        print(f"{name}: {measure()}  ({time.perf_counter() - start:.0f} s)", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
