"""Every command over four books: empty; eight jobs with totals only; the demo; 5,000 jobs."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

from data_demo.generate import LOG_COLUMNS, draw_shop, write_csv
from pipeline.book.store import create_book
from pipeline.cli.main import app
from pipeline.present.answer_schemas import answer_schemas

Run = Callable[..., tuple[int, str, str]]
JOB = ("--vehicle", "van", "--zone", "undercarriage:heavy", "--zone", "engine_bay")
BAY = ("--length-ft", "40", "--width-ft", "20", "--height-ft", "12", "--flow-cfm", "900")
#: How each command is called; {out} is a folder of the test's own, {jobs} a log, {backup} a backup of the book.
CALLS: dict[str, tuple[str, ...]] = {
    "import": ("{jobs}", "--dry-run"),
    "log": ("--job-id", "NEW-1", "--vehicle", "van", "--zone", "interior:light=8lb/40min"),
    "estimate": (*JOB, "--like", "2"),
    "quote": (*JOB, "--price", "400"),
    "costing": (),
    "order": (),
    "forecast": (),
    "technique": (),
    "calibration": (),
    "safety": (*BAY, *JOB),
    "report": ("--out", "{out}/report.html"),
    "batches": (),
    "export": ("--to", "{out}/export"),
    "backup": ("{out}/copy.zip",),
    "check": (),
    "schema": (),
    "licences": (),
    "learn": (),
    "undo": (),
    "restore": ("{backup}", "--force"),
}
#: Commands whose lines hold paths, names or JSON of any length.
PRINTS_PATHS = ("schema", "licences", "export", "report")
#: Commands that take long over a large book: their text is read over the small ones.
TAKE_LONG = ("learn", "forecast", "report")
#: Sentences that tell what to log, where a command has no figure to give.
WHAT_TO_LOG = ("import", "log", "learn", "rimebook", "weigh", "deliver")


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory, demo_folder: Path, run: Run) -> dict[str, Path]:
    """Return the folders of the four books."""
    place = tmp_path_factory.mktemp("four")
    create_book(place / "empty")
    create_book(place / "eight", '[shop]\nas_of = "2026-05-20"\n')
    rows = "".join(f"E-{i},2026-05-{i + 4:02d},{c},undercarriage,{p},{2 * p}\n" for i, (c, p) in enumerate(
        [("van", 60), ("sedan", 40), ("van", 75), ("truck", 90), ("suv", 50), ("van", 55), ("sedan", 35), ("suv", 62)]
    ))  # fmt: skip
    (place / "eight.csv").write_text("job_id,date,vehicle_class,zone,job_pellets_lb,job_minutes\n" + rows)
    logs = draw_shop(5, 5000)
    create_book(place / "big", f'[shop]\nas_of = "{logs.as_of}"\n')
    files = []
    for name, columns in LOG_COLUMNS.items():
        files.append(place / f"{name}.csv")
        write_csv(files[-1], columns, getattr(logs, name))
    for book, taken in (("eight", [place / "eight.csv"]), ("big", files)):
        for call in (["import", *map(str, taken)], ["learn"]):
            code, _, err = run(*call, "--book", str(place / book))
            assert code == 0, err
    shutil.copytree(demo_folder, place / "demo")
    return {name: place / name for name in ("empty", "eight", "demo", "big")}


def test_every_command_is_called() -> None:
    """No command is left out of this list (init and demo make books of their own)."""
    assert {c.name for c in app.registered_commands} - {"init", "demo"} == set(CALLS)


@pytest.mark.parametrize(
    ("command", "name"),
    # The large book was learned when it was made.
    [(c, n) for c in CALLS for n in ("empty", "eight", "demo", "big") if (c, n) != ("learn", "big")],
)
def test_a_command_answers_or_says_what_to_log(
    command: str, name: str, books: dict[str, Path], run: Run, tmp_path: Path
) -> None:
    """Each command gives a figure that fits its schema, or one sentence that says what to log."""
    folder = tmp_path / "book"
    shutil.copytree(books[name], folder)
    jobs = tmp_path / "jobs.csv"
    jobs.write_text("job_id,date,vehicle_class,zone,pellets_lb,minutes\nN-1,2026-05-01,van,interior,9,40\n")
    if command == "restore":
        assert run("backup", str(tmp_path / "b.zip"), "--book", str(folder))[0] == 0
    filled = [a.format(out=tmp_path, jobs=jobs, backup=tmp_path / "b.zip") for a in CALLS[command]]
    code, out, err = run(command, *filled, "--book", str(folder), "--json")
    assert code in (0, 1), err
    answer = json.loads(out)
    assert "Traceback" not in err
    if code == 1:
        told = answer["error"]
        jsonschema.Draft202012Validator(answer_schemas()["error"]).validate(answer)
        assert any(w in told["do"] for w in WHAT_TO_LOG), told
        assert told["code"] != "fault"
        return
    if command != "schema":
        jsonschema.Draft202012Validator(answer_schemas()[command]).validate(answer)
        assert answer["command"] == command
    if name == "big" or (name == "demo" and command in TAKE_LONG):
        return  # its text is that of a smaller book with other figures
    shutil.rmtree(folder)
    shutil.copytree(books[name], folder)
    text_code, text, text_err = run(command, *again(filled), "--book", str(folder))
    assert text_code == 0, text_err
    assert max(len(line) for line in text.splitlines()) <= 110 or command in PRINTS_PATHS


def again(arguments: list[str]) -> list[str]:
    """Return the arguments of a second call, which may not write over what the first one wrote."""
    writes = any(a.endswith((".html", ".zip")) or a == "--to" for a in arguments)
    return [*arguments, "--force"] if writes and "--force" not in arguments else arguments
