"""Writing what people keep: never over a file that is there, never half of one."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING

from shared.errors import RimebookError

if TYPE_CHECKING:
    from pathlib import Path


#: By this mark a page of ours is known again: in a line of its head, or in a PDF's identifier.
GENERATOR = "rimebook report"
#: Where it stands, at most.
_HEAD_BYTES = 4096


def made_by_us(file: Path) -> bool:
    """Tell whether a file is a report that this program wrote: such a one may be written anew, week by week."""
    mark = GENERATOR.encode()
    try:
        content = file.read_bytes()
    except OSError:
        return False
    if content.startswith(b"%PDF-"):
        return b"/ID [(" + mark in content
    return b'<meta name="generator" content="' + mark in content[:_HEAD_BYTES]


def check_output(file: Path, *, force: bool) -> None:
    """Refuse a file that is there already, or a place that cannot hold one, before any work is done.

    Raises
    ------
    RimebookError
    """
    if file.is_dir() or not file.name:
        raise RimebookError("file-is-folder", where=str(file), found="a folder", expected="the name of a file",
                            do="Add a file name, such as report.html.")  # fmt: skip
    if file.exists() and not force:
        raise RimebookError("file-exists", where=str(file), found="a file that is there already", expected="a new file",
                            do="Choose another name, or add --force to write over it.")  # fmt: skip
    if not file.parent.is_dir() or not os.access(file.parent, os.W_OK):
        raise _no_folder(file)


def _no_folder(file: Path) -> RimebookError:
    found = "no such folder" if not file.parent.is_dir() else "a folder this user may not write in"
    return RimebookError("file-not-writable", where=str(file.parent), found=found, expected="a folder to write in",
                         do="Make the folder or choose another place.")  # fmt: skip


def write_whole(file: Path, content: bytes) -> None:
    """Write a file beside its place and move it there in one step.

    Raises
    ------
    RimebookError
        Where it cannot be written; what was there before stays as it was.
    """
    part = file.with_name(f"{file.name}.{os.getpid()}.part")
    try:
        part.write_bytes(content)
        os.replace(part, file)
    except OSError as error:
        if not file.parent.is_dir():
            raise _no_folder(file) from error
        raise RimebookError("file-not-writable", where=str(file), found=error.strerror or str(error),
                            expected="a file this user may write", do="Choose another place.") from error  # fmt: skip
    finally:
        # Where its folder is a file the part cannot even be looked for; that must not hide the error told above.
        with suppress(OSError):
            part.unlink(missing_ok=True)
