"""The pages in a real browser: quiet, self-contained, readable, usable by keyboard, equal to the commands."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
PAGES = ("demo_report", "unkind_report", "sheet_file")
LOOKS = [(1280, "light"), (1280, "dark"), (390, "light"), (390, "dark")]
AXE = Path(os.environ.get("RIMEBOOK_AXE", Path(__file__).parents[2] / ".ci" / ".axe"))
AXE_FILE = AXE / "node_modules" / "axe-core" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]
#: What axe cannot judge by itself: letters over pictures and in boxes that scroll (they are opened for the test).
UNJUDGED = {"color-contrast"}


@pytest.mark.parametrize(("width", "scheme"), LOOKS)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_opens_quietly_and_fits(
    name: str, width: int, scheme: str, request: pytest.FixtureRequest, opened: Callable[..., Any]
) -> None:
    """No console message, no request but the page and what is inside it, nothing wider than the window."""
    file = request.getfixturevalue(name)
    found = opened(file, width=width, scheme=scheme)
    assert found.complaints == []
    assert [url for url in found.requests if not url.startswith("data:")] == [file.as_uri()]
    assert not found.page.evaluate("document.documentElement.scrollWidth > innerWidth")


def test_a_row_keeps_its_name_while_a_table_moves_sideways(demo_report: Path, opened: Callable[..., Any]) -> None:
    """On a phone the first column of a wide table, and the ticket of the finished jobs, stay in sight."""
    page = opened(demo_report, width=390).page
    for cell in ("#prices .scroll tbody th", "#prices .scroll thead th", ".jobs td:nth-child(2)"):
        left = page.evaluate(
            "(cell) => { const found = document.querySelector(cell), box = found.closest('.scroll');"
            " box.scrollLeft = 90; return found.getBoundingClientRect().left - box.getBoundingClientRect().left }",
            cell,
        )  # fmt: skip
        assert 0 <= left < 90, cell


@pytest.mark.parametrize("width", [390, 1280])
def test_a_table_that_goes_on_to_the_right_says_so(width: int, demo_report: Path, opened: Callable[..., Any]) -> None:
    """The sign stands over exactly the tables that are wider than their place; on a wide page there is none."""
    page = opened(demo_report, width=width).page
    places = page.evaluate(
        "[...document.querySelectorAll('.scroll')].map((place) => [place.scrollWidth > place.clientWidth + 1,"
        " getComputedStyle(place.parentNode.querySelector('.sideways')).display !== 'none'])"
    )
    assert all(over == told for over, told in places)
    assert any(over for over, _ in places) == (width == 390)


@pytest.mark.parametrize(("width", "scheme"), LOOKS)
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_no_violation(
    name: str, width: int, scheme: str, request: pytest.FixtureRequest, opened: Callable[..., Any]
) -> None:
    """axe-core finds nothing against WCAG 2.2 A and AA and its best practices."""
    if not AXE_FILE.exists():
        pytest.skip(f"no axe-core at {AXE_FILE}: run .ci/browser")
    page = opened(request.getfixturevalue(name), width=width, scheme=scheme, policy=False).page
    # Rows outside their scrolling box cannot be judged: the box is opened and all but some rows go.
    page.add_style_tag(content=".jobs,.scroll{max-height:none!important;overflow:visible!important}")
    page.evaluate("document.querySelectorAll('.jobs tbody tr:nth-child(n+30)').forEach((row) => row.remove())")
    page.add_script_tag(path=str(AXE_FILE))
    result = page.evaluate("(rules) => axe.run(document, {runOnly: rules})", RULES)
    told = [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in result["violations"]]
    assert told == []
    assert {v["id"] for v in result["incomplete"]} <= UNJUDGED
    contrast = [v for v in result["passes"] if v["id"] == "color-contrast"]
    assert contrast
    assert len(contrast[0]["nodes"]) > 20


def _value(page: Any, name: str) -> float:
    return float(page.locator(f"#{name}").get_attribute("data-value"))


@pytest.mark.parametrize(
    ("job", "soil", "margin", "risk"),
    [(0, 0, 0.30, 0.10), (0, 3, 0.42, 0.05), (6, 1, 0.05, 0.02), (7, 4, 0.30, 0.50)],
)
def test_the_explorer_equals_the_command(
    job: int, soil: int, margin: float, risk: float, demo_report: Path, demo_copy: Path, opened: Callable[..., Any],
    ask: Callable[..., dict[str, Any]],
) -> None:  # fmt: skip
    """For the job, soil, margin and risk chosen, the page tells the command's price, chance of loss and margin."""
    page = opened(demo_report).page
    page.select_option("#job", index=job)
    page.select_option("#soil", index=min(soil, page.locator("#soil option").count() - 1))
    page.fill("#margin", f"{margin * 100:g}")
    page.fill("#risk", f"{risk * 100:g}")
    page.fill("#own", "300")
    toml = demo_copy / "book.toml"
    changed = toml.read_text().replace("margin_share = 0.30", f"margin_share = {margin}")
    toml.write_text(changed.replace("risk_share = 0.10", f"risk_share = {risk}"))
    words = shlex.split(page.locator("#command").inner_text())
    assert words[:2] == ["rimebook", "quote"]
    told = ask("quote", demo_copy, *words[2:], "--price", "300")["result"]["quotes"][0]
    assert _value(page, "price") == told["price_usd"]
    assert _value(page, "loss") == pytest.approx(told["chance_of_loss"], abs=1e-6)
    assert _value(page, "expected") == pytest.approx(told["expected_margin_share"], abs=2e-6)
    assert _value(page, "for-margin") == pytest.approx(told["price_for_margin_usd"], abs=0.0051)
    assert _value(page, "for-risk") == pytest.approx(told["price_for_risk_usd"], abs=0.0051)
    assert page.locator("#why").get_attribute("data-value") == told["binding"]
    assert _value(page, "own-told") == pytest.approx(told["at_price"]["chance_of_loss"], abs=1e-6)


def test_the_explorer_tells_the_price_as_charged_and_what_it_rests_on(
    unkind_report: Path, opened: Callable[..., Any]
) -> None:
    """The headline is the lead's price to the cent, and the price for the margin follows from the mean cost told."""
    page = opened(unkind_report).page
    page.fill("#risk", "60")
    page.fill("#margin", "40")
    price, mean = _value(page, "price"), _value(page, "cost")
    assert price % 1 > 0.01
    assert page.locator("#price").inner_text() == f"{price:,.2f} CHF before tax"
    assert page.locator("#cost").inner_text().startswith(f"mean {mean:,.2f} CHF, middle ")
    assert page.locator("#for-margin").inner_text() == f"{mean / 0.6:,.2f} CHF (mean cost / 60 %)"
    ends = page.locator("#bars text").all_text_contents()
    assert len(ends) == 3
    assert ends[2] == f"price {price:,.2f} CHF"


def test_a_nonsense_margin_is_told(demo_report: Path, opened: Callable[..., Any]) -> None:
    """A margin beyond the range is marked and no price is told."""
    page = opened(demo_report).page
    page.fill("#margin", "150")
    assert page.locator("#margin").get_attribute("aria-invalid") == "true"
    assert "before tax" not in page.locator("#price").inner_text()


def test_the_job_table_sorts_by_keyboard(demo_report: Path, opened: Callable[..., Any]) -> None:
    """Enter on a column's head sorts by its figures, again turns the order round, and both are announced."""
    page = opened(demo_report).page
    head = page.locator("#jobs th", has_text="Pellets").first
    column = head.evaluate("(th) => [...th.parentNode.children].indexOf(th)")
    for order in ("ascending", "descending"):
        head.locator("button").focus()
        page.keyboard.press("Enter")
        assert head.get_attribute("aria-sort") == order
        shown = page.eval_on_selector_all(
            "#jobs tbody tr", f"(rows) => rows.map((r) => r.children[{column}].dataset.v).filter((v) => v !== '')"
        )
        figures = [float(v) for v in shown]
        assert figures == sorted(figures, reverse=order == "descending")
        assert order in page.locator("#sorted").inner_text()


def test_every_control_is_reached_by_tab(demo_report: Path, opened: Callable[..., Any]) -> None:
    """Tab goes to the skip link first and then through links and controls."""
    page = opened(demo_report).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    reached = set()
    for _ in range(16):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id"))
    assert {"job", "soil", "margin", "risk", "own"} <= reached


def test_unkind_words_are_shown_as_they_are(unkind_report: Path, opened: Callable[..., Any]) -> None:
    """Quotes, HTML, emoji, right-to-left and endless words are text on the page, never markup; long notes are cut."""
    page = opened(unkind_report).page
    assert page.locator("h1").inner_text() == 'Bays <b>"&"</b> 😀 مرحبا'
    assert page.locator("#jobs b").count() == 0
    told = page.locator("#jobs tbody").inner_text()
    for text in ('"quoted" <script>alert(1)</script>', "O'Neil & Sons", "😀 fleet", "مرحبا", "</script><b>bold"):
        assert text in told
    assert "x" * 161 not in told


def test_the_page_prints(demo_report: Path, opened: Callable[..., Any]) -> None:
    """On paper the controls go and the figures stay."""
    page = opened(demo_report).page
    page.emulate_media(media="print")
    assert not page.locator("fieldset").first.is_visible()
    assert page.locator("#price").is_visible()
    assert len(page.pdf(tagged=True)) > 20_000
