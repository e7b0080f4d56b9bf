"""The demo's settings are a book that the program takes as they are."""

from __future__ import annotations

from importlib.resources import as_file, files

from data_demo.truth import TRUTH
from pipeline.book.toml_file import load_settings


def test_demo_settings_load() -> None:
    """The shipped book.toml has no key that the settings do not know, and names both machines and both bays."""
    with as_file(files("data_demo") / "clean" / "book.toml") as path:
        settings = load_settings(path)
    assert set(settings.machines) == set(TRUTH.machines)
    assert len(settings.bays) == settings.shop.bays == 2
    assert str(settings.shop.as_of) == "2026-07-01"
