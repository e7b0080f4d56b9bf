"""Testing a change that the shop made: pellets against expectation before and after a day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.technique.design import Step, build_design, time_cuts
from models.technique.likejobs import fit_design
from models.technique.review import FEWEST_JOBS, KnownChange, known_change, newest

if TYPE_CHECKING:
    from models.consumption.jobs import JobTable
    from models.consumption.planning import PlanningFigures

#: Days around the change in which the shop's level may not step by itself.
QUIET_DAYS = 60
LEAST_EACH_SIDE = 10


@dataclass(frozen=True)
class ChangeTest:
    """A change tested for the whole shop and for each machine.

    Attributes
    ----------
    shop : KnownChange
    machines : tuple of KnownChange
        Of machines with jobs on both sides, each beside the others.
    """

    shop: KnownChange
    machines: tuple[KnownChange, ...]


def _fitted(table: JobTable, figures: PlanningFigures, steps: tuple[Step, ...], day: int) -> tuple[KnownChange, ...]:
    cuts = time_cuts(table.day)
    design = build_design(table, figures, steps=steps, cuts=cuts[np.abs(cuts - day) > QUIET_DAYS], settings=False)
    fit = fit_design(table, design)
    return tuple(known_change(table, fit, step) for step in steps)


def before_and_after(table: JobTable, figures: PlanningFigures, day: int) -> ChangeTest | None:
    """Return pellets after a day against before, like for like; None with fewer than ten jobs on a side.

    Settings are left out: they may be what was changed. The shop's slow change is allowed for, but not within
    `QUIET_DAYS` of the day, so what else happened then counts as well.
    """
    table = newest(table)
    after = table.day >= day
    if table.n_jobs < FEWEST_JOBS or min(after.sum(), (~after).sum()) < LEAST_EACH_SIDE:
        return None
    shop = _fitted(table, figures, (Step("shop", "", day),), day)[0]
    steps = []
    for code, name in enumerate(table.machine.names):
        mine = np.unique(table.line_job[table.machine.codes == code])
        if min(after[mine].sum(), (~after[mine]).sum()) >= LEAST_EACH_SIDE:
            steps.append(Step("machine", name, day))
    return ChangeTest(shop, _fitted(table, figures, tuple(steps), day) if len(steps) > 1 else ())
