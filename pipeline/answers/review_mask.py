"""Masking operators: the same letter for the same person, in every answer from the same book."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from models.consumption.jobs import JobTable

Told = TypeVar("Told")


def _letters(n: int) -> str:
    """Return A, B, ..., Z, AA, AB, ..."""
    text = ""
    n += 1
    while n:
        n, rest = divmod(n - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def masks(table: JobTable) -> dict[str, str]:
    """Return each operator's mask, in order of first job (then code), so that newcomers move nobody's letter."""
    day = table.day[table.line_job]
    first = {
        name: int(day[table.operator.codes == code].min())
        for code, name in enumerate(table.operator.names)
        if np.any(table.operator.codes == code)
    }
    ordered = sorted(first, key=lambda name: (first[name], name))
    return {name: f"Operator {_letters(i)}" for i, name in enumerate(ordered)}


def mask_result(told: Told, codes: Mapping[str, str]) -> Told:
    """Return an answer with every operator code in its texts replaced by its mask.

    Fields that hold codes alone, with commas between several, are replaced where they speak of an operator; in
    sentences a code is replaced where it follows the word operator.
    """
    # The longest first: a code may begin with another one.
    any_code = "|".join(re.escape(code) for code in sorted(codes, key=lambda code: (-len(code), code)))
    spoken = re.compile(rf"\boperator ({any_code})(?!\w)") if codes else None
    # A code may hold a comma itself, so a list of codes is not taken apart at its commas.
    listed = re.compile(rf"(?:^|(?<=, ))({any_code})(?=, |$)") if codes else None
    masked: Told = _masked(told, codes, spoken, listed, alone=False)
    return masked


def _masked(
    value: Any, codes: Mapping[str, str], spoken: re.Pattern[str] | None, listed: re.Pattern[str] | None, *, alone: bool
) -> Any:
    if isinstance(value, tuple):
        return tuple(_masked(v, codes, spoken, listed, alone=alone) for v in value)
    if isinstance(value, str):
        pattern = listed if alone else spoken
        return pattern.sub(lambda m: codes[m[1]], value) if pattern else value
    if not is_dataclass(value) or isinstance(value, type):
        return value
    speaks = getattr(value, "kind", "").startswith("operator") or getattr(value, "of", "") == "operator"
    changed = {}
    for f in fields(value):
        part = getattr(value, f.name)
        own = f.name == "operator" or (f.name == "name" and speaks)
        changed[f.name] = part if f.name in ("kind", "of") else _masked(part, codes, spoken, listed, alone=own)
    return replace(value, **changed)
