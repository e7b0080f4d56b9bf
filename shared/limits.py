"""Exposure limits, loaded in one place from `limits.toml`; a book may lower them and never raise them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Literal

from shared.errors import RimebookError, nearest

if TYPE_CHECKING:
    from collections.abc import Mapping

Kind = Literal["shift_average", "short_term", "peak"]
JURISDICTION_KEY = "jurisdiction"


@dataclass(frozen=True)
class Limit:
    """One limit.

    Attributes
    ----------
    key : str
        Its name under [limits], such as ``co2_8h_ppm``.
    kind : {"shift_average", "short_term", "peak"}
        What it is compared with.
    name : str
        For people.
    value : float
    unit : str
    jurisdiction : str
    standard : bool
        Whether it holds by default.
    in_force : bool
        False where it is a recommendation.
    source, date, seen : str
        The text, its date, and how its figure was checked.
    """

    key: str
    kind: Kind
    name: str
    value: float
    unit: str
    jurisdiction: str
    standard: bool
    in_force: bool
    source: str
    date: str
    seen: str


@cache
def published_limits() -> tuple[Limit, ...]:
    """Return every limit of the data file."""
    raw = tomllib.loads(files("shared").joinpath("limits.toml").read_text(encoding="utf-8"))
    return tuple(Limit(**{**entry, "value": float(entry["value"])}) for entry in raw["limit"])


def jurisdictions() -> tuple[str, ...]:
    """Return the names of all jurisdictions of the data file, the standard's first."""
    return tuple(dict.fromkeys(limit.jurisdiction for limit in published_limits()))


def limits_for(own: Mapping[str, float | str]) -> tuple[Limit, ...]:
    """Return the limits that hold for a book: the standard's, or lower ones of its jurisdiction or its own.

    Parameters
    ----------
    own : mapping
        The book's [limits]: lower values by key, and optionally ``jurisdiction``.

    Raises
    ------
    RimebookError
        For an unknown key or jurisdiction, a value that is not a positive number, or one above the standard's, which is
        named.
    """
    standard = [limit for limit in published_limits() if limit.standard]
    known = [*(limit.key for limit in standard), JURISDICTION_KEY]
    for key in own:
        if key not in known:
            raise _unknown(key, known)
    local = _local(own.get(JURISDICTION_KEY, ""))
    return tuple(_lowered(_lower(limit, local), own.get(limit.key)) for limit in standard)


def _local(named: float | str) -> list[Limit]:
    if named == "":
        return []
    word = str(named).strip().casefold()
    if word not in jurisdictions():
        raise RimebookError(
            "unknown-jurisdiction", where="book.toml, [limits] jurisdiction", found=f"`{named}`",
            expected=" or ".join(jurisdictions()), do="Write one of these, or enter your own lower limits by key.",
        )  # fmt: skip
    return [limit for limit in published_limits() if limit.jurisdiction == word]


def _lower(standard: Limit, local: list[Limit]) -> Limit:
    return min((standard, *(limit for limit in local if limit.key == standard.key)), key=lambda limit: limit.value)


def _lowered(limit: Limit, own: float | str | None) -> Limit:
    if own is None:
        return limit
    where = f"book.toml, [limits] {limit.key}"
    if isinstance(own, str) or not own > 0:
        raise RimebookError(
            "limit-not-a-number", where=where, found=f"`{own}`", expected="a number above 0",
            do=f"Write the lower limit in {limit.unit}.",
        )  # fmt: skip
    if own > limit.value:
        raise RimebookError(
            "limit-above-standard", where=where, found=f"{own:,g} {limit.unit}",
            expected=f"at most {limit.value:,g} {limit.unit}, the limit of {limit.source}",
            do="A book may lower a limit, never raise it. Lower the value or take the line out.",
        )  # fmt: skip
    return replace(limit, value=float(own), source=f"this book's [limits]; {limit.source} has {limit.value:,.0f}")


def _unknown(key: str, known: list[str]) -> RimebookError:
    close = nearest(key, known)
    return RimebookError(
        "unknown-limit", where="book.toml, [limits]", found=f"`{key}`", expected=", ".join(known),
        do=f"Did you mean `{close}`?" if close else "Use one of these keys or take the line out.",
    )  # fmt: skip


def limit_of(limits: tuple[Limit, ...], kind: Kind) -> Limit:
    """Return the limit of a kind."""
    return next(limit for limit in limits if limit.kind == kind)
