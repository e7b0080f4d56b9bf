"""How long and how much memory an import takes, beside plain readers of the same file.

Run by hand: ``python tests/benchmarks/bench_import.py [ROWS]`` (default 100,000; the large measure is 1,000,000). Each
way runs in a process of its own; CPU seconds are compared, since wall time tells more of the machine's other work.
Aims: 100,000 rows in seconds and under 1 GB; 1,000,000 rows under 30 s of an idle two-core machine and under 1.2 GB.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from shared.vocabulary import CLASSES, SOILS, ZONES

HEAD = (
    "job_id", "date", "vehicle_class", "zone", "soil_level", "pellets_lb", "minutes", "coating_removed", "machine",
    "operator", "feed_lb_min", "container", "price_usd", "customer", "notes",
)  # fmt: skip
#: Share of rows with one bad cell.
BAD = 0.004
_MEASURE = """
import json, resource, sys, time
wall, cpu = time.perf_counter(), time.process_time()
{work}
print(json.dumps([time.perf_counter() - wall, time.process_time() - cpu,
    resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
"""
WAYS = {
    "import": """
from datetime import date
from pathlib import Path
from pipeline.book.store import create_book
from pipeline.intake.importing import import_files
done = import_files(create_book(Path(sys.argv[2])), [Path(sys.argv[1])], today=date(2026, 7, 1)).result.files[0]
assert done.accepted + done.rejected == done.rows
""",
    "pandas.read_csv": "import pandas; pandas.read_csv(sys.argv[1])",
    "DuckDB read_csv into a file": """
import duckdb
connection = duckdb.connect(sys.argv[2] + ".duckdb")
connection.execute("create table t as select * from read_csv(?, all_varchar=true)", [sys.argv[1]])
""",
}


def write_log(place: Path, n_rows: int, seed: int = 1) -> None:
    """Write a jobs log of visits with one to three zones and a few bad cells."""
    random = np.random.default_rng(seed)
    days = np.arange("2010-01-01", "2026-06-01", dtype="datetime64[D]").astype(str)
    n_written = visit = 0
    with place.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(HEAD)
        while n_written < n_rows:
            visit += 1
            shared = (
                CLASSES[random.integers(8)], f"rig-{random.integers(5)}", f"op{random.integers(9)}",
                f"tote-{random.integers(4)}", round(float(random.uniform(100, 900)), 2), f"C{random.integers(5000)}",
            )  # fmt: skip
            day, soil = days[random.integers(len(days))], (*SOILS, "")[random.integers(5)]
            for zone in random.permutation(len(ZONES))[: min(random.integers(1, 4), n_rows - n_written)]:
                pellets = str(round(float(random.lognormal(3, 0.5)), 1))
                if random.random() < BAD:
                    pellets = ("-5", "lots", "900")[random.integers(3)]
                note = "" if random.random() < 0.7 else f"note {random.integers(100_000)}"
                minutes, feed = int(random.lognormal(3.6, 0.5)) + 1, round(float(random.uniform(0.5, 3)), 2)
                writer.writerow(
                    (f"J{visit:07d}", day, shared[0], ZONES[zone], soil, pellets, minutes, "no", *shared[1:3], feed,
                     *shared[3:], note)
                )  # fmt: skip
                n_written += 1


def measure(file: Path, folder: Path) -> dict[str, tuple[float, float, float]]:
    """Return (wall s, CPU s, peak MB) of each way, each in a fresh process."""
    found = {}
    for n, (name, work) in enumerate(WAYS.items()):
        run = subprocess.run(
            [sys.executable, "-c", _MEASURE.format(work=work), str(file), str(folder / f"way{n}")],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
        wall, cpu, peak = json.loads(run.stdout.splitlines()[-1])
        found[name] = (float(wall), float(cpu), float(peak))
    return found


def main(n_rows: int) -> None:
    """Print the measures and their ratios."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "jobs.csv"
        write_log(file, n_rows)
        found = measure(file, Path(folder))
    print(f"{n_rows:,} rows                     wall s   CPU s   peak MB   import's CPU as a multiple of it")
    ours = found["import"][1]
    for name, (wall, cpu, peak) in found.items():
        print(f"{name:<30} {wall:7.1f} {cpu:7.1f} {peak:9.0f}   {ours / cpu:6.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1].replace(",", "")) if len(sys.argv) > 1 else 100_000)
