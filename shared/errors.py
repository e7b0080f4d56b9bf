"""Errors a user can read: where, what was found, what was expected, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: Problems of one kind told at once; the rest are counted.
MOST_TOLD: Final = 10


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, in four answers and a machine-readable code.

    Attributes
    ----------
    code : str
        Short kebab-case code, stable between versions.
    where : str
        File, line, key or option in which it was found.
    found, expected, do : str
        What stood there, what may stand there, and the next step for the user.
    """

    code: str
    where: str
    found: str
    expected: str
    do: str

    def sentence(self) -> str:
        """Return the four answers as one readable paragraph."""
        return f"{self.where}: found {self.found}; expected {self.expected}. {self.do}"


class RimebookError(Exception):
    """A problem the user can fix (exit code 1); it carries a `Problem` and never a traceback to the user."""

    exit_code = 1

    def __init__(self, code: str, *, where: str, found: str, expected: str, do: str) -> None:
        self.problem = Problem(code, where, found, expected, do)
        super().__init__(self.problem.sentence())


class UsageError(RimebookError):
    """The command was called in a way it does not take (exit code 2)."""

    exit_code = 2


def nearest(word: str, known: list[str] | tuple[str, ...], *, cutoff: float = 0.6) -> str | None:
    """Return the known word closest in spelling to `word`, or None when none is close.

    Uses difflib's ratio (standard library); `cutoff` is in 0..1. A suggestion for a message only: nothing is
    accepted on its strength.
    """
    from difflib import get_close_matches

    folded = {k.casefold(): k for k in known}
    match = get_close_matches(word.casefold(), list(folded), n=1, cutoff=cutoff)
    return folded[match[0]] if match else None
