"""Text in a terminal: it fits 80, 60 and 40 columns, needs no letters beyond ASCII, and loses no caution."""

from __future__ import annotations

from collections.abc import Callable
from io import StringIO, TextIOWrapper
from pathlib import Path

import pytest

from pipeline.answers.cautions import all_cautions, cautions_for, in_short
from pipeline.cli.common import print_out

Run = Callable[..., tuple[int, str, str]]
JOB = ("--vehicle", "van", "--zone", "undercarriage:heavy", "--zone", "engine_bay")
CALLS = {
    "estimate": (*JOB, "--like", "2"), "quote": (*JOB, "--price", "400", "--compare", "soil"), "batches": (),
    "safety": ("--bay", "north", *JOB),
}  # fmt: skip


@pytest.mark.parametrize("columns", [80, 60, 40])
@pytest.mark.parametrize("command", CALLS)
def test_no_line_is_wider_than_the_terminal(
    command: str, columns: int, demo_folder: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At every width each line fits, and there is an answer."""
    monkeypatch.setenv("COLUMNS", str(columns))
    code, out, err = run(command, *CALLS[command], "--book", str(demo_folder))
    assert code == 0, err
    assert out.strip()
    assert [line for line in out.splitlines() if len(line) > columns] == []


def test_each_caution_has_one_line() -> None:
    """Every caution of estimate and quote has a short form of one line of 80 columns that names the same danger."""
    for caution in all_cautions():
        if {"estimate", "quote"} & set(caution.commands):
            assert 0 < len(caution.short) <= 78, caution.key
            assert set(caution.text.casefold().split()[:3]) & set(caution.short.casefold().split()), caution.key


def test_no_caution_is_lost_in_short() -> None:
    """As many cautions are told in short as in full, in the same order; one without a short form stays whole."""
    full = cautions_for("quote", ["undercarriage", "interior"])
    short = in_short([*full, "of the day"])
    assert len(short) == len(full) + 1
    assert short[-1] == "of the day"
    assert short[0].startswith("Air:")
    assert len(set(short)) == len(short)


def test_the_answer_carries_cautions_whole(demo_folder: Path, ask: Callable[..., dict]) -> None:  # type: ignore[type-arg]
    """JSON has every caution in full."""
    answer = ask("quote", demo_folder, *JOB)
    assert answer["cautions"] == cautions_for("quote", ["undercarriage", "engine_bay"])


def test_signs_become_letters_where_they_must(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal without a sign gets it in letters; one that has it keeps it."""
    from io import BytesIO

    raw = BytesIO()
    monkeypatch.setattr("sys.stdout", TextIOWrapper(raw, encoding="ascii", errors="replace", write_through=True))
    print_out("70 °F, €5 …")
    assert raw.getvalue() == b"70 deg F, EUR 5 ...\n"
    out = StringIO()
    monkeypatch.setattr("sys.stdout", out)
    print_out("70 °F")
    assert out.getvalue() == "70 °F\n"
