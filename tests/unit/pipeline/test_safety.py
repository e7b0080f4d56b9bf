"""The safety answer: its form, what it refuses, and how it follows jobs, air, pauses and stores."""

import json
import re
from datetime import date

import numpy as np
import pytest
from safety_books import BAY, TODAY, book_asked, suv

from pipeline.answers.answer import Asking
from pipeline.answers.requests import job_from_options
from pipeline.answers.safety import safety
from pipeline.answers.safety_air import AirTerms, Work, assess_air
from pipeline.answers.safety_answer import SafetyQuestion
from pipeline.answers.safety_noise import Protection
from pipeline.answers.safety_space import SpaceAsked, asked_space, room_of
from pipeline.present.figures import Style, careful
from pipeline.present.json_text import render_answer
from pipeline.present.safety_text import render_safety
from shared.errors import RimebookError
from shared.limits import limits_for

DIMENSIONS = SpaceAsked(length_ft=40, width_ft=20, height_ft=12)


@pytest.fixture(scope="module")
def asking(tmp_path_factory):
    return book_asked(tmp_path_factory.mktemp("shop") / "book", BAY)


def _refused(asking: Asking, question: SafetyQuestion) -> str:
    with pytest.raises(RimebookError) as caught:
        safety(asking, question)
    return caught.value.problem.code


def test_json_has_the_promised_form(asking):
    """The JSON result has exactly the promised keys, quantities where figures are uncertain, and finite numbers."""
    answer = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),), protection=Protection(25)))
    result = json.loads(render_answer("safety", "b", TODAY, answer))["result"]
    assert list(result) == [
        "bay", "co2_ppm", "oxygen_percent", "curve", "limits", "flow_needed_cfm", "noise", "planned", "space",
    ]  # fmt: skip
    assert list(result["co2_ppm"]) == ["peak", "average_8h", "average_15min"]
    assert result["oxygen_percent"]["note"] == "does not guard against CO2"
    assert list(result["limits"][0]) == [
        "name", "value", "unit", "source", "reached_after_min", "flow_needed_cfm", "chance_exceeded",
        "used_up_after_min",
    ]  # fmt: skip
    assert list(result["noise"][0]) == [
        "rule", "dose_percent", "twa_dba", "minutes_to_limit", "limit_percent", "chance_exceeded", "credit_db",
    ]  # fmt: skip
    assert list(result["curve"][0]) == ["minute", "ppm"]
    for figure in (result["co2_ppm"]["peak"], result["limits"][0]["flow_needed_cfm"], result["curve"][3]["ppm"]):
        assert set(figure) == {"mean", "quantiles", "interval"}


def test_answer_is_the_same_for_the_same_seed(asking):
    """One seed gives one answer."""
    question = SafetyQuestion(jobs=(suv(asking),), stored_lb=100)
    assert safety(asking, question) == safety(asking, question)


def test_the_only_bay_is_meant_where_none_is_named(asking):
    """A book with one bay needs no --bay."""
    assert safety(asking, SafetyQuestion(jobs=(suv(asking),))).result.bay == "north"


def test_no_ventilation_says_how_soon_each_limit_is_reached(asking):
    """Without air every limit of a heavy job is reached in order, and the answer says that no air was entered."""
    space = SpaceAsked(length_ft=20, width_ft=12, height_ft=9)
    answer = safety(asking, SafetyQuestion(space=space, jobs=(suv(asking),)))
    times = [limit.reached_after_min.quantiles[0.5] for limit in answer.result.limits]
    assert times == sorted(times)
    assert times[0] < 10
    assert any("No ventilation" in w for w in answer.warnings)


def test_more_air_means_less_co2_and_later_limits(asking):
    """Doubling the air lowers the peak and both means, and leaves the air that is needed as it is."""
    jobs = (suv(asking), suv(asking))
    low, high = (
        safety(asking, SafetyQuestion(bay="north", space=SpaceAsked(flow_cfm=f), jobs=jobs)).result for f in (600, 1200)
    )
    for name in ("peak", "average_8h", "average_15min"):
        assert getattr(high.co2_ppm, name).mean < getattr(low.co2_ppm, name).mean
    assert high.limits[0].flow_needed_cfm == low.limits[0].flow_needed_cfm


def test_the_air_found_keeps_the_limit_when_it_is_entered(asking):
    """Entering the upper end of the air needed makes the limit rarely passed."""
    jobs = (suv(asking), suv(asking))
    first = safety(asking, SafetyQuestion(bay="north", space=SpaceAsked(flow_cfm=450), jobs=jobs))
    needed = first.result.limits[0].flow_needed_cfm
    again = safety(asking, SafetyQuestion(bay="north", space=SpaceAsked(flow_cfm=needed.quantiles[0.95]), jobs=jobs))
    assert first.result.limits[0].chance_exceeded > 0.5
    assert again.result.limits[0].chance_exceeded == pytest.approx(0.05, abs=0.01)


def test_open_doors_earn_nothing_without_a_measured_flow(asking):
    """Open doors change no figure and are told so; with a measured flow they do."""
    jobs = (suv(asking),)
    shut = safety(asking, SafetyQuestion(bay="north", jobs=jobs))
    opened = safety(asking, SafetyQuestion(bay="north", space=SpaceAsked(doors_open=True), jobs=jobs))
    measured = SpaceAsked(doors_open=True, door_flow_cfm=1500)
    aired = safety(asking, SafetyQuestion(bay="north", space=measured, jobs=jobs))
    assert opened.result.co2_ppm == shut.result.co2_ppm
    assert any("no credit" in w for w in opened.warnings)
    assert aired.result.co2_ppm.peak.mean < shut.result.co2_ppm.peak.mean


def test_a_door_open_while_vehicles_change_helps_the_second_job(asking):
    """With the doors shut a measured door flow counts only between two vehicles."""
    two = SafetyQuestion(bay="north", jobs=(suv(asking), suv(asking)), pause_min=20)
    one = SafetyQuestion(bay="north", jobs=(suv(asking, "undercarriage:heavy", "engine_bay"),), pause_min=20)
    door = SpaceAsked(door_flow_cfm=3000)
    aired = safety(asking, SafetyQuestion(**{**vars(two), "space": door})).result.co2_ppm
    assert aired.average_8h.mean < safety(asking, two).result.co2_ppm.average_8h.mean
    same = safety(asking, SafetyQuestion(**{**vars(one), "space": door})).result.co2_ppm
    assert same == safety(asking, one).result.co2_ppm


def test_a_pause_lowers_the_peak(asking):
    """A pause between zones lowers the peak."""
    job = suv(asking, "undercarriage:heavy", "engine_bay:heavy", "wheel_wells:heavy")
    worked = safety(asking, SafetyQuestion(bay="north", jobs=(job,)))
    paused = safety(asking, SafetyQuestion(bay="north", jobs=(job,), pause_min=45))
    assert paused.result.co2_ppm.peak.mean < worked.result.co2_ppm.peak.mean


def test_more_work_than_a_day_holds_is_answered_and_told(asking):
    """Fifteen vehicles with one nozzle are answered as the worst shift, with a word on a second nozzle."""
    answer = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),) * 15))
    assert any("more than a working day" in w for w in answer.warnings)
    assert answer.result.co2_ppm.average_8h.mean <= answer.result.co2_ppm.peak.mean


def test_stored_ice_adds_to_the_work(asking):
    """Ice stored in the bay raises every figure."""
    with_store = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),), stored_lb=400)).result
    without = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),))).result
    assert with_store.co2_ppm.average_8h.mean > without.co2_ppm.average_8h.mean


def test_closed_van_with_ice_is_told_how_soon():
    """A closed 250 ft3 van whose ice loses 1 lb/h is at 5,000 ppm in 8 min, at 30,000 in 52 (V ln form)."""
    room = room_of(asked_space(_no_bays(), None, SpaceAsked(temperature_f=68), van=True))
    work = Work(np.empty((0, 1)), np.empty((0, 1)), np.empty(0, dtype=np.int64), 0.0, 100.0, np.array([24.0]))
    air = assess_air(room, work, AirTerms(limits_for({})))
    reached = [limit.reached_after_min.mean for limit in air.limits]
    assert reached[0] == pytest.approx(8, abs=0.5)
    assert reached[1] == pytest.approx(52, abs=0.5)


def _no_bays():
    from pipeline.book.settings import Settings

    return Settings()


def test_a_low_layer_factor_multiplies_what_stands_above_outdoor_air(asking):
    """The shop's own factor scales every figure above outdoor air, is told, and is 1 by default."""
    plain = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),)))
    layered = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),), low_layer_factor=3))
    expected = 420 + 3 * (plain.result.co2_ppm.peak.mean - 420)
    assert layered.result.co2_ppm.peak.mean == pytest.approx(expected, rel=1e-9)
    assert layered.result.limits[0].flow_needed_cfm.mean > 2 * plain.result.limits[0].flow_needed_cfm.mean
    assert "your factor 3" in render_safety(layered, Style())


def test_protection_lowers_the_dose_and_is_said_how(asking):
    """With protection there are rows by OSHA's half and by NIOSH's derating, below the bare ones."""
    worn = Protection(25, "formable")
    noise = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),), protection=worn)).result.noise
    by_rule = {n.rule: n for n in noise}
    bare, half = by_rule["OSHA limit"], next(n for r, n in by_rule.items() if "OSHA field practice" in r)
    assert half.dose_percent.mean < bare.dose_percent.mean
    assert any("NIOSH derating" in rule for rule in by_rule)
    assert bare.minutes_to_limit == pytest.approx(60.0)


def test_noise_counts_trigger_time_only(asking):
    """The dose is that of the trigger share of the hands-on minutes: 60 % by default, at 105 dBA an hour is 100 %."""
    answer = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),)))
    dose = answer.result.noise[0].dose_percent.quantiles[0.5]
    assert dose == pytest.approx(100 * 0.6 * answer.result.planned.minutes.quantiles[0.5] / 60, rel=1e-6)


@pytest.mark.parametrize(
    ("question", "code"),
    [
        (SafetyQuestion(bay="nroth", stored_lb=1), "unknown-bay"),
        (SafetyQuestion(space=SpaceAsked(length_ft=0, width_ft=20, height_ft=12), stored_lb=1), "out-of-range"),
        (SafetyQuestion(space=SpaceAsked(length_ft=40), stored_lb=1), "bay-without-size"),
        (SafetyQuestion(bay="north", space=SpaceAsked(air_changes_per_hour=900), stored_lb=1), "impossible-air"),
        (SafetyQuestion(bay="north", space=SpaceAsked(air_changes_per_hour=-1), stored_lb=1), "out-of-range"),
        (SafetyQuestion(bay="north", space=SpaceAsked(flow_cfm=1e6), stored_lb=1), "impossible-air"),
        (SafetyQuestion(bay="north", space=SpaceAsked(mixing_share=1.5), stored_lb=1), "impossible-mixing"),
        (SafetyQuestion(bay="north", low_layer_factor=0.5, stored_lb=1), "out-of-range"),
        (SafetyQuestion(bay="north", pause_min=-1, stored_lb=1), "out-of-range"),
        (SafetyQuestion(bay="north", protection=Protection(80), stored_lb=1), "out-of-range"),
        (SafetyQuestion(bay="north"), "nothing-planned"),
        (SafetyQuestion(bay="north", day=date(2026, 6, 2)), "nothing-planned"),
    ],
)
def test_impossible_questions_are_refused(asking, question, code):
    """A bay without volume, impossible air, odd figures and an empty plan are refused with what to do."""
    assert _refused(asking, question) == code


def test_a_day_and_a_job_are_not_asked_together(asking):
    """A day's bookings and one described job are two questions."""
    assert _refused(asking, SafetyQuestion(bay="north", day=TODAY, jobs=(suv(asking),))) == "day-and-job"


def test_a_raised_limit_is_refused(tmp_path):
    """A book that raises a limit gets no answer until it is lowered."""
    raised = book_asked(tmp_path / "book", BAY + "[limits]\nco2_8h_ppm = 9000\n")
    assert _refused(raised, SafetyQuestion(bay="north", jobs=(suv(raised),))) == "limit-above-standard"


def test_a_limit_below_outdoor_air_is_refused(tmp_path):
    """A limit that outdoor air passes by itself is told to be unkeepable."""
    low = book_asked(tmp_path / "book", BAY + "[limits]\nco2_8h_ppm = 300\n")
    assert _refused(low, SafetyQuestion(bay="north", jobs=(suv(low),))) == "limit-below-outdoor"


def test_cautions_and_the_words_on_mixing_come_with_it(asking):
    """The block starts with the words on the low layer and ends by deferring."""
    cautions = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking),))).cautions
    for words in ("well-mixed estimate", "heavier than air", "no factor for this is published", "meter worn low"):
        assert words in cautions[0]
    assert "not a safety clearance" in cautions[-1]


def test_text_fits_80_columns_and_answers_first(asking):
    """The text fits 80 columns, starts with the answer, names each source and never calls anything safe."""
    question = SafetyQuestion(bay="north", jobs=(suv(asking), suv(asking)), protection=Protection(25), pause_min=5)
    for style in (Style(), Style("metric")):
        text = render_safety(safety(asking, question), style)
        assert max(len(line) for line in text.splitlines()) <= 80
        assert text.startswith("Bay `north`: this")
        assert "29 CFR 1910.1000" in text
        assert "does not guard against CO2" in text
        assert " safe" not in text.casefold()


@pytest.mark.parametrize(
    ("value", "told"), [(12.2, "13"), (100.0, "100"), (401.0, "410"), (4_930.0, "5,000"), (5_001.0, "5,100")]
)
def test_gas_and_needed_air_are_never_rounded_down(value, told):
    """A figure that keeps people safe is told with few digits, rounded to the careful side."""
    assert careful(value) == told


def test_a_full_dose_of_noise_is_told_first(asking):
    """Where a day's noise is used up the first paragraph says so, and only there."""
    for dba, told in ((105.0, True), (70.0, False)):
        question = SafetyQuestion(bay="north", jobs=(suv(asking),), space=SpaceAsked(noise_dba=dba))
        answer = safety(asking, question)
        assert (max(n.dose_percent.quantiles[0.5] for n in answer.result.noise) > 100) == told
        first = " ".join(render_safety(answer, Style()).split("\n\n")[0].split())
        assert ("Noise at the bare ear would exceed" in first) == told


def test_a_metric_book_reads_metric_units_only(asking):
    """What the text assumes and asks for is in the book's own units."""
    answer = safety(asking, SafetyQuestion(bay="north", jobs=(suv(asking), suv(asking))))
    metric, us = render_safety(answer, Style("metric")), render_safety(answer, Style())
    assert not re.search(r"\b(ft3|cfm|lb)\b|°F", metric)
    assert "m3/h of outdoor air" in metric
    assert "m3 of gas a kg" in metric
    assert "°F" in us
    assert "ft3 of gas a lb" in us


def test_text_of_a_small_job_is_no_clearance(asking):
    """Where nothing is passed the first sentence says that this is no clearance."""
    job = job_from_options(asking.book.settings, vehicle="compact", zones=["door_jambs:light"], day=TODAY)
    text = render_safety(safety(asking, SafetyQuestion(bay="north", jobs=(job,))), Style())
    assert "not a clearance" in " ".join(text.split())


def test_stored_ice_fills_a_bay_without_air_before_work_begins(tmp_path):
    """18 lb a day, 16 h, no fresh air: the shift starts at the gas of 12 lb in the bay's volume (V = m v / volume)."""
    asking = book_asked(tmp_path / "book", "[ice]\nsublimation_lb_per_day = 18\n")
    space = SpaceAsked(length_ft=40, width_ft=25, height_ft=14, temperature_f=68)
    answer = safety(asking, SafetyQuestion(space=space, stored_lb=500))
    by_hand = 420 + 1e6 * 12 * answer.result.space.gas_ft3_per_lb / (40 * 25 * 14)
    assert answer.result.curve[0].ppm.quantiles[0.5] == pytest.approx(by_hand, rel=0.02)
    assert answer.result.planned.stood_min == 16 * 60
    van = safety(asking, SafetyQuestion(van=True, stored_lb=100))
    assert van.result.curve[0].ppm.mean == pytest.approx(420)


def test_light_modules_stay_light():
    """Cautions, limits and the unasked warning import neither pandas nor scipy, sklearn, statsmodels or matplotlib."""
    import subprocess
    import sys

    code = (
        "import sys, pipeline.answers.cautions, pipeline.answers.safety_warning, shared.limits\n"
        "print([m for m in ('pandas', 'scipy', 'sklearn', 'statsmodels', 'matplotlib', 'duckdb') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
