"""The bay or vehicle a safety question is about: its volume, its measured air, and what is refused as impossible."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from models.air.gas import gas_ft3_per_lb
from models.air.room import Room
from pipeline.answers import amounts
from pipeline.answers.requests import spellings
from shared.errors import RimebookError, nearest

if TYPE_CHECKING:
    from pipeline.book.settings import Bay, Settings

#: Beyond this no room is aired; figures above it are slips of unit or decimal.
MOST_AIR_CHANGES = 200.0
#: In a space of less than so many ft3 a common blower reaches more.
_SMALL_FT3, _MOST_CHANGES_SMALL = 1000.0, 2000.0
#: Load space of a closed van in ft3; a planning value from memory, no source.
VAN_FT3 = 250.0
#: Name of a closed vehicle as the space of an answer.
VAN = "closed vehicle"
ROOM_F = 70.0
#: Two figures for the same air are one where they differ by no more than this share of the larger.
_ALIKE_SHARE = 0.1


@dataclass(frozen=True)
class Space:
    """A bay as far as it is known; None where nobody entered it.

    Attributes
    ----------
    name : str
    length_ft, width_ft, height_ft : float or None
        Inside.
    air_changes_per_hour, flow_cfm : float or None
        Outdoor air; where both are known the smaller counts. With neither there is no ventilation.
    mixing_share : float
        Share of that air that mixes, in (0, 1].
    altitude_ft, temperature_f : float
    noise_dba : float or None
        Level at the ear while blasting.
    pit : bool
    door_flow_cfm : float or None
        Flow measured through the open door.
    doors_open : bool
        Whether the door stands open all the time; without a measured flow it earns no credit.
    """

    name: str
    length_ft: float | None = None
    width_ft: float | None = None
    height_ft: float | None = None
    air_changes_per_hour: float | None = None
    flow_cfm: float | None = None
    mixing_share: float = 1.0
    altitude_ft: float = 0.0
    temperature_f: float = ROOM_F
    noise_dba: float | None = None
    pit: bool = False
    door_flow_cfm: float | None = None
    doors_open: bool = False

    @property
    def volume_ft3(self) -> float | None:
        """The volume, None while a dimension is missing."""
        sides = (self.length_ft, self.width_ft, self.height_ft)
        if None in sides:
            return None
        return float(sides[0] or 0) * float(sides[1] or 0) * float(sides[2] or 0)

    @property
    def air_cfm(self) -> float:
        """Outdoor air that counts, before mixing: the least of what is entered, and an open door's measured flow."""
        entered = [air for air in (self.flow_cfm, self._changes_cfm) if air is not None]
        return min(entered, default=0.0) + (self.door_flow_cfm or 0.0 if self.doors_open else 0.0)

    @property
    def two_airs_cfm(self) -> tuple[float, float] | None:
        """The air by changes an hour and the flow, where both are entered and they disagree."""
        if self.flow_cfm is None or self._changes_cfm is None:
            return None
        low, high = sorted((self._changes_cfm, self.flow_cfm))
        return None if high - low <= _ALIKE_SHARE * high else (self._changes_cfm, self.flow_cfm)

    @property
    def _changes_cfm(self) -> float | None:
        if self.air_changes_per_hour is None:
            return None
        return self.air_changes_per_hour * (self.volume_ft3 or 0.0) / 60.0


@dataclass(frozen=True)
class SpaceAsked:
    """What a question says of the space itself; None leaves what the book's bay says."""

    length_ft: float | None = None
    width_ft: float | None = None
    height_ft: float | None = None
    air_changes_per_hour: float | None = None
    flow_cfm: float | None = None
    mixing_share: float | None = None
    altitude_ft: float | None = None
    temperature_f: float | None = None
    noise_dba: float | None = None
    door_flow_cfm: float | None = None
    doors_open: bool = False


def bay_space(name: str, bay: Bay) -> Space:
    """Return a bay of the book as a space."""
    return Space(
        name=name, length_ft=bay.length_ft, width_ft=bay.width_ft, height_ft=bay.height_ft,
        air_changes_per_hour=bay.air_changes_per_hour, flow_cfm=bay.flow_cfm, mixing_share=bay.mixing_share,
        altitude_ft=bay.altitude_ft, noise_dba=bay.noise_dba, pit=bay.pit,
    )  # fmt: skip


def asked_space(settings: Settings, bay: str | None, asked: SpaceAsked, *, van: bool = False) -> Space:
    """Return the space a question is about, checked.

    Parameters
    ----------
    settings : Settings
    bay : str or None
        A bay's name; None takes the dimensions asked, else the book's only bay.
    asked : SpaceAsked
        Overrides; air asked for replaces the bay's air whole.
    van : bool
        A closed vehicle that carries ice: 250 ft3 and no air where nothing else is asked. Such a space, and one that is
        given by its sides alone, stands as high above the sea as the highest of the book's bays.

    Raises
    ------
    RimebookError
        For an unknown bay, missing or zero dimensions, impossible air.
    """
    given = {k: v for k, v in vars(asked).items() if v is not None}
    altitude = max((own.altitude_ft for own in settings.bays.values()), default=0.0)
    if van:
        base = Space(VAN, length_ft=VAN_FT3 / 25.0, width_ft=5.0, height_ft=5.0, altitude_ft=altitude)
    elif bay is None and {"length_ft", "width_ft", "height_ft"} & set(given):
        base = Space("as entered", altitude_ft=altitude)
    else:
        base = _named(settings, bay)
    if asked.air_changes_per_hour is not None or asked.flow_cfm is not None:
        base = replace(base, air_changes_per_hour=None, flow_cfm=None)
    space = replace(base, **given)
    _check(space)
    return space


def two_airs_note(space: Space, units: str) -> str | None:
    """Return what must be said of a bay with two figures for its air that disagree, None where there is no such."""
    if space.two_airs_cfm is None:
        return None
    changes, flow = (amounts.flow(cfm, units) for cfm in space.two_airs_cfm)
    return (
        f"Two figures for the fresh air of `{space.name}` disagree: its air changes ({space.air_changes_per_hour:g} an "
        f"hour) are {changes}, its flow is {flow}. The smaller, {amounts.flow(min(space.two_airs_cfm), units)}, "
        "counts. Measure again and leave only what was measured in book.toml."
    )


def _named(settings: Settings, bay: str | None) -> Space:
    bays = settings.bays
    if bay is None and len(bays) == 1:
        name, only = next(iter(bays.items()))
        return bay_space(name, only)
    if bay is None:
        raise RimebookError(
            "no-bay", where="command line", found="no --bay and no dimensions",
            expected="--bay NAME, or --length-ft, --width-ft and --height-ft with --air-changes or --flow-cfm",
            do=f"The book has: {', '.join(bays)}." if bays else "Add [bays.NAME] to book.toml, or give the dimensions.",
        )  # fmt: skip
    by_fold = spellings(bays)
    asked = bay.strip()
    key = asked.casefold()
    if key not in by_fold:
        close = nearest(key, list(bays))
        raise RimebookError(
            "unknown-bay", where="--bay", found=f"`{bay}`",
            expected=f"one of {', '.join(bays)}" if bays else "a bay of book.toml",
            do=f"Did you mean `{close}`?" if close else f"Add [bays.{asked}] to book.toml, or give the dimensions.",
        )  # fmt: skip
    return bay_space(by_fold[key], bays[by_fold[key]])


def _check(space: Space) -> None:
    where = f"bay `{space.name}`"
    sides = {"length": space.length_ft, "width": space.width_ft, "height": space.height_ft}
    missing = [name for name, side in sides.items() if side is None]
    if missing:
        raise RimebookError(
            "bay-without-size", where=where, found=f"no {' or '.join(missing)}",
            expected="length, width and height in ft", do="Enter them in book.toml or as options.",
        )  # fmt: skip
    volume = space.volume_ft3 or 0.0
    if not 1.0 <= volume < float("inf") or min(side or 0.0 for side in sides.values()) <= 0:
        raise RimebookError(
            "bay-no-volume", where=where, found=" x ".join(f"{side or 0:g}" for side in sides.values()) + " ft",
            expected="three sides above 0 ft", do="Measure the inside of the bay.",
        )  # fmt: skip
    changes = space.air_cfm * 60.0 / volume
    most = MOST_AIR_CHANGES if volume >= _SMALL_FT3 else _MOST_CHANGES_SMALL
    possible = changes == 0 or 1e-6 <= changes <= most
    if not possible or min(space.flow_cfm or 0, space.air_changes_per_hour or 0) < 0:
        found = f"{changes:.3g}" if changes < 1 else f"{changes:,.0f}"
        raise RimebookError(
            "impossible-air", where=where, found=f"{found} air changes an hour",
            expected=f"0 to {most:,.0f}", do="Check the unit: cubic feet a minute, or changes an hour.",
        )  # fmt: skip
    if not 0 < space.mixing_share <= 1:
        raise RimebookError(
            "impossible-mixing", where=where, found=f"{space.mixing_share:g}", expected="a share above 0, at most 1",
            do="1 is air that mixes fully; 0.5 where half of it leaves unmixed.",
        )  # fmt: skip


def room_of(space: Space) -> Room:
    """Return the checked space as a well-mixed room."""
    return Room(
        volume_ft3=space.volume_ft3 or 0.0,
        flow_cfm=space.air_cfm,
        gas_ft3_lb=gas_ft3_per_lb(space.temperature_f, space.altitude_ft),
        mixing_share=space.mixing_share,
    )
