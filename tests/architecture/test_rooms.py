from __future__ import annotations

import ast
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("shared", "models", "pipeline", "data_demo")
SOURCES = sorted(f for p in PACKAGES for f in (ROOT / p).rglob("*.py"))


@pytest.mark.parametrize("name", PACKAGES)
def test_packages_come_from_this_project(name: str) -> None:
    """The packages have generic names, so each is asserted to be ours and no other distribution's."""
    origin = import_module(name).__file__
    assert origin is not None
    assert Path(origin).parent.name == name
    assert (Path(origin).parents[1] / "pipeline" / "cli" / "main.py").is_file()


def test_no_file_outgrows_one_room() -> None:
    """A source file stays within 400 lines."""
    assert {str(f.relative_to(ROOT)): n for f in SOURCES if (n := len(f.read_text().splitlines())) > 400} == {}


def test_no_pickle_no_eval_no_network() -> None:
    """Nothing in the product loads pickles, evaluates text or speaks to a network."""
    banned_modules = {"pickle", "joblib", "shelve", "marshal", "socket", "urllib", "http", "requests", "ftplib"}
    found = []
    for file in SOURCES:
        for node in ast.walk(ast.parse(file.read_text())):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [a.name for a in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            if any(n.split(".")[0] in banned_modules for n in names):
                found.append(f"{file.name}:{node.lineno}")
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in {"eval", "exec"}:
                found.append(f"{file.name}:{node.lineno}")
    assert found == []


def test_there_is_no_main_module() -> None:
    """The console script is the only entry: `python -m pipeline` in another folder could import another `models`."""
    assert [f for f in SOURCES if f.name == "__main__.py"] == []


HEAVY = ("pandas", "scipy", "sklearn", "statsmodels", "matplotlib", "pandera", "rapidfuzz", "icalendar")


def modules_after(*arguments: str) -> set[str]:
    """Return which heavy libraries a command has imported, run in a process of its own."""
    code = (
        "import sys, io, contextlib\nfrom pipeline.cli.main import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):\n"
        "    code = main(sys.argv[1:])\n"
        f"print(code, *[m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    exit_code, *found = done.stdout.split()
    assert exit_code == "0", done.stderr
    return set(found)


def test_help_loads_neither_numbers_nor_the_database() -> None:
    """`--help` starts without numpy and DuckDB: half of its time otherwise."""
    code = (
        "import sys\nfrom pipeline.cli.main import main\ncode = main(sys.argv[1:])\n"
        "print(code, 'numpy' in sys.modules, 'duckdb' in sys.modules)"
    )
    for asked in (["--help"], ["quote", "--help"]):
        done = subprocess.run([sys.executable, "-c", code, *asked], capture_output=True, text=True, check=True)
        assert done.stdout.splitlines()[-1] == "0 False False"


@pytest.mark.parametrize("command", ["estimate", "quote"])
def test_a_price_on_the_phone_loads_no_heavy_library(command: str, tmp_path: Path) -> None:
    """`estimate` and `quote` by options start without pandas, scipy, scikit-learn, statsmodels or matplotlib."""
    assert modules_after("init", str(tmp_path / "shop")) == set()
    asked = ["--vehicle", "van", "--zone", "undercarriage:heavy", "--book", str(tmp_path / "shop"), "--json"]
    assert modules_after(command, *asked) == set()
