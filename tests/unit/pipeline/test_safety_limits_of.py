"""Whose limits `safety` holds work against, and how a shop elsewhere finds out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.book.toml_file import template
from shared.limits import jurisdictions

Run = Callable[..., tuple[int, str, str]]
ASKED = ("--length-ft", "30", "--width-ft", "20", "--height-ft", "12", "--flow-cfm", "900", "--vehicle", "van",
         "--zone", "undercarriage")  # fmt: skip


@pytest.mark.parametrize(
    ("toml", "told"),
    [
        ("", False),
        ('[shop]\nunits = "metric"\n', True),
        ('[shop]\ncurrency = "EUR"\n', True),
        ('[shop]\nunits = "metric"\n[limits]\njurisdiction = "germany"\n', False),
    ],
)
def test_a_shop_elsewhere_is_told_whose_limits_counted(toml: str, told: bool, tmp_path: Path, run: Run) -> None:
    """A metric or euro book that names no place is told that the limits are the United States', and the key."""
    book = tmp_path / "shop"
    run("init", str(book))
    (book / "book.toml").write_text(toml)
    code, _, err = run("safety", *ASKED, "--book", str(book))
    assert code == 0, err
    said = " ".join(err.split())
    assert ("CO2 limits are those of the United States" in said) == told
    assert ("write jurisdiction under [limits]" in said) == told


def test_a_new_book_names_the_key_and_every_place() -> None:
    """`init` writes the key behind a #, with the places that it knows."""
    (line,) = [line for line in template().splitlines() if line.startswith("# jurisdiction = ")]
    assert all(place in line for place in jurisdictions()[1:])
