"""How the text of a calendar event says what is booked."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pipeline.intake.heads import HeadTable
from pipeline.intake.texts import tidy, word_key

if TYPE_CHECKING:
    from pipeline.intake.words import Words

_ITEM: Final = re.compile(r"\s*(?:[,;+&/\n]|\band\b)\s*")
_KEY: Final = re.compile(r"\s*([^:\n]{1,40}?)\s*:\s*(.*?)\s*")
_OF_ZONE: Final = ("soil_level", "coating_removed")
_MOST_PARTS: Final = 4


@dataclass
class EventText:
    """What an event's text says.

    Attributes
    ----------
    fields : dict of bookings column to text
        What holds for the whole booking.
    zones : list of dict with zone, soil_level, coating_removed
    is_booking : bool
        False where neither a class nor a zone nor a booking number is named.
    """

    fields: dict[str, str] = field(default_factory=dict)
    zones: list[dict[str, str]] = field(default_factory=list)

    @property
    def is_booking(self) -> bool:
        """Whether the text says anything that a booking needs."""
        return bool(self.zones or self.fields.get("vehicle_class") or self.fields.get("booking_id"))


def read_event_text(summary: str, description: str, words: Words) -> EventText:
    """Return what the SUMMARY and DESCRIPTION of an event say.

    The grammar::

        SUMMARY      [anything:] [name] CLASS ZONES   or   CLASS: ZONES
        DESCRIPTION  lines "key: value", key a head of the bookings log in any known spelling; other lines are ignored
        ZONES        zone [soil], ...   parted by , ; + & / or "and"; the soil level may stand before or after the zone

    In the description each ``zone`` line starts a zone, and ``soil_level`` and ``coating_removed`` lines after it are
    that zone's; before any zone they hold for all. What the description says goes before the summary. So
    ``van: undercarriage heavy, engine bay`` is two zones of a van, the second of unknown soil.
    """
    said = _description(description, words)
    if "vehicle_class" in said.fields and said.zones:
        return said
    short = _summary(summary, words)
    if not said.is_booking and not (short.zones or short.fields):
        return EventText()
    return EventText(short.fields | said.fields, said.zones or short.zones)


def _description(text: str, words: Words) -> EventText:
    said = EventText()
    table = HeadTable("bookings", words)
    for line in text.splitlines():
        match = _KEY.fullmatch(line)
        meaning = table.read(match[1]) if match else None
        if match is None or meaning is None or not match[2]:
            continue
        name = meaning.column.name
        if name == "zone":
            said.zones.extend(_zones(match[2], words))
        elif name in _OF_ZONE and said.zones:
            said.zones[-1][name] = match[2]
        else:
            said.fields[name] = match[2]
    return said


def _summary(text: str, words: Words) -> EventText:
    said = EventText()
    head, colon, tail = text.rpartition(":")
    if colon and words.read("class", head):
        said.fields["vehicle_class"] = tidy(head)
        said.zones = _zones(tail, words)
        return said
    rest = tail if colon else text
    before, name, after = _find(rest, words)
    if name:
        said.fields["vehicle_class"] = name
        said.zones = _known(_zones(before, words), words) + _zones(after, words)
    else:
        said.zones = _known(_zones(rest, words), words)
    return said


def _find(text: str, words: Words) -> tuple[str, str, str]:
    """Return (text before, class as written, text after) for the longest class name in a text, else (text, '', '')."""
    parts = tidy(text).split(" ")
    for n in range(min(_MOST_PARTS, len(parts)), 0, -1):
        for i in range(len(parts) - n + 1):
            name = " ".join(parts[i : i + n]).strip(",;.()")
            if words.tables["class"].get(word_key(name)):
                return " ".join(parts[:i]), name, " ".join(parts[i + n :]).lstrip(",;-–: ")
    return text, "", ""


def _known(zones: list[dict[str, str]], words: Words) -> list[dict[str, str]]:
    return [zone for zone in zones if words.read("zone", zone["zone"])]


def _zones(text: str, words: Words) -> list[dict[str, str]]:
    """Return the zones of a list, each with the soil level written beside it ('' where none is)."""
    found = []
    if words.read("zone", text):
        return [{"zone": tidy(text)}]
    for item in _ITEM.split(text):
        plain = tidy(item.replace("(", " ").replace(")", " ").replace(":", " "))
        if not plain:
            continue
        zone, soil = _with_soil(plain, words)
        found.append({"zone": zone, "soil_level": soil} if soil else {"zone": zone})
    return found


def _with_soil(text: str, words: Words) -> tuple[str, str]:
    if words.tables["zone"].get(word_key(text)):
        return text, ""
    parts = text.split(" ")
    for n in range(1, min(3, len(parts))):
        for soil, zone in ((parts[-n:], parts[:-n]), (parts[:n], parts[n:])):
            key = word_key(" ".join(soil))
            if key in words.tables["soil"] and words.tables["zone"].get(word_key(" ".join(zone))):
                return " ".join(zone), " ".join(soil)
    return text, ""
