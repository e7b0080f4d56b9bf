"""What a safety answer advises: air that really keeps the limits, the last shots of a day, stores, heights, ears."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from models.air.room import Room
from pipeline.answers.answer import Asking
from pipeline.answers.requests import JobAsked, job_from_options
from pipeline.answers.safety import safety
from pipeline.answers.safety_air import AirTerms, Work, assess_air
from pipeline.answers.safety_answer import SafetyQuestion
from pipeline.answers.safety_space import SpaceAsked
from pipeline.book.store import create_book
from pipeline.present.figures import Style, careful
from pipeline.present.safety_text import render_safety
from shared.errors import RimebookError
from shared.limits import limits_for

TODAY = date(2026, 6, 1)
ODD = "Halle <Nord> & Süß"
ROOM = Room(9600.0, 0.0, 8.742)


def _asking(folder, toml: str = "", level: float = 0.8) -> Asking:
    create_book(folder, toml)
    from pipeline.book.store import open_book

    return Asking(open_book(folder), TODAY, level=level)


def _job(asking: Asking, *zones: str) -> JobAsked:
    return job_from_options(asking.book.settings, vehicle="suv", zones=list(zones), day=TODAY)


def _work(lb: list[float], minutes: list[float], stored_lb: float = 0.0) -> Work:
    columns = [np.array(v)[:, None] * np.ones(20) for v in (lb, minutes)]
    return Work(*columns, np.zeros(len(lb), dtype=np.int64), 0.0, stored_lb, np.full(20, 35.0))


@pytest.mark.parametrize("level", [0.2, 0.5, 0.8])
@pytest.mark.parametrize(
    ("sides", "flow", "zone"),
    [((20, 20, 10), 100.0, "wheel_wells:light"), ((40, 20, 12), 690.0, "undercarriage:heavy")],
)
def test_air_that_is_advised_keeps_the_limits(tmp_path, sides, flow, zone, level):
    """Where a limit is passed the advice is more air than there is, whatever the level, and with it 95 % keep all."""
    asking = _asking(tmp_path / "book", level=level)
    length, width, height = sides

    def answer(cfm: float):
        space = SpaceAsked(length_ft=length, width_ft=width, height_ft=height, flow_cfm=cfm)
        return safety(asking, SafetyQuestion(space=space, jobs=(_job(asking, zone),)))

    today = answer(flow)
    assert any(limit.chance_exceeded >= 0.05 for limit in today.result.limits)
    needed = today.result.flow_needed_cfm.quantiles[0.95]
    assert needed > flow
    text = " ".join(render_safety(today, Style()).split())
    assert f"About {careful(needed)} cfm of outdoor air" in text
    assert f"would keep every limit in 95 % of them; {flow:.0f} cfm is entered" in text
    assert all(limit.chance_exceeded <= 0.05 for limit in answer(needed * 1.001).result.limits)
    assert max(limit.chance_exceeded for limit in answer(needed * 0.98).result.limits) >= 0.05


def test_the_last_shots_of_a_day_count(tmp_path):
    """A short heavy zone that ends with the shift passes the 15-minute limit where its peak stands in a closed room."""
    air = assess_air(ROOM, _work([1.0] * 9 + [40.0], [52.0] * 9 + [13.0]), AirTerms(limits_for({})))
    short = next(limit for limit in air.limits if "15" in limit.name)
    assert air.co2_ppm.average_15min.mean == pytest.approx(air.co2_ppm.peak.mean, rel=1e-3)
    assert short.chance_exceeded == 1.0
    assert short.flow_needed_cfm.mean > 0


@pytest.mark.parametrize("factor", [1.0, 3.0, 10.0])
def test_the_8_hour_limit_is_used_up_when_the_air_told_says_so(factor):
    """The time told is when the curve told has summed up to 5,000 ppm over 8 hours."""
    room = Room(9600.0, 900.0, 8.742)
    air = assess_air(room, _work([110.0], [120.0]), AirTerms(limits_for({}), low_layer_factor=factor))
    (limit,) = [limit for limit in air.limits if "8-hour" in limit.name]
    minutes = [p.minute for p in air.curve]
    ppm = [p.ppm.mean for p in air.curve]
    summed = np.concatenate([[0.0], np.cumsum(np.diff(minutes) * (np.array(ppm[1:]) + ppm[:-1]) / 2)])
    assert air.co2_ppm.average_8h.mean == pytest.approx(summed[-1] / 480, rel=0.02)
    if limit.used_up_after_min is None:
        assert summed[-1] < 5000 * 480
    else:
        assert limit.used_up_after_min.mean == pytest.approx(np.interp(5000 * 480, summed, minutes), abs=3)
    assert (limit.used_up_after_min is None) == (factor == 1.0)


def test_a_factor_leaves_outdoor_air_alone_on_a_long_day():
    """On a shift of 10 hours the low-layer factor multiplies what the work adds, not what the air outdoors sums to."""
    room, work = Room(90_000.0, 20_000.0, 8.742), _work([1.5], [10.0])
    plain, layered = (
        assess_air(room, work, AirTerms(limits_for({}), low_layer_factor=f, shift_min=600.0)) for f in (1.0, 46.0)
    )
    added = plain.co2_ppm.average_8h.mean - 525.0
    assert added > 0
    assert layered.co2_ppm.average_8h.mean == pytest.approx(525.0 + 46.0 * added, rel=1e-6)


def test_each_container_loses_its_own(tmp_path):
    """Three containers' worth of stored ice gases three times what one does, and the figure stands in the answer."""
    asking = _asking(tmp_path / "book", "[ice]\ncontainer_lb = 500\nsublimation_lb_per_day = 40\n")
    space = SpaceAsked(length_ft=40, width_ft=20, height_ft=12, flow_cfm=300)
    one, three = (safety(asking, SafetyQuestion(space=space, stored_lb=lb)) for lb in (500.0, 1500.0))
    assert (one.result.planned.containers, three.result.planned.containers) == (1, 3)
    above = [a.result.co2_ppm.peak.mean - 420 for a in (one, three)]
    assert above[1] == pytest.approx(3 * above[0], rel=0.02)
    assert any("40 lb a day from each of 3 containers" in w for w in three.warnings)


@pytest.mark.parametrize(("crew", "told"), [(1, False), (2, True)])
def test_a_second_nozzle_is_told_where_there_are_hands_for_it(tmp_path, crew, told):
    """Two vehicles count as worked one after the other; a crew of two may work them at once, which is worse."""
    asking = _asking(tmp_path / "book", f"[shop]\ncrew = {crew}\n")
    space = SpaceAsked(length_ft=40, width_ft=20, height_ft=12, flow_cfm=900)
    jobs = (_job(asking, "wheel_wells:light"),) * 2
    said = safety(asking, SafetyQuestion(space=space, jobs=jobs)).warnings
    assert any("two nozzles at once give twice the gas a minute" in w for w in said) == told


@pytest.mark.parametrize("van", [True, False])
def test_a_van_stands_as_high_as_the_shop(tmp_path, van):
    """Gas from a pound is more at altitude: a van and a space given by its sides take the height of the book's bay."""
    bay = "[bays.north]\nlength_ft = 40\nwidth_ft = 20\nheight_ft = 12\naltitude_ft = 5280\n"
    asking = _asking(tmp_path / "book", bay)
    sides = {} if van else {"length_ft": 40, "width_ft": 20, "height_ft": 12}
    high = safety(asking, SafetyQuestion(space=SpaceAsked(**sides), van=van, stored_lb=40)).result.space
    low = safety(asking, SafetyQuestion(space=SpaceAsked(**sides, altitude_ft=0), van=van, stored_lb=40)).result.space
    assert (high.altitude_ft, low.altitude_ft) == (5280, 0)
    assert high.gas_ft3_per_lb > 1.15 * low.gas_ft3_per_lb


@pytest.mark.parametrize(("dba", "told"), [(115.0, False), (118.0, True)])
def test_a_level_that_no_time_is_allowed_at_is_told(tmp_path, dba, told):
    """Above OSHA's table, which ends at 115 dBA, a small dose is no excuse (29 CFR 1910.95 Table G-16)."""
    asking = _asking(tmp_path / "book")
    space = SpaceAsked(length_ft=40, width_ft=20, height_ft=12, flow_cfm=900, noise_dba=dba)
    said = safety(asking, SafetyQuestion(space=space, jobs=(_job(asking, "door_jambs:light"),))).warnings
    assert any("no time at all is allowed" in w for w in said) == told


def test_a_blower_on_a_van_is_believed_and_an_absurd_flow_is_not(tmp_path):
    """A common blower changes a van's air 216 times an hour; a slip of the unit is refused with its figure."""
    asking = _asking(tmp_path / "book")
    aired = safety(asking, SafetyQuestion(space=SpaceAsked(flow_cfm=900), van=True, stored_lb=40))
    assert aired.result.space.air_cfm == 900
    for flow, found in ((1e-7, "found 2.4e-08 air changes"), (90_000.0, "found 21,600 air changes")):
        with pytest.raises(RimebookError, match=found):
            safety(asking, SafetyQuestion(space=SpaceAsked(flow_cfm=flow), van=True, stored_lb=40))


def test_a_limit_raised_by_a_hair_is_told_with_its_figure():
    """Found and expected differ in the text as they do in the book."""
    with pytest.raises(RimebookError, match=r"found 5,000\.4 ppm; expected at most 5,000 ppm"):
        limits_for({"co2_8h_ppm": 5000.4})


def test_bookings_of_this_morning_are_told_to_be_left_out(tmp_path):
    """What was booked today for today is not in a morning's answer: it says so, and the next morning counts it."""
    bay = "[bays.north]\nlength_ft = 40\nwidth_ft = 20\nheight_ft = 12\n"
    asking = _asking(tmp_path / "book", f'[shop]\nas_of = "2026-06-01"\n{bay}')
    with asking.book.writing() as connection:
        for name, taken in (("B1", "2026-05-20"), ("B2", "2026-06-01")):
            connection.execute(
                "insert into bookings (booking_id, taken_on, day, vehicle_class, zone, soil_level, batch, row_hash) "
                "values (?, ?, '2026-06-01', 'van', 'undercarriage', 'heavy', 0, 0)", [name, taken],
            )  # fmt: skip
    question = SafetyQuestion(day=TODAY)
    now, later = safety(asking, question), safety(replace(asking, today=date(2026, 6, 2)), question)
    assert (now.result.planned.vehicles, later.result.planned.vehicles) == (1, 2)
    (said,) = [w for w in now.warnings if "taken today" in w]
    assert said.startswith("1 booking (B2) was taken today, 2026-06-01, and was not counted")
    assert not any("taken today" in w for w in later.warnings)


def test_a_bay_is_told_as_it_is_written_and_the_shown_command_finds_it(tmp_path):
    """A bay's name keeps its letters, is found in any letter case, and a shell takes the shown command as meant."""
    import shlex

    from pipeline.answers.safety_warning import bay_sentences

    sides = f'[bays."{ODD}"]\nlength_ft = 40\nwidth_ft = 20\nheight_ft = 12\n'
    asking = _asking(tmp_path / "book", sides)
    settings = asking.book.settings
    chances = {limit.key: np.ones(1) for limit in limits_for({})}
    (said, *_) = bay_sentences(settings, ("W-1",), chances)
    assert f"in bay `{ODD}`" in said
    command = shlex.split(said.split("See `")[1].split("`")[0])
    assert command == ["rimebook", "safety", "--bay", ODD]
    found = safety(asking, SafetyQuestion(bay=command[-1].upper(), jobs=(_job(asking, "interior:light"),)))
    assert found.result.bay == ODD
    with pytest.raises(RimebookError) as none:
        safety(asking, SafetyQuestion(bay=ODD))
    words = shlex.split(none.value.problem.do.removeprefix("For example: "))
    assert words[: words.index("--vehicle")] == command
    with pytest.raises(RimebookError, match="Did you mean `Halle"):
        safety(asking, SafetyQuestion(bay="Hale <Nord> & Süß", jobs=(_job(asking, "interior:light"),)))


SIDES = "[bays.north]\nlength_ft = 40\nwidth_ft = 20\nheight_ft = 12\n"


@pytest.mark.parametrize(
    ("changes", "flow", "counts", "told"),
    [
        (2, 900, 320, "are 320 cfm, its flow is 900 cfm. The smaller, 320 cfm, counts"),
        (6, 320, 320, "are 960 cfm, its flow is 320 cfm. The smaller, 320 cfm, counts"),
        (0, 900, 0, "are 0 cfm, its flow is 900 cfm. The smaller, 0 cfm, counts"),
        (5.5, 900, 880, ""),
        (0, 0, 0, ""),
    ],
)
def test_of_two_figures_for_the_air_the_smaller_counts(tmp_path, changes, flow, counts, told):
    """A bay with air changes and a flow that disagree is told with both in the first lines, in JSON and as a note."""
    toml = f"{SIDES}air_changes_per_hour = {changes}\nflow_cfm = {flow}\n"
    asking = _asking(tmp_path / "book", toml)
    answer = safety(asking, SafetyQuestion(jobs=(_job(asking, "undercarriage:heavy"),)))
    assert answer.result.space.air_cfm == pytest.approx(counts)
    first = " ".join(render_safety(answer, Style()).split("\n\n")[0].split())
    assert ("disagree" in first) == bool(told)
    if told:
        assert told in first
        assert answer.result.space.two_airs in answer.warnings
    else:
        assert answer.result.space.two_airs is None
    assert any("figures are those of a closed space" in w for w in answer.warnings) == (counts == 0)


def test_two_airs_are_told_in_the_books_units_and_beside_an_estimate(tmp_path):
    """A metric book reads m3/h; the warning beside a priced job names both; one air asked for settles it."""
    from pipeline.answers.safety_warning import bay_sentences

    toml = f'[shop]\nunits = "metric"\n{SIDES}air_changes_per_hour = 2\nflow_cfm = 900\n'
    asking = _asking(tmp_path / "book", toml)
    jobs = (_job(asking, "undercarriage:heavy"),)
    said = safety(asking, SafetyQuestion(jobs=jobs)).result.space.two_airs
    assert "are 540 m3/h, its flow is 1,530 m3/h. The smaller, 540 m3/h, counts" in said
    chances = {limit.key: np.ones(1) for limit in limits_for({})}
    (beside, *_) = bay_sentences(asking.book.settings, ("W-1",), chances)
    assert "the smaller of its two entered airs, which disagree (540 m3/h and 1,530 m3/h)" in beside
    settled = safety(asking, SafetyQuestion(jobs=jobs, space=SpaceAsked(flow_cfm=900))).result.space
    assert (settled.air_cfm, settled.two_airs) == (900, None)


def test_one_chance_has_one_wording(tmp_path):
    """What the table tells as more than 99 % no note calls 100 of 100."""
    from pipeline.answers.safety_notes import exceeded_notes

    asking = _asking(tmp_path / "book", SIDES)
    result = safety(asking, SafetyQuestion(jobs=(_job(asking, "undercarriage:heavy"),))).result
    limits = tuple(replace(limit, chance_exceeded=0.998) for limit in result.limits)
    for note in exceeded_notes(replace(result, limits=limits)):
        assert "exceeded in > 99 % of scenarios" in note
