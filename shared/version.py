"""The version of the program, as the package metadata states it."""

from __future__ import annotations

from typing import Final

VERSION: Final = "0.2.0"
