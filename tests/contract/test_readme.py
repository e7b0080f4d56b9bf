"""The README is held to what the program does. RIMEBOOK_REGENERATE=1 writes the blocks anew."""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.cli.main import app

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
Run = Callable[..., tuple[int, str, str]]
ANSWER = re.compile(r"```text\n\$ rimebook (?P<call>[^\n]+)\n(?P<body>.*?)```", re.DOTALL)
COMMANDS = re.compile(r"(<!-- commands -->\n)(?P<body>.*?)(<!-- end of commands -->)", re.DOTALL)


def held_or_rewritten(pattern: re.Pattern[str], wanted: str) -> None:
    """Compare a block of the README with what it must be, or write it where asked to."""
    text = README.read_text(encoding="utf-8")
    match = pattern.search(text)
    assert match is not None
    if os.environ.get("RIMEBOOK_REGENERATE"):
        text = text[: match.start("body")] + wanted + text[match.end("body") :]
        README.write_text(text, encoding="utf-8")
        return
    assert match["body"] == wanted, "run with RIMEBOOK_REGENERATE=1 to write the README anew"


def test_the_picture_of_an_answer_is_what_the_command_prints(run: Run, demo_folder: Path) -> None:
    """The first block of the README is the output of its command over the demo's book."""
    match = ANSWER.search(README.read_text(encoding="utf-8"))
    assert match is not None
    code, out, _ = run(*shlex.split(match["call"]), "--book", str(demo_folder))
    assert code == 0
    held_or_rewritten(ANSWER, out)


def test_every_command_stands_in_the_readme_with_its_help(run: Run) -> None:
    """The table of commands is that of `--help`."""
    rows = [f"| `{c.name}` | {(c.help or c.callback.__doc__ or '').strip().splitlines()[0]} |"
            for c in app.registered_commands if c.callback is not None]  # fmt: skip
    held_or_rewritten(COMMANDS, "\n".join(["| command | does |", "|---|---|", *rows]) + "\n")
    help_text = run("--help")[1]
    assert all(str(c.name) in help_text for c in app.registered_commands)


@pytest.mark.parametrize("file", ["README.md", "DEVELOPERS.md", "models/README.md", "data_demo/README.md"])
def test_links_and_paths_in_the_docs_exist(file: str) -> None:
    """A path in backticks that looks like one of ours is there."""
    named = re.findall(
        r"`((?:pipeline|models|shared|tests|data_demo|\.ci)/[\w./-]*)`", (ROOT / file).read_text("utf-8")
    )
    assert [p for p in named if not (ROOT / p).exists()] == []


def test_the_constraints_name_versions_and_no_hosts() -> None:
    """The constraints file is plain `name==version` lines."""
    lines = (ROOT / ".ci" / "constraints.txt").read_text().splitlines()
    assert len(lines) > 60
    assert [line for line in lines if not re.fullmatch(r"[A-Za-z0-9._-]+==[^@/ ]+", line)] == []
