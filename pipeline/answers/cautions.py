"""The caution block of an answer, chosen by its command and the zones at hand."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from shared.vocabulary import ZONES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.book.settings import Settings


@dataclass(frozen=True)
class Caution:
    """One caution of the data file; `zones` is empty where it holds for all, `coating` adds stripped coatings.

    `short` says it in one line, '' where it has no short form.
    """

    key: str
    commands: tuple[str, ...]
    zones: tuple[str, ...]
    text: str
    source: str
    coating: bool = False
    short: str = ""


@cache
def all_cautions() -> tuple[Caution, ...]:
    """Return every caution of `cautions.toml`, in its order."""
    raw = tomllib.loads(files("pipeline.answers").joinpath("cautions.toml").read_text(encoding="utf-8"))
    return tuple(
        Caution(**{**entry, "commands": tuple(entry["commands"]), "zones": tuple(entry["zones"])})
        for entry in raw["caution"]
    )


def cautions_for(
    command: str, zones: Iterable[str] = (), *, settings: Settings | None = None, coating_removed: bool = False
) -> list[str]:
    """Return the cautions of an answer, in order; the last one defers to local codes, data sheet and licensed practice.

    Parameters
    ----------
    command : str
        estimate, quote, order, report or safety; technique, for tips on settings and equipment; others have no block.
    zones : iterable of str
        Zones at hand. A zone of the book's own counts as the one it is like; an unknown one, and a report without
        zones, as all of them.
    settings : Settings, optional
        For the book's own zones.
    coating_removed : bool
        Whether an old coating is stripped.
    """
    worked = _known_zones(zones, settings)
    if command == "report" and not worked:
        worked = set(ZONES)
    return [
        caution.text
        for caution in all_cautions()
        if command in caution.commands
        and (not caution.zones or worked & set(caution.zones) or (caution.coating and coating_removed))
    ]


def in_short(texts: Iterable[str]) -> list[str]:
    """Return each caution in one line where it has a short form, else as it is; none is left out."""
    shorts = {caution.text: caution.short for caution in all_cautions()}
    return [shorts.get(text) or text for text in texts]


def _known_zones(zones: Iterable[str], settings: Settings | None) -> set[str]:
    own = settings.words.zones if settings is not None else {}
    worked: set[str] = set()
    for zone in zones:
        like = own[zone].like if zone in own else zone
        worked |= {like} if like in ZONES else set(ZONES)
    return worked
