"""Planning figures that are edited later: what answers at once, what waits for the next `learn`, and what is told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.book.store import Book

TODAY = date(2026, 5, 1)
CHANGED = "The planning figures in book.toml have changed since the last `rimebook learn`"
JOB = ("--vehicle", "sedan", "--zone", "undercarriage:moderate", "--today", str(TODAY))
DOUBLED = "[planning.zones.undercarriage]\npellets_lb = 90\nminutes = 120\n"
Ask = Callable[..., dict[str, Any]]
Run = Callable[..., tuple[int, str, str]]


def _rows(n: int) -> list[dict[str, object]]:
    alike = {"vehicle_class": "sedan", "zone": "undercarriage", "soil_level": "moderate"}
    first = TODAY - timedelta(days=n)
    return [
        {
            **alike,
            "job_id": f"J{i}",
            "day": first + timedelta(days=i),
            "pellets_lb": 44.0 + i % 5,
            "minutes": 58.0 + i % 7,
        }
        for i in range(n)
    ]


def _edit(folder: Path, toml: str) -> None:
    (folder / "book.toml").write_text(toml, encoding="utf-8")


def _mean(answer: dict[str, Any], quantity: str = "pellets_lb") -> float:
    return float(answer["result"]["estimates"][0][quantity]["mean"])


@pytest.mark.parametrize("learned_from", [None, 0])
def test_without_a_job_edited_figures_answer_at_once(
    learned_from: int | None, new_book: Callable[..., Book], ask: Ask, run: Run
) -> None:
    """Where nothing was learned, or an empty log was, twice the planning figure is twice the answer, unprompted."""
    folder = new_book().folder
    if learned_from is not None:
        assert run("learn", "--book", str(folder), "--today", str(TODAY))[0] == 0
    before = ask("estimate", folder, *JOB)
    _edit(folder, DOUBLED)
    after = ask("estimate", folder, *JOB)
    for quantity in ("pellets_lb", "minutes"):
        assert _mean(after, quantity) == pytest.approx(2 * _mean(before, quantity), rel=1e-6)
    assert after["result"]["estimates"][0]["basis"] == "planning"
    assert not any(CHANGED in w for w in after["warnings"])


def test_a_learned_book_keeps_its_answer_until_it_learns_again(
    new_book: Callable[..., Book], ask: Ask, run: Run
) -> None:
    """With jobs learned an edit moves nothing and is told; `learn` counts it, and few jobs give way to it in part."""
    folder = new_book(rows=_rows(6)).folder
    learn = ("learn", "--book", str(folder), "--today", str(TODAY))
    assert run(*learn)[0] == 0
    before = ask("estimate", folder, *JOB)
    _edit(folder, DOUBLED)
    told = ask("estimate", folder, *JOB)
    assert told["result"] == before["result"]
    assert any(CHANGED in w for w in told["warnings"])
    assert run(*learn)[0] == 0
    after = ask("estimate", folder, *JOB)
    assert not any(CHANGED in w for w in after["warnings"])
    assert _mean(before) < _mean(after) < 1.6 * _mean(before)
    _edit(folder, "")
    assert run(*learn)[0] == 0
    assert ask("estimate", folder, *JOB)["result"] == before["result"]


def test_words_newer_than_the_fit_start_from_their_own_figures(
    new_book: Callable[..., Book], ask: Ask, run: Run
) -> None:
    """An added class or zone answers at once as after another `learn`, its `factor` in it; learned words stay."""
    folder = new_book(rows=_rows(8)).folder
    learn = ("learn", "--book", str(folder), "--today", str(TODAY))
    assert run(*learn)[0] == 0
    before = ask("estimate", folder, *JOB)
    words = (
        '[words]\nclasses = {cart = {like = "compact", factor = 3.0}}\n'
        'zones = {hitch = {like = "door_jambs", factor = 2.0}, coupler = {like = "door_jambs"}}\n'
    )
    _edit(folder, words)
    jobs = [(*JOB[:1], v, "--zone", z, *JOB[4:]) for v, z in (
        ("compact", "undercarriage:moderate"), ("cart", "undercarriage:moderate"),
        ("sedan", "coupler:moderate"), ("sedan", "hitch:moderate"))]  # fmt: skip
    told = [ask("estimate", folder, *job) for job in jobs]
    compact, cart, coupler, hitch = map(_mean, told)
    # What is not known of each word is drawn for itself.
    assert 2.2 < cart / compact < 4
    assert 1.4 < hitch / coupler < 2.6
    said = "New in book.toml since the last `rimebook learn`: cart, hitch, coupler. Answers start there from"
    for answer in told:
        assert [w for w in answer["warnings"] if w.startswith(said)]
        assert not any("planning figures in book.toml have changed" in w for w in answer["warnings"])
    assert ask("estimate", folder, *JOB)["result"] == before["result"]
    _edit(folder, words + DOUBLED)
    both = ask("estimate", folder, *JOB)
    assert both["result"] == before["result"]
    assert any(w.startswith("Other planning figures in book.toml have changed") for w in both["warnings"])
    _edit(folder, words)
    assert run(*learn)[0] == 0
    after = [ask("estimate", folder, *job) for job in jobs]
    assert list(map(_mean, after)) == pytest.approx([compact, cart, coupler, hitch], rel=1e-6)
    assert not any("New in book.toml" in w for w in after[0]["warnings"])


@pytest.mark.parametrize("toml", ["[shop]\nname = 'North Bay'\n", "[planning]\ncancelled_share = 0.2\n", "# nothing\n"])
def test_other_keys_are_no_planning_figures(toml: str, new_book: Callable[..., Book], ask: Ask, run: Run) -> None:
    """A name, a comment or a share of cancelled bookings changes no estimate and asks for no `learn`."""
    folder = new_book(rows=_rows(6)).folder
    assert run("learn", "--book", str(folder), "--today", str(TODAY))[0] == 0
    before = ask("estimate", folder, *JOB)
    _edit(folder, toml)
    after = ask("estimate", folder, *JOB)
    assert after["result"] == before["result"]
    assert after["warnings"] == before["warnings"]


def test_a_metric_books_planning_figures_keep_the_units_of_their_names(new_book: Callable[..., Book], ask: Ask) -> None:
    """`pellets_lb = 90` is 90 lb in a metric book too."""
    us, metric = (new_book(toml + DOUBLED, name=name).folder for toml, name in (
        ("", "us"), ('[shop]\nunits = "metric"\n', "metric")))  # fmt: skip
    assert ask("estimate", metric, *JOB)["result"] == ask("estimate", us, *JOB)["result"]


@pytest.mark.parametrize("learned_from_nothing", [False, True])
def test_a_history_that_waits_to_be_learned_is_told_once(
    learned_from_nothing: bool, new_book: Callable[..., Book], ask: Ask, run: Run
) -> None:
    """A book with jobs is never said to have none: one note asks for `learn`, and no figure is called the shop's."""
    folder = new_book(rows=_rows(7)).folder
    early = str(TODAY - timedelta(days=90))
    if learned_from_nothing:
        assert run("learn", "--book", str(folder), "--today", early)[0] == 0
    (none,) = ask("estimate", folder, *JOB[:-1], early)["warnings"]
    assert none.startswith("There is no usable history yet")
    said = "The history was never learned from: these are planning figures. Run `rimebook learn`."
    assert ask("estimate", folder, *JOB)["warnings"] == [said]
    unseen = ("estimate", *JOB[:2], "--zone", "undercarriage", *JOB[4:], "--book", str(folder))
    text = " ".join(run(*unseen)[1].split())
    assert "Basis: planning figures from book.toml; nothing learned yet." in text
    assert "this shop finds" not in text
