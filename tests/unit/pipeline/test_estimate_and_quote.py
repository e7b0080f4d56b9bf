from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.answers import estimating
from pipeline.answers.requests import JobAsked, LineAsked

Ask = Callable[..., dict[str, Any]]
Run = Callable[..., tuple[int, str, str]]
VAN = ("--vehicle", "van", "--zone", "undercarriage:heavy", "--zone", "engine_bay:unknown")


def estimate_of(answer: dict[str, Any]) -> dict[str, Any]:
    (estimate,) = answer["result"]["estimates"]
    return dict(estimate)


def test_an_estimate_tells_its_ground_and_sums_scenarios_not_quantiles(ask: Ask, demo_folder: Path) -> None:
    """The interval of a job is that of its total: narrower than its lines' intervals added up; means do add up."""
    estimate = estimate_of(ask("estimate", demo_folder, *VAN))
    assert estimate["basis"] == "learned"
    assert estimate["similar_jobs"] > 20
    lines = estimate["lines"]
    assert [(line["zone"], line["soil_level"]) for line in lines] == [
        ("undercarriage", "heavy"),
        ("engine_bay", "unknown"),
    ]
    for quantity in ("pellets_lb", "minutes"):
        total = estimate[quantity]
        width = total["interval"]["high"] - total["interval"]["low"]
        assert width < 0.97 * sum(
            line[quantity]["interval"]["high"] - line[quantity]["interval"]["low"] for line in lines
        )
        assert total["mean"] == pytest.approx(sum(line[quantity]["mean"] for line in lines), rel=1e-4)
        assert list(total["quantiles"]) == ["0.05", "0.1", "0.25", "0.5", "0.75", "0.9", "0.95"]
        assert total["interval"]["low"] == total["quantiles"]["0.1"]
        assert total["interval"]["supported"] is True


def test_a_file_and_options_give_the_same_answer(ask: Ask, demo_folder: Path, tmp_path: Path) -> None:
    """The same job asked by options and in a file, among others and in any order, is answered alike."""
    file = tmp_path / "ask.csv"
    file.write_text(
        "job_id,date,vehicle_class,zone,soil_level,pellets_lb,machine\n"
        "W-9,,Sedan,interior,lite,999,\n"
        "W-1,,van,Undercarr.,hvy,5,\nW-9,,sedan,door jambs,,,\nW-1,,van,engine bay,unknown,,\n",
        encoding="utf-8",
    )
    in_file = ask("estimate", demo_folder, "--jobs", str(file))["result"]["estimates"]
    assert [e["job_id"] for e in in_file] == ["W-9", "W-1"]
    by_options = estimate_of(ask("estimate", demo_folder, *VAN))
    assert in_file[1]["pellets_lb"] == by_options["pellets_lb"]
    assert in_file[1]["lines"] == by_options["lines"]


def test_codes_are_compared_without_case_and_newcomers_are_wider(ask: Ask, demo_folder: Path) -> None:
    """RIG-1 is rig-1; a machine nobody knows widens the interval."""
    one, same, new = (
        estimate_of(ask("estimate", demo_folder, "--vehicle", "van", "--zone", "undercarriage:heavy", "--machine", m))
        for m in ("rig-1", "RIG-1", "never-seen")
    )
    assert one["pellets_lb"] == same["pellets_lb"]

    def spread(estimate: dict[str, Any]) -> float:
        quantiles = estimate["pellets_lb"]["quantiles"]
        return float(quantiles["0.9"] / quantiles["0.1"])

    assert spread(new) > spread(one)


def test_more_soil_takes_more_and_unknown_soil_is_wider(ask: Ask, demo_folder: Path) -> None:
    """Medians increase with soil; soil nobody has seen spreads over the levels."""
    found = {
        soil: estimate_of(ask("estimate", demo_folder, "--vehicle", "pickup", "--zone", f"undercarriage:{soil}"))
        for soil in ("light", "moderate", "heavy", "severe", "unknown")
    }
    medians = [found[s]["pellets_lb"]["quantiles"]["0.5"] for s in ("light", "moderate", "heavy", "severe")]
    assert medians == sorted(medians)
    width = {s: e["pellets_lb"]["quantiles"]["0.9"] / e["pellets_lb"]["quantiles"]["0.1"] for s, e in found.items()}
    assert width["unknown"] > 1.1 * max(width[s] for s in ("light", "moderate", "heavy", "severe"))


def test_an_unsupported_level_is_answered_and_told(ask: Ask, demo_folder: Path, new_book: Callable[..., Any]) -> None:
    """A 99 % interval of a book without a record is no error: it is answered and marked."""
    empty = new_book().folder
    answer = ask("estimate", empty, *VAN, "--level", "0.99")
    estimate = estimate_of(answer)
    assert estimate["basis"] == "planning"
    assert estimate["pellets_lb"]["interval"]["supported"] is False
    assert any("planning figures" in w for w in answer["warnings"])
    low, high = (estimate_of(ask("estimate", empty, "--vehicle", "sedan", "--zone", "undercarriage:moderate"))
                 ["pellets_lb"]["interval"][end] for end in ("low", "high"))  # fmt: skip
    assert 1.5 < 45 / low < 3
    assert 1.5 < high / 45 < 3
    assert (
        estimate_of(ask("estimate", demo_folder, *VAN, "--level", "0.95"))["pellets_lb"]["interval"]["supported"]
        is True
    )


@pytest.mark.parametrize("logged", ["pellets_lb", "minutes"])
def test_a_quantity_that_was_hardly_logged_is_told(
    logged: str, new_book: Callable[..., Any], ask: Ask, run: Run
) -> None:
    """A range of either quantity that the record does not stand behind is said, by its name."""
    row = {"vehicle_class": "van", "zone": "undercarriage", "soil_level": "heavy"}
    rows = [{**row, "job_id": f"J{k}", "day": date(2026, 3, 2) + timedelta(days=k), logged: 60.0 + 7 * (k % 5)}
            for k in range(50)]  # fmt: skip
    folder = new_book('[shop]\nas_of = "2026-05-01"\n', rows).folder
    assert run("learn", "--book", str(folder))[0] == 0
    answer = ask("estimate", folder, "--vehicle", "van", "--zone", "undercarriage:heavy")
    other = {"pellets_lb": "minutes", "minutes": "pellets"}[logged]
    assert estimate_of(answer)[logged]["interval"]["supported"] is True
    (said,) = [w for w in answer["warnings"] if "too short to stand behind" in w]
    assert said.startswith(f"The record of {other} is too short to stand behind a range of 80 %")


def test_jobs_after_the_day_move_nothing(ask: Ask, demo_folder: Path, tmp_path: Path, run: Run) -> None:
    """Absurd jobs dated after a day change no estimate as of that day, asked through the stored fit or not."""
    folder = tmp_path / "later"
    shutil.copytree(demo_folder, folder)
    day = ("--today", "2025-10-01")
    before = ask("estimate", folder, *VAN, *day)
    rows = "".join(f"ZZ-{i},2026-02-0{i + 1},van,undercarriage,heavy,790,1400\n" for i in range(9))
    (tmp_path / "late.csv").write_text("job_id,date,vehicle_class,zone,soil_level,pellets_lb,minutes\n" + rows)
    assert run("import", str(tmp_path / "late.csv"), "--book", str(folder))[0] == 0
    after = ask("estimate", folder, *VAN, *day)
    assert estimate_of(after) == estimate_of(before)
    assert any("fitted anew" in w for w in after["warnings"])
    assert any("has changed" in w for w in ask("estimate", folder, *VAN)["warnings"])


def test_a_quote_adds_up(ask: Ask, demo_folder: Path) -> None:
    """The parts sum to the mean cost, the largest price binds, and the price keeps margin and risk."""
    (quote,) = ask("quote", demo_folder, *VAN, "--price", "300")["result"]["quotes"]
    assert sum(p["mean_usd"] for p in quote["parts"]) == pytest.approx(quote["cost_usd"]["mean"], rel=1e-6)
    largest = max(quote["price_for_margin_usd"], quote["price_for_risk_usd"])
    assert quote["binding"] in ("margin", "risk")
    assert 0 <= quote["price_usd"] - largest < 5.001
    assert quote["price_usd"] % 5 == 0
    assert quote["chance_of_loss"] <= 0.10
    assert quote["at_price"]["chance_of_loss"] > quote["chance_of_loss"]
    assert quote["at_price"]["expected_margin_share"] == pytest.approx(1 - quote["cost_usd"]["mean"] / 300, abs=1e-5)


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("--vehicle", "vann", "--zone", "interior"), 1, "Did you mean `van`"),
        (("--vehicle", "van", "--zone", "enginebuy"), 1, "Did you mean `engine_bay`"),
        (("--vehicle", "van", "--zone", "interior:filthyish"), 1, "one of light, moderate, heavy, severe"),
        (("--vehicle", "van", "--zone", "interior", "--zone", "interior:light"), 2, "a second time"),
        (("--zone", "interior"), 2, "no --vehicle"),
        (("--vehicle", "van"), 2, "no --zone"),
        (("--vehicle", "van", "--zone", "interior", "--level", "80"), 2, "Write 0.8"),
        (("--vehicle", "van", "--zone", "interior", "--today", "31.12.2025"), 2, "2026-06-30"),
        (("--jobs", "nowhere.csv"), 1, "nowhere.csv"),
        (("--vehicle", "van", "--zone", "interior", "--nope"), 2, "--nope"),
    ],
)
def test_a_wrong_question_is_told_in_words(
    run: Run, demo_folder: Path, arguments: tuple[str, ...], code: int, said: str
) -> None:
    """A word, flag, level, day or file that is wrong gets its exit code and a sentence, and no traceback."""
    found, out, err = run("estimate", *arguments, "--book", str(demo_folder))
    assert found == code
    assert out == ""
    assert said in err
    assert "Traceback" not in err


def test_bad_rows_of_a_request_are_all_told(run: Run, demo_folder: Path, tmp_path: Path) -> None:
    """A file with two bad rows names both lines, and nothing is answered."""
    file = tmp_path / "ask.csv"
    file.write_text("job_id,vehicle_class,zone,soil_level\nA,van,interior,light\nB,vann,interior,\nC,van,roofy,\n")
    code, out, err = run("estimate", "--jobs", str(file), "--book", str(demo_folder))
    assert (code, out) == (1, "")
    assert "line 3" in err
    assert "line 4" in err


@pytest.mark.parametrize("command", ["estimate", "quote"])
def test_a_long_list_is_answered_in_blocks_as_it_would_be_at_once(
    command: str, ask: Ask, demo_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Jobs alike (whose noise goes by turn), newcomers and others get the same figures in blocks of any size."""
    file = tmp_path / "ask.csv"
    kinds = ["van,interior,heavy,rig-1", "van,interior,heavy,RIG-1", "suv,engine_bay,,", "van,interior,heavy,newrig",
             "sedan,undercarriage,severe,newrig", "suv,engine_bay,,rig-2"]  # fmt: skip
    rows = [f"W-{i:02d},{kinds[(i * 5) % 7 % len(kinds)]}" for i in range(24)]
    file.write_text("\n".join(["job_id,vehicle_class,zone,soil_level,machine", *rows]) + "\n", encoding="utf-8")
    found = {}
    for size in (1, 7, 10_000):
        monkeypatch.setattr(estimating, "BLOCK_LINES", size)
        answer = ask(command, demo_folder, "--jobs", str(file))
        found[size] = answer["result"]["estimates" if command == "estimate" else "quotes"], answer["warnings"]
    one, warned = found[10_000]
    assert [e["job_id"] for e in one] == [f"W-{i:02d}" for i in range(24)]
    # Each of the jobs alike has noise of its own in an estimate; quoted they have one price.
    different = len({e["pellets_lb"]["mean"] for e in one})
    assert different > 20 if command == "estimate" else different == len(kinds) - 1
    for size in (1, 7):
        assert found[size][1] == warned
        for a, b in zip(found[size][0], one, strict=True):
            assert a["minutes"]["quantiles"] == pytest.approx(b["minutes"]["quantiles"], abs=2e-6)
            assert a["pellets_lb"]["interval"] == pytest.approx(b["pellets_lb"]["interval"], abs=2e-6)


def test_blocks_hold_jobs_alike_together_and_little_else() -> None:
    """No block goes on once it is full, jobs alike are never parted, and every job stands in exactly one block."""
    kinds = [("van", "interior"), ("van", "engine_bay"), ("suv", "interior")]
    jobs = [JobAsked(str(i), date(2026, 7, 1), (LineAsked(*kinds[i % 3]),)) for i in range(300)]
    blocks = estimating.blocks_of(jobs, lines_each=5)
    assert sorted(i for block in blocks for i in block) == list(range(300))
    assert len(blocks) == 3
    assert all(len({i % 3 for i in block}) == 1 and list(block) == sorted(block) for block in blocks)
    many = [JobAsked(str(i), date(2026, 7, 1), (LineAsked("van", f"zone{i}"),)) for i in range(1700)]
    assert max(map(len, estimating.blocks_of(many))) == estimating.BLOCK_LINES


def test_a_quote_compares_codes_without_case_as_an_estimate_does(ask: Ask, demo_folder: Path) -> None:
    """RIG-1 is rig-1 in a price, too."""
    one, same = (ask("quote", demo_folder, *VAN, "--machine", m)["result"]["quotes"][0] for m in ("RIG-1", "rig-1"))
    assert one["cost_usd"] == same["cost_usd"]


@pytest.mark.parametrize("command", ["estimate", "quote"])
def test_codes_that_no_learned_job_has_are_told(command: str, ask: Ask, demo_folder: Path) -> None:
    """A slip in a machine's code is answered as a new machine, and said with the code it is near to."""
    said = ask(command, demo_folder, *VAN, "--machine", "rig1", "--operator", "QX9")["warnings"]
    assert any("Machine `rig1` stands in no job that was learned; did you mean `rig-1`?" in w for w in said)
    assert any("Operator `QX9` stands in no job that was learned." in w for w in said)
    known = ask(command, demo_folder, *VAN, "--machine", "RIG-1")["warnings"]
    assert not any("stands in no job" in w for w in known)


def test_options_without_a_unit_are_in_the_books(new_book: Callable[..., Any], ask: Ask, run: Run) -> None:
    """In a metric book --pressure 8 is 8 bar; a unit in the text counts in any book; nonsense is refused in words."""
    row = {"vehicle_class": "van", "zone": "undercarriage", "soil_level": "heavy", "minutes": 60.0}
    rows = [{**row, "job_id": f"J{k}", "day": date(2026, 3, 2 + k), "pellets_lb": 60.0 + 12 * (k % 2),
             "pressure_psi": 90.0 + 40 * (k % 2)} for k in range(20)]  # fmt: skip
    book = new_book('[shop]\nunits = "metric"\nas_of = "2026-05-01"\n', rows).folder
    assert run("learn", "--book", str(book))[0] == 0
    one = ("--vehicle", "van", "--zone", "undercarriage:heavy")
    bare, bar, psi, wrong = (
        ask("estimate", book, *one, "--pressure", text)["result"] for text in ("8", "8 bar", "116.030 psi", "4")
    )
    assert bare == bar
    # Figures that differ in their digits are other jobs, with draws of their own.
    assert bare["estimates"][0]["pellets_lb"]["mean"] == pytest.approx(
        psi["estimates"][0]["pellets_lb"]["mean"], rel=5e-3
    )
    assert wrong != bare
    for option, text, wanted in (("--pressure", "8 lb", "psi"), ("--feed", "900", "lb/min"), ("--standoff", "x", "in")):
        code, _, err = run("estimate", *one, option, text, "--book", str(book))
        assert (code, option in err, wanted in err) == (2, True, True)
