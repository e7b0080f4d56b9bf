from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.book.settings import Settings
from pipeline.book.toml_file import load_settings, template
from shared.errors import RimebookError
from shared.vocabulary import ZONES


def load(tmp_path: Path, text: str) -> Settings:
    file = tmp_path / "book.toml"
    file.write_text(text, encoding="utf-8")
    return load_settings(file)


def told(tmp_path: Path, text: str) -> str:
    with pytest.raises(RimebookError) as caught:
        load(tmp_path, text)
    return str(caught.value)


def test_the_template_means_the_defaults(tmp_path: Path) -> None:
    """The commented template loads as a book without any setting of its own."""
    assert load(tmp_path, template()) == Settings() == load_settings(tmp_path / "missing.toml")


def test_every_line_of_the_template_is_valid_when_its_mark_is_taken_off(tmp_path: Path) -> None:
    """Each commented default can be switched on as it stands."""
    live = re.sub(r"^# (\[|[a-z_0-9]+ += )", r"\1", template(), flags=re.M)
    settings = load(tmp_path, live)
    assert settings.bays["main"].length_ft == 40
    assert settings.words.packages["full underside"] == ("undercarriage", "wheel_wells", "suspension")
    assert settings.shop == Settings().shop


def test_examples_of_the_template_do_not_look_like_defaults(tmp_path: Path) -> None:
    """A line that would change something when its mark is taken off says `example:`; the others would not."""
    for line in template().splitlines():
        match = re.match(r"# (crew|classes|rush_usd_per_lb|length_ft|pit|soil_factor|changes|\[limits\])", line)
        if match:
            assert ("# example: " in line) == (match[1] not in ("crew", "pit", "soil_factor"))
    assert "where `example:` stands behind it" in template()


def test_the_template_says_what_like_and_factor_do() -> None:
    """They start an own word's answers; what the log taught of the word that it is like is not multiplied."""
    for key in ("classes", "zones"):
        (line,) = [line for line in template().splitlines() if line.startswith(f"# {key} = ")]
        assert line.endswith("like and factor set the planning figure, which the log corrects")


def test_an_unknown_key_is_told_with_its_line_and_the_nearest_right_one(tmp_path: Path) -> None:
    """A slip of the pen in a key names its line and what was likely meant."""
    text = told(tmp_path, "[shop]\nname = 'x'\n[pricing]\nmargn_share = 0.3\n")
    assert "line 4" in text
    assert "`margn_share`" in text
    assert "`margin_share`" in text


@pytest.mark.parametrize(
    ("line", "write"),
    [
        ("[ice]\nlot_kg = 25", "`lot_lb = 55.12`"),
        ("[ice]\nsublimation_kg_per_day = 10", "`sublimation_lb_per_day = 22.05`"),
        ("[ice]\nrush_usd_per_kg = 4.5", "`rush_usd_per_lb = 2.041`"),
        ("[ice]\nusd_per_kg = 2.6", "`price_breaks = [{from_lb = 0, usd_per_lb = 1.179}]`"),
        (
            "[ice]\nprice_breaks = [{from_kg = 0, usd_per_kg = 2.6}, {from_kg = 100, usd_per_kg = 2}]",
            "`price_breaks = [{from_lb = 0, usd_per_lb = 1.179}, {from_lb = 220.5, usd_per_lb = 0.9072}]`",
        ),
        ("[ice]\nlot_kg = 'twenty'", "`lot_lb`"),
        ("[ice]\nlot_kg = 1" + 400 * "0", "`lot_lb`"),
        ("[bays.main]\nlength_m = 12", "`length_ft = 39.37`"),
        ("[bays.main]\nheight_cm = 450", "`height_ft = 14.76`"),
        ("[bays.main]\nflow_m3_h = 570", "`flow_cfm = 335.5`"),
    ],
)
def test_a_metric_key_is_told_in_the_files_units(tmp_path: Path, line: str, write: str) -> None:
    """Who writes kilograms or metres is told that the file is in pounds and feet, and what the figure would be."""
    text = told(tmp_path, f"[shop]\nunits = 'metric'\n{line}\n")
    assert f"book.toml is in pounds and feet (lb, ft, cfm), in a metric book too: write {write}." in text
    assert "Did you mean" not in text


def test_what_a_metric_key_is_told_can_be_written(tmp_path: Path) -> None:
    """The advice, taken, loads as what was meant; a slip that only looks metric keeps the nearest key."""
    ice = load(tmp_path, "[ice]\nprice_breaks = [{from_lb = 0, usd_per_lb = 1.179}]\nlot_lb = 55.12\n").ice
    assert ice.lot_lb == pytest.approx(25 / 0.45359237, rel=1e-4)
    assert "Did you mean" in told(tmp_path, "[costs]\nsetup_m = 15\n")
    assert "It means: price a lb" in told(tmp_path, "[ice]\nprice_breaks = [{from_kg = 'all', usd_per_kg = 2}]\n")


def test_all_problems_come_out_at_once(tmp_path: Path) -> None:
    """Three wrong keys give three sentences in one error."""
    text = told(tmp_path, "[shop]\ncrew = 0\n[ice]\nlot_lb = -1\n[pricng]\n")
    assert "crew" in text
    assert "lot_lb" in text
    assert "`pricing`" in text


@pytest.mark.parametrize(
    ("line", "word"),
    [("level = 0,8", "0.8, not 0,8"), ("pit = yes", "true or false"), ("name = Rime", "texts stand in quotes")],
)
def test_broken_toml_quotes_its_line_and_says_how_to_mend_it(tmp_path: Path, line: str, word: str) -> None:
    """A file that is no TOML is told by line, with the usual slips explained."""
    text = told(tmp_path, f"[shop]\n{line}\n")
    assert "line 2" in text
    assert line in text
    assert word in text


@pytest.mark.parametrize(
    "text",
    [
        "[words]\nclasses = {flatbed = {like = 'trck'}}",
        "[words]\nzones = {roof = {like = 'engine'}}",
        "[words]\npackages = {all = ['interior', 'roof']}",
        "[planning]\nsoil_factor = {light = 2.0}",
        "[planning.zones.rof]\nminutes = 3",
        "[ice]\nprice_breaks = [{from_lb = 100, usd_per_lb = 1}]",
        "[shop]\ntime_zone = 'Mars/North'",
        "[shop]\nlogo = '../../etc/passwd'",
        "[shop]\ncurrency = 'dollars'",
        "[shop]\nclosed = ['25.12.2026']",
        "bays = 3",
    ],
)
def test_a_value_that_cannot_be_meant_is_refused(tmp_path: Path, text: str) -> None:
    """Words, orders, breaks, zones, paths and dates are checked, with the place and what is expected."""
    assert "book.toml" in told(tmp_path, text)


def test_own_classes_and_zones_join_the_planning_figures(tmp_path: Path) -> None:
    """A class or zone of the shop's own takes the figures of the one it is like, times its factor."""
    settings = load(
        tmp_path,
        "[words]\nclasses.flatbed = {like = 'truck', factor = 1.1}\nzones.roof = {like = 'body_panels', factor = 2}\n"
        "[planning.zones.undercarriage]\npellets_lb = 60\n[planning.minutes_class_factor]\nsuv = 1.1\n",
    )
    planning = settings.planning()
    assert planning.pellets_lb.vehicle_class["flatbed"] == pytest.approx(1.9 * 1.1)
    assert planning.pellets_lb.zone["roof"] == pytest.approx(12.0)
    assert planning.pellets_lb.zone["undercarriage"] == 60
    assert planning.pellets_lb.vehicle_class["suv"] == 1.25
    assert planning.minutes.vehicle_class["suv"] == 1.1
    assert settings.zones() == (*ZONES, "roof")


def test_names_of_bays_and_machines_stay_as_they_are_written(tmp_path: Path) -> None:
    """Bays and machines keep their letters, zones are words of the program, and a name twice is refused."""
    settings = load(tmp_path, "[bays.North]\n[machines.'Rig ß']\n[other_way.Undercarriage]\nusd = 80\n")
    assert [*settings.bays, *settings.machines, *settings.other_way] == ["North", "Rig ß", "undercarriage"]
    text = told(tmp_path, "[bays.North]\npit = true\n[bays.north]\nlength_ft = 40\n")
    assert "`north`" in text
    assert "line 3" in text
