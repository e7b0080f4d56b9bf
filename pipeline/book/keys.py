"""Declared keys of `book.toml`: each carries its default, its meaning and its check, from which the commented
template, the loader and the messages are all made."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from shared.vocabulary import WEEKDAYS

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True)
class Check:
    """One declared key: how a TOML value becomes ours, and how its default is shown.

    Attributes
    ----------
    doc : str
        One line for the template.
    expected : str
        What may stand there, for messages.
    read : callable
        Takes the TOML value, returns ours; raises ValueError where it may not stand there.
    shown : str
        The default as TOML text.
    """

    doc: str
    expected: str
    read: Callable[[Any], Any]
    shown: str


def _declare(default: Any, check: Check) -> Any:
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata={"check": check})
    return field(default=default, metadata={"check": check})


def number(default: float | None, doc: str, *, low: float = 0.0, high: float = 1e7, shown: str = "") -> Any:
    """Declare a number in [low, high]; a None default means 'not set'."""

    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= float(value) <= high:
            raise ValueError
        return float(value)

    text = shown or ("" if default is None else f"{default:g}")
    return _declare(default, Check(doc, f"a number from {low:g} to {high:g}", read, text))


def whole(default: int, doc: str, *, low: int = 0, high: int = 1_000_000) -> Any:
    """Declare a whole number in [low, high]."""

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError
        return value

    return _declare(default, Check(doc, f"a whole number from {low} to {high}", read, str(default)))


def text(default: str, doc: str, *, choices: tuple[str, ...] = (), most: int = 500) -> Any:
    """Declare a text of at most `most` characters, or one of `choices`."""

    def read(value: Any) -> str:
        if not isinstance(value, str) or len(value) > most or (choices and value not in choices):
            raise ValueError
        return value

    expected = " or ".join(f'"{c}"' for c in choices) if choices else f"a text in quotes, at most {most} characters"
    return _declare(default, Check(doc, expected, read, f'"{default}"'))


def yes_no(default: bool, doc: str) -> Any:
    """Declare true or false."""

    def read(value: Any) -> bool:
        if not isinstance(value, bool):
            raise ValueError
        return value

    return _declare(default, Check(doc, "true or false", read, "true" if default else "false"))


def as_date(value: Any) -> date:
    """Return a date from a TOML date or an ISO 8601 text; raises ValueError otherwise."""
    if isinstance(value, date) and type(value) is date:
        return value
    if isinstance(value, str):
        return date.fromisoformat(value)
    raise ValueError


def one_day(doc: str) -> Any:
    """Declare a date that may be left empty."""
    return _declare(None, Check(doc, 'a date such as "2026-06-30"', lambda v: None if v == "" else as_date(v), '""'))


def several_days(doc: str) -> Any:
    """Declare a list of dates."""

    def read(value: Any) -> tuple[date, ...]:
        if not isinstance(value, list):
            raise ValueError
        return tuple(as_date(v) for v in value)

    return _declare((), Check(doc, 'a list of dates such as ["2026-12-25"]', read, "[]"))


def weekdays(default: tuple[str, ...], doc: str) -> Any:
    """Declare a list of weekdays."""

    def read(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or any(v not in WEEKDAYS for v in value):
            raise ValueError
        return tuple(sorted(set(value), key=WEEKDAYS.index))

    shown = "[" + ", ".join(f'"{d}"' for d in default) + "]"
    return _declare(default, Check(doc, 'a list of "mon" .. "sun"', read, shown))


def shaped(default: Any, doc: str, expected: str, read: Callable[[Any], Any], shown: str) -> Any:
    """Declare a key of a shape of its own."""
    return _declare(default, Check(doc, expected, read, shown))
