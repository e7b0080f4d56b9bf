"""One machine under several spellings: on import, in book.toml and in what is asked."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from log_files import log_file

from pipeline.answers.answer import Asking
from pipeline.answers.reviewing import noted_changes
from pipeline.book.store import Book
from pipeline.intake.importing import ImportAnswer, import_files

FIRST = date(2026, 1, 5)
TODAY = date(2026, 5, 1)
Ask = Callable[..., dict[str, Any]]


def _put(book: Book, folder: Path, codes: list[str], name: str = "jobs.csv") -> ImportAnswer:
    """Import a job for each spelling of a machine's code."""
    head = "job_id,date,vehicle_class,zone,pellets_lb,minutes,machine"
    rows = [f"{name}-{i},{FIRST + timedelta(days=i)},van,interior,{20 + i},40,{code}" for i, code in enumerate(codes)]
    return import_files(book, [log_file(folder, name, head, *rows)], today=TODAY)


def _machines(book: Book) -> list[str]:
    with book.reading() as connection:
        return [row[0] for row in connection.execute("select machine from job_lines order by day, job_id").fetchall()]


def test_letter_case_and_spaces_make_no_other_machine(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Case, outer and no-break spaces are no other machine: the book's spelling is kept, else that of most rows."""
    book = new_book()
    _put(book, tmp_path, ["Rig-2", " RIG-2", "rig-2\u00a0", "RIG-2"])
    assert _machines(book) == ["RIG-2"] * 4
    _put(book, tmp_path, ["rig-2", "rig-2", "rig-2"], name="later.csv")
    assert set(_machines(book)) == {"RIG-2"}


def test_codes_that_differ_otherwise_stay_apart(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """Nothing is guessed of a code: rig-2, rig2 and rig-02 are three machines, and a dash for nobody is none."""
    book = new_book()
    _put(book, tmp_path, ["rig-2", "rig2", "rig-02", "-", ""])
    assert _machines(book) == ["rig-2", "rig2", "rig-02", "", ""]


def test_a_file_in_another_case_is_the_same_file(new_book: Callable[..., Book], tmp_path: Path) -> None:
    """The same jobs with the machine in capitals are duplicates, not corrections."""
    book = new_book()
    _put(book, tmp_path, ["rig-2", "rig-3"])
    again = _put(book, tmp_path, ["RIG-2", "Rig-3"]).result.files[0]
    assert (again.accepted, again.duplicate) == (0, 2)
    assert _machines(book) == ["rig-2", "rig-3"]


def test_book_toml_names_a_machine_in_any_case(new_book: Callable[..., Book]) -> None:
    """A change noted under [machines.RIG-2] is that of the log's rig-2."""
    book = new_book('[machines.RIG-2]\nchanges = [{date = "2026-03-02", what = "new nozzle"}]\n')
    noted = noted_changes(book.settings, TODAY, ("rig-1", "rig-2"))
    assert noted == {("rig-2", date(2026, 3, 2).toordinal()): "new nozzle"}


@pytest.fixture(scope="module")
def two_rigs(tmp_path_factory: pytest.TempPathFactory) -> Book:
    """Return a learned book of two machines, of which rig-2 takes half as much again."""
    from pipeline.answers.fitting import learn_book
    from pipeline.book.store import create_book

    book, rng = create_book(tmp_path_factory.mktemp("rigs") / "book"), np.random.default_rng(3)
    with book.writing() as connection:
        for i in range(90):
            lb = 40.0 * (1.5 if i % 2 else 1.0) * float(np.exp(0.1 * rng.standard_normal()))
            connection.execute(
                "insert into job_lines (job_id, day, vehicle_class, zone, soil_level, pellets_lb, minutes, machine,"
                " pass, batch, row_hash) values (?, ?, 'van', 'undercarriage', 'moderate', ?, ?, ?, 1, 0, ?)",
                [f"J{i:03d}", FIRST + timedelta(days=i), lb, lb * 1.3, f"rig-{1 + i % 2}", i],
            )
    learn_book(Asking(book, TODAY))
    return book


@pytest.mark.parametrize(
    "asked",
    [
        ("estimate", "--vehicle", "van", "--zone", "undercarriage", "--machine"),
        ("quote", "--vehicle", "van", "--zone", "undercarriage", "--machine"),
        ("forecast", "--months", "1", "--add-machine"),
    ],
)
def test_a_machine_is_asked_for_in_any_case(asked: tuple[str, ...], two_rigs: Book, ask: Ask) -> None:
    """RIG-2 is answered as rig-2 is, to the last digit, and the other machine otherwise."""
    one, other, third = (
        ask(asked[0], two_rigs.folder, *asked[1:], name, "--today", TODAY.isoformat())
        for name in ("rig-2", "RIG-2", "rig-1")
    )
    assert other["result"] == one["result"]
    assert other["warnings"] == one["warnings"]
    assert third["result"] != one["result"]


def test_a_waiting_job_names_its_machine_in_any_case(two_rigs: Book, ask: Ask, tmp_path: Path) -> None:
    """What of the ice that is left a waiting job would take does not hang on how its machine is written."""
    head = "job_id,date,vehicle_class,zone,soil_level,machine"
    found = []
    for name in ("rig-2", "RIG-2", "rig-1"):
        file = log_file(tmp_path, f"waiting {name}.csv", head, f"W1,{TODAY},van,undercarriage,moderate,{name}")
        found.append(ask("order", two_rigs.folder, "--fit", "--jobs", str(file), "--today", TODAY.isoformat()))
    one, other, third = found
    assert other["result"] == one["result"]
    assert other["warnings"] == one["warnings"]
    assert third["result"]["fits"][0]["pellets_lb"]["mean"] < one["result"]["fits"][0]["pellets_lb"]["mean"]
