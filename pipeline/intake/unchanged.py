"""A file must stay as it was while it is read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shared.errors import RimebookError

if TYPE_CHECKING:
    from pathlib import Path


class Unchanged:
    """Remembers a file's size and time of change when it was opened.

    Raises (from `check`)
    ---------------------
    RimebookError
        ``file-changed`` where either differs or the file is gone.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._before = self._state()

    def check(self) -> None:
        """Raise where the file is no longer as it was."""
        if self._state() != self._before:
            raise RimebookError(
                "file-changed",
                where=str(self._path),
                found="the file changed while it was read",
                expected="a file that stays as it is",
                do="Save and close it in the other program, then import again.",
            )

    def _state(self) -> tuple[int, int, int] | None:
        try:
            stat = self._path.stat()
        except FileNotFoundError:
            return None
        return stat.st_size, stat.st_mtime_ns, stat.st_ino
