"""The packages the program stands on are all listed, each with its licence."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from pipeline.answers.licences import licences

ROOT = Path(__file__).parents[2]


def test_every_runtime_package_has_a_stated_licence() -> None:
    """Each dependency of the project and what it needs in turn is listed; none is without a licence."""
    packages = {re.sub(r"[-_.]+", "-", p.name).lower(): p.licence for p in licences().packages}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = {re.sub(r"[-_.]+", "-", re.split(r"[\[<>=;]", d)[0]).lower() for d in project["dependencies"]}
    assert needed <= packages.keys()
    assert len(packages) > len(needed)
    assert [name for name, licence in packages.items() if licence in ("", "not stated", "UNKNOWN")] == []
