"""Counted things in words."""

from __future__ import annotations


def counted(n: int, what: str) -> str:
    """Return a number of things, '1 past job' or '1,685 past jobs'; `what` is one of them, with a plain plural."""
    return f"{n:,} {what}{'' if n == 1 else 's'}"
