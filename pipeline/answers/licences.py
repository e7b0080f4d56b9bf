"""The packages this program stands on, with their licences, read off what is installed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import metadata
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from email.message import Message


@dataclass(frozen=True)
class Package:
    """An installed package."""

    name: str
    version: str
    licence: str


@dataclass(frozen=True)
class Licences:
    """Every package that the program needs, directly or through another, by name."""

    packages: tuple[Package, ...]


def licences(root: str = "rimebook") -> Licences:
    """Return the packages that `root` needs where it is installed; optional extras are left out."""
    waiting, found = [root], dict[str, Package]()
    while waiting:
        name = waiting.pop()
        try:
            about = metadata.distribution(name)
        except metadata.PackageNotFoundError:
            continue  # needed on another system or Python only
        key = re.sub(r"[-_.]+", "-", about.metadata["Name"]).lower()
        if key in found:
            continue
        found[key] = Package(about.metadata["Name"], about.version, _licence(cast("Message", about.metadata)))
        waiting += [
            re.split(r"[\s;<>=!~\[(]", need, maxsplit=1)[0] for need in about.requires or [] if "extra ==" not in need
        ]
    own = re.sub(r"[-_.]+", "-", root).lower()
    return Licences(tuple(p for k, p in sorted(found.items()) if k != own))


def _licence(about: Message) -> str:
    stated = about.get("License-Expression")
    if stated:
        return str(stated)
    named = [c.rsplit(" :: ", 1)[-1] for c in about.get_all("Classifier") or [] if c.startswith("License ::")]
    if named:
        return ", ".join(named)
    lines = str(about.get("License") or "").strip().splitlines()
    return lines[0][:60] if lines else "not stated"
