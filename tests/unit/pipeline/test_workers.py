"""Processes beside `learn`: there where they pay, and none outlives the command."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.answers import workers
from pipeline.answers.workers import workers_beside

#: Begins a long task in a process beside this one, tells that process's number, then leaves as asked.
LEAVES = """
import os, signal, sys, time
from pipeline.answers import workers
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell starts what runs behind it deaf
workers._processors = lambda: 2
if __name__ == "__main__":
    with workers.workers_beside(1000) as beside:
        print(beside.submit(os.getpid).result(), flush=True)
        beside.submit(time.sleep, 600)
        time.sleep(0.3)
        if sys.argv[1] == "error":
            raise ValueError("left by an error")
        time.sleep(600)
"""


@pytest.mark.parametrize(("processors", "n_jobs"), [(1, 1000), (8, workers.LEAST_JOBS - 1)])
def test_there_are_none_where_they_would_not_pay(processors: int, n_jobs: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """On one processor, or for a short log, everything is done in this process."""
    monkeypatch.setattr(workers, "_processors", lambda: processors)
    with workers_beside(n_jobs) as beside:
        assert beside is None


def test_there_are_none_where_the_system_refuses_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """A system without shared semaphores, or with no room for a process, is no error."""

    def refused(*_: object, **__: object) -> None:
        raise OSError("no semaphores here")

    monkeypatch.setattr(workers, "_processors", lambda: 2)
    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor", refused)
    with workers_beside(1000) as beside:
        assert beside is None


def test_ctrl_c_is_heard_again_once_they_have_started(monkeypatch: pytest.MonkeyPatch) -> None:
    """They are started deaf to Ctrl-C; this process is not left so, and work done is work returned."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell starts what runs behind it deaf
    monkeypatch.setattr(workers, "_processors", lambda: 2)
    try:
        with workers_beside(1000) as beside:
            assert beside is not None
            assert signal.getsignal(signal.SIGINT) == signal.default_int_handler
            assert beside.submit(signal.getsignal, signal.SIGINT).result() == signal.SIG_IGN
            assert beside.submit(os.getpid).result() != os.getpid()
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize("how", ["error", "interrupt", "kill"])
def test_they_end_with_the_command(how: str, tmp_path: Path) -> None:
    """Left by an error, by Ctrl-C (which a terminal sends to all of them) or killed: a worker at work ends at once."""
    if not hasattr(os, "killpg"):
        pytest.skip("needs process groups")
    script = tmp_path / "leaves.py"
    script.write_text(LEAVES)
    command = [sys.executable, str(script), how]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as child:
        assert child.stdout is not None
        worker = int(child.stdout.readline())
        if how == "interrupt":
            time.sleep(0.2)
            os.killpg(child.pid, signal.SIGINT)
        elif how == "kill":
            child.kill()
        _, told = child.communicate(timeout=20)
    assert child.returncode != 0
    assert told.count("Traceback") == (0 if how == "kill" else 1)
    assert _ended(worker, within_s=10)


def _ended(pid: int, within_s: float) -> bool:
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        if "Z" in _state(pid):
            return True
        time.sleep(0.05)
    return False


def _state(pid: int) -> str:
    """Return the letter of a process's state where the system tells it; one that nobody waits for stays as a zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return ""
