"""Coverage-guided fuzzing (atheris) of what reads foreign bytes: only `RimebookError` may come out.

Run by hand: ``python tests/trust/fuzz.py --seconds 60 [--targets delimited quantities ...]``. Needs ``pip install
atheris``; where it is missing the script says so and ends. The time is shared by the targets, those that read files
getting three parts of it and those that read a cell one; each runs in a process of its own and prints how many inputs
it tried and how many of them reached new code.
"""

from __future__ import annotations

import argparse
import functools
import math
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import get_args

HERE = Path(__file__).parent
MESSY = HERE.parent / "golden" / "messy"
#: File name endings of the seeds of each target.
SEEDS = {
    "delimited": (".csv", ".tsv"), "workbook": (".xlsx", ".ods"), "calendar": (".ics",), "toml": (".toml",),
    "column_map": (".toml",), "quantities": (), "dates": (), "words": (), "backup": (),
}  # fmt: skip
#: Parts of the time: an input of these costs a file and, in a text, a guess at every head.
PARTS = dict.fromkeys(SEEDS, 1) | dict.fromkeys(("delimited", "calendar", "workbook"), 3)
#: A file system in memory, where there is one: on a disk opening the input takes longer than reading it.
SCRATCH = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
WORDS = {
    "quantities": ["12,5 kg", "1h 15m", "1:30", "1.234,5", "#40", "80 psi", "-3", "1e308", "nan", "~40", "5-6", "½ lb"],
    "dates": ["2026-03-02", "3/4/26", "Mar 3rd 2026", "Tue 2. Jan 2026 14:30", "46085.5", "2026-W10-2", "20260302"],
    "words": ["Under-carriage", "VAN", "heavy", "yes", "wheel wells", "cancelled", "-", "\u0130"],
}


CALENDARS = (
    "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VTIMEZONE\nTZID:Shop\nBEGIN:STANDARD\nDTSTART:19701101T020000\n"
    "TZOFFSETFROM:-0600\nTZOFFSETTO:-0700\nRRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU\nEND:STANDARD\nEND:VTIMEZONE\n"
    "BEGIN:VEVENT\nUID:a\nDTSTART;TZID=Shop:20260105T090000\nDURATION:PT2H\nRRULE:FREQ=WEEKLY;COUNT=3\n"
    "EXDATE;TZID=Shop:20260112T090000\nSUMMARY:van undercarriage heavy\nEND:VEVENT\nEND:VCALENDAR\n",
    "BEGIN:VCALENDAR\nVERSION:2.0\nMETHOD:CANCEL\nBEGIN:VEVENT\nUID:b\nRECURRENCE-ID;VALUE=DATE:20260203\n"
    "DTSTART;VALUE=DATE:20260204\nSTATUS:CANCELLED\nSUMMARY:suv interior\\, engine bay\nEND:VEVENT\n"
    "END:VCALENDAR\n",
)


def readers() -> dict[str, Callable[[bytes, Path], object]]:
    """Return each target: bytes and a scratch file in, anything out."""
    from datetime import date

    from pipeline.book.backup import unpack
    from pipeline.book.toml_file import load_settings
    from pipeline.intake import calendar, column_map, dates, delimited, quantities, units, words, workbook
    from pipeline.intake.faults import Fault
    from pipeline.intake.headers import guesser

    known = words.book_words()
    # Heads are guessed at anew for every row of every input; the same rows come up again and again.
    guessed = functools.lru_cache(maxsize=50_000)(guesser(known, None, None))

    def guess(row: Sequence[str]) -> tuple[str, float]:
        return guessed(tuple(row))

    def rows(log: object) -> None:
        for chunk in log.chunks():  # type: ignore[attr-defined]
            assert len(chunk.lines) == len(chunk.cells)

    def write(data: bytes, place: Path) -> Path:
        place.write_bytes(data)
        return place

    def quantity(data: bytes, _: Path) -> None:
        text = data.decode("utf-8", "replace")
        for kind in get_args(units.Kind):
            for comma in (None, True, False):
                value, _ = quantities.parse_quantity(text, kind, "", comma)
                assert isinstance(value, Fault) or not math.isinf(value), (text, kind)

    def day(data: bytes, _: Path) -> None:
        text = data.decode("utf-8", "replace")
        dates.order_evidence([text])
        for order in ("", "day-first", "month-first"):
            dates.parse_date(text, order)

    def word(data: bytes, _: Path) -> None:
        text = data.decode("utf-8", "replace")
        for group in words.GROUPS:
            known.read(group, text)

    window = calendar.CalendarWindow(date(2026, 1, 1), date(2026, 3, 1), "America/Denver", known)
    return {
        "delimited": lambda data, place: rows(delimited.open_delimited(write(data, place), guess, None)),
        "workbook": lambda data, place: [rows(log) for log in workbook.open_workbook(write(data, place), guess, None)],
        "calendar": lambda data, place: rows(calendar.open_calendar(write(data, place), window)),
        "toml": lambda data, place: load_settings(write(data, place)),
        "column_map": lambda data, _: column_map.parse_column_map(data.decode("utf-8", "replace"), "map.toml"),
        "quantities": quantity,
        "dates": day,
        "words": word,
        "backup": lambda data, place: unpack(write(data, place), place.parent),
    }


def seeds(name: str) -> list[bytes]:
    """Return sound and messy inputs of a target to start from."""
    found = [f.read_bytes() for f in sorted(MESSY.iterdir()) if f.suffix in SEEDS[name]]
    if name == "backup":
        found += [f.read_bytes() for f in sorted((HERE / "fixtures").glob("*/*.rimebook"))]
    if name == "calendar":
        found += [text.replace("\n", "\r\n").encode() for text in CALENDARS]
    return found + [w.encode() for w in WORDS.get(name, [])]


def _child(name: str, seconds: int) -> None:
    import atheris  # type: ignore[import-not-found]

    from shared.errors import RimebookError

    with atheris.instrument_imports(include=["pipeline", "shared", "tomllib", "icalendar"]):
        target = readers()[name]
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        for i, data in enumerate(seeds(name)):
            (corpus / str(i)).write_bytes(data)
        place = Path(folder) / "input"

        def try_one(data: bytes) -> None:
            try:
                target(data, place)
            except RimebookError:
                return

        longest = 3000 if name in ("delimited", "calendar") else 20000
        wanted = [sys.argv[0], f"-max_total_time={seconds}", f"-max_len={longest}", "-timeout=20", "-rss_limit_mb=3000",
                  "-print_final_stats=1", f"-artifact_prefix={os.getcwd()}/fuzz-", str(corpus)]  # fmt: skip
        atheris.Setup(wanted, try_one)
        atheris.Fuzz()


def main(seconds: int, targets: list[str]) -> int:
    """Fuzz each target for its share of the time; return how many failed."""
    try:
        import atheris  # type: ignore[import-not-found]  # noqa: F401
    except ImportError:
        print("atheris is not installed (pip install atheris); nothing was tried")
        return 0
    failed = 0
    parts = sum(PARTS[name] for name in targets)
    for name in targets:
        each = max(1, seconds * PARTS[name] // parts)
        done = subprocess.run(
            [sys.executable, __file__, "--child", name, "--seconds", str(each)], capture_output=True, text=True
        )
        tried = re.search(r"number_of_executed_units: (\d+)", done.stderr)
        new = re.search(r"new_units_added:\s+(\d+)", done.stderr)
        print(f"{name:<12} {int(tried[1]) if tried else 0:>9,} inputs, {new[1] if new else '?':>6} reached new code, "
              f"{'held' if done.returncode == 0 else 'FAILED'}", flush=True)  # fmt: skip
        if done.returncode:
            failed += 1
            print(done.stderr[-2500:])
    return failed


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--targets", nargs="+", default=list(SEEDS), choices=list(SEEDS))
    parser.add_argument("--child", choices=list(SEEDS))
    told = parser.parse_args()
    if told.child:
        _child(told.child, told.seconds)
    else:
        sys.exit(main(told.seconds, told.targets) != 0)
