"""How long the commands take, beside plain Python and known libraries in the same run, and how time grows with rows.

Run by hand::

    python tests/benchmarks/bench_speed.py start
    python tests/benchmarks/bench_speed.py scale [--rows 1000 10000 100000] [--peers-s 300]
    python tests/benchmarks/bench_speed.py workers [--rows 1000 10000 100000]

`start` prints the CPU seconds of each command over the demo's book (least of three) and their ratio to
``python -c pass``. `scale` imports, learns and estimates 10,000 jobs over logs of each size, beside DuckDB's
``read_csv``, scikit-learn's gradient-boosted quantiles (0.1, 0.5, 0.9 of both quantities; histograms above 10,000
rows, trees by rows up to there) and statsmodels' ``MixedLM`` (one random effect) on the same rows, each peer up to
the size that it finishes in the stated time; the last column is the exponent b of CPU = a n^b over the last two.
Every way runs in a process of its own; CPU seconds are compared, since wall time tells more of other work. `workers`
alone prints wall seconds, on a machine without other work: of `learn` as it is, and in one process.
Targets: ``--help`` under 0.3 s CPU, ``quote`` under 0.8 s, 1,000,000 lines learned in under 5 min and 4 GB.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "data_demo" / "clean"
_RUN = "import sys; from pipeline.cli.main import main; sys.exit(main(sys.argv[1:]))"
#: Peers read the very lines that `learn` reads.
_ROWS = """
import os, sys
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
from pathlib import Path
import numpy as np, duckdb
with duckdb.connect(str(Path(sys.argv[1]) / "book.duckdb"), read_only=True) as connection:
    rows = connection.execute("select vehicle_class, zone, soil_level, operator, machine, pellets_lb, minutes "
                              "from job_lines where pellets_lb > 0 and minutes > 0").fetchnumpy()
codes = np.column_stack([np.unique(np.asarray(rows[c], dtype=str), return_inverse=True)[1]
                         for c in ("vehicle_class", "zone", "soil_level", "operator", "machine")]).astype(float)
ys = [np.log(np.asarray(rows[c], dtype=float)) for c in ("pellets_lb", "minutes")]
"""
PEERS = {
    "GradientBoosting": _ROWS + """
from sklearn.ensemble import GradientBoostingRegressor
for y in ys:
    for q in (0.1, 0.5, 0.9):
        GradientBoostingRegressor(loss="quantile", alpha=q, random_state=1).fit(codes, y)
""",
    "HistGradientBoosting": _ROWS + """
from sklearn.ensemble import HistGradientBoostingRegressor
for y in ys:
    for q in (0.1, 0.5, 0.9):
        HistGradientBoostingRegressor(loss="quantile", quantile=q, random_state=1).fit(codes, y)
""",
    "MixedLM": _ROWS + """
import warnings
import statsmodels.api as sm
warnings.simplefilter("ignore")
dummies = [codes[:, [j]] == np.unique(codes[:, j])[1:] for j in range(3)]
x = np.column_stack([np.ones(len(codes)), *dummies]).astype(float)
for y in ys:
    sm.MixedLM(y, x, groups=codes[:, 3]).fit()
""",
}  # fmt: skip
_READ = "import duckdb, sys; duckdb.connect(sys.argv[2]).execute('create table t as from read_csv(?)', [sys.argv[1]])"
#: CPU seconds of one thread: helpers that spin while they wait would count as work.
_ONE_THREAD = {"NO_COLOR": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
Measure = tuple[float, float]


def run(arguments: list[str], *, limit_s: float = 3600.0, code: str | None = None) -> Measure | None:
    """Return (CPU s, peak MB) of one process, None where it took longer than the limit."""
    what = [sys.executable, "-c", code if code is not None else _RUN, *arguments]
    with tempfile.TemporaryFile("w+") as told:
        child = subprocess.Popen(what, stdout=subprocess.DEVNULL, stderr=told, env={**os.environ, **_ONE_THREAD})
        waiting = _Limit(child.pid, limit_s)
        _, status, usage = os.wait4(child.pid, 0)
        waiting.stop()
        child.returncode = os.waitstatus_to_exitcode(status)
        if waiting.over:
            return None
        if child.returncode:
            told.seek(0)
            raise RuntimeError(f"{arguments}: {told.read()[-500:]}")
    return usage.ru_utime + usage.ru_stime, _peak_mb(usage)


def _peak_mb(usage: resource.struct_rusage) -> float:
    return usage.ru_maxrss / (1024 if sys.platform != "darwin" else 1024 * 1024)


class _Limit:
    """Ends one process after a time."""

    def __init__(self, pid: int, limit_s: float) -> None:
        import threading

        self.over = False
        self._pid = pid
        self._timer = threading.Timer(limit_s, self._end)
        self._timer.daemon = True
        self._timer.start()

    def _end(self) -> None:
        import signal

        self.over = True
        os.kill(self._pid, signal.SIGKILL)

    def stop(self) -> None:
        self._timer.cancel()


def demo_book(folder: Path) -> Path:
    """Make and learn the demo's book."""
    book = folder / "demo"
    run(["init", str(book)])
    (book / "book.toml").write_bytes((DEMO / "book.toml").read_bytes())
    files = []
    for file in sorted(DEMO.glob("*.csv")):
        (folder / file.name).write_bytes(file.read_bytes())
        files.append(str(folder / file.name))
    run(["import", *files, "--book", str(book)])
    run(["learn", "--book", str(book)])
    return book


def start(folder: Path) -> None:
    """Print the CPU of each command over the demo's book."""
    book = demo_book(folder)
    job = ["--vehicle", "suv", "--zone", "undercarriage:heavy", "--zone", "engine_bay:unknown"]
    commands: dict[str, list[str]] = {
        "--help": ["--help"], "schema": ["schema"], "licences": ["licences"], "batches": ["batches"],
        "check": ["check"], "estimate": ["estimate", *job], "quote": ["quote", *job],
        "safety": ["safety", *job, "--bay", "north"],
        "calibration": ["calibration"], "costing": ["costing"], "technique": ["technique"], "order": ["order"],
        "forecast": ["forecast"], "learn": ["learn"],
    }  # fmt: skip
    pass_s = min(_must(run([], code="pass"))[0] for _ in range(5))
    print(f"{'command':<12} {'CPU s':>7} {'MB':>6} {'x python -c pass':>17}   (python -c pass: {pass_s:.3f} s)")
    for name, arguments in commands.items():
        times = 1 if name == "learn" else 3
        where = [] if name == "--help" else ["--book", str(book)]
        try:
            found = [_must(run([*arguments, *where])) for _ in range(times)]
        except RuntimeError as error:
            print(f"{name:<12} {error}")
            continue
        cpu, peak = min(found)
        print(f"{name:<12} {cpu:7.2f} {peak:6.0f} {cpu / pass_s:17.1f}", flush=True)


def _must(found: Measure | None) -> Measure:
    if found is None:
        raise RuntimeError("no end within the limit")
    return found


def requests(place: Path, n_jobs: int) -> None:
    """Write a file of jobs to estimate: two zones each."""
    from shared.vocabulary import CLASSES, SOILS, ZONES

    with place.open("w", encoding="utf-8") as file:
        file.write("job_id,vehicle_class,zone,soil_level\n")
        for i in range(n_jobs):
            for j in range(2):
                zone, soil = ZONES[(i + 3 * j) % len(ZONES)], SOILS[(i // 3) % len(SOILS)]
                file.write(f"R{i:06d},{CLASSES[i % len(CLASSES)]},{zone},{soil}\n")


def scale(folder: Path, sizes: list[int], peers_s: float) -> None:
    """Print CPU and memory by size, the ratios to the peers and the growth exponents."""
    write_log = _write_log()
    asked = folder / "asked.csv"
    requests(asked, 10_000)
    found: dict[str, dict[int, Measure]] = {}
    for n in sizes:
        log, book = folder / f"jobs{n}.csv", folder / f"book{n}"
        write_log(log, n)
        run(["init", str(book)])
        at = ["--today", "2026-07-01", "--book", str(book)]
        ways: dict[str, tuple[list[str], str | None]] = {
            "DuckDB read_csv": ([str(log), str(folder / f"plain{n}.duckdb")], _READ),
            "import": (["import", str(log), *at], None),
            "learn": (["learn", *at], None),
            "estimate 10,000": (["estimate", "--jobs", str(asked), "--json", *at], None),
            **{name: ([str(book)], code) for name, code in PEERS.items()},
        }
        for name, (arguments, code) in ways.items():
            peer = name in PEERS
            too_long = peer and (
                any(size not in found.get(name, {}) for size in sizes if size < n)
                or (name == "GradientBoosting" and n > 10_000)
            )
            done = None if too_long else run(arguments, code=code, limit_s=peers_s if peer else 3600.0)
            if done is not None:
                found.setdefault(name, {})[n] = done
                print(f"{n:>9,} rows  {name:<22} {done[0]:8.1f} s CPU {done[1]:7.0f} MB", file=sys.stderr, flush=True)
    _tell(found, sizes)


def workers(folder: Path, sizes: list[int]) -> None:
    """Print the wall seconds of `learn` with and without processes beside it, by lines of the log."""
    print(f"{'lines':>9} {'as it is, s':>12} {'one process, s':>15} {'ratio':>6}")
    for n in sizes:
        log, book = folder / f"jobs{n}.csv", folder / f"book{n}"
        _write_log()(log, n)
        run(["init", str(book)])
        at = ["--today", "2026-07-01", "--book", str(book)]
        run(["import", str(log), *at])
        wall = []
        for code in (None, f"import pipeline.answers.workers as w; w.MOST_WORKERS = 0; {_RUN}"):
            began = time.perf_counter()
            run(["learn", *at], code=code)
            wall.append(time.perf_counter() - began)
        print(f"{n:>9,} {wall[0]:12.1f} {wall[1]:15.1f} {wall[0] / wall[1]:6.2f}", flush=True)


def _write_log() -> Any:
    spec = importlib.util.spec_from_file_location("bench_import", HERE / "bench_import.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.write_log


def _tell(found: dict[str, dict[int, Measure]], sizes: list[int]) -> None:
    heads = "".join(f"{f'{n:,}':>18}" for n in sizes)
    print(f"{'CPU s / peak MB':<22}{heads}   exponent")
    for name, by_size in found.items():
        cells = "".join(f"{'{:.1f} / {:.0f}'.format(*by_size[n]) if n in by_size else '-':>18}" for n in sizes)
        done = [n for n in sizes if n in by_size]
        exponent = "-"
        if len(done) > 1:
            a, b = done[-2:]
            exponent = f"{math.log(by_size[b][0] / by_size[a][0]) / math.log(b / a):.2f}"
        print(f"{name:<22}{cells}   {exponent}")
    for peer, ours in (("DuckDB read_csv", "import"), *((p, "learn") for p in PEERS)):
        shared = [n for n in sizes if n in found.get(peer, {}) and n in found[ours]]
        told = ", ".join(f"{n:,} rows {found[ours][n][0] / found[peer][n][0]:.2f}" for n in shared)
        print(f"{ours}'s CPU as a multiple of {peer}'s: {told}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("start", "scale", "workers"))
    parser.add_argument("--rows", type=int, nargs="+", default=[1_000, 10_000, 100_000])
    parser.add_argument("--peers-s", type=float, default=300.0)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        if told.what == "start":
            start(Path(place))
        elif told.what == "workers":
            workers(Path(place), sorted(told.rows))
        else:
            scale(Path(place), sorted(told.rows), told.peers_s)
