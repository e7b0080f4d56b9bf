"""Kill -9 of init, import, log, learn, undo and backup at times drawn over their run; what is in the book afterwards.

Run by hand: ``python tests/trust/kill_trial.py --rounds 200 [--seed 1]``. Each round runs one command in a process of
its own, kills it, and opens the book in another. A dict beside the book says what must be in it: the state before the
command or the state after it, never anything between; the state after it where the command had said so. Then the same
command is run to its end, which must lead to the state after it whatever the kill had left.

Processes are forked from this one, which has imported everything and never opens a book: the kills then fall into the
work itself and not into the seconds of importing libraries.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pandera.pandas
import scipy.stats

from pipeline.book.backup import unpack
from pipeline.book.batch_lines import lost_lines
from pipeline.book.store import DATABASE_NAME, LOG_NAME, create_book, open_book
from pipeline.book.toml_file import FILE_NAME, template
from pipeline.cli import main as command_line

assert pandera.pandas
assert scipy.stats
HEAD = "job_id,date,vehicle_class,zone,pellets_lb,minutes"
ZONES = ("interior", "engine_bay", "undercarriage")
Content = dict[tuple[str, str], tuple[float, float]]


@dataclass
class World:
    """What must be in the book, and what was drawn so far."""

    folder: Path
    random: random.Random
    rows: Content = field(default_factory=dict)
    fits: int = 0
    standing: list[tuple[int, Content]] = field(default_factory=list)  # batches with the rows before them
    next_batch: int = 1
    n_jobs: int = 0
    n_files: int = 0

    @property
    def book(self) -> Path:
        return self.folder / "book"


@dataclass
class Step:
    """One command, and the state it must lead to."""

    name: str
    arguments: list[str]
    rows: Content
    fits: int
    finish: Callable[[int | None], None]


def forked(work: Callable[[], Any]) -> Any:
    """Run work in a child and return its JSON result."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        code = 1
        try:
            with os.fdopen(writing, "w") as pipe:
                json.dump(work(), pipe)
            code = 0
        finally:
            os._exit(code)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        text = pipe.read()
    _, status = os.waitpid(child, 0)
    if status or not text:
        raise AssertionError("the book could not be looked at")
    return json.loads(text)


def command(book: Path, arguments: list[str], out: Path, kill_after_s: float | None) -> tuple[bool, float, bool]:
    """Run one command in a child; return (it said done, seconds, it was killed)."""
    out.unlink(missing_ok=True)
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            answer = os.open(out, os.O_WRONLY | os.O_CREAT)
            os.dup2(answer, 1)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            sys.stdout, sys.stderr = os.fdopen(1, "w", closefd=False), os.fdopen(2, "w", closefd=False)
            code = command_line.main([*arguments, "--book", str(book), "--json"])
            sys.stdout.flush()
        finally:
            os._exit(code)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    try:
        said = "result" in json.loads(out.read_text())
    except (OSError, ValueError):
        said = False
    return said, time.monotonic() - began, os.WIFSIGNALED(status)


def look(folder: Path) -> dict[str, Any]:
    """Return what is in a book, read by queries of this file's own."""
    with open_book(folder).reading() as connection:
        rows = connection.execute("select job_id, zone, pellets_lb, minutes from job_lines order by all").fetchall()
        counted = connection.execute("select (select count(*) from fits), (select max(version) from fits)").fetchone()
        expected = connection.execute("select distinct version from expectations").fetchall()
        assert counted is not None
        batches = connection.execute("select batch from batches where undone_at is null order by 1").fetchall()
        return {
            "rows": rows, "fits": counted[0], "lost": lost_lines(connection), "batches": [b for (b,) in batches],
            "stray": [v for (v,) in expected if v != counted[1]],
        }  # fmt: skip


def drawn_rows(world: World, n_jobs: int) -> Content:
    """Return new jobs, and corrections of up to a tenth as many known lines."""
    rows: Content = {}
    for _ in range(n_jobs):
        world.n_jobs += 1
        for zone in world.random.sample(ZONES, world.random.randint(1, 3)):
            figures = float(world.random.randint(5, 90)), float(world.random.randint(10, 120))
            rows[f"J{world.n_jobs:06d}", zone] = figures
    return rows


def draw_step(world: World) -> Step:
    """Draw the next command."""
    draw = world.random.random()
    if not world.standing or draw < 0.4:
        return import_step(world)
    if draw < 0.6:
        return log_step(world)
    if draw < 0.72:
        arguments = ["learn", "--today", "2026-07-01"]

        def learned(_: int | None) -> None:
            world.fits += 1

        return Step("learn", arguments, world.rows, world.fits + 1, learned)
    if draw < 0.86:
        batch, before = world.standing[-1]

        def undone(_: int | None) -> None:
            world.rows = before
            world.standing.pop()

        return Step("undo", ["undo", str(batch)], before, world.fits, undone)
    world.n_files += 1
    if draw > 0.93:
        place = world.folder / f"shop{world.n_files}"
        return Step("init", ["init", str(place)], world.rows, world.fits, lambda _: None)
    place = world.folder / f"backup{world.n_files}.rimebook"
    return Step("backup", ["backup", str(place)], world.rows, world.fits, lambda _: None)


def import_step(world: World) -> Step:
    new = drawn_rows(world, world.random.choice((3, 40, 400)))
    known = world.random.sample(sorted(world.rows), min(len(world.rows), len(new) // 10))
    new |= {key: (world.rows[key][0] + 1.0, world.rows[key][1]) for key in known}
    world.n_files += 1
    file = world.folder / f"jobs{world.n_files}.csv"
    lines = [f"{job},2026-03-02,van,{zone},{lb:g},{minutes:g}" for (job, zone), (lb, minutes) in new.items()]
    file.write_text("\n".join([HEAD, *lines]) + "\n")
    after = {**world.rows, **new}

    def finish(batch: int | None) -> None:
        world.standing.append((batch or 0, world.rows))
        world.rows = after

    return Step("import", ["import", str(file), "--today", "2026-07-01"], after, world.fits, finish)


def log_step(world: World) -> Step:
    world.n_jobs += 1
    job = f"J{world.n_jobs:06d}"
    figures = float(world.random.randint(5, 90)), float(world.random.randint(10, 120))
    after = {**world.rows, (job, "interior"): figures}

    def finish(batch: int | None) -> None:
        world.standing.append((batch or 0, world.rows))
        world.rows = after

    arguments = ["log", "--job-id", job, "--vehicle", "van", "--zone", f"interior={figures[0]:g}lb/{figures[1]:g}min"]
    return Step("log", [*arguments, "--date", "2026-03-03", "--today", "2026-07-01"], after, world.fits, finish)


def content(seen: dict[str, Any]) -> Content:
    rows = {(job, zone): (lb, minutes) for job, zone, lb, minutes in seen["rows"]}
    assert len(rows) == len(seen["rows"]), "a line stands twice"
    return rows


def check_after_kill(world: World, step: Step, said: bool) -> str:
    """Hold the book to the states before and after; return which it is in."""
    left = (world.book / LOG_NAME).exists()
    assert not (said and left), f"{step.name}: rows it called done stand in the log file"
    seen = forked(lambda: look(world.book))
    rows = content(seen)
    assert not seen["lost"], f"{step.name}: half a batch: {seen['lost']}"
    assert not seen["stray"], f"{step.name}: expectations of another fit"
    after = rows == step.rows and seen["fits"] == step.fits
    before = rows == world.rows and seen["fits"] == world.fits
    assert after or before, f"{step.name}: neither the state before nor the one after: {len(rows)} lines"
    assert after or not said, f"{step.name}: it had said done, and the book is as before"
    if step.name == "backup":
        place = Path(step.arguments[1])
        if place.exists():  # a named backup is a whole one, whatever was killed
            inside = forked(lambda: look_into(place))
            assert content(inside) == world.rows, "a backup of something else"
        assert place.exists() or not said
    if step.name == "init":
        return check_made(Path(step.arguments[1]), said)
    return "after" if after and not before else "before" if before and not after else "same"


def check_made(place: Path, said: bool) -> str:
    """Hold a folder to no book yet, or a whole and empty one; return which it is."""
    made = (place / DATABASE_NAME).exists()
    assert made or not said, "init: it had said done, and there is no book"
    if made:
        seen = forked(lambda: look(place))
        assert seen == {"rows": [], "fits": 0, "lost": [], "batches": [], "stray": []}
        assert (place / FILE_NAME).read_text(encoding="utf-8") == template(), "init: settings of another kind"
    return "after" if made else "before"


def look_into(place: Path) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        return look(unpack(place, Path(folder)).folder)


def settle(world: World, step: Step, state: str, out: Path) -> float:
    """Run the command again to its end: what the kill had left is completed, or found done; return its seconds."""
    said, took = False, 0.0
    arguments = [*step.arguments, "--force"] if step.name == "backup" else step.arguments
    done_already = state == "after"
    if not (step.name == "learn" and done_already):  # learning again is another fit by intention
        said, took, _ = command(world.book, arguments, out, None)
        refused = done_already and step.name in ("undo", "init")
        assert said or refused, f"{step.name}: the retry failed: {out.read_text()}"
    seen = forked(lambda: look(world.book))
    assert content(seen) == step.rows, f"{step.name}: the retry led elsewhere"
    assert seen["fits"] == step.fits
    # A learn that the kill had let finish is not run again: what stands in the log then was never called done.
    assert not (said and (world.book / LOG_NAME).exists()), f"{step.name}: a log file after it was done"
    if step.name == "init":
        assert check_made(Path(step.arguments[1]), True) == "after"
    if step.name in ("import", "log"):
        assert len(seen["batches"]) == len(world.standing) + 1, f"{step.name}: the retry made a batch of its own"
    step.finish(seen["batches"][-1] if seen["batches"] else None)
    return 0.0 if done_already else took


def trial(folder: Path, rounds: int, seed: int, tell: Callable[[str], None] = lambda _: None) -> Counter[str]:
    """Run the rounds and return the figures; any broken promise is an AssertionError.

    Parameters
    ----------
    folder : Path
        Empty.
    rounds : int
    seed : int
        Of the commands and of the moments, as shares of the command's usual time.
    """
    world = World(folder, random.Random(seed))
    forked(lambda: create_book(world.book).name)
    out, usual, figures = folder / "answer.json", dict[str, float](), Counter[str]()
    for round_ in range(rounds):
        step = draw_step(world)
        # Half of the moments anywhere, half near the end, where commit, checkpoint and answer follow each other.
        share = world.random.uniform(*world.random.choice(((0.0, 1.1), (0.7, 1.2))))
        said, took, killed = command(world.book, step.arguments, out, share * usual.get(step.name, 0.5))
        if not killed:
            usual[step.name] = took
        state = check_after_kill(world, step, said)
        figures[f"{step.name}: {'killed' if killed else 'had ended'}"] += 1
        figures["killed"] += killed
        figures["said done before the end"] += said
        figures["lines counted"] += len(world.rows)
        figures["left in the book without a word"] += state == "after" and not said
        took = settle(world, step, state, out)
        if took:
            usual[step.name] = took
        tell(f"{round_ + 1} {step.name} {share:.2f} {'killed' if killed else 'ended'} {state}")
    return figures


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        found = trial(Path(place), asked.rounds, asked.seed, lambda line: print(line, file=sys.stderr))
    print(
        f"{asked.rounds} rounds, seed {asked.seed}: nothing lost, no half batch, every book opened, every retry right"
    )
    for name, n in sorted(found.items()):
        print(f"  {name}: {n:,}")
