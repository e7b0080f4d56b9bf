"""Nothing of the program speaks to a network, unpickles or evaluates text."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data_demo" / "clean"
#: Runs commands one after the other with every socket, pickle.loads, eval and child process refused; but for what
#: `learn` and its own workers hand each other over a pipe.
REFUSED = """
import concurrent.futures.process as process, socket, subprocess, sys
def refuse(*_, **__):
    raise AssertionError("a socket or process was made")
socket.socket.__init__ = refuse
socket.create_connection = socket.getaddrinfo = subprocess.Popen.__init__ = refuse
seen = []
def between_processes():
    frame = sys._getframe()
    while frame and frame.f_code.co_filename != process.__file__:
        frame = frame.f_back
    return frame is not None
def hear(event, _):
    if event == "pickle.find_class" and between_processes():
        return
    if event.startswith(("socket.", "urllib.", "pickle.find_class", "os.system", "subprocess.")):
        seen.append(event)
sys.addaudithook(hear)
import json
from pipeline.cli.main import main
for arguments in json.loads(sys.argv[1]):
    if main(arguments):
        sys.exit(f"failed: {arguments}")
sys.exit(f"events: {sorted(set(seen))}" if seen else 0)
"""


def test_a_whole_session_makes_no_socket(tmp_path: Path) -> None:
    """Init, import, learn, estimate, quote, order, backup and check run with sockets refused; none is even tried."""
    import json

    book = tmp_path / "shop"
    files = []
    for name in ("deliveries", "weighings", "bookings"):
        (tmp_path / f"{name}.csv").write_bytes((DEMO / f"{name}.csv").read_bytes())
        files.append(str(tmp_path / f"{name}.csv"))
    jobs = (DEMO / "jobs.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "jobs.csv").write_text("\n".join([jobs[0], *jobs[-200:]]) + "\n", encoding="utf-8")
    asked = ["--vehicle", "suv", "--zone", "undercarriage:heavy"]
    at = ["--book", str(book), "--today", "2026-07-01"]
    plain = ["--book", str(book)]
    session = [
        ["init", str(book)], ["import", *files, str(tmp_path / "jobs.csv"), *at], ["learn", *at],
        ["estimate", *asked, *at], ["quote", *asked, *at], ["order", *at], ["backup", str(tmp_path / "b"), *plain],
        ["check", *plain],
    ]  # fmt: skip
    done = subprocess.run([sys.executable, "-c", REFUSED, json.dumps(session)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]


@pytest.mark.slow
def test_the_demo_makes_no_socket(tmp_path: Path) -> None:
    """The whole demo, report included, runs with sockets refused."""
    import json

    session = json.dumps([["demo", str(tmp_path / "demo")]])
    done = subprocess.run([sys.executable, "-c", REFUSED, session], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]


def test_no_module_imports_a_network_or_unpickles() -> None:
    """No source file names a network module, pickle, marshal, shelve, eval or exec."""
    banned = re.compile(
        r"^\s*(?:import|from)\s+(?:socket|ssl|urllib\.request|http|requests|ftplib|smtplib|pickle|marshal|shelve|dill|"
        r"joblib)\b|(?<![\w.])(?:eval|exec)\(",
        re.MULTILINE,
    )
    sources = [f for room in ("shared", "models", "pipeline", "data_demo") for f in (ROOT / room).rglob("*.py")]
    assert len(sources) > 100
    assert [str(f) for f in sources if banned.search(f.read_text(encoding="utf-8"))] == []
