"""A browser for the pages, and the pages: the demo's report, one with unkind names, a customer's sheet."""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from pipeline.book.store import create_book

CHROMIUM = Path("/usr/bin/chromium")
AXE = Path(os.environ.get("RIMEBOOK_AXE", Path(__file__).parents[2] / ".ci" / ".axe"))
AXE_FILE = AXE / "node_modules" / "axe-core" / "axe.min.js"
FLAGS = ("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync")  # fmt: skip
#: Names and notes that a page must show as they are.
UNKIND = (
    '"quoted" <script>alert(1)</script>', "O'Neil & Sons", "😀 fleet", "مرحبا", "=1+1", "x" * 2000,
    "</script><b>bold", "<!-- -->",
)  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Return Debian's chromium, or skip with the reason."""
    if not CHROMIUM.exists():
        pytest.skip(f"no chromium at {CHROMIUM}: run .ci/browser on a Debian machine")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=str(CHROMIUM), args=list(FLAGS))
        yield running
        running.close()


@dataclass
class Opened:
    """An open page with everything it complained of or asked for."""

    page: Any
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[..., Opened]]:
    """Return an opener of pages: `opened(file, width=390, scheme="dark", policy=False)`."""
    contexts = []

    def opener(file: Path, *, width: int = 1280, scheme: str = "light", policy: bool = True) -> Opened:
        context = browser.new_context(
            offline=True, viewport={"width": width, "height": 900}, color_scheme=scheme, reduced_motion="reduce",
            bypass_csp=not policy,
        )  # fmt: skip
        contexts.append(context)
        found = Opened(context.new_page())
        found.page.on("console", lambda message: found.complaints.append(message.text))
        found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
        found.page.on("request", lambda request: found.requests.append(request.url))
        found.page.goto(file.as_uri())
        return found

    yield opener
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def unkind_report(run: Callable[..., tuple[int, str, str]], tmp_path_factory: Any) -> Path:
    """Return the report of eight jobs whose ids, operators and notes are unkind."""
    place = tmp_path_factory.mktemp("unkind")
    name = json.dumps('Bays <b>"&"</b> 😀 مرحبا', ensure_ascii=False)
    create_book(
        place / "book",
        f'[shop]\nname = {name}\nas_of = "2026-05-20"\nunits = "metric"\ncurrency = "CHF"\n'
        "[pricing]\nround_to_usd = 0.05\n",
    )
    log = place / "jobs.csv"
    with log.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["job_id", "date", "vehicle_class", "zone", "pellets_lb", "minutes", "operator", "notes"])
        for i, text in enumerate(UNKIND):
            writer.writerow([f"J{i} {text[:40]}", f"2026-05-{i + 4:02d}", "van", "undercarriage", 40 + 5 * i, 60 + i,
                             text[:40], text])  # fmt: skip
    for call in (["import", str(log)], ["learn"], ["report", "--out", str(place / "report.html"), "--names"]):
        code, _, err = run(*call, "--book", str(place / "book"))
        assert code == 0, err
    return Path(place / "report.html")


@pytest.fixture(scope="session")
def sheet_file(demo_folder: Path, run: Callable[..., tuple[int, str, str]], tmp_path_factory: Any) -> Path:
    """Return a customer's sheet."""
    file = tmp_path_factory.mktemp("sheet") / "sheet.html"
    code, _, err = run("quote", "--vehicle", "suv", "--zone", "undercarriage:heavy", "--zone", "engine_bay",
                       "--customer", UNKIND[0], "--sheet", str(file), "--book", str(demo_folder))  # fmt: skip
    assert code == 0, err
    return Path(file)


@pytest.fixture
def demo_copy(demo_folder: Path, tmp_path: Path) -> Path:
    """Return a copy of the demo's book that a test may change."""
    return Path(shutil.copytree(demo_folder, tmp_path / "copy"))
