"""Jobs that are asked about, from a file in the jobs layout: figures in it are ignored, a blank date is allowed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.book.visit_rules import ONCE
from pipeline.intake.book_words import words_of
from pipeline.intake.headers import guesser, match_headers, require
from pipeline.intake.logs import SHAPES
from pipeline.intake.normalise import Habits, Normaliser
from pipeline.intake.reading import open_log
from pipeline.intake.wide import unpivot
from shared.errors import MOST_TOLD, RimebookError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from pipeline.book.settings import Settings
    from pipeline.intake.header_match import HeaderMatch
    from pipeline.intake.normalise import Typed
    from pipeline.intake.raw import RawChunk, RawLog

#: Figures of a finished job mean nothing in a request.
_IGNORED = ("pellets_lb", "minutes", "job_pellets_lb", "job_minutes", "setup_min", "cleanup_min", "price_usd")
_SETTINGS = ("ice_age_days", "feed_lb_min", "pressure_psi", "standoff_in", "ice_on_share")


@dataclass(frozen=True)
class RequestRow:
    """One row of a request; a package stands for several zones. `line` is its line in the file.

    `vehicle` tells the vehicles of one visit apart, '' where there is one.
    """

    line: int
    job_id: str
    vehicle: str
    day: date | None
    vehicle_class: str
    zones: tuple[str, ...]
    soil_level: str
    coating_removed: bool
    machine: str
    operator: str
    customer: str
    settings: dict[str, float]


def read_request(file: Path, settings: Settings, *, sheet: str | None = None) -> list[RequestRow]:
    """Return the rows of a request in their order.

    Raises
    ------
    RimebookError
        Where the file cannot be read, lacks a needed column, or any row cannot be understood; all such rows are
        told at once (ten at most), and nothing is answered.
    """
    words = words_of(settings)
    log = open_log(file, guess=guesser(words, None, "jobs"), sheet=sheet)
    where = f"{file.name}, line {log.header_line}"
    match = match_headers(
        log.header, "jobs", words=words, units=settings.shop.units,  # type: ignore[arg-type]  # checked on loading
        currency=settings.shop.currency, where=where,
    )  # fmt: skip
    if match.missing and set(match.missing) != {"date"}:
        require(match, where)
    matched = match.wide.match.columns if match.wide and match.wide.match else match.columns
    matched = {name: m for name, m in matched.items() if name not in _IGNORED}
    habits = Habits()
    rows: list[RequestRow] = []
    for n_pass in (1, 2):
        normaliser = Normaliser(SHAPES["jobs"], matched, words, settings, habits)
        rows, problems = _read_rows(log, match, normaliser, words.zones_of)
        if n_pass == 1 and not normaliser.needs_another_pass():
            break
        habits, _ = normaliser.habits()
    problems += _contradictions(rows)
    if problems:
        _refuse(file, problems)
    if not rows:
        raise RimebookError(
            "no-jobs", where=file.name, found="no rows", expected="a row for each zone of each job",
            do="Fill in job_id, vehicle_class, zone and soil_level.",
        )  # fmt: skip
    return rows


def _read_rows(
    log: RawLog, match: HeaderMatch, normaliser: Normaliser, zones_of: Any
) -> tuple[list[RequestRow], list[str]]:
    rows: list[RequestRow] = []
    problems: list[str] = []
    for raw in log.chunks():
        chunk = unpivot(raw, match.wide) if match.wide is not None else raw
        typed = normaliser.typed(chunk.cells)
        problems += _problems(chunk, typed)
        rows += [_row(chunk, typed, i, zones_of) for i in range(len(chunk.cells))]
    return rows, problems


def _problems(chunk: RawChunk, typed: Typed) -> list[str]:
    found = [f"line {chunk.lines[i]}: {fault.hint}" for i, fault in chunk.faults.items()]
    found += [f"line {chunk.lines[f.row]}, {f.column}: {f.fault.hint}" for f in typed.faults]
    faulty = {(f.row, f.column) for f in typed.faults}
    for name in ("job_id", "vehicle_class", "zone"):
        blank = [i for i, v in enumerate(typed.columns[name]) if not v and (i, name) not in faulty]
        found += [f"line {chunk.lines[i]}, {name}: nothing stands there" for i in blank if i not in chunk.faults]
    for name in _SETTINGS:
        low = np.flatnonzero(typed.columns[name] < 0)
        found += [f"line {chunk.lines[i]}, {name}: below 0" for i in low.tolist()]
    return found


def _contradictions(rows: Sequence[RequestRow]) -> list[str]:
    """Return where rows of one job differ in what a visit has once, as the import refuses them; blanks are no word."""
    jobs: dict[str, list[RequestRow]] = {}
    for row in rows:
        jobs.setdefault(row.job_id.casefold(), []).append(row)
    told = []
    for of_job in jobs.values():
        for name, column, do in ONCE:
            if name not in ("day", "customer"):
                continue
            first: dict[str, tuple[int, str]] = {}  # by what is compared: the line where it first stands, as written
            for row in of_job:
                shown = str(getattr(row, name) or "")
                first.setdefault(shown.casefold(), (row.line, shown))
            first.pop("", None)
            if len(first) > 1:
                lines, values = zip(*first.values(), strict=True)
                told.append(
                    f"lines {' and '.join(map(str, lines))}, {column}: job {of_job[0].job_id} has "
                    f"{' and '.join(values)}; {do}"
                )
    return told


def _row(chunk: RawChunk, typed: Typed, i: int, zones_of: Any) -> RequestRow:
    columns = typed.columns
    day = columns["date"][i]
    return RequestRow(
        line=chunk.lines[i],
        job_id=columns["job_id"][i],
        vehicle=columns["vehicle"][i],
        day=None if np.isnat(day) else day.astype("datetime64[D]").item(),
        vehicle_class=columns["vehicle_class"][i],
        zones=tuple(zones_of(columns["zone"][i])),
        soil_level=columns["soil_level"][i],
        coating_removed=bool(columns["coating_removed"][i]),
        machine=columns["machine"][i],
        operator=columns["operator"][i],
        customer=columns["customer"][i],
        settings={n: float(columns[n][i]) for n in _SETTINGS if not np.isnan(columns[n][i])},
    )


def _refuse(file: Path, problems: Sequence[str]) -> None:
    told = "; ".join(problems[:MOST_TOLD])
    more = f" (and {len(problems) - MOST_TOLD} more)" if len(problems) > MOST_TOLD else ""
    raise RimebookError(
        "bad-request-rows", where=file.name, found=f"{told}{more}", expected="jobs in the jobs layout",
        do="Correct these cells and ask again; nothing was answered.",
    )  # fmt: skip
