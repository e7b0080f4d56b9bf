"""Is the planned ice too much for this air and these ears? Planning figures, never a clearance."""

from __future__ import annotations

import shlex
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from models.air.room import SHIFT_MIN
from models.ice.outlook import containers_filled
from pipeline.answers.answer import Answer, Asking, summarise
from pipeline.answers.bookings import LOST, believes_statuses, taken_today_note
from pipeline.answers.cautions import cautions_for
from pipeline.answers.estimating import predicted
from pipeline.answers.requests import JobAsked, LineAsked
from pipeline.answers.safety_air import (
    MOST_DRAWS,
    AirTerms,
    Work,
    assess_air,
    scenarios_used,
)
from pipeline.answers.safety_answer import Planned, SafetyQuestion, SafetyResult, SpaceCounted
from pipeline.answers.safety_noise import noise_answers
from pipeline.answers.safety_notes import safety_notes
from pipeline.answers.safety_space import asked_space, room_of, two_airs_note
from pipeline.book import tables
from shared.errors import RimebookError, UsageError
from shared.limits import limits_for
from shared.units import MIN_PER_DAY
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.answers.estimating import Predicted
    from pipeline.answers.safety_noise import NoiseAnswer

#: Spread of the planned loss of stored ice, sd of its logarithm (from memory, no source).
_LOSS_LOG_SD = 0.4


def safety(asking: Asking, question: SafetyQuestion) -> Answer[SafetyResult]:
    """Return CO2 build-up, the air that keeps each limit, and the noise dose of the planned work.

    Raises
    ------
    RimebookError
        For a space without volume, impossible air, a limit above the standard's, or nothing planned.
    """
    _check(question)
    settings = asking.book.settings
    limits = limits_for(settings.limits)
    space = asked_space(settings, question.bay, question.space, van=question.van)
    if question.protection is not None and space.noise_dba is None:
        raise UsageError(
            "no-noise-level", where="--nrr", found=f"no level to take {question.protection.nrr_db:g} dB off",
            expected="--noise-dba, or noise_dba of the bay in book.toml", do="Measure it at the ear while blasting.",
        )  # fmt: skip
    jobs = question.jobs if question.day is None else booked_jobs(asking, question.day)
    if not jobs and question.stored_lb <= 0:
        raise _nothing_planned(question)
    found = predicted(asking, jobs) if jobs else None
    shift_min = max(SHIFT_MIN, 60 * settings.shop.hours_per_day)
    # Ice in a vehicle was just loaded; in a bay it has stood there since the last shift.
    stood_min = 0.0 if question.van or question.stored_lb <= 0 else max(MIN_PER_DAY - shift_min, 0.0)
    containers = containers_filled(question.stored_lb, settings.ice.container_lb)
    loss_lb_day = question.stored_lb_day
    if loss_lb_day is None:  # the planning figure is one container's
        loss_lb_day = containers * settings.ice.sublimation_lb_per_day
    work = _work(asking, question, found, loss_lb_day, stood_min)
    n_scores = int(found.consumption.n_calibration.min()) if found else 0
    room = room_of(space)
    door_cfm = 0.0 if space.doors_open else space.door_flow_cfm or 0.0
    terms = AirTerms(limits, question.low_layer_factor, door_cfm, shift_min, asking.level, n_scores)
    air = assess_air(room, work, terms)
    # Of all scenarios, of which the air takes some: as an estimate of the same jobs tells them.
    totals = [found.consumption.of(q).draws.sum(axis=0) for q in QUANTITIES] if found else []
    noise: tuple[NoiseAnswer, ...] = ()
    if space.noise_dba is not None and found:
        trigger = settings.costs.trigger_share * totals[1]
        noise = noise_answers(space.noise_dba, trigger, question.protection, level=asking.level, n_scores=n_scores)
    zones = {line.zone for job in jobs for line in job.lines}
    stripped = any(line.coating_removed for job in jobs for line in job.lines)
    told = [summarise(draws, level=asking.level, n_scores=n_scores) for draws in totals]
    lb, minutes = told or (None, None)
    planned = Planned(
        len(jobs), len(work.lb), lb, minutes, question.pause_min, question.stored_lb, stood_min, containers
    )
    counted = SpaceCounted(
        space.length_ft or 0.0, space.width_ft or 0.0, space.height_ft or 0.0, space.volume_ft3 or 0.0, space.air_cfm,
        space.mixing_share, space.altitude_ft, space.temperature_f, room.gas_ft3_lb, question.low_layer_factor,
        two_airs_note(space, settings.shop.units),
    )  # fmt: skip
    result = SafetyResult(
        space.name, air.co2_ppm, air.oxygen_percent, air.curve, air.limits, air.flow_needed_cfm, noise, planned, counted
    )  # fmt: skip
    return Answer(
        result,
        (
            *(found.fit.warnings if found else ()),
            *(taken_today_note(asking, question.day, question.day) if question.day is not None else ()),
            *safety_notes(settings, space, result, question, found),
        ),
        tuple(cautions_for("safety", sorted(zones), settings=settings, coating_removed=stripped)),
    )


def booked_jobs(asking: Asking, day: date) -> tuple[JobAsked, ...]:
    """Return what is booked on a day as of `asking.today`, in the order of booking ids.

    Cancelled bookings are left out, but not where a past day's answer is made again: nobody knew of it then.
    """
    gone = LOST if believes_statuses(asking) else ()
    rows = [b for b in tables.bookings(asking.book, asking.today) if b.day == day and b.status not in gone]
    found = []
    for booking_id, grouped in groupby(rows, key=lambda b: b.booking_id):
        zones = list(grouped)
        lines = tuple(LineAsked(b.vehicle_class, b.zone, b.soil_level, b.coating_removed) for b in zones)
        found.append(JobAsked(booking_id, day, lines, next((b.customer for b in zones if b.customer), "")))
    return tuple(found)


def busiest_booked_day(asking: Asking) -> date | None:
    """Return the day from today on with the most booked ice by its mean, None where nothing is booked."""
    ahead = sorted({b.day for b in tables.bookings(asking.book, asking.today) if b.day >= asking.today})
    jobs = [job for day in ahead for job in booked_jobs(asking, day)]
    if not jobs:
        return None
    lb = predicted(asking, jobs).consumption.jobs("pellets_lb").draws.mean(axis=1)
    totals: dict[date, float] = {}
    for job, mean_lb in zip(jobs, lb.tolist(), strict=True):
        totals[job.day] = totals.get(job.day, 0.0) + mean_lb
    return max(totals, key=lambda day: (totals[day], -day.toordinal()))


def _work(
    asking: Asking, question: SafetyQuestion, found: Predicted | None, loss_lb_day: float, stood_min: float
) -> Work:
    rng = np.random.default_rng(asking.seed)
    if found is None:
        lb = minutes = np.empty((0, MOST_DRAWS))
        vehicle: NDArray[np.int64] = np.empty(0, dtype=np.int64)
    else:
        kept = scenarios_used(found.consumption.pellets.n_draws)
        lb, minutes = found.consumption.pellets.draws[:, kept], found.consumption.minutes.draws[:, kept]
        vehicle = found.consumption.request.line_job
    loss = loss_lb_day * np.exp(_LOSS_LOG_SD * rng.standard_normal(lb.shape[1]))
    return Work(lb, minutes, vehicle, question.pause_min, question.stored_lb, loss, stood_min)


def _check(question: SafetyQuestion) -> None:
    if question.day is not None and question.jobs:
        raise UsageError(
            "day-and-job", where="command line", found="a --date and a --vehicle", expected="one of them",
            do="Ask for what is booked on a day, or describe one job.",
        )  # fmt: skip
    numbers = {
        "--pause-min": (question.pause_min, 0.0, MIN_PER_DAY),
        "--stored-lb": (question.stored_lb, 0.0, 100_000.0),
        "--stored-lb-day": (question.stored_lb_day or 0.0, 0.0, 10_000.0),
        "--low-layer-factor": (question.low_layer_factor, 1.0, 100.0),
    }
    asked = question.space
    sides = {"--length-ft": asked.length_ft, "--width-ft": asked.width_ft, "--height-ft": asked.height_ft}
    numbers |= {option: (side, 0.1, 10_000.0) for option, side in sides.items() if side is not None}
    air = {"--air-changes": asked.air_changes_per_hour, "--flow-cfm": asked.flow_cfm}
    numbers |= {option: (figure, 0.0, 10_000_000.0) for option, figure in air.items() if figure is not None}
    if question.protection is not None:
        numbers["--nrr"] = (question.protection.nrr_db, 0.0, 40.0)
    if asked.noise_dba is not None:
        numbers["--noise-dba"] = (asked.noise_dba, 40.0, 150.0)
    if asked.door_flow_cfm is not None:
        numbers["--door-flow-cfm"] = (asked.door_flow_cfm, 0.0, 1_000_000.0)
    if asked.altitude_ft is not None:
        numbers["--altitude-ft"] = (asked.altitude_ft, -1500.0, 20_000.0)
    if asked.temperature_f is not None:
        numbers["--temperature-f"] = (asked.temperature_f, -40.0, 140.0)
    for option, (value, low, high) in numbers.items():
        if not low <= value <= high:
            raise UsageError(
                "out-of-range", where=option, found=f"{value:g}", expected=f"{low:g} to {high:g}",
                do="Check the unit and the decimal point.",
            )  # fmt: skip


def _nothing_planned(question: SafetyQuestion) -> RimebookError:
    found = "no job" if question.day is None else f"nothing booked on {question.day.isoformat()} by this morning"
    bay = f"--bay {shlex.quote(question.bay)} " if question.bay else ""
    return RimebookError(
        "nothing-planned", where="command line", found=f"{found} and no stored ice",
        expected="--date with bookings, --vehicle with --zone, or --stored-lb",
        do=f"For example: rimebook safety {bay}--vehicle suv --zone undercarriage:heavy",
    )  # fmt: skip
