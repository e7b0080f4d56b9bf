"""A command killed at any moment loses nothing that was called done and leaves nothing half done."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
TRIAL = Path(__file__).parent / "kill_trial.py"


def _trial(rounds: int, seed: int) -> str:
    # A process of its own: this one has threads, which a fork would not take along.
    done = subprocess.run(
        [sys.executable, str(TRIAL), "--rounds", str(rounds), "--seed", str(seed)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


def test_a_dozen_kills_lose_nothing() -> None:
    """Import, log, learn, undo and backup, each killed somewhere in its run, leave the state before or after."""
    assert "12 rounds, seed 3: nothing lost" in _trial(12, 3)


@pytest.mark.slow
def test_two_hundred_kills_lose_nothing() -> None:
    """The same over 200 rounds."""
    assert "200 rounds" in _trial(200, 1)
