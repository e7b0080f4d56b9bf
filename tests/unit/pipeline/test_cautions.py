"""The caution block follows the command and the zones, and never reads as a clearance."""

import time

import pytest

from pipeline.answers.cautions import all_cautions, cautions_for
from pipeline.book.settings import Own, Settings, Words
from shared.vocabulary import ZONES

COMMANDS = ("estimate", "quote", "order", "report", "safety")


def _about(command: str, *zones: str, **more: object) -> str:
    return "\n".join(cautions_for(command, zones, **more)).casefold()


@pytest.mark.parametrize("command", COMMANDS)
def test_every_block_ends_by_deferring(command):
    """Each block ends with local codes, data sheet and licensed practice, and says that it is no clearance."""
    last = cautions_for(command, ["undercarriage"])[-1].casefold()
    for words in ("local codes", "data sheet", "licensed practice", "not a safety clearance"):
        assert words in last


@pytest.mark.parametrize("command", COMMANDS)
def test_every_block_speaks_of_air_cold_containers_and_transport(command):
    """Air with a monitor worn low, cold, sealed containers and transport are in every block."""
    block = _about(command)
    for words in ("monitor worn low", "cold", "sealed", "transport"):
        assert words in block


@pytest.mark.parametrize(
    ("zone", "words"),
    [("undercarriage", ("lead or chromate", "asbestos", "lift", "low air under it", "fuel", "static", "high voltage")),
     ("wheel_wells", ("asbestos", "lift")), ("engine_bay", ("high voltage", "fuel", "airbags")),
     ("interior", ("airbags", "inside a vehicle", "high voltage")), ("body_panels", ("lead or chromate",))],
)  # fmt: skip
def test_zones_bring_their_own_dangers(zone, words):
    """Each zone brings the cautions that belong to it."""
    block = _about("estimate", zone)
    assert [w for w in words if w not in block] == []


def test_a_zone_does_not_bring_what_does_not_concern_it():
    """Door jambs bring no lift and no brake dust; an order brings no zone's cautions and no ears."""
    assert "asbestos" not in _about("quote", "door_jambs")
    assert "lift" not in _about("quote", "door_jambs")
    assert "ears" not in _about("order")


def test_stripping_a_coating_brings_lead_and_chromate_anywhere():
    """Where an old coating is stripped the coating caution stands, whatever the zone."""
    assert "chromate" not in _about("estimate", "engine_bay")
    assert "chromate" in _about("estimate", "engine_bay", coating_removed=True)


def test_own_zones_count_as_what_they_are_like():
    """A zone of the book's own brings the cautions of the zone it is like; an unknown one brings all."""
    settings = Settings(words=Words(zones={"sill": Own("door_jambs", 1.0)}))
    assert cautions_for("quote", ["sill"], settings=settings) == cautions_for("quote", ["door_jambs"])
    assert cautions_for("quote", ["mystery"], settings=settings) == cautions_for("quote", ZONES)


def test_a_report_carries_everything():
    """A report without zones carries the cautions of all zones."""
    assert cautions_for("report") == cautions_for("report", ZONES)


def test_other_commands_have_no_block():
    """Commands that plan no ice carry none."""
    assert cautions_for("calibration", ["interior"]) == []


def test_tips_of_the_review_bring_their_own_block():
    """Tips on settings and equipment come with limits, trials, eyes, ears and pressure that is let out."""
    block = _about("technique")
    for words in ("makers of machine, hose and nozzle", "hidden spot", "hearing", "goggles", "let the pressure out"):
        assert words in block
    assert "not a safety clearance" in cautions_for("technique")[-1]


def test_no_caution_promises_safety():
    """No text calls anything safe, cleared or harmless on the tool's own word."""
    for caution in all_cautions():
        text = caution.text.casefold().replace("not a safety clearance", "")
        for word in ("is safe", "harmless", "no danger", "cleared", "clearance"):
            assert word not in text
        assert caution.source
        assert len(caution.text) < 300


def test_cautions_load_in_a_few_milliseconds():
    """Reading the data file takes little next to an answer's 0.3 s."""
    all_cautions.cache_clear()
    start = time.perf_counter()
    all_cautions()
    assert time.perf_counter() - start < 0.05
