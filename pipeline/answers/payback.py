"""What a machine earns: months until it has paid for itself, at the learned margin and volume."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.consumption.draws import stream
from models.costing.payback import months_to_pay_back, straight_line_usd_per_hour
from pipeline.answers.answer import Interval, QuantitySummary, summarise
from shared.counting import counted
from shared.errors import RimebookError
from shared.units import DAYS_PER_MONTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.answers.answer import Asking
    from pipeline.answers.costed import Costed
    from pipeline.book.settings import Machine

#: Days looked back on, the least number of priced visits, and the least time since the first visit: a rate a month that
#: is read off a few days is chance (four weeks hold each weekday as often).
_WINDOW_DAYS = 365
LEAST_VISITS = 5
LEAST_DAYS = 28
_N_DRAWS = 2000


@dataclass(frozen=True)
class MachinePayback:
    """What a machine earned in the last year and when that pays its price.

    Attributes
    ----------
    machine : str
    bought_usd : float
    visits, months_seen : int, float
        All visits on it, and the time in which they came.
    unpriced_visits : int
        Those of them without a price above 0 or a known cost: what they earned is taken to be that of the others.
    trigger_hours_month : float
    straight_line_usd_per_hour : float or None
        Price less salvage over its life in trigger hours; None where no life is entered.
    equipment_usd_per_hour : float
        What costs count for it now.
    earned_usd_month : QuantitySummary
        Price less all costs but the equipment's.
    months : Interval or None
        Until the price is earned; None where it may never be (more than the interval's tail of draws).
    months_median : float or None
    never_share : float
        Chance that it never does at this margin.
    """

    machine: str
    bought_usd: float
    visits: int
    unpriced_visits: int
    months_seen: float
    trigger_hours_month: float
    straight_line_usd_per_hour: float | None
    equipment_usd_per_hour: float
    earned_usd_month: QuantitySummary
    months: Interval | None
    months_median: float | None
    never_share: float


def machine_payback(asking: Asking, costed: Costed, name: str) -> MachinePayback:
    """Return what a machine earns, from the last year's visits on it.

    A visit on several machines counts in each with its lines' share. How often the machine works comes from all visits
    on it, what one of them earns from those that have a price.

    Raises
    ------
    RimebookError
        When the machine has no price in `book.toml`, fewer than five priced visits in the last year, or its first visit
        less than four weeks ago.
    """
    entered = _entered(asking, name)
    table, machine = costed.table, costed.table.machine
    word = name.casefold()
    code = next((i for i, known in enumerate(machine.names) if known.casefold() == word), -2)
    own = np.where(machine.codes == code, costed.line_share, 0.0)
    share = np.asarray(np.bincount(table.line_job, own, minlength=table.n_jobs), dtype=np.float64)
    first = asking.today.toordinal() - _WINDOW_DAYS
    worked = np.flatnonzero((share > 0) & (table.day >= first))
    rows = worked[costed.priced[worked]]
    if len(rows) < LEAST_VISITS:
        raise RimebookError(
            "too-few-visits", where=f"--payback {name}", found=f"{len(rows)} priced jobs on it in the last year",
            expected=f"{LEAST_VISITS} or more", do="Log the machine and the price of each job.",
        )  # fmt: skip
    seen_days = asking.today.toordinal() - max(first, int(table.day[share > 0].min()))
    if seen_days < LEAST_DAYS:
        raise RimebookError(
            "too-few-visits", where=f"--payback {name}",
            found=f"a first job on it {counted(seen_days, 'day')} before {asking.today.isoformat()}",
            expected=f"{LEAST_DAYS} days or more, to tell how often it works",
            do="Log the machine of earlier jobs too, or ask again when it has worked for a month.",
        )  # fmt: skip
    months_seen = seen_days / DAYS_PER_MONTH
    earned = share[rows] * (costed.columns.price_usd[rows] - costed.cost_usd[rows] + costed.equipment_usd[rows])
    costs = asking.book.settings.costs
    drawn = months_to_pay_back(earned, months_seen, float(entered.bought_usd or 0.0), n_draws=_N_DRAWS,
                               rng=stream(asking.seed, "payback", word), n_visits=len(worked))  # fmt: skip
    tails = np.quantile(drawn.months, [0.5 - asking.level / 2, 0.5, 0.5 + asking.level / 2], method="nearest")
    finite = bool(np.isfinite(tails).all())
    earned_usd_month = summarise(drawn.earned_usd_month, level=asking.level, n_scores=len(rows))
    return MachinePayback(
        machine=machine.names[code], bought_usd=float(entered.bought_usd or 0.0), visits=len(worked),
        unpriced_visits=len(worked) - len(rows), months_seen=months_seen,
        trigger_hours_month=_hours_on(costed, share, worked) * costs.trigger_share / months_seen,
        straight_line_usd_per_hour=_straight_line(entered),
        equipment_usd_per_hour=costs.equipment_usd_per_hour, earned_usd_month=earned_usd_month,
        months=Interval(asking.level, float(tails[0]), float(tails[2]), earned_usd_month.interval.supported)
        if finite else None,
        months_median=float(tails[1]) if np.isfinite(tails[1]) else None, never_share=drawn.never_share,
    )  # fmt: skip


def _hours_on(costed: Costed, share: NDArray[np.float64], worked: NDArray[np.intp]) -> float:
    """Return the hands-on hours of visits on a machine; one of unknown length counts as long as the others on average.

    Parameters
    ----------
    share : float64 array (n,)
        The machine's share of each visit.
    worked : int64 array
        Rows of the visits on it, one or more of known minutes.
    """
    hours = share[worked] * costed.minutes[worked] / 60.0
    return float(np.nanmean(hours)) * len(worked)


def _entered(asking: Asking, name: str) -> Machine:
    known = asking.book.settings.machines
    for machine, entered in known.items():
        if machine.casefold() == name.casefold() and entered.bought_usd:
            return entered
    raise RimebookError(
        "no-machine-price", where=f"--payback {name}", found="no price of this machine in book.toml",
        expected=f"bought_usd under [machines.{name}]" + (f"; known are {', '.join(known)}" if known else ""),
        do="Enter what it cost (or would cost) and, for the cost of an hour, life_hours.",
    )  # fmt: skip


def _straight_line(entered: Machine) -> float | None:
    if entered.life_hours is None or entered.bought_usd is None:
        return None
    return straight_line_usd_per_hour(entered.bought_usd, entered.salvage_share, entered.life_hours)
