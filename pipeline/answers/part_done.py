"""A job that is part done: what its rest takes and costs, given what was used so far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from models.consumption.customers import with_customer
from models.consumption.draws import stream
from models.consumption.predicting import predict
from models.costing.part_done import rest_of, shares_done
from pipeline.answers.answer import QuantitySummary, summarise
from pipeline.answers.pricing import chance_of_loss, expected_margin, job_cost
from pipeline.answers.quote_ground import beside_parts
from pipeline.answers.requests import asked_table
from pipeline.intake.quantities import parse_quantity
from pipeline.intake.units import book_unit
from shared.errors import UsageError
from shared.vocabulary import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from models.costing.part_done import PartDone
    from pipeline.answers.answer import Asking
    from pipeline.answers.estimating import JobEstimate
    from pipeline.answers.pricing import CostDraws
    from pipeline.answers.quote_ground import Ground
    from pipeline.answers.requests import JobAsked
    from pipeline.book.settings import Settings

#: More scenarios than a quote needs: only those that agree with what happened are kept.
_N_DRAWS = 9000
#: Less than this share of a job is none that was begun, and more than so many pounds or minutes are no job.
_LEAST_DONE, _MOST = 0.001, 50_000.0


@dataclass(frozen=True)
class SoFar:
    """What a job used by the time a share of its work was done; NaN where one of both was not read."""

    pellets_lb: float
    minutes: float
    done_share: float


@dataclass(frozen=True)
class RestOfJob:
    """What a part-done job still takes; `total` figures hold what was used as well.

    Attributes
    ----------
    done_share : float
    so_far_pellets_lb, so_far_minutes : float or None
    pellets_lb, minutes, cost_usd : QuantitySummary
        Of the rest; its cost holds the clean-up.
    total_pellets_lb, total_minutes, total_cost_usd : QuantitySummary
    price_usd, ceiling_usd : float
        As agreed (as quoted where nothing was).
    chance_of_loss : float
        That the whole job costs more than the price.
    expected_margin_share : float
    effective_scenarios : float
        How many scenarios agree with what was used.
    method : str
        "scenarios", or "log-normal" where too few agree.
    """

    done_share: float
    so_far_pellets_lb: float | None
    so_far_minutes: float | None
    pellets_lb: QuantitySummary
    minutes: QuantitySummary
    cost_usd: QuantitySummary
    total_pellets_lb: QuantitySummary
    total_minutes: QuantitySummary
    total_cost_usd: QuantitySummary
    price_usd: float
    ceiling_usd: float
    chance_of_loss: float
    expected_margin_share: float
    effective_scenarios: float
    method: str


@dataclass(frozen=True)
class PartDoneDraws:
    """Joint draws of a part-done job, given what it used so far.

    Attributes
    ----------
    so_far : SoFar
    given : PartDone
        Pellets (lb) and minutes of the rest and of the whole job.
    zones : float64 array (2, n_lines, n_draws)
        The whole job's pellets and minutes by zone; zones add up to the whole.
    cost : CostDraws
        Of the whole job.
    spent_usd : float64 array (n_draws,)
        Cost of what was used so far, set-up included.
    n_scores : int
        Past scores that stand behind a range of them.
    """

    so_far: SoFar
    given: PartDone
    zones: NDArray[np.float64]
    cost: CostDraws
    spent_usd: NDArray[np.float64]
    n_scores: int


def read_so_far(settings: Settings, text: str, done: float | None) -> SoFar:
    """Return what `--so-far 30lb/25min --done 0.33` says; one of both figures may be left out.

    Raises
    ------
    UsageError
        When a figure cannot be read, has no unit alone or is no job's, or the share is not between 0 and 1.
    """
    if done is None or not _LEAST_DONE <= done < 1.0:
        do = f"Write --done {done / 100:g}." if done is not None and 2.0 <= done < 100.0 else "Write for example 0.33."
        raise UsageError(
            "bad-done-share", where="--done", found="nothing" if done is None else f"{done:g}",
            expected="the share of the work that is done, between 0 and 1", do=do,
        )  # fmt: skip
    parts = [part.strip() for part in text.split("/")]
    units: Literal["us", "metric"] = "metric" if settings.shop.units == "metric" else "us"
    if len(parts) == 1:
        # A bare figure could be either of both.
        fits = {kind for kind in ("mass", "duration") if isinstance(parse_quantity(parts[0], kind, "")[0], float)}
        if len(fits) != 1:
            raise _unread(text)
        parts = [parts[0], ""] if fits == {"mass"} else ["", parts[0]]
    found = [
        _figure(text, part, book_unit("mass", units) if kind == "mass" else "min", kind)
        for part, kind in zip(parts[:2], ("mass", "duration"), strict=True)
    ]
    if len(parts) > 2 or not np.isfinite(found).any():
        raise _unread(text)
    return SoFar(found[0], found[1], done)


def _figure(text: str, part: str, unit: str, kind: str) -> float:
    if not part:
        return float("nan")
    value, _ = parse_quantity(part, "mass" if kind == "mass" else "duration", unit)
    if not isinstance(value, float) or not 0 < value <= _MOST:
        raise _unread(text)
    return value


def _unread(text: str) -> UsageError:
    return UsageError(
        "bad-so-far", where="--so-far", found=f"`{text}`", expected="pellets and minutes above 0, such as 30lb/25min",
        do="Give each figure its unit.",
    )  # fmt: skip


def draw_part_done(asking: Asking, job: JobAsked, ground: Ground, so_far: SoFar) -> PartDoneDraws:
    """Return the joint draws of a part-done job given what it used so far."""
    zones, n_scores = _zones(asking, job, ground)
    rng = stream(asking.seed, "rest")
    used = np.array([so_far.pellets_lb, so_far.minutes])
    share = shares_done(zones, zones[1].mean(axis=1), so_far.done_share, rng)
    given = rest_of(zones.sum(axis=1), used, share, rng)
    rest, whole = given.rest, given.whole
    zones = zones[:, :, given.scenario]
    zones = zones * (whole / np.maximum(zones.sum(axis=1), 1e-12))[:, None]
    beside = beside_parts(asking, job, ground, 1, rest.shape[1])
    usd = ground.landed.usd_per_lb
    costs = asking.book.settings.costs
    cost = job_cost(whole[0], whole[1], beside_min=beside.sum(axis=0), landed_usd_per_lb=usd, costs=costs)
    before = job_cost(whole[0] - rest[0], whole[1] - rest[1], beside_min=beside[0], landed_usd_per_lb=usd, costs=costs)
    return PartDoneDraws(so_far, given, zones, cost, before.total(), min(n_scores, int(given.effective)))


def whole_job(asking: Asking, estimate: JobEstimate, draws: PartDoneDraws) -> JobEstimate:
    """Return the estimate of a job as it is known now that part of it is done."""
    whole, lines = draws.given.whole, draws.zones

    def told(values: NDArray[np.float64]) -> QuantitySummary:
        return summarise(values, level=asking.level, n_scores=draws.n_scores)

    return replace(
        estimate, pellets_lb=told(whole[0]), minutes=told(whole[1]),
        lines=tuple(
            replace(line, pellets_lb=told(lines[0, i]), minutes=told(lines[1, i]))
            for i, line in enumerate(estimate.lines)
        ),
    )  # fmt: skip


def rest_of_job(asking: Asking, draws: PartDoneDraws, price_usd: float, ceiling_usd: float) -> RestOfJob:
    """Return what the rest of a job takes and what the whole earns at a price, from the draws of `draw_part_done`."""
    given, so_far, total_cost = draws.given, draws.so_far, draws.cost.total()
    rest, whole = given.rest, given.whole

    def told(values: NDArray[np.float64]) -> QuantitySummary:
        return summarise(values, level=asking.level, n_scores=draws.n_scores)

    return RestOfJob(
        done_share=so_far.done_share,
        so_far_pellets_lb=None if np.isnan(so_far.pellets_lb) else so_far.pellets_lb,
        so_far_minutes=None if np.isnan(so_far.minutes) else so_far.minutes,
        pellets_lb=told(rest[0]), minutes=told(rest[1]), cost_usd=told(total_cost - draws.spent_usd),
        total_pellets_lb=told(whole[0]), total_minutes=told(whole[1]), total_cost_usd=told(total_cost),
        price_usd=price_usd, ceiling_usd=ceiling_usd, chance_of_loss=chance_of_loss(total_cost, price_usd),
        expected_margin_share=expected_margin(total_cost, price_usd),
        effective_scenarios=given.effective, method=given.method,
    )  # fmt: skip


def _zones(asking: Asking, job: JobAsked, ground: Ground) -> tuple[NDArray[np.float64], int]:
    """Return joint draws of pellets and minutes by zone, (2, n_lines, n_draws), with the customer's effect.

    With them the past scores behind them.
    """
    fitted = ground.fit.fitted
    drawn = predict(fitted, asked_table(fitted, [job]), seed=asking.seed, n_draws=_N_DRAWS)
    zones = np.array([drawn.of(q).draws for q in QUANTITIES])
    effect = ground.customers.effect(job.customer, _N_DRAWS)
    if effect is not None:
        totals = zones.sum(axis=1)
        zones *= np.array([with_customer(totals[q][None], effect, q) for q in range(2)]) / totals[:, None]
    return zones, drawn.n_both()
