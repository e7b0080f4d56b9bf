"""Judges the product as a user meets it: a book, an import, `learn`, `estimate --jobs FILE --json`.

    python tests/statistical/through_cli.py --worlds plain,totals --sizes 30,150 --seeds 2

writes a simulated shop's planning figures into `book.toml`, its log into a CSV file and the jobs to come into another,
runs the installed `rimebook` command, and scores its JSON answers under the shop's true law like the benchmark does.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from bench import breakdown, record, table
from bench_score import Answer, Verdict, judge
from world_kinds import Kind, chosen
from worlds import Row, World, csv_text, draw_world

from shared.vocabulary import QUANTILE_LEVELS, QUANTITIES

COMMAND = Path(sys.executable).with_name("rimebook")


class CommandFailedError(Exception):
    """A command of the judged product ended badly or answered with something else than its JSON."""


@dataclass(frozen=True)
class Setting:
    """How a shop is put before the command: with its planning figures or the defaults, as of its own day or none."""

    with_planning: bool = True
    with_today: bool = True


def book_toml(world: World) -> str:
    """Return the settings of a shop: its (wrong) planning figures by zone, all else at its default."""
    lines = []
    for zone in world.planning["pellets_lb"]:
        lines.append(f"[planning.zones.{zone}]")
        lines += [f"{q} = {world.planning[q][zone]}" for q in QUANTITIES]
    return "\n".join(lines) + "\n"


def command(*words: str, book: Path, today: date | None) -> dict[str, object]:
    """Run one `rimebook` command with `--json` on a book and return its envelope.

    Raises
    ------
    CommandFailedError
        When the exit code is not 0 or stdout is not one JSON object.
    """
    when = ["--today", today.isoformat()] if today else []
    run = subprocess.run(
        [str(COMMAND), *words, "--book", str(book), "--json", *when], capture_output=True, text=True, check=False
    )
    if run.returncode:
        raise CommandFailedError(f"{words[0]} ended with {run.returncode}: {run.stdout[-500:]} {run.stderr[-1500:]}")
    try:
        envelope = json.loads(run.stdout)
    except json.JSONDecodeError as error:
        raise CommandFailedError(f"{words[0]} wrote no JSON: {run.stdout[:300]}") from error
    if not isinstance(envelope, dict):
        raise CommandFailedError(f"{words[0]} wrote no object: {run.stdout[:300]}")
    return envelope


def ask(world: World, folder: Path, setting: Setting) -> Answer:
    """Take a shop through the commands and return the quantiles it is answered with.

    Raises
    ------
    CommandFailedError
        When a command fails, a row is rejected, or an answer is missing, misordered or not finite.
    """
    book, today = folder / "book", world.today if setting.with_today else None
    initialised = subprocess.run([str(COMMAND), "init", str(book)], capture_output=True, text=True, check=False)
    if initialised.returncode:
        raise CommandFailedError(f"init ended with {initialised.returncode}: {initialised.stderr[-1500:]}")
    if setting.with_planning:
        (book / "book.toml").write_text(book_toml(world))
    (folder / "jobs.csv").write_text(csv_text(world.history))
    (folder / "ask.csv").write_text(csv_text(world.fresh))
    imported = command("import", str(folder / "jobs.csv"), book=book, today=today)
    taken = imported["result"]["files"][0]  # type: ignore[index]
    if taken["accepted"] != len(world.history):
        raise CommandFailedError(f"{taken['accepted']} of {len(world.history)} rows were accepted: {taken['reasons']}")
    command("learn", book=book, today=today)
    answered = command("estimate", "--jobs", str(folder / "ask.csv"), book=book, today=today)
    return _quantiles(world.fresh, answered["result"]["estimates"])  # type: ignore[index]


def _quantiles(fresh: list[Row], estimates: list[dict[str, dict[str, dict[str, float]]]]) -> Answer:
    order = list(dict.fromkeys(row["job_id"] for row in fresh))
    if [e["job_id"] for e in estimates] != order:
        raise CommandFailedError("the estimates are not one a job in the file's order")
    answer = {
        q: np.array([[e[q]["quantiles"][f"{level:g}"] for level in QUANTILE_LEVELS] for e in estimates])
        for q in QUANTITIES
    }
    for quantiles in answer.values():
        if not np.isfinite(quantiles).all() or (np.diff(quantiles, axis=1) < 0).any():
            raise CommandFailedError("quantiles must be finite and increasing")
    return answer


def judged(kind: Kind, n_jobs: int, seed: int, setting: Setting) -> Verdict:
    """Judge the command on one shop."""
    world = draw_world(kind, n_jobs, seed)
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        answer = ask(world, Path(folder), setting)
        return judge(world, "command", n_jobs, answer, time.perf_counter() - started)


def main() -> None:
    """Parse, judge, print."""
    ask_for = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask_for.add_argument("--worlds", default="plain/held-out")
    ask_for.add_argument("--sizes", default="30")
    ask_for.add_argument("--seeds", type=int, default=1)
    ask_for.add_argument("--first-seed", type=int, default=0)
    ask_for.add_argument("--no-planning", action="store_true", help="leave the planning figures at their defaults")
    ask_for.add_argument("--no-today", action="store_true", help="do not say what day it is")
    said = ask_for.parse_args()
    setting = Setting(with_planning=not said.no_planning, with_today=not said.no_today)
    verdicts = []
    for n_jobs in (int(n) for n in said.sizes.split(",")):
        for kind in chosen(said.worlds):
            for seed in range(said.first_seed, said.first_seed + said.seeds):
                verdicts.append(judged(kind, n_jobs, seed, setting))
                print(record(verdicts[-1]), file=sys.stderr)
    print(table(verdicts))
    print(breakdown(verdicts, "command"))


if __name__ == "__main__":
    main()
