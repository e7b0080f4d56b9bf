"""Texts and bytes drawn at random, and sound files with bytes changed: only a `RimebookError` may come out."""

from __future__ import annotations

import contextlib
import importlib.util
import random
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared.errors import RimebookError


def _fuzz() -> ModuleType:
    spec = importlib.util.spec_from_file_location("trust_fuzz", Path(__file__).parent / "fuzz.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


FUZZ = _fuzz()
READERS: dict[str, Callable[[bytes, Path], object]] = FUZZ.readers()
TEXTS = st.text(st.sampled_from("0123456789.,:/-+ eEhm#lbkgpsi%$~½'\"=[]{}\n\t\u00a0\u0660nanifT"), max_size=40)


def _tried(name: str, data: bytes, folder: Path) -> None:
    with contextlib.suppress(RimebookError):
        READERS[name](data, folder / "input")


@pytest.mark.parametrize("name", ["quantities", "dates", "words", "toml", "column_map"])
def test_any_text_is_read_or_told(name: str, tmp_path: Path) -> None:
    """Small texts of the signs that matter end in a value or in words."""

    @settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
    @given(TEXTS | st.text(max_size=30))
    def holds(text: str) -> None:
        _tried(name, text.encode("utf-8", "replace"), tmp_path)

    holds()


@pytest.mark.parametrize("name", ["delimited", "workbook", "calendar", "toml", "backup"])
def test_a_sound_file_with_bytes_changed_is_read_or_told(name: str, tmp_path: Path) -> None:
    """Sixty files with bytes replaced, cut out, doubled or cut off."""
    draw, sound = random.Random(7), FUZZ.seeds(name)
    for _ in range(60):
        data = bytearray(draw.choice(sound))
        for _ in range(draw.randint(1, 6)):
            place = draw.randrange(len(data) + 1)
            if draw.random() < 0.4:
                data[place : place + 1] = bytes([draw.randrange(256)])
            elif draw.random() < 0.5:
                del data[place : place + draw.randint(1, 40)]
            else:
                data[place:place] = data[place : place + draw.randint(1, 40)] * draw.randint(1, 3)
        _tried(name, bytes(data), tmp_path)
