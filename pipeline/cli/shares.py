"""Options that are a share of one, such as --done: 0.33 or 33%."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any, Final

import typer

from shared.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

_SHARE: Final = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+))\s*(%|percent|pct)?\s*", re.IGNORECASE)


def share_option(name: str, help_text: str, *, low: float = -math.inf, high: float = math.inf) -> Any:
    """Return the declaration of an option that is read by `share_of`."""
    return typer.Option(name, metavar="SHARE", parser=share_of(name, low=low, high=high), help=help_text)


def share_of(option: str, *, low: float, high: float) -> Callable[[str | float], float]:
    """Return a reader of one option's text as a share, both bounds included; a percentage says so."""

    def read(text: str | float) -> float:
        if isinstance(text, float):  # a default, which stands as it is
            return text
        match = _SHARE.fullmatch(text)
        if not match:
            raise UsageError("no-number", where=option, found=f"`{text}`", expected="a share, such as 0.33 or 33%",
                             do="Write one figure, with a point where it has decimals.")  # fmt: skip
        value = float(match[1])
        share = value / 100 if match[2] else value
        if not low <= share <= high:
            meant = not match[2] and value > 1 and low <= value / 100 <= high
            raise UsageError("out-of-range", where=option, found=f"`{text}`", expected=f"{low:g} to {high:g}",
                             do=f"Write {option} {value:g}%." if meant else "Check the figure.")  # fmt: skip
        return share

    return read
