"""Log files written line by line, and what was read of a log."""

from __future__ import annotations

from pathlib import Path

from pipeline.intake.raw import RawLog


def log_file(folder: Path, name: str, head: str, *lines: str) -> Path:
    """Write lines under a head as a file, and return where it is."""
    file = folder / name
    file.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return file


def rows(log: RawLog) -> list[list[str]]:
    return [row for chunk in log.chunks() for row in chunk.cells]


def faults(log: RawLog) -> dict[int, str]:
    """Return the code of each faulty line."""
    return {chunk.lines[i]: fault.code for chunk in log.chunks() for i, fault in chunk.faults.items()}
