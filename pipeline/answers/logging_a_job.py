"""Recording one finished job: the same readers, checks and batch as a file of one visit."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline.answers.answer import Answer
from pipeline.answers.logged_change import OF_VISIT, LogChange, change_between, line_key, total_with
from pipeline.book.last_rows import has_visit, last_line
from pipeline.intake.book_words import words_of
from pipeline.intake.columns import LOGS, QUANTITIES
from pipeline.intake.exporting import visit_cells
from pipeline.intake.headers import match_headers
from pipeline.intake.importing import import_opened
from pipeline.intake.opening import OpenedLog
from pipeline.intake.quantities import parse_quantity
from pipeline.intake.raw import RawChunk, RawLog
from shared.errors import RimebookError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from pipeline.book.store import Book
    from pipeline.intake.judging import ReasonTold
    from pipeline.intake.words import Words

#: What a batch that was typed in is called where a file's name would stand.
FILE_NAME: Final = "log"
_ZONE: Final = re.compile(r"(?P<zone>[^:=]+?)\s*(?::\s*(?P<soil>[^=]*?)\s*)?(?:=\s*(?P<figures>.+))?")
_FIGURES: Final = frozenset(column.name for column in LOGS["jobs"] if column.reads in QUANTITIES)
_FORM: Final = "zone, zone:soil or zone:soil=pellets/minutes, such as undercarriage:heavy=38lb/55min"


@dataclass(frozen=True)
class ZoneWorked:
    """One zone as typed; blanks are ''."""

    zone: str
    soil_level: str = ""
    pellets: str = ""
    minutes: str = ""


@dataclass(frozen=True)
class JobEntry:
    """One finished job as typed: every field is read as a cell of a jobs log would be; blanks are ''.

    Attributes
    ----------
    zones : tuple of ZoneWorked
        A zone that stands twice was worked in two passes.
    total_pellets, total_minutes : str
        Of the visit, where the lines are blank.
    dated : bool
        Whether the day was named: where it was not, a visit that the book has keeps its own.
    """

    job_id: str
    day: date
    vehicle_class: str
    zones: tuple[ZoneWorked, ...]
    total_pellets: str = ""
    total_minutes: str = ""
    vehicle: str = ""
    operator: str = ""
    machine: str = ""
    container: str = ""
    coating_removed: str = ""
    setup: str = ""
    cleanup: str = ""
    price: str = ""
    customer: str = ""
    note: str = ""
    dated: bool = True


@dataclass(frozen=True)
class LoggedJob:
    """What was recorded.

    `batch` and `change` are None where the book held exactly this already (or nothing was to be written).
    """

    job_id: str
    lines: int
    batch: int | None
    change: LogChange | None


@dataclass(frozen=True)
class LastUsed:
    """Defaults for the next entry, from the last visit; '' where there is none."""

    next_job_id: str
    vehicle_class: str
    operator: str
    machine: str
    container: str


def parse_zone(text: str) -> ZoneWorked:
    """Return a zone option: ``undercarriage:heavy=38lb/55min``; soil, pellets and minutes may be left out.

    Raises
    ------
    UsageError
        When the text has another form.
    """
    match = _ZONE.fullmatch(text.strip())
    if not match:
        raise _not_of_form("--zone", text, _FORM)
    pellets, minutes = _figures("--zone", match["figures"] or "", _FORM)
    return ZoneWorked(match["zone"], match["soil"] or "", pellets, minutes)


def parse_total(text: str) -> tuple[str, str]:
    """Return (pellets, minutes) of a total option: ``60lb/90min``, ``60lb`` or ``90min``.

    Raises
    ------
    UsageError
        When the text has another form.
    """
    return _figures("--total", text, "pellets/minutes, such as 60lb/90min")


def _figures(option: str, text: str, form: str) -> tuple[str, str]:
    """Return (pellets, minutes); a single figure is minutes where only that reading fits its unit."""
    parts = [part.strip() for part in text.split("/")]
    if len(parts) > 2:
        raise _not_of_form(option, text, form)
    if len(parts) == 2:
        return parts[0], parts[1]
    if not parts[0]:
        return "", ""
    fits = {kind for kind in ("mass", "duration") if isinstance(parse_quantity(parts[0], kind, _BARE[kind])[0], float)}
    if len(fits) == 1:
        return (parts[0], "") if fits == {"mass"} else ("", parts[0])
    raise _not_of_form(option, text, form)


#: Units of bare figures, only to see whether a figure can be read as such at all.
_BARE: Final = {"mass": "lb", "duration": "min"}


def _not_of_form(option: str, text: str, form: str) -> UsageError:
    do = "Give every figure its unit, or both in this order."
    return UsageError("bad-option", where=option, found=repr(text), expected=form, do=do)


def last_used(book: Book) -> LastUsed:
    """Return the defaults for the next entry: the words of the last visit, and the number after its job_id."""
    last = last_line(book)
    if last is None:
        return LastUsed("1", "", "", "", "")
    return LastUsed(_next_free(book, last.job_id), last.vehicle_class, last.operator, last.machine, last.container)


def _next_free(book: Book, job_id: str) -> str:
    """Return the id with its last number raised, as often as needed to be new; '' where it ends in no number."""
    match = re.fullmatch(r"(.*?)(\d{1,15})", job_id)
    if not match:
        return ""
    number = int(match[2]) + 1
    while has_visit(book, f"{match[1]}{number:0{len(match[2])}d}"):
        number += 1
    return f"{match[1]}{number:0{len(match[2])}d}"


def log_job(book: Book, entry: JobEntry, *, today: date, dry_run: bool = False) -> Answer[LoggedJob]:
    """Record one finished job as a batch of its own.

    Of a visit that the book has already, only what was given is changed: everything else stays as it was.

    Raises
    ------
    RimebookError
        Where the job breaks a rule of the jobs log; then nothing is recorded.
    """
    if not entry.zones:
        do = "Add --zone for each zone that was worked."
        raise UsageError("no-zone", where="log", found="no zone", expected="at least one zone", do=do)
    shop = book.settings.shop
    header, rows = _rows(entry, shop.units)
    stored = visit_cells(book, entry.job_id.strip())
    if stored:
        rows = _completed(entry, header, rows, stored, words_of(book.settings))
    raw = RawLog(Path(FILE_NAME), "", "jobs", header, 0, lambda n: _chunks(rows, n))
    match = match_headers(
        header, "jobs", words=words_of(book.settings), units=shop.units, currency=shop.currency,  # type: ignore[arg-type]
    )  # fmt: skip
    sha256 = hashlib.sha256(repr(rows).encode()).hexdigest()
    opened = OpenedLog(raw, match, FILE_NAME, sha256)
    trial = import_opened(book, [opened], today=today, dry_run=True)
    if trial.result.files[0].rejected:
        way_out = total_with(header, rows, stored, shop.units) if stored else ""
        raise _refused(trial.result.files[0].reasons, way_out)
    done = trial if dry_run else import_opened(book, [opened], today=today)
    batch = done.result.batch
    change = None if batch is None else change_between(stored, visit_cells(book, entry.job_id.strip()))
    logged = LoggedJob(entry.job_id, done.result.files[0].accepted, batch, change)
    return Answer(logged, done.warnings)


def _rows(entry: JobEntry, units: str) -> tuple[tuple[str, ...], list[list[str]]]:
    """Return the entry as the header and rows of a jobs log; bare weights get the unit of the book."""
    common = {
        "job_id": entry.job_id, "vehicle": entry.vehicle, "date": entry.day.isoformat(),
        "vehicle_class": entry.vehicle_class, "job_minutes": entry.total_minutes,
        "job_pellets_lb": _weight(entry.total_pellets, units),
        "coating_removed": entry.coating_removed, "machine": entry.machine, "operator": entry.operator,
        "container": entry.container, "setup_min": entry.setup, "cleanup_min": entry.cleanup, "price_usd": entry.price,
        "customer": entry.customer, "notes": entry.note,
    }  # fmt: skip
    header = tuple(column.name for column in LOGS["jobs"])
    seen: dict[str, int] = {}
    rows = []
    for worked in entry.zones:
        folded = worked.zone.casefold()
        seen[folded] = seen.get(folded, 0) + 1
        of_zone = {
            "zone": worked.zone, "soil_level": worked.soil_level, "minutes": worked.minutes,
            "pellets_lb": _weight(worked.pellets, units), "pass": str(seen[folded]),
        }  # fmt: skip
        rows.append([(common | of_zone).get(name, "") for name in header])
    return header, rows


def _weight(text: str, units: str) -> str:
    """Return a weight as entered, with kg behind a bare figure of a metric shop: the log's head says lb."""
    lb, kg = (parse_quantity(text, "mass", unit)[0] for unit in ("lb", "kg"))
    bare = isinstance(lb, float) and isinstance(kg, float) and kg > lb
    return f"{text} kg" if bare and units == "metric" else text


def _completed(
    entry: JobEntry, header: tuple[str, ...], rows: list[list[str]], stored: list[dict[str, str]], words: Words
) -> list[list[str]]:
    """Return the entry's rows with what the book has where nothing was given, and the visit's other rows with them.

    A figure that a visit has once is changed on every row that carries it.
    """
    given = [{k: v for k, v in zip(header, row, strict=True) if v} for row in rows]
    if not entry.dated:
        given = [{k: v for k, v in row.items() if k != "date"} for row in given]
    changed = {k: v for k, v in given[0].items() if k in OF_VISIT}
    stored = [{k: _as_stored(k, v) for k, v in row.items()} for row in stored]
    known = {line_key(row): row for row in stored}
    shared = {k: next((row[k] for row in stored if row[k]), "") for k in OF_VISIT}
    merged = []
    for row in given:
        named = {"vehicle": "", **row, "zone": words.read("zone", row["zone"]) or row["zone"]}
        had = known.pop(line_key(named), {})
        merged.append({**shared, **had, **row, "zone": had.get("zone", row["zone"])})
    others = [{**row, **{k: v for k, v in changed.items() if row[k]}} for row in known.values()]
    return [[row.get(name, "") for name in header] for row in (*merged, *others)]


def _as_stored(column: str, cell: str) -> str:
    """Return a cell of the book so that a figure of it reads as it is, whatever sign for decimals was typed beside it.

    An exponent says so: it is never read in two ways, and proves nothing of how people write the others.
    """
    return f"{cell}e0" if column in _FIGURES and "." in cell and "e" not in cell else cell


def _chunks(rows: list[list[str]], n_rows: int) -> Iterator[RawChunk]:
    for start in range(0, len(rows), n_rows):
        block = rows[start : start + n_rows]
        yield RawChunk(list(range(start + 1, start + 1 + len(block))), [list(row) for row in block])


def _refused(reasons: tuple[ReasonTold, ...], way_out: str) -> RimebookError:
    """Return why a job was refused; `way_out` is the `--total` that a visit of the book would take."""
    own = [r for r in reasons if r.code != "visit-rejected"]
    main = own[0] if own else reasons[0]
    do = f"{main.hint[:1].upper()}{main.hint[1:]}."
    if main.code == "lines-contradict-total" and way_out:
        do = f"{do} The ticket has a total in the book: give the new one with the zones, such as {way_out}."
    return RimebookError(
        main.code, where=f"log, {main.column or 'the job'}", found=repr(main.example) if main.example else "nothing",
        expected="a job that the jobs log can take", do=f"{do} Nothing was recorded.",
    )  # fmt: skip
