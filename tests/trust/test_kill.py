"""A command killed at any moment loses nothing that was called done and leaves nothing half done."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.book.store import open_book

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
TRIAL = Path(__file__).parent / "kill_trial.py"


def _trial(rounds: int, seed: int) -> str:
    # A process of its own: this one has threads, which a fork would not take along.
    done = subprocess.run(
        [sys.executable, str(TRIAL), "--rounds", str(rounds), "--seed", str(seed)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


def test_a_few_kills_lose_nothing() -> None:
    """Init, import, log, learn and backup, each killed somewhere in its run, leave the state before or after."""
    assert "6 rounds, seed 2: nothing lost" in _trial(6, 2)


@pytest.mark.slow
def test_two_hundred_kills_lose_nothing() -> None:
    """The same over 200 rounds."""
    assert "200 rounds" in _trial(200, 1)


#: A process that dies at the n-th file it moves into its place.
DIES = """
import os, sys
from pathlib import Path
from pipeline.book.store import create_book
moved, move = [], os.replace
def replace(source, target):
    if len(moved) == int(sys.argv[2]):
        os.kill(os.getpid(), 9)
    moved.append(target)
    move(source, target)
os.replace = replace
create_book(Path(sys.argv[1]))
"""


@pytest.mark.parametrize("n", [0, 1])
def test_an_init_killed_half_way_is_completed_by_the_next(
    n: int, tmp_path: Path, run: Callable[..., tuple[int, str, str]]
) -> None:
    """Killed before or between its two files, `init` leaves no book; run again it makes one, and leaves no trace."""
    place = tmp_path / "shop"
    died = subprocess.run([sys.executable, "-c", DIES, str(place), str(n)])
    assert died.returncode == -signal.SIGKILL
    assert not (place / "book.duckdb").exists()
    assert (place / "book.toml").exists() == (n == 1)
    if n == 1:  # what the shop wrote into it meanwhile is kept
        (place / "book.toml").write_text('[shop]\nname = "North Bay"\n')
    assert run("estimate", "--vehicle", "van", "--zone", "interior", "--book", str(place))[0] == 1
    code, _, err = run("init", str(place))
    assert code == 0, err
    assert sorted(f.name for f in place.iterdir()) == ["book.duckdb", "book.toml"]
    assert open_book(place).settings.shop.name == ("North Bay" if n == 1 else "")
    assert run("init", str(place))[0] == 1
