"""Whose change it was and when: steps in time of machines, operators and the whole shop compared in the joint fit.

An alarm of one stream may come from another: an operator who mostly runs a machine with a worn nozzle alarms too. So
after an alarm the best stretch of each stream is looked for by its generalised likelihood ratio (the CUSUM
change-point estimate), given everything else in the joint fit, and compared with a change of the whole shop and
of each other stream on the same days. Pellets are looked at alone and beside minutes; each view has half of the error.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from models.technique.design import Step
from models.technique.stretches import step_rows, stretches

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from models.consumption.jobs import JobTable
    from models.technique.minutes_beside import Views
    from models.technique.stretches import Ground

#: Statistic that a change must keep beside the shop's or a rival's on the same days, to be told apart from it.
LEAST_BESIDE_RIVAL = 1.64


@dataclass(frozen=True)
class Attribution:
    """What explains an alarm.

    Attributes
    ----------
    step : Step
        Of kind "shop" where the whole shop changed.
    z : float
        Signed statistic.
    chance : float
        Chance that some stretch of the stream stands out as much while nothing changes.
    rival : Step or None
        Another change that explains it as well, so that the two cannot be told apart.
    """

    step: Step
    z: float
    chance: float
    rival: Step | None = None


def attribute(
    table: JobTable, views: Views, streams: list[tuple[str, str]], alarm_day: int, *, up: bool
) -> Attribution | None:
    """Return whose change explains an alarm best; None where no stretch of any stream does.

    Parameters
    ----------
    streams : list of (kind, name)
        Machines and operators that may have changed.
    alarm_day : int
        Day by which the change has begun.
    up : bool
        Direction of the alarm.
    """
    sign = 1.0 if up else -1.0
    found = [_in_view(table, views, ground, streams, alarm_day, sign) for ground in views.all]
    own = [f for f in found if f is not None]
    if own:
        best = min(own, key=lambda f: f.chance)
        return replace(best, chance=min(1.0, best.chance * len(views.all)))
    return _of_shop(table, views.alone, streams, alarm_day, sign)


def _best(table: JobTable, ground: Ground, kind: str, name: str, alarm_day: int, sign: float) -> Attribution | None:
    tried = stretches(table, ground, kind, name)
    best = None if tried is None else tried.best(sign=sign, start_by=alarm_day)
    return None if best is None else Attribution(best[0], sign * best[1], best[2])


def _in_view(
    table: JobTable, views: Views, ground: Ground, streams: list[tuple[str, str]], alarm_day: int, sign: float
) -> Attribution | None:
    """Return the stream whose change stands out most in one view and beyond the shop's; None where none does."""
    found = [_best(table, ground, kind, name, alarm_day, sign) for kind, name in streams]
    own = sorted((c for c in found if c is not None), key=lambda c: -sign * c.z)
    for best in own:
        if not beyond_shop(table, ground, best.step, sign=sign):
            continue
        if ground is views.beside and not views.counts_beside(table, best.step, sign=sign):
            continue
        column = step_rows(table, ground.fit, best.step)
        rivals = (c.step for c in own if c is not best)
        return replace(best, rival=next((r for r in rivals if _explains(table, ground, column, r, sign)), None))
    return None


def _of_shop(
    table: JobTable, ground: Ground, streams: list[tuple[str, str]], alarm_day: int, sign: float
) -> Attribution | None:
    shop = _best(table, ground, "shop", "", alarm_day, sign)
    if shop is None:
        return None
    own = [_best(table, ground, kind, name, alarm_day, sign) for kind, name in streams]
    rival = max((c for c in own if c is not None), key=lambda c: sign * c.z, default=None)
    return replace(shop, rival=None if rival is None else rival.step)


def beyond_shop(table: JobTable, ground: Ground, step: Step, *, sign: float = 1.0) -> bool:
    """Whether a stream's change explains more than the whole shop's on the same days, and more beside it."""
    column = step_rows(table, ground.fit, step)
    shop = step_rows(table, ground.fit, Step("shop", "", step.since, step.until))
    alone, of_shop = sign * ground.statistic(column), sign * ground.statistic(shop)
    return alone > of_shop and sign * ground.statistic(column, shop) >= LEAST_BESIDE_RIVAL


def _explains(table: JobTable, ground: Ground, column: NDArray[np.float64], rival: Step, sign: float) -> bool:
    """Whether nothing much of a change is left beside a rival's."""
    return sign * ground.statistic(column, step_rows(table, ground.fit, rival)) < LEAST_BESIDE_RIVAL
