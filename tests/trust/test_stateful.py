"""Import, correct, undo, backup and restore in any order leave what a dict says."""

from __future__ import annotations

import json
import shutil
import tempfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from pipeline.book.backup import back_up, restore
from pipeline.book.batch_lines import lost_lines
from pipeline.book.batches import undo_batch
from pipeline.book.store import create_book, open_book
from pipeline.intake.importing import import_files
from shared.errors import RimebookError

TODAY = date(2026, 7, 1)
Lines = dict[tuple[str, str], int]
LINES = st.dictionaries(
    st.tuples(st.sampled_from("ABCDE"), st.sampled_from(("interior", "engine_bay"))), st.integers(1, 90), min_size=1,
    max_size=5,
)  # fmt: skip


class Shop(RuleBasedStateMachine):
    """The book beside a dict of its lines, and the dicts that undo and restore lead back to."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.book = create_book(self.folder / "book", "")
        self.lines: Lines = {}
        self.batches: list[Lines] = []  # the lines before each standing batch
        self.saved: tuple[Lines, list[Lines]] | None = None

    @rule(lines=LINES, keep=st.booleans())
    def bring(self, lines: Lines, keep: bool) -> None:
        """Import new lines and corrections of known ones; `keep` prefers what is stored."""
        file = self.folder / "jobs.csv"
        rows = [f"{job},2026-03-02,van,{zone},{lb},40" for (job, zone), lb in lines.items()]
        file.write_text("\n".join(["job_id,date,vehicle_class,zone,pellets_lb,minutes", *rows]) + "\n")
        done = import_files(self.book, [file], today=TODAY, prefer="stored" if keep else "newest").result
        after = {**lines, **self.lines} if keep else {**self.lines, **lines}
        assert (done.batch is not None) == (after != self.lines)
        if done.batch is not None:
            self.batches.append(self.lines)
            self.lines = after
        again = import_files(self.book, [file], today=TODAY, prefer="stored" if keep else "newest").result
        assert again.batch is None

    @precondition(lambda self: self.batches)
    @rule()
    def take_back(self) -> None:
        """Undo the last batch."""
        undo_batch(self.book)
        self.lines = self.batches.pop()

    @rule()
    def save(self) -> None:
        """Back the book up."""
        back_up(self.book, self.folder / "b.rimebook", force=True)
        self.saved = (self.lines, list(self.batches))

    @precondition(lambda self: self.saved)
    @rule(force=st.booleans())
    def bring_back(self, force: bool) -> None:
        """Restore; without force only where the book has nothing that the backup lacks."""
        assert self.saved is not None
        refused = ""
        try:
            done = restore(self.book.folder, self.folder / "b.rimebook", force=force)
        except RimebookError as error:
            refused = error.problem.code
        if refused:
            assert (refused, force) == ("book-is-newer", False)
            return
        assert force or self.lines == self.saved[0]
        if done.kept is not None:
            shutil.rmtree(done.kept)
        self.lines, self.batches = self.saved[0], list(self.saved[1])

    @invariant()
    def holds(self) -> None:
        """The lines are the dict's, no batch has lost any, and no log file is left."""
        with open_book(self.book.folder).reading() as connection:
            rows = connection.execute("select job_id, zone, pellets_lb from job_lines").fetchall()
            assert lost_lines(connection) == []
        assert {(job, zone): int(lb) for job, zone, lb in rows} == self.lines, json.dumps(rows)
        assert len(rows) == len(self.lines)
        assert sorted(f.name for f in self.book.folder.iterdir()) == ["book.duckdb", "book.toml"]

    def teardown(self) -> None:
        shutil.rmtree(self.folder)


def _settings(examples: int, steps: int) -> settings:
    return settings(max_examples=examples, stateful_step_count=steps, deadline=None, derandomize=True,
                    suppress_health_check=list(HealthCheck))  # fmt: skip


TestShop = Shop.TestCase
TestShop.settings = _settings(3, 7)


@pytest.mark.slow
def test_a_long_life_of_a_book() -> None:
    """The same over thirty books of up to twenty steps."""
    run_state_machine_as_test(Shop, settings=_settings(30, 20))
