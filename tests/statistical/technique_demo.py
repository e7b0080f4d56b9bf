"""How often the technique review finds what the demo's law plants, over logs drawn anew from it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from technique_measures import told

from data_demo.generate import draw_shop, write_clean
from data_demo.law import log_medians
from data_demo.truth import TRUTH
from data_demo.visits import draw_days, draw_visit, open_days
from models.technique.review import newest, review
from pipeline.book.store import create_book
from pipeline.book.tables import job_table
from pipeline.intake.importing import import_files


def demo_table(seed: int):
    """Return the job table of one draw of the demo's law, through the import, and the planning of both quantities."""
    with TemporaryDirectory() as folder:
        logs = draw_shop(seed)
        write_clean(logs, Path(folder) / "logs")
        book = create_book(Path(folder) / "book")
        import_files(book, [Path(folder) / "logs" / "jobs.csv"], today=logs.as_of)
        return newest(job_table(book, logs.as_of)), book.settings.planning()


@lru_cache(maxsize=4)
def rise(name: str, n_visits: int = 3000) -> float:
    """Return by what ratio a planted waste raises a job's pellets, in the mean of the log over its stretch.

    A little less than the planted ratio: the purge is blown whatever is wasted, and wear grows over a week.
    """
    waste = next(w for w in TRUTH.waste if w.name == name)
    without = replace(TRUTH, waste=tuple(replace(w, last=date.min) if w is waste else w for w in TRUTH.waste))
    rng = np.random.default_rng(5)
    ratios = []
    for day in draw_days(rng, n_visits, open_days(waste.first, min(waste.last, TRUTH.last_day))):
        visit = draw_visit(rng, day)
        if name not in (visit.operator, visit.machine):
            continue
        feed = TRUTH.feed_usual_lb_min if waste.kind == "operator" else visit.settings["feed_lb_min"]
        clean = replace(visit, settings={**visit.settings, "feed_lb_min": feed})
        taken = np.exp(log_medians(visit)[:, 0]).sum() + TRUTH.purge_lb
        needed = np.exp(log_medians(clean, without)[:, 0]).sum() + TRUTH.purge_lb
        ratios.append(np.log(taken / needed))
    return float(np.exp(np.mean(ratios)))


def demo(n: int, *, first_seed: int = 501) -> dict[str, object]:
    """Return how often the demo's planted waste is found, dated and sized, and what else is accused, over `n` logs.

    Shares are of all logs; "holds" are of the logs in which it was found: the interval holds by how much pellets rose.
    """
    planted = {w.name: w.first.toordinal() for w in TRUTH.waste}
    counts, others = Counter[str](), Counter[str]()
    for seed in range(first_seed, first_seed + n):
        table, planning = demo_table(seed)
        found = review(table, planning.pellets_lb, minutes=planning.minutes)
        for name, day in planted.items():
            drift_found = next((d for d in found.drifts if d.is_waste and d.step.name == name), None)
            if drift_found is None:
                continue
            factor = table.machine if drift_found.step.kind == "machine" else table.operator
            mine = np.sort(table.day[np.unique(table.line_job[factor.codes == factor.names.index(name)])])
            away = abs(int(np.searchsorted(mine, drift_found.step.since)) - int(np.searchsorted(mine, day)))
            counts.update({f"{name} found": 1, f"{name} dated": away <= 25})
            for level in (0.8, 0.95):
                low, high = drift_found.interval(level)
                holds = low <= rise(name) <= high
                counts.update({f"{name} {level} holds": holds, f"{name} all {level}": away <= 25 and holds})
        others.update(f"{kind} {name}" for kind, name in told(found) if name not in planted)
        counts.update(nobody_else=not {f for f in told(found) if f[1] not in planted and f[0] != "setting"})
    return {
        **{
            k: round(v / (counts[f"{k.split()[0]} found"] if k.endswith("holds") else n), 3)
            for k, v in sorted(counts.items())
        },
        "rise": {name: round(rise(name), 3) for name in planted},
        "others": dict(others),
    }
