"""What the calibration says in words of how past intervals held."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from models.consumption.conformal import ProbitMap
from models.consumption.mapping import LEARNED, LEAST_SCORES
from pipeline.answers.calibrating import RuleScore, ShiftFound, ShiftRatio, _advice
from pipeline.answers.verdict import Held, corrected, held_levels, narrow

SCORES = (RuleScore("learned", 50.0, 60.0), RuleScore("shop average", 90.0, 95.0))


@pytest.mark.parametrize(
    ("half", "main", "jobs", "said"),
    [
        (0.50, 0.80, 111, "held about as often as they say"),
        (0.62, 0.89, 111, "wider than they needed to be"),
        (0.57, 0.85, 111, "held about as often as they say"),
        (0.38, 0.74, 111, "too narrow"),
        (0.50, 0.66, 111, "too narrow"),
        (0.55, 0.83, 2000, "wider than they needed to be"),
        (0.90, 0.99, 12, "Only 12 past jobs could be tested"),
    ],
)
def test_the_verdict_goes_by_the_half_as_well(half: float, main: float, jobs: int, said: str) -> None:
    """An 80 % interval hides a width that the 50 % interval shows; chance alone is called neither way."""
    levels = tuple(Held(level, held, jobs, held, held, jobs, jobs) for level, held in ((0.5, half), (0.8, main)))
    assert said in next(_advice(levels, (), SCORES, ()))


@pytest.mark.parametrize(
    ("pellets", "minutes", "said"),
    [
        (
            (0.34, 0.70, 90),
            (0.67, 0.91, 90),
            ["Past intervals for pellets were too narrow", "Past intervals for minutes were wider than they needed"],
        ),
        (
            (0.36, 0.66, 400),
            (0.50, 0.80, 400),
            ["Past intervals for pellets were too narrow", "Past 80 % intervals for minutes held about as often"],
        ),
        ((0.36, 0.66, 400), (0.37, 0.65, 400), ["Past intervals for pellets and minutes were too narrow"]),
        (
            (0.50, 0.80, 400),
            (0.30, 0.60, 12),
            ["Past 80 % intervals for pellets held", "Only 12 past jobs with minutes could be tested"],
        ),
        (
            (0.50, 0.80, 400),
            (None, None, 0),
            ["Past 80 % intervals for pellets held", "No past job with minutes could be tested"],
        ),
    ],
)
def test_each_quantity_is_judged_by_itself(
    pellets: tuple[float, float, int], minutes: tuple[float | None, float | None, int], said: list[str]
) -> None:
    """What is too narrow for one is not made up for by the other, each goes by its own jobs and is named."""
    levels = tuple(
        Held(level, level, 400, p, m, pellets[2], minutes[2])
        for level, p, m in zip((0.5, 0.8), pellets[:2], minutes[:2], strict=True)
    )
    told = list(_advice(levels, (), SCORES, ()))
    assert len(told) == len(said)
    assert all(line.startswith(start) for line, start in zip(told, said, strict=True))
    assert not any("can be relied on" in line for line in told)


@pytest.mark.parametrize(
    ("pellets", "minutes", "said"),
    [
        (ProbitMap(0.0, 1.0, 0), ProbitMap(0.0, 1.0, LEAST_SCORES - 1), ""),
        (ProbitMap(0.0, 1.0, 400), ProbitMap(0.0, 1.0, 50), "Answers for pellets are quoted as they were learned"),
        (ProbitMap(0.0, 1.0, 400), ProbitMap(0.0, 1.0, 400), "Answers for pellets and minutes are quoted as they"),
        (ProbitMap(0.1, 1.0, 400, "whole"), ProbitMap(0.0, 1.0, 5), "Answers for pellets are corrected by how all"),
        (
            ProbitMap(0.0, 1.0, 400, LEARNED),
            ProbitMap(0.0, 1.0, 5),
            "Past intervals for pellets lay too high or too low",
        ),
    ],
)
def test_a_correction_is_denied_only_where_it_was_tried(pellets: ProbitMap, minutes: ProbitMap, said: str) -> None:
    """With too few scores for a choice nothing was tried, and nothing is told of what corrections would have done."""
    told = " ".join(corrected({"pellets_lb": pellets, "minutes": minutes}))
    assert told.startswith(said)
    assert bool(told) == bool(said)
    assert "minutes" in said or "minutes" not in told


def test_only_what_was_too_narrow_is_a_caution() -> None:
    """An answer repeats the verdict on the quantities that it tells uncorrected, in the words of `calibration`."""
    levels = tuple(Held(level, p, 90, p, m, 90, 90) for level, p, m in ((0.5, 0.3, 0.5), (0.8, 0.6, 0.8)))
    (said,) = narrow(levels, ("pellets_lb", "minutes"))
    assert said == next(_advice(levels, (), SCORES, ()))
    assert said.startswith("Past intervals for pellets were too narrow: quote with a smaller risk share")
    assert narrow(levels, ("minutes",)) == ()
    few = tuple(Held(level, 0.1, 12, 0.1, 0.1, 12, 12) for level in (0.5, 0.8))
    assert narrow(few, ("pellets_lb", "minutes")) == narrow((), ("pellets_lb",)) == ()


def test_a_shift_names_its_quantity_and_where_to_look() -> None:
    """Only a shift of the pellets sends to the test of a change, which knows nothing of minutes; both are told."""
    levels = (Held(0.8, 0.8, 90, 0.8, 0.8, 90, 90),)
    pellets, minutes = (
        ShiftFound(date(2026, 3, 27), quantity, ShiftRatio(1.15, 1.1, 1.2, 0.95))
        for quantity in ("pellets_lb", "minutes")
    )
    told = list(_advice(levels, (), SCORES, (pellets, minutes)))[-2:]
    assert told[0].startswith("The pellets that jobs take have shifted by a factor of 1.15")
    assert "`rimebook technique --change 2026-03-27`" in told[0]
    assert told[1].startswith("The minutes that jobs take have shifted by a factor of 1.15")
    assert "technique" not in told[1]
    assert "hands-on" in told[1]
    assert all("learn part of it" in line for line in told)


@pytest.mark.parametrize(("jobs", "said"), [(22, "as far as 22 jobs can tell"), (99, "99 jobs"), (100, "relied on.")])
def test_few_jobs_tell_nothing_to_rely_on(jobs: int, said: str) -> None:
    """Of 22 intervals that hold in 80 % of cases between 61 and 99 % hold by chance: no ground for a price."""
    levels = tuple(Held(level, level, jobs, level, level, jobs, jobs) for level in (0.5, 0.8))
    (told,) = _advice(levels, (), SCORES, ())
    assert said in told
    assert ("prices set by risk can be relied on." in told) is (jobs == 100)
    assert ("61 to 99 % of cases" in told) is (jobs == 22)


def test_few_jobs_of_one_quantity_are_no_ground_either() -> None:
    """Where minutes were never logged, 25 jobs with pellets tell no more than 25 jobs with both."""
    levels = tuple(Held(level, level, 25, level, None, 25, 0) for level in (0.5, 0.8))
    pellets, minutes = _advice(levels, (), SCORES, ())
    assert "intervals for pellets held about as often as they say, as far as 25 jobs can tell" in pellets
    assert minutes.startswith("No past job with minutes")


def test_a_price_rests_on_the_upper_end_alone() -> None:
    """Intervals that hold in 80 % of cases, but are passed upwards in 20 % and never downwards, are not good."""
    fair = (np.arange(200) + 0.5) / 200
    low = np.where(fair < 0.8, 0.1 + fair, 0.9 + (fair - 0.8) / 2)
    levels = held_levels(np.array([fair, low]))
    main = next(h for h in levels if h.level == 0.8)
    assert (main.above("pellets_lb"), main.above("minutes")) == pytest.approx((0.1, 0.2), abs=0.006)
    assert main.minutes == pytest.approx(0.8, abs=0.006)
    pellets, minutes = _advice(levels, (), SCORES, ())
    assert pellets.startswith("Past 80 % intervals for pellets held")
    assert minutes.startswith(
        "Past jobs took more minutes than their 80 % interval reaches in 20 % of cases, where 10 %"
    )
    assert narrow(levels, ["pellets_lb", "minutes"]) == (minutes,)
    assert narrow(levels, ["pellets_lb"]) == ()
