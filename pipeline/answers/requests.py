"""Jobs that are asked about: one from the command line's words, as a job table with nothing observed."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import numpy as np

from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from pipeline.intake.book_words import words_of
from shared.errors import RimebookError, UsageError
from shared.vocabulary import UNKNOWN, soil_code

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from models.consumption.fitted import FittedModel
    from pipeline.book.settings import Settings
    from pipeline.intake.words import Group, Words

#: The name of a job that was asked about by options alone.
ASKED_ID = "asked"


@dataclass(frozen=True)
class LineAsked:
    """One zone of a job that is asked about; soil '' or 'unknown' where nobody has seen it.

    `vehicle` tells the vehicles of one visit apart, '' where there is one.
    """

    vehicle_class: str
    zone: str
    soil_level: str = ""
    coating_removed: bool = False
    machine: str = ""
    operator: str = ""
    settings: Mapping[str, float] = field(default_factory=dict)
    vehicle: str = ""


class OfVehicle(Protocol):
    """A line that says whose it is."""

    @property
    def vehicle_class(self) -> str:
        """The book's word for it."""

    @property
    def vehicle(self) -> str:
        """What tells the vehicles of one visit apart, '' where there is one."""


def several_vehicles(lines: Sequence[OfVehicle]) -> bool:
    """Return whether the lines of a visit are of more than one vehicle."""
    return len({(line.vehicle_class, line.vehicle) for line in lines}) > 1


@dataclass(frozen=True)
class JobAsked:
    """A job that is asked about: its id, the day it will be done, and its lines in the order given."""

    job_id: str
    day: date
    lines: tuple[LineAsked, ...]
    customer: str = ""


def _read_word(words: Words, group: Group, text: str, option: str) -> str:
    found = words.read(group, text)
    if found:
        return found
    near = words.suggest(group, text)
    known = ", ".join(words.canonical(group))
    own = "Add it under [words] in book.toml if it is the shop's own."
    if group == "soil":  # the levels are fixed: a shop's own word can only mean one of them
        own = 'Say in book.toml, under [words], which of them it is: aliases = { word = "one of these" }.'
    raise RimebookError(
        f"unknown-{group}", where=option, found=f"`{text}`" if text.strip() else "nothing", expected=f"one of {known}",
        do=f"Did you mean `{near}`?" if near else own,
    )  # fmt: skip


def read_zone_option(words: Words, text: str, option: str = "--zone") -> tuple[tuple[str, ...], str]:
    """Return the zones and the soil level of an option such as `undercarriage:heavy`; a package gives its zones.

    Parameters
    ----------
    option : str
        Under which it was given.

    Raises
    ------
    RimebookError
        Where the zone or the soil level is no known word (the nearest one is named), or where several stand in one.
    """
    where = f"{option} {text}"
    zone_text, soil_text = (part.rstrip(", ") for part in text.partition(":")[::2])
    try:
        zone = _read_word(words, "zone", zone_text, where)
        soil = _read_word(words, "soil", soil_text, where) if soil_text else UNKNOWN
    except RimebookError:
        _refuse_odd(words, text, option)
        raise
    return words.zones_of(zone), soil


def _refuse_odd(words: Words, text: str, option: str) -> None:
    """Refuse several zones in one option, and a soil level or a figure behind an equals sign; tell how to write them.

    Raises
    ------
    RimebookError
    """
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if len(parts) <= 1 and "=" not in text:
        return
    meant = [_as_option(words, part) for part in parts]
    do = "Write " + " ".join(f"{option} {shlex.quote(part)}" for part in meant) + "."
    raise RimebookError(
        "odd-zone", where=f"{option} {text}", found=f"`{text}`", expected="ZONE or ZONE:SOIL, one in each option",
        do=do if all(meant) else "For example: --zone undercarriage:heavy --zone engine_bay",
    )  # fmt: skip


def _as_option(words: Words, text: str) -> str:
    """Return what an oddly written zone most likely means, as an option takes it; blank where nobody can tell."""
    zone, _, rest = text.replace("=", ":").partition(":")
    if not words.read("zone", zone):
        return ""
    soil = next((part.strip() for part in rest.split(":") if words.read("soil", part)), "")
    return zone.strip() + (f":{soil}" if soil else "")


def job_from_options(
    settings: Settings,
    *,
    vehicle: str,
    zones: Sequence[str],
    day: date,
    coating_removed: bool = False,
    machine: str = "",
    operator: str = "",
    customer: str = "",
    technique: Mapping[str, float] | None = None,
) -> JobAsked:
    """Return the job that the options of `estimate` and `quote` describe.

    Raises
    ------
    UsageError
        Where vehicle or zone is missing or a zone comes twice.
    RimebookError
        Where a word is not known.
    """
    if not vehicle or not zones:
        raise UsageError(
            "nothing-asked", where="command line", found="no --vehicle" if not vehicle else "no --zone",
            expected="--vehicle CLASS with one or more --zone ZONE:SOIL, or --jobs FILE",
            do="For example: --vehicle van --zone undercarriage:heavy --zone engine_bay",
        )  # fmt: skip
    words = words_of(settings)
    vehicle_class = _read_word(words, "class", vehicle, "--vehicle")
    lines: list[LineAsked] = []
    for text in zones:
        expanded, soil = read_zone_option(words, text)
        for zone in expanded:
            if any(line.zone == zone for line in lines):
                raise UsageError(
                    "zone-twice", where=f"--zone {text}", found=f"{zone} a second time", expected="each zone once",
                    do="Leave one of them out.",
                )  # fmt: skip
            lines.append(LineAsked(vehicle_class, zone, soil, coating_removed, machine.strip(), operator.strip(),
                                   dict(technique or {})))  # fmt: skip
    return JobAsked(ASKED_ID, day, tuple(lines), customer.strip())


def known_codes(fitted: FittedModel) -> dict[str, Sequence[str]]:
    """Return the codes of machines and operators that the history has, for `request_table`."""
    return {column: fitted.columns.blocks[column] for column in ("machine", "operator")}


def spellings(codes: Iterable[str]) -> dict[str, str]:
    """Return how the history spells its codes of machines or operators, by their case-folded form."""
    return {code.casefold(): code for code in codes}


def as_logged(text: str, spelt: Mapping[str, str]) -> str:
    """Return a code in the spelling of `spellings`, the text itself where it has none."""
    return spelt.get(text.casefold(), text)


def asked_table(fitted: FittedModel, jobs: Sequence[JobAsked]) -> JobTable:
    """Return jobs that are asked about as a table whose machines and operators are those that a fit knows."""
    return request_table(jobs, known_codes(fitted))


def request_table(jobs: Sequence[JobAsked], known: Mapping[str, Sequence[str]] | None = None) -> JobTable:
    """Return jobs that are asked about as a job table with nothing observed; the order is kept.

    Parameters
    ----------
    jobs : sequence of JobAsked
    known : mapping of "machine" and "operator" to the history's codes, optional
        Codes are compared case-folded and take the history's spelling; one that it does not have is a newcomer.
    """
    codes = known or {}
    machines, operators = (spellings(codes.get(column, ())) for column in ("machine", "operator"))
    lines = [line for job in jobs for line in job.lines]
    n = len(lines)
    settings = {
        name: np.array([line.settings.get(name, np.nan) for line in lines], dtype=np.float64) for name in SETTINGS
    }
    return JobTable(
        job_id=tuple(job.job_id for job in jobs),
        day=np.array([job.day.toordinal() for job in jobs], dtype=np.int64),
        customer=Factor.of(job.customer for job in jobs),
        ambient_f=np.full(len(jobs), np.nan),
        line_job=np.repeat(np.arange(len(jobs)), [len(job.lines) for job in jobs]).astype(np.int64),
        vehicle_class=Factor.of(line.vehicle_class for line in lines),
        zone=Factor.of(line.zone for line in lines),
        machine=Factor.of(as_logged(line.machine, machines) for line in lines),
        operator=Factor.of(as_logged(line.operator, operators) for line in lines),
        soil=np.array([soil_code(line.soil_level) for line in lines], dtype=np.int64),
        coating_removed=np.array([line.coating_removed for line in lines], dtype=np.bool_),
        settings=settings,
        pellets=Observed.nothing(n),
        minutes=Observed.nothing(n),
    )
