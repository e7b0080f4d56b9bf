"""The air of every bay on the busiest booked day: what was answered, which bay was not and why, what goes with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.answers.safety import busiest_booked_day, safety
from pipeline.answers.safety_answer import SafetyQuestion
from pipeline.answers.safety_notes import PIT_NOTE, exceeded_notes
from shared.errors import RimebookError

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import date

    from pipeline.answers.answer import Answer, Asking
    from pipeline.answers.safety_answer import SafetyResult


@dataclass(frozen=True)
class BayUnchecked:
    """A bay whose air has no answer, and why."""

    bay: str
    why: str


@dataclass(frozen=True)
class AirNote:
    """What must be said beside the figures of these bays."""

    bays: tuple[str, ...]
    text: str


@dataclass(frozen=True)
class AirDay:
    """The busiest booked day, with the answer of each bay that has one.

    Attributes
    ----------
    day : date
    bays : tuple of Answer
        Empty where no bay could be checked.
    unchecked : tuple of BayUnchecked
    notes : tuple of AirNote
        Each once; the chances of passing a limit are told by the figures and left out.
    """

    day: date
    bays: tuple[Answer[SafetyResult], ...]
    unchecked: tuple[BayUnchecked, ...]
    notes: tuple[AirNote, ...]


def air_day(asking: Asking, said: Collection[str]) -> tuple[AirDay | None, str]:
    """Return the air of the busiest booked day, or None and what to enter or log.

    Parameters
    ----------
    said : collection of str
        What is said elsewhere and needs no note here.
    """
    bays = asking.book.settings.bays
    if not bays:
        return None, "Enter the bay's length, width, height and its fresh air under [bays.NAME] in book.toml."
    day = busiest_booked_day(asking)
    if day is None:
        return None, "Nothing is booked from today on: log bookings (`rimebook import FILE`) to see that day's air."
    told: list[Answer[SafetyResult]] = []
    unchecked: list[BayUnchecked] = []
    noted: dict[str, list[str]] = {}
    for name, bay in bays.items():
        try:
            answer = safety(asking, SafetyQuestion(bay=name, day=day))
        except RimebookError as error:
            unchecked.append(BayUnchecked(name, error.problem.sentence().removeprefix(f"bay `{name}`: ")))
            notes = [PIT_NOTE] if bay.pit else []
        else:
            told.append(answer)
            by_figures = exceeded_notes(answer.result)
            notes = [w for w in answer.warnings if w not in by_figures]
        for note in notes:
            if note not in said:
                noted.setdefault(note, []).append(name)
    notes_of = tuple(AirNote(tuple(names), note) for note, names in noted.items())
    return AirDay(day, tuple(told), tuple(unchecked), notes_of), ""
