"""Lets the tests of this folder import what several of them use, and cut an order's scenarios where few are enough."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def few_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    """Order with a thousand scenarios."""
    for module in ("ordering", "ice_fitting"):
        monkeypatch.setattr(f"pipeline.answers.{module}.N_DRAWS", 1000)
