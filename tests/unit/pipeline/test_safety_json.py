"""What the text of a safety answer tells stands in its JSON."""

from __future__ import annotations

import json
from collections.abc import Callable

import jsonschema
import pytest

from pipeline.book.store import Book
from pipeline.present.answer_schemas import answer_schema
from pipeline.present.figures import Style, percent

Run = Callable[..., tuple[int, str, str]]
JOB = ("--vehicle", "suv", "--zone", "undercarriage:severe", "--zone", "engine_bay")
SMALL = ("--length-ft", "30", "--width-ft", "16", "--height-ft", "10", "--air-changes", "2", "--mixing", "0.8")


@pytest.mark.parametrize("units", ["us", "metric"])
def test_json_has_the_chances_the_planned_work_and_the_space(
    units: str, new_book: Callable[..., Book], run: Run
) -> None:
    """Chances of passing each limit, work, stored ice, room and air are told to programs as they are to people."""
    at = ("--book", str(new_book(f'[shop]\nunits = "{units}"\n').folder), "--pause-min", "15", "--stored-lb", "200",
          "--low-layer-factor", "2", "--altitude-ft", "5000", "--temperature-f", "60")  # fmt: skip
    text = run("safety", *JOB, *SMALL, *at)[1]
    told = json.loads(run("safety", *JOB, *SMALL, *at, "--json")[1])
    jsonschema.Draft202012Validator(answer_schema("safety")).validate(told)
    plain, style = " ".join(text.split()), Style("metric" if units == "metric" else "us")
    result = told["result"]
    for limit in result["limits"]:
        assert 0 <= limit["chance_exceeded"] <= 1
        assert f" {percent(limit['chance_exceeded'])} " in plain
    eight_hours = result["limits"][0]
    assert eight_hours["chance_exceeded"] > 0.9
    used_up = eight_hours["used_up_after_min"]["interval"]
    assert f"used up after {used_up['low']:.0f}-{used_up['high']:.0f} min" in plain
    assert [limit["used_up_after_min"] for limit in result["limits"][1:]] == [None, None]
    planned = result["planned"]
    assert (planned["vehicles"], planned["zones"], planned["pause_min"], planned["stored_lb"]) == (1, 2, 15, 200)
    assert f"about {style.weight(planned['pellets_lb']['quantiles']['0.5'])} of pellets in" in plain
    assert f"{planned['stood_min'] / 60:.0f} h, in the same air" in plain
    space = result["space"]
    assert (space["length_ft"], space["width_ft"], space["height_ft"], space["volume_ft3"]) == (30, 16, 10, 4800)
    assert (space["air_cfm"], space["mixing_share"], space["low_layer_factor"]) == (160, 0.8, 2)
    assert f"{style.flow(space['air_cfm'])} of outdoor air, mixing 0.8" in plain
    assert (space["altitude_ft"], space["temperature_f"]) == (5000, 60)
    gas = space["gas_ft3_per_lb"]
    assert (f"({gas:.2f} ft3 of gas a lb)" if units == "us" else "m3 of gas a kg)") in plain


def test_json_of_stored_ice_alone_has_no_work(new_book: Callable[..., Book], run: Run) -> None:
    """Where nothing is blasted, pellets and minutes are null."""
    at = ("--book", str(new_book().folder), "--json")
    told = json.loads(run("safety", "--van", "--stored-lb", "50", *at)[1])
    jsonschema.Draft202012Validator(answer_schema("safety")).validate(told)
    planned = told["result"]["planned"]
    assert (planned["zones"], planned["pellets_lb"], planned["minutes"]) == (0, None, None)
    assert told["result"]["space"]["air_cfm"] == 0
