"""The progress bar of long work."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress


def bar() -> Progress:
    """Return a progress bar that draws on stderr and disappears when it is done."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True, highlight=False)
    return Progress(
        TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn(),
        console=console, transient=True,
    )  # fmt: skip
