"""Coverage of the 80 % intervals on logs drawn anew from the demo's law: `python tests/statistical/demo_coverage.py`.

Each log is imported, learned and asked through the commands, as a shop would: 400 jobs of history, 400 fresh jobs.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

import numpy as np

from data_demo.generate import LOG_COLUMNS, draw_shop, fresh_jobs, write_csv
from pipeline.book.store import create_book
from pipeline.cli.main import main

LEVEL = 0.8


def command(*arguments: str) -> str:
    """Run one command and return what it answers; a failure ends the run with what it said."""
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main(list(arguments))
    if code:
        raise SystemExit(err.getvalue())
    return out.getvalue()


def held(seed: int, folder: Path, *, n_jobs: int = 400, n_fresh: int = 400) -> dict[str, float]:
    """Return the share of fresh jobs inside their 80 % intervals, for one log drawn anew."""
    logs = draw_shop(seed, n_jobs)
    toml = (Path(__file__).parents[2] / "data_demo" / "clean" / "book.toml").read_text(encoding="utf-8")
    book = create_book(folder / f"book-{seed}", toml).folder
    files = []
    for name, columns in LOG_COLUMNS.items():
        files.append(folder / f"{name}-{seed}.csv")
        write_csv(files[-1], columns, getattr(logs, name))
    at = ("--book", str(book), "--today", logs.as_of.isoformat())
    command("import", *map(str, files), *at)
    command("learn", *at)
    fresh = fresh_jobs(seed, n_fresh, period="ahead")
    asked = folder / f"fresh-{seed}.csv"
    write_csv(asked, LOG_COLUMNS["jobs"], fresh.rows)
    found = {
        e["job_id"]: e
        for e in json.loads(command("estimate", "--jobs", str(asked), "--json", *at))["result"]["estimates"]
    }
    shares = {}
    for quantity, actual in (("pellets_lb", fresh.pellets_lb), ("minutes", fresh.minutes)):
        ends = np.array([[found[j][quantity]["interval"][e] for e in ("low", "high")] for j in fresh.job_id])
        shares[quantity] = float(np.mean((actual >= ends[:, 0]) & (actual <= ends[:, 1])))
    return shares


def run(seeds: range) -> list[dict[str, float]]:
    """Print one line a log and the average; return the shares."""
    rows = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            rows.append(held(seed, Path(folder)))
        print(f"log {seed:>4}: pellets {rows[-1]['pellets_lb']:.3f}, minutes {rows[-1]['minutes']:.3f}", flush=True)
    mean = {q: float(np.mean([r[q] for r in rows])) for q in rows[0]}
    both = float(np.mean(list(mean.values())))
    print(
        f"average over {len(rows)} logs: pellets {mean['pellets_lb']:.3f}, minutes {mean['minutes']:.3f}, "
        f"both {both:.3f}"
    )
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    run(range(1000, 1000 + parser.parse_args().seeds))
