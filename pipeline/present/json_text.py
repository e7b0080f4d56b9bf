"""Answers as JSON: one envelope, finite numbers, keys that name their units."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from shared.version import VERSION

if TYPE_CHECKING:
    from pipeline.answers.answer import Answer
    from shared.errors import Problem


def plain(value: Any) -> Any:
    """Return a value as JSON knows it: dataclasses by field name, dates in ISO 8601, float keys as short decimals.

    A field named after a reserved word carries one more underscore, which is taken off: `try_` is "try".

    Raises
    ------
    TypeError
        Where a value has no JSON form.
    """
    kind = type(value)  # most values of a long answer are of these kinds
    if kind is float:
        return round(value, 6)
    if kind is str or kind is int or value is None:
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name.removesuffix("_"): plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict) or hasattr(value, "items"):
        return {f"{k:g}" if isinstance(k, float) else str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(v) for v in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return round(float(value), 6)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, str):
        return value
    if isinstance(value, datetime | date):
        return value.isoformat()
    raise TypeError(f"no JSON form for {type(value).__name__}")


def render_answer(command: str, book: str, today: date, answer: Answer[Any]) -> str:
    """Return the envelope of an answer as JSON text.

    Raises
    ------
    ValueError
        Where a number is not finite: JSON has no word for it, and an answer must not.
    """
    envelope = {
        "rimebook": VERSION, "command": command, "book": book, "today": today.isoformat(),
        "result": plain(answer.result), "warnings": list(answer.warnings), "cautions": list(answer.cautions),
    }  # fmt: skip
    return json.dumps(envelope, allow_nan=False, ensure_ascii=False)


def render_plain(value: Any) -> str:
    """Return a value as indented JSON text without an envelope."""
    return json.dumps(plain(value), allow_nan=False, ensure_ascii=False, indent=2)


def render_error(command: str, problem: Problem) -> str:
    """Return an error as one JSON object."""
    told = {"code": problem.code, "where": problem.where, "found": problem.found, "expected": problem.expected,
            "do": problem.do}  # fmt: skip
    return json.dumps({"rimebook": VERSION, "command": command, "error": told}, ensure_ascii=False)
