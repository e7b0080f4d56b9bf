"""Whose change it was and when: steps in time of machines, operators and the whole shop compared in the joint fit.

What looks like a change of one stream may come from another: an operator who mostly runs a machine with a worn nozzle
takes more too, and beside a machine that got better all others seem to have risen. So the best stretch of each stream
is looked for in both directions by its generalised likelihood ratio (the CUSUM change-point estimate), given everything
else in the joint fit, and compared with a change of the whole shop and of each other stream on the same days. Pellets
are looked at alone and beside minutes; each view has half of the error.
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
#: Chance of a stretch, while nothing changes, up to which a change is kept in the fit.
CONFIRM = 0.10


@dataclass(frozen=True)
class Attribution:
    """What changed.

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

    @property
    def sign(self) -> float:
        """1 for a rise, -1 for a fall."""
        return 1.0 if self.z > 0 else -1.0


def attribute(table: JobTable, views: Views, streams: list[tuple[str, str]]) -> Attribution | None:
    """Return the change that stands out most, whose and whichever way; None where no stretch of any stream does.

    Parameters
    ----------
    streams : list of (kind, name)
        Machines and operators that may have changed.
    """
    found = [_in_view(table, views, ground, streams) for ground in views.all]
    own = [f for f in found if f is not None]
    if own:
        best = min(own, key=lambda f: f.chance)
        return replace(best, chance=min(1.0, best.chance * len(views.all)))
    return _of_shop(table, views.alone, streams)


def _both_ways(table: JobTable, ground: Ground, kind: str, name: str) -> list[Attribution]:
    """Return a stream's best rise and best fall.

    Where both stand out they may be one change told from either end, a fall that lasts or a rise that ended then: the
    one with less evidence is left out.
    """
    tried = stretches(table, ground, kind, name)
    if tried is None:
        return []
    best = [tried.best(sign=sign) for sign in (1.0, -1.0)]
    found = [Attribution(*b) for b in best if b is not None]
    if len(found) == 2 and all(f.chance <= CONFIRM for f in found):
        return [max(found, key=lambda f: tried.evidence(sign=f.sign))]
    return found


def _in_view(table: JobTable, views: Views, ground: Ground, streams: list[tuple[str, str]]) -> Attribution | None:
    """Return the change that stands out most in one view and beyond the shop's; None where none does.

    Of a rise and a fall the one that chance brings less often is taken: a rise of one machine and a fall of another on
    the same day are much alike, and most that changes changes for the worse.
    """
    found = [c for kind, name in streams for c in _both_ways(table, ground, kind, name)]
    own = [_one_way(table, views, ground, [c for c in found if c.sign == sign]) for sign in (1.0, -1.0)]
    return min((c for c in own if c is not None), key=lambda c: c.chance, default=None)


def _one_way(table: JobTable, views: Views, ground: Ground, found: list[Attribution]) -> Attribution | None:
    """Return which of changes of one direction stands out most in one view and beyond the shop's; None where none."""
    found = sorted(found, key=lambda c: -abs(c.z))
    for best in found:
        if not beyond_shop(table, ground, best.step, sign=best.sign):
            continue
        if ground is views.beside and not views.counts_beside(table, best.step, sign=best.sign):
            continue
        column = step_rows(table, ground.fit, best.step)
        rivals = (c.step for c in found if c is not best)
        explains = (r for r in rivals if _explains(table, ground, column, r, best.sign))
        return replace(best, rival=next(explains, None))
    return None


def _of_shop(table: JobTable, ground: Ground, streams: list[tuple[str, str]]) -> Attribution | None:
    shop = min(_both_ways(table, ground, "shop", ""), key=lambda c: c.chance, default=None)
    if shop is None:
        return None
    own = [c for kind, name in streams for c in _both_ways(table, ground, kind, name) if c.sign == shop.sign]
    rival = max(own, key=lambda c: abs(c.z), default=None)
    return replace(shop, rival=None if rival is None else rival.step)


def beyond_shop(table: JobTable, ground: Ground, step: Step, *, sign: float = 1.0) -> bool:
    """Whether a stream's change explains more than the whole shop's on the same days, and more beside it."""
    column = step_rows(table, ground.fit, step)
    shop = step_rows(table, ground.fit, Step("shop", "", step.since, step.until))
    alone, of_shop = sign * ground.statistic(column), sign * ground.statistic(shop)
    return alone > of_shop and sign * ground.statistic(column, shop) >= LEAST_BESIDE_RIVAL


def shared_with_shop(table: JobTable, ground: Ground, step: Step) -> tuple[float, float] | None:
    """Return a machine's estimate and error beside the whole shop's step of the same days, where the two are one.

    They are where the shop's step stands out and nothing of the machine's own is left beside it; None elsewhere. Where
    no other machine ran nothing tells the two apart, and the step stays the machine's.
    """
    column = step_rows(table, ground.fit, step)
    shop = step_rows(table, ground.fit, Step("shop", "", step.since, step.until))
    own = ground.measured(column, shop)
    if own is None or abs(ground.statistic(shop)) < LEAST_BESIDE_RIVAL:
        return None
    return own if abs(own[0] / own[1]) < LEAST_BESIDE_RIVAL else None


def _explains(table: JobTable, ground: Ground, column: NDArray[np.float64], rival: Step, sign: float) -> bool:
    """Whether nothing much of a change is left beside a rival's."""
    return sign * ground.statistic(column, step_rows(table, ground.fit, rival)) < LEAST_BESIDE_RIVAL
